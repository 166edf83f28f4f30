"""Decimal text read in columns gives the same bits as `float`, and says what is no number."""

from __future__ import annotations

import re

import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st

from trialcapture.decode.byte_columns import LONGEST, POWER_OF_10, parse_decimals, split_at_point

TEXT = st.one_of(
    st.from_regex(r"\A[0-9]{0,10}\.?[0-9]{0,10}\Z"),
    st.text("0123456789.", max_size=20),
    st.text("0123456789.-+eE x/:", max_size=10),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(TEXT, min_size=1, max_size=40))
@example(
    [
        "1",
        "12345678",
        "123456789.123456",
        "1.",
        ".1",
        ".",
        "",
        "..",
        "1.2.3",
        "1.2345678.9",
        "12.34567890123.4",
        "0.000000000000001",
    ]
)
@example(["99999999999999.9", "9999999999999999", "0000000000000000"])
def test_numbers_are_read_as_float_reads_them(texts: list[str]) -> None:
    buf = np.frombuffer(("9" * 16 + ",".join(texts) + "," * 16).encode(), np.uint8)
    length = np.array([len(text) for text in texts], np.int64)
    start = 16 + np.cumsum(length + 1) - length - 1
    for rows in ([*range(len(texts))], *([row] for row in range(len(texts)))):  # together and one by one
        number = parse_decimals(buf, start[rows], length[rows])
        before, after = split_at_point(number)
        for nth, row in enumerate(rows):
            text = texts[row]
            good = re.fullmatch(r"\d+\.?\d*|\.\d+", text) is not None and len(text) <= LONGEST
            assert bool(number.sound[nth]) is good, text
            if not good:
                continue
            whole, point, fraction = text.partition(".")
            assert number.mantissa[nth] == int(whole + fraction)
            assert (number.places[nth], bool(number.point[nth])) == (len(fraction), point == ".")
            assert (before[nth], after[nth]) == (int(whole or 0), int(fraction or 0))
            value = number.mantissa[nth] / float(POWER_OF_10[number.places[nth]])
            assert value == float(text), text


def test_no_numbers_at_all_are_none() -> None:
    none = np.zeros(0, np.int64)
    number = parse_decimals(np.zeros(64, np.uint8), none, none)
    assert len(number.mantissa) == len(number.sound) == 0
