"""Listening: sources, the recorder that loses nothing, its health and its screen.

The way of a byte: a source (``serial_port``, ``network``, ``can_bus``, ``growing_file``) is read by its own thread,
stamped, and put into a bounded queue (``received_lines``); one thread cuts it into journal lines and appends them
(``raw_files``), another makes them safe on the disk (all in ``recorder_threads``); ``source_health`` counts, ``status``
says what is wrong and what to do, ``screen`` shows it. ``recorder`` puts them together.
"""
