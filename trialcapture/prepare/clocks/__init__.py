"""UTC assignment: receive clocks, receivers' own times and engine-log clocks.

Receivers: ``receive_time`` (the axis on which lines came in), ``sentence_times`` (what sentences say of the time),
``lower_envelope`` (one against the other), ``receiver_steps`` (a receiver's time that was set), ``line_order`` (logs
without stamps), ``receiver_clocks``, and ``utc_assignment``, which gives every sentence its time. All of it is decided
on few rows of each log (``downsampled_index``).

Engine logs: ``log_match`` and ``log_clock`` (rpm against rpm, or marks), ``log_motion`` (rpm against the boat's
motion), ``log_pieces`` (clocks set while the log ran), ``log_alignment`` (the choice), ``log_placement`` (the result).
"""
