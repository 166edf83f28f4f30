"""The trial sheet: every number is one stored one, what is missing is named, six sentences can be read aloud."""

from __future__ import annotations

import re
from datetime import datetime
from html.parser import HTMLParser
from typing import Any, NamedTuple

import pytest

from tests.report.test_reader_units import BOTH, IMPERIAL, METRIC_ONLY, US, Said, in_pint
from tests.report.trial_tables import bare_summary, make_trial, render_one_page, typed
from trialcapture.reduce.summary import as_json
from trialcapture.reduce.tables import BAND_FLAGS, TRIAL_WARNINGS
from trialcapture.report.format import METRIC, ReaderUnits
from trialcapture.report.sheet import MOST_LIMITS, SHORT_LIMITS
from trialcapture.report.sheet_words import spoken_unit

VOID = {"meta", "br"}
ENDINGS = {
    "_kn": "kn", "_l_per_h": "L/h", "_nm_per_l": "nm/L", "_nm": "nm", "_kg": "kg", "kg": "kg", "_m": "m", "_c": "°C",
    "_hpa": "hPa", "_kg_per_m3": "kg/m³", "_l": "L", "_rpm": "rpm", "rpm": "rpm", "_db": "dB(A)", "_deg": "°",
    "_kw": "kW", "_m_min": "m", "_kn_mean": "kn", "_kn_max": "kn", "_fraction": "1",
}  # fmt: skip
"""Unit of a stored number by the end of its name."""


class Printed(NamedTuple):
    """A number as it is printed, and what the page says of it."""

    text: str
    places: list[str]
    unit: str
    step: float | None


class SheetPage(HTMLParser):
    """Collects what is printed with its source, and every digit that has none."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.stack: list[tuple[str, dict[str, str | None]]] = []
        self.printed: list[Printed] = []
        self.untraced: list[str] = []
        self.words: list[str] = []
        self.feed(html)
        self.close()
        assert self.stack == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in VOID:
            self.stack.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop()[0] == tag

    def handle_data(self, data: str) -> None:
        tags = [tag for tag, _ in self.stack]
        if {"style", "title", "svg"} & set(tags):
            return
        self.words.append(data)
        tag, attrs = self.stack[-1] if self.stack else ("", {})
        if tag == "data":
            step = attrs.get("data-step")
            places = str(attrs["value"]).split()
            self.printed.append(Printed(data, places, str(attrs.get("data-unit") or ""), float(step) if step else None))
        elif any(c.isdecimal() for c in data) and not any("data-fixed" in a for _, a in self.stack):
            self.untraced.append(data)

    @property
    def text(self) -> str:
        return re.sub(r" ([,;.)])", r"\1", " ".join("".join(self.words).replace("\u202f", "").split()))


def full_trial(**asked: Any) -> dict[str, Any]:
    """Return a trial in which everything a sheet has a place for was recorded and stated."""
    trial = make_trial(one_way=(1700,), **asked)
    s, bands = trial["summary"], trial["bands"].to_pylist()
    s["boat"] |= {"beam_m": 4.41, "draught_m": 1.12}
    for n, engine in enumerate(s["engines"]):
        engine |= {"rated_kw": 221.0 + n, "propeller_diameter_m": 0.5588}
    s["conditions"] |= {"air_temp_c": 11.3, "pressure_hpa": 1013.2}
    last, best = bands[-2], s["economy_planing"]
    change = {"difference_u": 0.08, "ratio": 1.1, "ratio_u": 0.01, "k": 2.0}
    s["cruise"] = {
        "band_rpm": last["band_rpm"], "band_name": last["band_name"], "rpm": 3190.0, "by": "lead",
        **{k: last[k] for k in ("speed_kn", "fuel_l_per_h", "economy_nm_per_l", "range_nm")},
        "best_band_name": best["band_name"], "reason": "",
        "speed": change | {"difference": 4.93, "is_real": True},
        "fuel": change | {"difference": 51.37, "is_real": True},
        "economy": change | {"difference": -0.0312, "is_real": True},
        "range": change | {"difference": -50.6, "is_real": False},
    }  # fmt: skip
    s["sound"] = [
        {
            "band_rpm": r["band_rpm"], "band_name": r["band_name"], "place": "helm", "doors": "closed",
            "level_db": 61.3 + 1.9 * n, "u_db": 1.5, "readings": 2, "seconds": None, "near_background": False,
        }
        for n, r in enumerate(bands)
    ]  # fmt: skip
    cells = (
        ("900 rpm", 900.0, "075°", "done", ""), ("900 rpm", 900.0, "255°", "missing", ""),
        ("turn", None, "port", "missing", ""), ("stop", None, "", "signed_off", "swimmers near"),
    )  # fmt: skip
    s["plan"] = {
        "cells": [
            {"step": step, "step_rpm": rpm, "way": way, "state": state, "reason": reason, "legs": []}
            for step, rpm, way, state, reason in cells
        ],
        "axis_deg": 75.0, "half_width_rpm": 100.0, "beside": [], "unfit": [],
    }  # fmt: skip
    s["remarks"] = [{"t": "2031-05-14T08:20:00.000Z", "kind": "remark", "text": "dry decks at 30 kn", "by": "lead"}]
    s["measures"] = [
        _measured("acceleration_20_kn", "0 to 20 kn", 9.43, 0.13, "s"),
        _measured("stop_reach", "Track reach", 81.2, 1.4, "m"),
        _measured("turn_port", "Tactical diameter to port", 96.1, 2.2, "m"),
    ]
    return trial


def _measured(name: str, label: str, value: float | None, u: float | None, unit: str) -> dict[str, Any]:
    notes = ["mean of both ways"] if value is not None else []
    answer = {"label": label, "value": value, "u": u, "unit": unit, "coverage_factor": 2.0, "notes": notes}
    return {
        "name": name, "claimed": value is not None, "reason": "" if value is not None else "not run both ways",
        "answer": answer, "manoeuvres": [], "warnings": [], "figures": [],
    }  # fmt: skip


@pytest.fixture(scope="module")
def trial() -> dict[str, Any]:
    return full_trial()


@pytest.fixture(scope="module", params=[METRIC, US, IMPERIAL, BOTH], ids=str)
def units(request: pytest.FixtureRequest) -> ReaderUnits:
    return request.param


def sheet_of(trial: dict[str, Any], units: ReaderUnits = METRIC, **other: Any) -> SheetPage:
    return SheetPage(render_one_page(**{**trial, "units": units, **other}))


Files = dict[str, Any]
"""The results of a trial as files hold them, by name."""


def files_of(trial: dict[str, Any]) -> Files:
    return {
        "summary.json": as_json(typed(trial["summary"])), "bands.parquet": trial["bands"].to_pylist(),
        "legs.csv": [] if trial["legs"] is None else trial["legs"].to_pylist(),
    }  # fmt: skip


def stored(place: str, files: Files) -> Any:
    """Return what stands at a place that the page names."""
    file, _, pointer = place.partition("#/")
    value = files[file]
    for part in pointer.split("/"):
        value = value[int(part)] if isinstance(value, list) else value[part]
    return value


def own_unit(place: str, files: Files) -> str:
    *path, name = place.partition("#/")[2].split("/")
    if path[-1:] == ["answer"]:
        return str(stored("/".join([*place.split("/")[:-1], "unit"]), files))
    if path[:1] == ["cruise"] and name == "difference":
        return {"speed": "kn", "fuel": "L/h", "economy": "nm/L", "range": "nm"}[path[1]]
    ending = max((e for e in ENDINGS if name.endswith(e)), key=len, default="")
    return ENDINGS.get(ending, "1")


def check(found: Printed, files: Files) -> None:
    values = [stored(place, files) for place in found.places]
    text = found.text.replace("\u202f", "")
    if found.unit == "count":
        assert int(text) == len(values[0])
    elif found.places[0].endswith("/plan/cells"):
        assert int(text) == sum(cell["state"] == found.unit for cell in values[0])
    elif found.unit == "first 12":
        assert values[0].startswith(text)
    elif found.unit == "short":
        assert values[0].startswith(text.replace("-", ""))
        assert len(text) >= 12
    elif found.unit == "°":
        assert float(text.rstrip("°")) == round(values[0]) % 360
    elif isinstance(values[0], str):
        at = datetime.fromisoformat(values[0]) if re.match(r"\d{4}-\d\d-\d\dT", values[0]) else None
        said = {values[0], values[0][:1].lower() + values[0][1:]}
        assert text in (said if at is None else {f"{at:%H:%M}", f"{at.day} {at:%B %Y}"})
    else:
        check_number(found, values, files)


FACTORS = {"%": 100.0, "hp": 1000.0 / (550 * 0.3048 * 0.45359237 * 9.80665), "in": 1.0 / 0.0254}
"""What pint calls otherwise: mechanical horsepower and inches, NIST SP 811 appendix B.8."""


def check_number(found: Printed, values: list[Any], files: Files) -> None:
    text, is_pm = found.text.replace("\u202f", ""), found.unit.startswith("±")
    unit, own = found.unit.lstrip("±"), own_unit(found.places[0], files)
    # a ± of one place is that of a k of 2
    exact = float(values[0]) * (values[1] if len(values) > 1 else 2.0 if is_pm else 1.0)
    if unit in FACTORS:
        exact *= FACTORS[unit]
    elif unit not in ("", own, "s"):
        exact = in_pint(exact, own, unit, difference=is_pm)
    shown = float(text.replace("−", "-").lstrip("<"))
    half = Said(text, unit).half if found.step is None else 0.5 * found.step
    if text.startswith("<"):
        assert 0 < exact < shown
        return
    if found.places[0].endswith("difference") and text[0] not in "+−":
        exact = abs(exact)  # in words: so much faster, or slower
    assert abs(shown - exact) <= 1.0001 * half, (found, exact)


def test_every_number_on_the_sheet_is_one_stored_number(trial: dict[str, Any], units: ReaderUnits) -> None:
    page = sheet_of(trial, units)
    assert page.untraced == []
    files = files_of(trial)
    for found in page.printed:
        check(found, files)
    named = {place.partition("#")[0] for found in page.printed for place in found.places}
    assert named == {"summary.json", "bands.parquet", "legs.csv"}
    assert len(page.printed) > 120


@pytest.mark.parametrize(
    "asked", [{"fuel": False}, {"accepted": False}, {"heading": False, "depth": False}, {"engines": ("main",)}]
)
def test_the_numbers_of_a_poor_trial_are_traced_as_well(asked: dict[str, Any]) -> None:
    trial = make_trial(**asked)
    files = files_of(trial)
    for units in (METRIC, US):
        page = sheet_of(trial, units)
        assert page.untraced == []
        for found in page.printed:
            check(found, files)


def test_a_wrong_number_would_be_found(trial: dict[str, Any]) -> None:
    found = next(f for f in sheet_of(trial).printed if f.places[0].endswith("top_speed/speed_kn"))
    with pytest.raises(AssertionError):
        check(found._replace(text=f"{float(found.text) + 0.01:.2f}"), files_of(trial))


def test_nothing_metric_is_left_on_a_us_sheet(trial: dict[str, Any]) -> None:
    metric = "|".join(map(re.escape, METRIC_ONLY))
    html = render_one_page(**trial, units=US)
    page = SheetPage(html)
    assert re.findall(rf"\d\s?(?:{metric})(?![\w/³])", page.text) == []
    assert not re.search(r"litre|metre|kilogram", page.text)
    assert not {f.unit.lstrip("±") for f in page.printed} & set(METRIC_ONLY)
    assert "[nm/gal]" in html
    assert "[nm/L]" not in html
    assert "nm/L" in sheet_of(trial, BOTH).text
    assert "size: letter" in html
    assert "size: A4" in render_one_page(**trial)
    assert "size: A4" in render_one_page(**trial, units=IMPERIAL)


def test_particulars_weight_and_answers_are_there(trial: dict[str, Any]) -> None:
    text = sheet_of(trial).text
    for said in (
        "Length14.20 m", "Draught1.12 m", "221 kW at 3500 rpm", "reduction 2.04", "4 blades, diameter 0.559 m",
        "Light ship14200 kg", "Fuel1134 kg", "Water300 kg", "Persons300 kg, 4 persons", "Test weight16354 kg",
        "Tested by A. Tester", "Speed and fuel trial", "0 to 20 kn: 9.43 ± 0.26 s", "Track reach: 81.2 ± 2.8 m",
        "Tactical diameter to port: 96.1 ± 4.4 m", "61 ± 3 dB(A)", "inside, not pass-by", "Seal",
        "10 % of it kept in reserve", "Parts of the plan, as named.",
        "water in tanks is taken as 1000 kg/m³",
    ):  # fmt: skip
        assert said in text, said
    s = trial["summary"]
    assert f"{s['top_speed']['speed_kn']:.2f} ± {2 * s['top_speed']['speed_u_kn']:.2f} kn" in text


def test_the_cruise_of_the_tester_stands_beside_the_best_with_what_it_costs(trial: dict[str, Any]) -> None:
    text = sheet_of(trial).text
    assert "at 3190 rpm: " in text
    assert "against the best: +4.9 kn (real); +51.4 L/h (real); −0.031 nm/L (real); −51 nm (within noise)" in text
    us = sheet_of(trial, US).text
    assert "+13.57 gal/h (real)" in us
    assert "the tester would cruise at 3190 rpm, 4.9 knots faster, with no difference in range beyond the noise" in text
    s = trial["summary"] | {"cruise": None}
    assert "tester’s cruise" in sheet_of(trial, summary=s).text.partition("Missing")[2]


def test_what_was_not_recorded_or_claimed_is_named() -> None:
    trial = make_trial(fuel=False)
    trial["summary"] |= {"engines": [], "trial": {"title": "", "tested_by": "", "notes": ""}}
    trial["summary"]["measures"] = [_measured("stop_reach", "Track reach", None, None, "m")]
    text = sheet_of(trial).text
    assert "Range on" not in text
    missing = text.partition("Missing")[2]
    for word in (
        "sound",
        "acceleration",
        "turning",
        "beam",
        "draught",
        "engine power",
        "gear",
        "propeller",
        "who tested",
    ):
        assert word in missing, word
    assert "stopping" not in missing
    assert "not claimed: not run both ways" in text
    assert text.count("not recorded") >= 2
    assert "no fuel flow was recorded" in text


def test_what_is_open_in_the_plan_is_named(trial: dict[str, Any]) -> None:
    text = sheet_of(trial).text
    assert "1 of 4 done; 2 missing: 900 rpm 255°, turn port; 1 signed off: stop (swimmers near)" in text
    assert "Plan" not in sheet_of(make_trial()).text


def test_an_empty_trial_says_so() -> None:
    trial = make_trial(accepted=False)
    page = sheet_of(trial, summary=bare_summary() | {"top_speed": None, "economy_planing": None}, legs=None)
    assert "There is no band" in page.text
    assert "no run was accepted" in page.text


def test_the_words_are_six_sentences(trial: dict[str, Any], units: ReaderUnits) -> None:
    html = render_one_page(**trial, units=units)
    words = re.sub(r"<[^>]*>", "", re.search(r"In words</h2><p>(.*?)</p>", html, re.DOTALL)[1])  # type: ignore[index]
    # a full stop inside a number or a name has no space and a capital behind it
    sentences = [s for s in re.split(r"(?<=\.) +(?=[A-Z])", words.strip()) if s]
    assert len(sentences) == 6
    assert "±" not in words
    assert "knots" in words
    assert {METRIC: "litres", US: "gallons", IMPERIAL: "imperial gallons", BOTH: "US gallons"}.get(
        units, "gallons"
    ) in (words if units != BOTH else words.replace("gallons", "US gallons"))


def test_every_kind_of_fault_has_a_short_line_and_all_fit(trial: dict[str, Any]) -> None:
    # seal, log and the readings of people are told by the flow, not by a flag
    assert set(SHORT_LIMITS) >= set(BAND_FLAGS) | set(TRIAL_WARNINGS)
    assert all(len(text) <= 60 and not any(c.isdigit() for c in text) for _, text in SHORT_LIMITS.values())
    codes = [c for c in (*BAND_FLAGS, *TRIAL_WARNINGS) if c not in ("plan-open", "plan-signed-off")]
    warnings = [{"code": c, "severity": "yellow", "text": "x", "where": "1400, 1700 rpm"} for c in codes]
    html = render_one_page(**trial | {"summary": trial["summary"] | {"warnings": warnings}})
    listed = re.search(r'class="one-limits">(.*?)</section>', html, re.DOTALL)
    assert listed
    assert listed[1].count("<li") == MOST_LIMITS + 2
    for code in codes:
        assert SHORT_LIMITS[code][0].lower() in listed[1].lower(), code


def test_names_that_people_wrote_are_escaped(trial: dict[str, Any]) -> None:
    s = trial["summary"] | {"trial": {"title": "<b>x</b>", "tested_by": '"><script>', "notes": ""}}
    s["boat"] = s["boat"] | {"name": "<i>"}
    html = render_one_page(**trial | {"summary": s})
    assert "<script" not in html
    assert "&lt;b&gt;x" in html


def test_a_sheet_that_rests_on_changed_data_says_so_aloud(trial: dict[str, Any]) -> None:
    s = trial["summary"]
    seal = s["seal"] | {"state": "changed", "changes": [{"path": "raw/a", "kind": "changed", "text": "other bytes"}]}
    html = render_one_page(**trial | {"summary": s | {"seal": seal}})
    assert "CHANGED since it was sealed" in html
    assert 'class="one-seal changed"' in html


@pytest.mark.parametrize(("to_kn", "said"), [(7.94, "No other speed that was run"), (8.4, "Anything from 7.9 to 8.4")])
def test_a_range_of_one_speed_is_not_said_as_a_range(trial: dict[str, Any], to_kn: float, said: str) -> None:
    s = trial["summary"]
    point = s["economy_displacement"] or s["economy_planing"]
    point = point | {"flat_from_kn": 7.91, "flat_to_kn": to_kn}
    s = s | {"boat": s["boat"] | {"planing": False}, "economy_displacement": point, "economy_planing": None}
    assert said in sheet_of(trial, summary=s).text


def test_other_settings_are_not_told_as_a_broken_seal(trial: dict[str, Any]) -> None:
    warning = {"code": "other-settings", "severity": "yellow", "text": "x", "where": "session.toml"}
    html = render_one_page(**trial | {"summary": trial["summary"] | {"warnings": [warning]}})
    assert SHORT_LIMITS["other-settings"][1] in html
    assert "not as it was sealed" not in html


@pytest.mark.parametrize(
    ("unit", "said"),
    [("kn", "knot"), ("mph", "mile an hour"), ("gal/h", "gallon an hour"), ("nm", "nautical mile"), ("ft", "foot"),
     ("US gal/h", "US gallon an hour"), ("nm/gal", "nautical mile a gallon"), ("m", "metre"), ("rpm", "rpm")],
)  # fmt: skip
def test_one_of_a_unit_is_said_in_the_singular(unit: str, said: str) -> None:
    assert spoken_unit(unit, one=True) == said
