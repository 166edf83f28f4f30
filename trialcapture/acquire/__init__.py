"""Listening: sources, the recorder that loses nothing, its health and its screen.

The way of a byte: a source (``source``, ``growing_file``) is read by its own thread, stamped with the time of
``computer``, and put into a bounded queue (``received_lines``); one thread cuts it into journal lines and appends them
(``raw_files``), another makes them safe on the disk (all in ``recorder_threads``); ``status`` counts and says what is
wrong and what to do, ``events`` writes it down, ``screen`` shows it here and ``live_status`` to other programs.
``ending`` says how a recording ends, ``recorder`` puts all together, and ``preflight`` looks before the lines are cast
off.
"""
