"""Steady stretches: live and afterwards by the same code.

``setpoint_holds`` finds where rpm and course were held, ``exponential_settling`` where the speed had settled,
``criteria`` holds a stretch against the limits, ``detection`` is the whole way in pieces of any size, ``segments`` has
the table, and ``segment_review`` lays what people decided, or read off displays, over it.
"""
