"""Results of a trial, one module each: what rests on bands, current and wind, and is claimed or says why not.

``circumstances``            what every result is given: current at any time, conditions, clocks, and one manoeuvre at
                             the full rate (lag of the receiver, level left, speed passed)
``steady_bands``             top speed, best economy, regimes, the boat's log: from the band table
``planing``                  how a hull runs at a speed, and the slowest planing speed, from slow runs
``acceleration``             time and distance from rest to 5 kn, 20 kn, 30 mph and the plane
``stopping``                 time, track reach and head reach to a stated speed
``turning``                  tactical and steady diameter, speed kept, rate of turn; the current from a turn
``trim_sweep``               the best of several trim settings at one engine speed, real or noise
``repeated_step``            the last runs of a step that was run again, against its first ones
``plan_result``              what became of the plan: done, half, refused, missing, signed off
``trial``                    all of it, with every warning, and `MEASURES`, the list of results beside the bands

A new result takes two files and a test, and a third file where the report says more of it than its answer line:

1. A module here, named after the quantity, with one function ``measure_…(circumstances, samples)`` that returns a
   tuple of `trialcapture.reduce.summary.Measured`, one an answer. It finds its episodes in ``samples.overview`` (a row
   a second of the whole trial), reads each with ``samples.read(start_ns, stop_ns, columns)`` at the full rate, takes
   the current out with ``circumstances.current_at``, and returns: an answer with value and standard uncertainty, or
   the reason why nothing is claimed; a `Manoeuvre` for every episode, refused ones too; its warnings; and what a figure
   of it would show, as plain data. Every term of the uncertainty is named in the code, every limit carries its source.
2. Its function in `trialcapture.measure.trial.MEASURES`. From there on it stands in ``summary.json`` under
   ``measures``, in the JSON Schema, in ``manoeuvres.csv``, and as one line of the report and the terminal.
3. ``tests/measure/test_….py``: closed forms, the simulated motion as truth, and each limit just inside and outside.
"""
