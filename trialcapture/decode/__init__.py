"""Bytes to typed Arrow tables, and rejects with reasons; pure.

NMEA 0183, in the order the bytes take: ``framing`` (lines, sentences, checksums, noise) → ``tag`` and
``escapes`` (TAG blocks, journal lines) → ``addresses`` (talker and type) → ``sentences`` (the table of fields)
→ ``fields`` and ``digits`` (text to values) → ``meanings`` and ``xdr`` (units, signs, validity) → ``summary``
and ``rejects`` (what was not used, and why). ``nmea0183`` is the whole way; ``columns`` hands NumPy arrays to
Arrow; ``views`` shows a buffer in words; ``pieces`` cuts a stream as it arrives. CAN frames and engine logs have
modules of their own.
"""
