"""Numbers as text: digits, signs, voids, times."""

from __future__ import annotations

import math

import numpy as np
import pytest

from trialcapture.report.format import (
    clock,
    column_decimals,
    date,
    decimals_for,
    degrees,
    duration,
    expanded,
    fixed,
    general,
    grouped,
    measured,
    number,
    parse_moment,
    plus_minus,
    sentence,
    span,
    split_flags,
    words,
)  # fmt: skip


def test_a_result_is_rounded_to_the_place_of_its_uncertainty_as_in_the_gum():
    # JCGM 100:2008, 7.2.6: with 27 milliohm, 10.057 62 ohm is given as 10.058 ohm (from memory)
    assert fixed(10.05762, decimals_for(0.027)) == "10.058"
    # JCGM 100:2008, 7.2.4: (100.021 47 ± 0.000 79) g (from memory)
    assert (fixed(100.02147, decimals_for(0.00079)), fixed(0.00079, decimals_for(0.00079))) == ("100.02147", "0.00079")


def test_an_uncertainty_that_rounds_into_the_next_decade_keeps_two_digits():
    assert fixed(0.0996, decimals_for(0.0996)) == "0.10"
    assert fixed(99.7, decimals_for(99.7)) == "100"


def test_the_printed_plus_minus_is_the_standard_uncertainty_times_its_own_coverage_factor():
    assert measured(24.3127, expanded(0.06), "kn") == "24.31 ± 0.12 kn"
    assert measured(24.3127, expanded(0.06, 3.31), "kn") == "24.31 ± 0.20 kn"
    assert plus_minus(expanded(0.06), 2) == "0.12"
    assert expanded(None, 2.0) is None


def test_an_unknown_uncertainty_is_said_and_not_made_zero():
    assert measured(24.3127, None, "kn") == "24.31 kn (± not known)"
    assert measured(24.3127, math.nan, "kn") == "24.31 kn (± not known)"


def test_an_uncertainty_below_the_last_digit_is_not_printed_as_zero():
    assert plus_minus(1e-6, 2) == "<0.01"
    assert plus_minus(0.0, 2) == "0.00"


def test_a_column_shows_every_uncertainty_with_a_digit_and_the_middle_one_with_two():
    decimals = column_decimals([0.06, 0.8, 0.1, 0.12, 1.8], usual=2)
    assert decimals == 2
    assert [plus_minus(pm, decimals) for pm in (0.06, 0.8)] == ["0.06", "0.80"]
    assert column_decimals([None, None], usual=1) == 1
    assert column_decimals([0.0008, 8.0, 8.0], usual=1, most=3) == 3


@pytest.mark.parametrize("void", [None, math.nan, math.inf, "12", True, np.float64("nan")])
def test_no_value_is_a_dash_and_never_a_zero(void: object):
    assert number(void) is None
    assert {fixed(void, 2), general(void), grouped(void), degrees(void), duration(void)} == {"–"}


def test_numpy_scalars_are_numbers():
    assert fixed(np.float32(1.5), 1) == "1.5"
    assert fixed(np.int64(7), 0) == "7"


def test_a_negative_zero_loses_its_sign():
    assert fixed(-0.001, 2) == "0.00"
    assert fixed(-0.006, 2) == "-0.01"


def test_directions_have_three_digits_and_north_is_zero():
    assert [degrees(x) for x in (5.2, 359.7, 180, -90)] == ["005°", "000°", "180°", "270°"]


def test_general_numbers_have_no_exponent_and_no_trailing_zero():
    assert [general(x) for x in (0, 1.013, 100.0, 12345.6, 0.00012)] == ["0", "1.013", "100", "12346", "0.00012"]


def test_thousands_stand_apart():
    assert grouped(16354.2) == "16\u202f354"


def test_times_are_utc_whatever_form_they_come_in():
    ns = 1_936_512_000_123_456_789
    assert clock(ns) == "08:00:00"
    assert clock("2031-05-14T08:00:00.123456789Z") == "08:00:00"
    assert clock("2031-05-14T10:00:00+02:00") == "08:00:00"
    assert date(ns) == "14 May 2031"
    assert parse_moment("yesterday") is None
    assert parse_moment(True) is None


def test_a_span_over_midnight_names_both_days():
    assert span("2031-05-14T08:00:00Z", "2031-05-14T10:30:00Z") == "14 May 2031, 08:00 to 10:30 UTC"
    assert span("2031-05-14T23:00:00Z", "2031-05-15T01:00:00Z") == "14 May 2031, 23:00 to 15 May 2031, 01:00 UTC"


def test_durations_are_read_at_a_glance():
    assert [duration(x) for x in (48.4, 89, 3599.6, 6720)] == ["48 s", "1 min 29 s", "1 h 00 min", "1 h 52 min"]


def test_flags_are_split_from_text_and_from_lists():
    assert split_flags("one way; shallow") == split_flags(["one way", "shallow"]) == ["one way", "shallow"]
    assert split_flags(None) == split_flags("") == []


def test_codes_become_words_and_sentences_end():
    assert words("one_way") == "one way"
    assert words("limit 5 (heading_sd_deg)") == "limit 5 (heading_sd_deg)"
    assert sentence("no depth") == "No depth."
    assert sentence("") == ""
