"""What people noted stands in sections of its own, in the reader's units, and nothing in it runs or hides."""

from __future__ import annotations

import re
from dataclasses import fields, replace
from math import log10
from typing import Any

import pint
import pytest

from tests.report.test_page import EVIL, Page
from tests.report.trial_tables import drawn_once, make_trial, report_of, typed
from trialcapture.reduce.summary import (
    FuelBalance,
    LegFuel,
    NotedConditions,
    NotedFinding,
    NotedLoad,
    NotedMeasure,
    NotedPhoto,
    NoteRecord,
    Remark,
    SoundLevel,
    Summary,
    WalkRoundEntry,
)
from trialcapture.report.format import METRIC, ReaderUnits
from trialcapture.report.note_sections import MOST_ROWS, note_sections, reader_measure

US, IMPERIAL = ReaderUnits("us"), ReaderUnits("imperial")
T = "2031-05-14T09:00:00.000Z"
PICTURE = "data:image/jpeg;base64,AAAA"


def record(text: str = "said") -> NoteRecord:
    return NoteRecord(
        measures=(
            NotedMeasure(T, text, text, 0.41, "m", text, text),
            NotedMeasure(T, text, text, 3.0, text, text, text),
        ),
        findings=(
            NotedFinding(T, "good", text, text, text, "", text, text),
            NotedFinding(T, "defect", text, text, text, "", text, text),
            NotedFinding(T, "watch", text, text, text, "handling", text, text),
        ),
        walk_round=(
            WalkRoundEntry(text, text, "finding", "", True, True),
            WalkRoundEntry(text, text, "measure", "m", False, True),
        ),
        conditions=(NotedConditions(T, 20.0, 1013.25, 11.0, 240.0, 0.5, text, text),),
        conditions_gap_s=7000.0,
        loads=(
            NotedLoad(T, "before", text, 757.082, 0.5, 635.95, None, text),
            NotedLoad(T, "after", "", None, None, None, 4, text),
        ),
        fuel=FuelBalance(800.0, 690.0, 100.0, (LegFuel(2000.0, "2000 rpm", 7, T, 50.0, 750.0, 630.0),), ""),
        photos=(
            NotedPhoto(T, "raw/photos/a.jpg", "ab" * 32, text, text, T, "camera", "", text, text),
            NotedPhoto(T, "raw/photos/b.heic", "cd" * 32, text, text, None, "", "the zone is not known", "", text),
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def trial() -> dict[str, Any]:
    return make_trial()


@pytest.fixture(scope="module")
def summary(trial: dict[str, Any]) -> Summary:
    found = typed(trial["summary"])
    return replace(
        found,
        noted=record(),
        remarks=(
            Remark(T, "remark", "spray", "Kim", "2000 rpm, 075°"),
            Remark(T, "remark", "heels", "Kim", "", "", "handling"),
        ),
        sound=(
            SoundLevel(2000.0, "2000 rpm", "helm", "closed", 71.5, 1.5, 2, 60.0, near_background=True),
            SoundLevel(None, "", "", "", 65.0, 1.5, 1, None, near_background=False),
        ),
    )


def page_of(trial: dict[str, Any], summary: Summary, units: ReaderUnits = METRIC, **more: Any) -> str:
    return report_of(**(trial | {"summary": summary}), units=units, draw=drawn_once, **more)


def table(summary: Summary, name: str, units: ReaderUnits = METRIC) -> Any:
    return next(t for t in note_sections(summary, units, {}).tables if t.name.startswith(name))


def test_each_kind_of_note_has_its_section(trial: dict[str, Any], summary: Summary) -> None:
    html = page_of(trial, summary, pictures={"raw/photos/a.jpg": PICTURE})
    part = html.partition('<section id="noted"')[2].partition("</section>")[0]
    assert re.findall(r"<h3>([^<]*)</h3>", part) == [
        "Walk round", "Findings", "Handling", "Sound on board (interior, not pass-by)", "Remarks", "Conditions as read",
        "Load before and after", "Fuel on board, leg by leg", "Photos",
    ]  # fmt: skip
    page = Page(html)
    numbers = [text for t in page.words if (text := t.strip()) and re.match(r"\d+ Noted on board$", text)]
    assert numbers == ["8 Noted on board"]
    assert "11 Cautions" in html
    assert [a["src"] for t, a in page.tags if t == "img"] == [PICTURE]
    assert re.search(r"Content-Security-Policy\" content=\"[^\"]*img-src data:;", html)
    assert "http:" not in part
    assert "https:" not in part


def test_without_notes_there_is_no_section_and_no_picture_is_allowed(trial: dict[str, Any]) -> None:
    bare = typed(trial["summary"])
    bare = replace(bare, noted=None, remarks=(), sound=(), trial=replace(bare.trial, notes=""))
    html = page_of(trial, bare)
    assert 'id="noted"' not in html
    assert "img-src" not in html
    assert "10 Cautions" in html
    only = replace(bare, trial=replace(bare.trial, notes="first line\n\nsecond <b>line</b>"))
    html = page_of(trial, only)
    assert "<p>first line</p>" in html
    assert "second &lt;b&gt;line&lt;/b&gt;" in html


def test_title_and_notes_of_the_settings_are_printed(trial: dict[str, Any], summary: Summary) -> None:
    found = replace(summary, trial=replace(summary.trial, title="A windy day", notes="Two runs spoilt."))
    html = page_of(trial, found)
    assert "A windy day" in html
    assert "Two runs spoilt." in html
    assert "A windy day" in report_of(**(trial | {"summary": found}), draw=drawn_once).partition("</article>")[0]


def test_defects_come_first_and_handling_has_its_own_section(summary: Summary) -> None:
    assert [row[0] for row in table(summary, "Findings").rows] == ["Defect", "Good"]
    assert [row[0] for row in table(summary, "Handling").rows] == ["heels", "said"]
    assert [row[0] for row in table(summary, "Remarks").rows] == ["spray"]


def test_sound_says_place_doors_seconds_and_what_is_near_the_background(summary: Summary) -> None:
    first, second = table(summary, "Sound").rows
    assert first == ("helm", "2000 rpm", "71.5 dB(A)", "closed", "1 min 00 s", "2", "near the background")
    assert second == ("place not noted", "outside the runs", "65.0 dB(A)", "not noted", "not noted", "1", "–")
    assert any("within 10 dB" in line for line in table(summary, "Sound").below)
    quiet = replace(summary, sound=summary.sound[1:])
    assert not any("within 10 dB" in line for line in table(quiet, "Sound").below)


def test_what_a_background_adds_is_as_printed() -> None:
    """Levels add by energy (definition, as in the background correction of ISO 3744, from memory)."""
    for apart, added in ((10.0, 0.5), (3.0, 3.0)):
        whole = 70.0
        alone = 10 * log10(10 ** (whole / 10) - 10 ** ((whole - apart) / 10))
        assert round(whole - alone, 1) == added


def test_open_items_are_listed_with_their_area(summary: Summary) -> None:
    items = (
        WalkRoundEntry("Decks", "drains", "finding", "", True, True),
        WalkRoundEntry("Decks", "lids", "finding", "", True, True),
        WalkRoundEntry("Helm", "wheel", "finding", "", True, False),
        WalkRoundEntry("Helm", "wipers", "finding", "", False, True),
    )
    noted = replace(record(), walk_round=items)
    below = table(replace(summary, noted=noted), "Walk round").below
    assert below == ("Open (2): Decks: drains; lids.", "Optional, not looked at (1): Helm: wipers.")
    done = replace(noted, walk_round=items[2:3])
    assert table(replace(summary, noted=done), "Walk round").below == (
        "Nothing of the checklist’s standard items is open.",
    )


PINT = pint.UnitRegistry()


@pytest.mark.parametrize(
    ("value", "unit", "units", "said"),
    [
        (0.41, "m", METRIC, "0.41 m"),
        (0.41, "m", US, "16.1 in"),
        (410.0, "mm", US, "16.14 in"),
        (1.95, "m", US, "6.40 ft"),
        (6.0, "ft", US, "6 ft"),
        (32.0, "in", METRIC, "81 cm"),
        (120.0, "ft", METRIC, "36.6 m"),
        (25.0, "kg", US, "55 lb"),
        (25.0, "kg", METRIC, "25 kg"),
        (68.0, "degF", METRIC, "20.0 °C"),
        (20.0, "°C", US, "68 °F"),
        (20.0, "°C", IMPERIAL, "20 °C"),
        (100.0, "L", US, "26.4 gal"),
        (12.0, "pcs", US, "12 pcs"),
        (0.41, "m", ReaderUnits("us", "metric"), "16.1 in (0.41 m)"),
        (-0.05, "m", US, "-2.0 in"),
    ],
)
def test_measures_are_told_in_the_readers_units(value: float, unit: str, units: ReaderUnits, said: str) -> None:
    assert reader_measure(NotedMeasure(T, "w", "", value, unit, "", ""), units) == said


@pytest.mark.parametrize(("value", "unit", "to"), [(0.41, "m", "inch"), (1.95, "m", "foot"), (25.37, "kg", "pound")])
def test_converted_measures_agree_with_a_library_of_units(value: float, unit: str, to: str) -> None:
    said = reader_measure(NotedMeasure(T, "w", "", value, unit, "", ""), US)
    step = 10.0 ** -len(said.split()[0].partition(".")[2])
    assert float(said.split()[0]) == pytest.approx(PINT.Quantity(value, unit).to(to).magnitude, abs=0.501 * step)


def test_no_value_is_a_dash() -> None:
    assert reader_measure(NotedMeasure(T, "w", "", None, "m", "", ""), US) == "–"


def test_nothing_metric_is_left_for_a_us_reader(trial: dict[str, Any], summary: Summary) -> None:
    html = page_of(trial, summary, US)
    part = html.partition('<section id="noted"')[2].partition("</section>")[0]
    text = re.sub(r"<[^>]*>", " ", part)
    assert not re.search(r"\d ?(?:m|cm|mm|L|kg|°C|hPa|km)(?![\w/])", text)
    for said in ("16.1 in", "200.0 gal", "1\u202f402 lb", "68.0 °F", "29.92 inHg"):
        assert said in text


def test_hostile_text_in_every_field_is_shown_and_not_run(trial: dict[str, Any], summary: Summary) -> None:
    evil = EVIL + "\x1b[2J\u202e"
    hostile = replace(
        summary,
        noted=record(evil),
        remarks=(Remark(T, "remark", evil, evil, evil, evil), Remark(evil, "sea", evil, evil)),
        sound=(SoundLevel(None, evil, evil, evil, 65.0, 1.5, 1, None, near_background=True),),
        trial=replace(summary.trial, title=evil, notes=evil),
    )
    assert hostile.noted is not None
    photo = replace(hostile.noted.photos[0], file=f"raw/photos/{evil}", sha256=evil, reason=evil)
    noted = replace(hostile.noted, photos=(photo,))
    html = page_of(trial, replace(hostile, noted=noted), pictures={f"raw/photos/{evil}": PICTURE})
    page = Page(html)
    assert "script" not in {t for t, _ in page.tags}
    assert [a["src"] for t, a in page.tags if t == "img"] == [PICTURE]
    assert not any(k.startswith("on") for _, attrs in page.tags for k in attrs)
    assert not {"\u202e", "\x1b"} & set(html)
    assert "&lt;script&gt;alert(1)" in html


def test_a_flood_of_notes_does_not_flood_the_page(trial: dict[str, Any], summary: Summary) -> None:
    many = tuple(Remark(T, "remark", "x" * 5000, "") for _ in range(MOST_ROWS + 7))
    found = table(replace(summary, remarks=many), "Remarks")
    assert len(found.rows) == MOST_ROWS
    assert found.below == ("And 7 more entries, in summary.json.",)
    assert max(len(cell) for row in found.rows for cell in row) < 2100


def test_every_field_of_the_record_is_printed(trial: dict[str, Any], summary: Summary) -> None:
    """A field that somebody adds is not forgotten here: each, emptied, changes the page."""
    whole = page_of(trial, summary)
    noted = record()
    for field in fields(NoteRecord):
        value = getattr(noted, field.name)
        empty = () if isinstance(value, tuple) else None
        assert page_of(trial, replace(summary, noted=replace(noted, **{field.name: empty}))) != whole, field.name
