"""What each channel shows: its source, whether it can be believed, and its values on the uniform grid.

``series`` and ``engine_readings`` gather a channel's sources; ``receiver_choice``, ``made_good`` and ``stuck`` hold
them against each other; ``on_change`` and ``resolution`` know how they are published; ``quality_flags`` tests single
readings; ``grid`` makes the samples.
"""
