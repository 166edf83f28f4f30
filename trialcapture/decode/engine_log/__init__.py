"""Engine logs: delimited text, by its declaration, to one table of times and channels.

``log_table`` decodes a log: ``log_cells`` splits text into cells and reads numbers, ``log_stamps`` and ``log_time``
read times, ``log_long_form`` joins readings of one time. ``log_draft`` proposes a declaration to a person.
"""
