"""A reviewed trial on the page and on the screen: what people changed, why, and both results, without colour too."""

from __future__ import annotations

import re
from typing import Any

import pyarrow as pa
import pytest
from rich.console import Console

from tests.report.test_page import Page
from tests.report.trial_tables import make_trial, render, typed
from trialcapture.prepare.steady.segment_review import ReviewEntry, review_segments
from trialcapture.reduce.reduction import COMPARED, compare_results
from trialcapture.reduce.summary import as_json
from trialcapture.report.band_table import review_line, review_view
from trialcapture.report.format import METRIC
from trialcapture.report.terminal import bands_view, stretches_view


@pytest.fixture(scope="module")
def reviewed() -> dict[str, Any]:
    """A trial whose stretch 1 was excluded, 2 included and 3 relabelled; its 800 rpm band lost half its legs."""
    trial = make_trial()
    starts = trial["segments"]["start"].cast(pa.timestamp("ms", "UTC"))
    entries = [
        ReviewEntry(n, kind, (starts[n].as_py().isoformat(),), None, rpm, f"reason <{n}> & more", by)
        for n, (kind, rpm, by) in enumerate(
            [("exclude", None, "Ann"), ("include", None, "Bo"), ("relabel", 2000.0, "")]
        )
    ]
    review = review_segments(trial["segments"], entries)
    assert [c["segment_id"] for c in review.changes] == [1, 2, 3]
    before, legs = trial["bands"], trial["legs"]
    speed = [v + 0.5 if n == 0 else v for n, v in enumerate(before["speed_kn"].to_pylist())]
    ways = [1 if n == 0 else w for n, w in enumerate(before["ways"].to_pylist())]
    after = before
    for name, values in (("speed_kn", speed), ("ways", ways)):
        index = after.schema.get_field_index(name)
        after = after.set_column(index, after.schema.field(index), pa.array(values, after.schema.field(index).type))
    after, rows = compare_results((before, legs), (after, legs))
    automatic = {
        name: trial["summary"].get(name)
        for name in ("top_speed", "economy_planing", "economy_displacement", "economy_overall")
    }
    compared = {"bands": as_json(rows), "automatic": automatic}
    summary = trial["summary"] | {"review": {"entries": 3, "changes": review.changes, **compared}}
    return trial | {"segments": review.segments, "bands": after, "summary": summary}


@pytest.fixture(scope="module")
def page(reviewed: dict[str, Any]) -> Page:
    return Page(render(**reviewed))


def table(page: Page, name: str) -> list[list[str]]:
    found = next(t for t in page.tables if t["caption"].strip().startswith(f"Table {name}."))
    return [[" ".join(cell.split()) for cell in row] for row in found["rows"]]


def test_the_first_section_says_that_people_changed_the_result(page: Page) -> None:
    assert "Reviewed by people: 1 stretch excluded (1), 1 included (2) and 1 relabelled (3)." in page.text
    assert ("a", {"href": "#review"}) in page.tags
    assert "review" in page.ids


def test_both_results_stand_beside_each_other(page: Page, reviewed: dict[str, Any]) -> None:
    rows = table(page, "2a")[2:]
    assert len(rows) == reviewed["bands"].num_rows
    first, second = rows[0], rows[1]
    assert (first[0], first[2]) == ("800*", "2 → 1")
    before, after = (float(re.match(r"[\d.]+", cell)[0]) for cell in first[3:5])  # type: ignore[index]
    assert after - before == pytest.approx(0.5)
    assert first[6] == "same"
    assert (second[0], second[4]) == ("1100", "same")
    assert "reviewed" in reviewed["bands"]["flags"].to_pylist()[0]


def test_the_points_of_dispute_say_whether_a_person_changed_anything(page: Page) -> None:
    asked = {row[0]: row[1:] for row in table(page, "8")}
    state, answer = asked["Did a person change what was used?"]
    assert (state, answer.startswith("Yes: 1 stretch excluded (1)")) == ("caution", True)
    untouched = {row[0]: row[1:] for row in table(Page(render(**make_trial())), "8")}
    assert untouched["Did a person change what was used?"][1].startswith("No: ")


def test_every_change_has_its_reason_and_its_author(page: Page) -> None:
    rows = table(page, "2b")[1:]
    assert [row[0] for row in rows] == ["1", "2", "3"]
    assert [row[3] for row in rows] == ["excluded", "included", "relabelled to 2000"]
    assert [row[5] for row in rows] == [f"reason <{n}> & more" for n in range(3)]
    assert [row[6] for row in rows] == ["Ann", "Bo", "not stated"]
    assert rows[0][4] == "used"
    assert rows[1][4].startswith("left out: ")


def test_the_rest_of_the_page_shows_what_the_result_rests_on(page: Page, reviewed: dict[str, Any]) -> None:
    left_out = table(page, "3")
    assert any(row[1] == "excluded by a person" and "reason <0> & more (Ann)" in row[3] for row in left_out[1:])
    numbers = [row[0] for row in table(page, "4")[1:]]
    assert "3*" in numbers  # the legs come from the reduction; a star says which of them a person moved
    accepted = sum(reviewed["segments"]["reviewed_accepted"].to_pylist())
    assert f"{accepted} of {reviewed['segments'].num_rows} stretches used" in page.text


def test_reasons_cannot_inject_markup(reviewed: dict[str, Any]) -> None:
    html = render(**reviewed)
    assert "<0>" not in html
    assert "reason &lt;0&gt; &amp; more" in html


def test_a_trial_nobody_reviewed_has_no_word_of_it() -> None:
    trial = make_trial()
    for summary in (trial["summary"], trial["summary"] | {"review": None}):
        html = render(**(trial | {"summary": summary}))
        assert "Reviewed by people" not in html
        assert "Table 2a" not in html
        assert review_view(typed(summary), METRIC) is None
        assert review_line(typed(summary)) == ""


def test_a_band_that_is_gone_shows_its_automatic_result_and_a_dash(reviewed: dict[str, Any]) -> None:
    rows = reviewed["summary"]["review"]["bands"]
    gone = [rows[0] | {"reviewed": None}, {**rows[1], "automatic": None, "changed": True}, *rows[2:]]
    summary = reviewed["summary"] | {"review": reviewed["summary"]["review"] | {"bands": gone}}
    view = review_view(typed(summary), METRIC)
    assert view is not None
    assert (view.bands[0].rpm, view.bands[0].legs, view.bands[0].figures[0].reviewed) == ("800", "2 → 0", "–")
    assert (view.bands[1].legs, view.bands[1].figures[0].automatic) == ("0 → 2", "–")


def text_of(view: Any) -> str:
    console = Console(width=80, no_color=True, force_terminal=False)
    with console.capture() as shown:
        console.print(view)
    return shown.get()


def test_the_screen_says_in_one_line_that_the_result_is_reviewed(reviewed: dict[str, Any]) -> None:
    text = text_of(bands_view(reviewed["bands"], typed(reviewed["summary"])))
    assert "Reviewed: 1 stretch excluded (1), 1 included (2) and 1 relabelled (3)" in " ".join(text.split())
    assert text.count("Reviewed:") == 1
    assert "Reviewed" not in text_of(bands_view(reviewed["bands"], typed(reviewed["summary"] | {"review": None})))


def test_the_list_of_stretches_names_verdict_and_reason_in_80_columns(reviewed: dict[str, Any]) -> None:
    text = text_of(stretches_view(reviewed["segments"]))
    assert max(map(len, text.splitlines())) <= 80
    flat = " ".join(text.split())
    assert "left out, excluded: reason <0> & more (Ann)" in flat
    assert "USED, included: reason <1> & more (Bo); else left out:" in flat
    assert "USED in band 2000: reason <2> & more" in flat
    assert len(re.findall(r"^ *\d+  ", text, re.MULTILINE)) == reviewed["segments"].num_rows


def test_no_stretch_at_all_is_said() -> None:
    empty = review_segments(make_trial()["segments"].slice(0, 0), []).segments
    assert "No stretch was found." in text_of(stretches_view(empty))


def test_everything_compared_is_in_the_band_table(reviewed: dict[str, Any]) -> None:
    assert set(COMPARED) <= set(reviewed["bands"].column_names)
