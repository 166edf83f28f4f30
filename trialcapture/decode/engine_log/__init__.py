"""Engine logs: delimited text, by its declaration, to one table of times and channels.

``log_cells`` cuts text to cells and reads numbers, ``log_stamps`` and ``log_time`` read times, ``log_long_form`` turns
logs with one reading a row, ``log_table`` is the whole way. ``log_draft`` proposes a declaration to a person.
"""
