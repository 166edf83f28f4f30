"""UTC assignment: receive clocks, receivers' own times and engine-log clocks.

Receivers: ``sentence_times`` (the axis on which lines came in, and what sentences say of the time),
``lower_envelope`` (one against the other), ``receiver_steps`` (a receiver's time that was set), ``receiver_clocks``
(all of it, and logs without stamps), and ``utc_assignment``, which gives every sentence its time. It is decided on few
rows of each log (``downsampled_index``).

Engine logs: ``log_match`` and ``log_clock`` (rpm against rpm, or marks; clocks set while the log ran), ``log_motion``
(rpm against the boat's motion), ``log_alignment`` (the choice and its result).
"""
