"""CAN: candump lines to tables.

``can_decoder`` reads the lines and is the whole way; ``messages`` puts frames together to whole messages, and
``parameter_groups`` holds the fields of the groups that matter on a trial.
"""
