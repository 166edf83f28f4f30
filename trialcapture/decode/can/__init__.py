"""CAN: candump lines to tables.

``candump`` reads the lines, ``messages`` puts frames together to whole messages, ``parameter_groups`` holds the
fields of the groups that matter on a trial, ``can_decoder`` is the whole way.
"""
