"""NMEA 0183: a block of bytes to one Arrow table a sentence type.

The way of the bytes: ``framing`` finds lines, TAG blocks, sentences and checksums; ``templated`` reads the lines that
look alike together, ``general`` reads every other one; both take the fields of a sentence from ``sentences``, which
reads them by the kinds in ``fields``. ``encapsulated`` reads messages of a CAN bus inside sentences. ``nmea_decoder``
is the whole way. ``stream`` cuts a stream as it arrives and says how good its lines are, without decoding.
"""
