"""NMEA 0183: a block of bytes to one Arrow table a sentence type.

``nmea_decoder`` decodes a block: ``templated`` reads lines that repeat a template, ``general`` all others, whose lines,
TAG blocks, sentences and checksums ``framing`` finds. Both take layouts and semantics from ``sentences``, and the kinds
of field from ``fields``. ``encapsulated`` reads CAN messages inside sentences. ``stream`` splits a stream as it arrives
into lines, and tells their quality without decoding.
"""
