"""What each channel shows: its source, whether it can be believed, and its values on the uniform grid.

``series`` and ``engine_readings`` gather a channel's sources and know those that are published on change only;
``receiver_choice`` and ``made_good`` hold them against each other; ``resolution`` tells what rounding leaves open;
``grid`` tests single readings and makes the samples.
"""
