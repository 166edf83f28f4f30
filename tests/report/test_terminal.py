"""The band table on an 80-column screen."""

from __future__ import annotations

import io
import re
from typing import Any

import pyarrow as pa
import pytest
from rich.console import Console

from tests.report.trial_tables import make_trial, typed
from trialcapture.prepare.steady.segment_review import review_segments
from trialcapture.report.format import METRIC, ReaderUnits
from trialcapture.report.terminal import bands_view, stretches_view


def text_of(view: Any, width: int = 80) -> str:
    out = io.StringIO()
    Console(file=out, width=width, no_color=True, highlight=False).print(view)
    return out.getvalue()


def shown(trial: dict[str, Any], width: int = 80) -> str:
    return text_of(bands_view(trial["bands"], typed(trial["summary"])), width)


@pytest.mark.parametrize(
    "asked",
    [
        {},
        {"fuel": False},
        {"accepted": False},
        {"steps": (2000,)},
        {"steps": tuple(range(600, 3600, 120)), "one_way": (600,)},
    ],
)
def test_no_line_is_wider_than_80_columns_and_nothing_is_cut_short(asked: dict[str, Any]):
    text = shown(make_trial(**asked))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "…" not in text
    assert "\x1b" not in text


def test_every_band_value_is_printed_with_its_expanded_uncertainty_and_unit():
    trial = make_trial(one_way=(1700,))
    text = shown(trial)
    for band in trial["bands"].to_pylist():
        line = next(x for x in text.splitlines() if x.split()[:1] == [str(int(band["band_rpm"]))])
        pairs = re.findall(r"(\d+\.?\d*) ± +(\d+\.?\d*)", line)
        wanted = [(band[v], 2 * band[u]) for v, u in (
            ("speed_kn", "speed_u_kn"), ("fuel_l_per_h", "fuel_u_l_per_h"), ("economy_nm_per_l", "economy_u_nm_per_l"),
            ("range_nm", "range_u_nm"),
        )]  # fmt: skip
        assert len(pairs) == 4
        for (value, pm), (x, big_u) in zip(pairs, wanted, strict=True):
            decimals = len(value.partition(".")[2])
            assert value == f"{x:.{decimals}f}"
            assert pm == f"{big_u:.{decimals}f}"
    for unit in ("[rpm]", "[kn]", "[L/h]", "[nm/L]", "[nm]"):
        assert unit in text


def test_uncertainty_and_reserve_are_stated_under_the_table():
    text = " ".join(shown(make_trial()).split())
    assert "± = 95 % (k = 2)" in text
    assert "10 % kept in reserve" in text
    assert "1620 L" in text


def test_answers_and_their_uncertainty_stand_below():
    trial = make_trial()
    text = " ".join(shown(trial).split())
    top = trial["summary"]["top_speed"]
    assert f"{top['speed_kn']:.2f} ± {2 * top['speed_u_kn']:.2f} kn" in text
    assert "within 3 % of it" in text
    assert "rated rpm reached" in text


def test_flags_are_explained_in_words():
    text = " ".join(shown(make_trial(one_way=(1700,))).split())
    assert "a One direction only" in text


def test_warnings_are_listed_gravest_first_with_a_word_for_the_colour():
    trial = make_trial()
    trial["summary"]["warnings"].append(
        {"code": "clock", "severity": "red", "text": "no clock for the log", "where": "port.csv"}
    )
    text = shown(trial)
    places = [text.index(word) for word in ("SERIOUS", "CAUTION", "NOTE")]
    assert places == sorted(places)
    assert "port.csv: No clock for the log." in text


def test_no_band_is_said_plainly():
    text = shown(make_trial(accepted=False))
    assert "No RPM band: no steady stretch was accepted." in text


def test_missing_fuel_is_a_dash_and_has_a_reason():
    text = shown(make_trial(fuel=False))
    line = next(x for x in text.splitlines() if x.split()[:1] == ["2000"])
    assert line.split()[5:8] == ["-", "-", "-"]
    assert "Fuel flow was not recorded" in text


def test_uncalibrated_fuel_is_called_so():
    trial = make_trial()
    trial["summary"]["fuel"]["calibration"] = None
    assert "uncalibrated" in shown(trial)


def test_an_old_code_page_can_print_it():
    shown(make_trial(one_way=(1700,))).encode("cp437")
    shown(make_trial(one_way=(1700,))).encode("cp1252")


def test_square_brackets_and_markup_in_names_are_printed_as_they_are():
    trial = make_trial()
    trial["summary"]["warnings"] = [
        {"code": "x", "severity": "info", "text": "odd [bold]name[/bold] [/]", "where": "[red]"}
    ]
    assert "[red]: Odd [bold]name[/bold] [/]." in shown(trial)


def test_figures_too_wide_for_the_screen_push_out_the_current_and_not_a_digit():
    trial = make_trial()
    bands = trial["bands"]
    for name in ("fuel_l_per_h", "range_nm", "range_u_nm"):
        scaled = pa.array([100 * x for x in bands[name].to_pylist()], pa.float64())
        bands = bands.set_column(bands.schema.get_field_index(name), name, scaled)
    text = shown(trial | {"bands": bands})
    assert "Current" not in text
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "…" not in text


@pytest.mark.parametrize("width", [*range(40, 80, 3), 79])
@pytest.mark.parametrize("units", [METRIC, ReaderUnits("us", "metric")])
def test_a_narrow_screen_wraps_and_cuts_no_number(width: int, units: ReaderUnits):
    trial = make_trial(one_way=(1700,))
    wide, narrow = (text_of(bands_view(trial["bands"], typed(trial["summary"]), units), w) for w in (80, width))
    assert max(len(line) for line in narrow.splitlines()) <= width
    assert "…" not in narrow

    def numbers(text: str) -> set[str]:
        return set(re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", text))

    assert numbers(wide) <= numbers(narrow)
    for band in trial["bands"].to_pylist():
        value = f"{band['speed_kn']:.2f}"
        assert any(value in line and line.split()[0] == str(int(band["band_rpm"])) for line in narrow.splitlines())


@pytest.mark.parametrize("width", [40, 50, 61, 62, 80])
def test_stretches_keep_their_figures_on_a_narrow_screen(width: int):
    trial = make_trial()
    segments = review_segments(trial["segments"], []).segments
    text = text_of(stretches_view(segments), width)
    assert max(len(line) for line in text.splitlines()) <= width
    assert "…" not in text
    for row in segments.to_pylist():
        assert f"{row['sog_kn_mean']:.2f}" in text
