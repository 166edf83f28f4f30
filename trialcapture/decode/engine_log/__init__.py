"""Engine logs: delimited text, by its declaration, to one table of times and channels.

``log_table`` decodes a log, with one reading a row too: ``log_cells`` splits text into cells and reads numbers,
``log_stamps`` and ``log_time`` read times. ``log_draft`` proposes a declaration to a person.
"""
