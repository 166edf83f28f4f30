"""Bytes to typed Arrow tables, and rejects with reasons; pure.

``nmea0183``    sentences behind TAG blocks or plain, and CAN messages carried inside them
``can``         candump lines: frames, then whole messages, then tables shaped like those of NMEA 0183
``engine_log``  delimited text as an engine logger left it, by its declaration

All report what they could not use in one table (``rejects``). ``byte_columns`` reads columns of numbers and short
texts out of a buffer; it knows nothing of any format.
"""
