"""Listening: sources, the recorder that loses nothing, its health and its screen.

The way of a byte: a source (``serial_port``, ``network``, ``can_bus``, ``growing_file``, ``replay``) is read by
its own thread (``reader``), stamped, and put into a bounded queue (``backlog``); one thread (``writer``) cuts it
into journal lines and appends them (``raw_files``), another makes them safe on the disk; ``health`` counts,
``alarms`` says what is wrong and what to do, ``screen`` shows it. ``recorder`` puts them together.
"""
