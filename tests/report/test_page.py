"""The HTML report: what it says, that it says it safely, and that it never stops."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import jinja2
import pyarrow as pa
import pytest

from tests.report.trial_tables import bare_summary, make_trial, render
from trialcapture.reduce.tables import QUANTITY_COLUMNS
from trialcapture.report import page as pages
from trialcapture.report.page import draw_now
from trialcapture.system.files import CACHE_VARIABLE

SECTIONS = ("result", "bands", "curves", "timeline", "track", "current", "clocks", "dispute", "method", "cautions")
VOID = {"meta", "br", "hr", "img", "input", "link"}


class Page(HTMLParser):
    """Checks nesting while it reads; keeps ids, text, and each table's cells."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.ids: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.tables: list[dict[str, Any]] = []
        self.feed(html)
        self.close()
        assert self.stack == []

    @property
    def text(self) -> str:
        # inline elements part words and their comma here as they do not on screen
        return re.sub(r" ([,;.)])", r"\1", " ".join(" ".join(self.words).split()))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if "id" in found:
            self.ids.append(str(found["id"]))
        if tag == "table":
            self.tables.append({"caption": "", "rows": [], "scopes": []})
        if tag == "tr":
            self.tables[-1]["rows"].append([])
        if tag in ("td", "th"):
            self.tables[-1]["rows"][-1].append("")
        if tag == "th":
            self.tables[-1]["scopes"].append(found.get("scope"))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.tags.append((tag, found))
        if "id" in found:
            self.ids.append(str(found["id"]))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack, f"</{tag}> closes nothing"
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack and self.stack[-1] == "style":
            return
        self.words.append(data)
        if "caption" in self.stack:
            self.tables[-1]["caption"] += data
        elif self.stack and any(t in ("td", "th") for t in self.stack):
            self.tables[-1]["rows"][-1][-1] += data

    def table(self, number: int | str) -> dict[str, Any]:
        return next(t for t in self.tables if t["caption"].strip().startswith(f"Table {number}."))


@pytest.fixture(scope="module")
def trial() -> dict[str, Any]:
    return make_trial(one_way=(1700,))


@pytest.fixture(scope="module")
def html(trial: dict[str, Any]) -> str:
    return render(**trial)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_the_page_is_well_formed_and_every_section_is_there(page: Page):
    assert set(SECTIONS) <= set(page.ids)
    assert len(page.ids) == len(set(page.ids))


def test_the_page_needs_nothing_beside_it(html: str):
    assert "<script" not in html
    assert "<link" not in html
    assert "@import" not in html
    fetched = re.findall(r'(?:src|href|url)\s*[=(]\s*["\']?\s*(https?:[^"\') ]+)', html)
    assert fetched == []


def test_the_page_says_its_language_and_scales_to_a_phone(html: str):
    assert html.startswith("<!DOCTYPE html>")
    assert '<html lang="en">' in html
    assert "width=device-width" in html


def test_every_figure_has_a_caption_and_a_text_alternative(page: Page):
    figures = [t for t, _ in page.tags].count("figure")
    svgs = [a for t, a in page.tags if t == "svg"]
    assert figures == [t for t, _ in page.tags].count("figcaption") == 9
    assert all(a.get("role") == "img" and len(str(a.get("aria-label"))) > 20 for a in svgs)


def test_every_table_has_a_caption_and_its_headings_a_scope(page: Page):
    assert len(page.tables) == 15
    assert [t["caption"].split(".")[0] for t in page.tables] == [f"Table {n}" for n in range(1, 16)]
    for table in page.tables:
        assert re.match(r"Table \d+\. \S", " ".join(table["caption"].split()))
        assert table["scopes"]
        assert all(scope in ("col", "row", "rowgroup") for scope in table["scopes"])


def test_the_band_table_prints_the_tables_own_values_with_unit_and_expanded_uncertainty(
    page: Page, trial: dict[str, Any]
):
    head, *body = page.table(1)["rows"]
    for unit, heading in zip(("1/min", "", "kn", "L/h", "nm/L", "nm"), head, strict=False):
        assert unit in heading
    bands = trial["bands"].to_pylist()
    assert len(body) == len(bands)
    for cells, band in zip(body, bands, strict=True):
        assert int(cells[0]) == band["band_rpm"]
        assert int(cells[1]) == band["ways"]
        for cell, (v, u) in zip(cells[2:6], (
            ("speed_kn", "speed_u_kn"), ("fuel_l_per_h", "fuel_u_l_per_h"), ("economy_nm_per_l", "economy_u_nm_per_l"),
            ("range_nm", "range_u_nm"),
        ), strict=True):  # fmt: skip
            value, pm = cell.split(" ± ")
            decimals = len(value.partition(".")[2])
            assert value.strip() == f"{band[v]:.{decimals}f}"
            assert pm.strip() == f"{2 * band[u]:.{decimals}f}"
            assert float(pm) > 0


def test_litres_per_mile_is_the_inverse_of_miles_per_litre():
    # 30 kn at 60 L/h: 0.5 nm/L and 2.000 L/nm (elementary)
    trial = make_trial(steps=(2000,))
    bands = trial["bands"]
    for name, value in (("speed_kn", 30.0), ("fuel_l_per_h", 60.0), ("economy_nm_per_l", 0.5)):
        bands = bands.set_column(bands.schema.get_field_index(name), name, pa.array([value]))
    row = Page(render(**(trial | {"bands": bands}))).table(2)["rows"][1]
    assert row[-1] == "2.00"


def test_the_answers_stand_on_top_with_their_uncertainty(page: Page, trial: dict[str, Any]):
    top = page.text[: page.text.index("Band table", page.text.index("What limits"))]
    s = trial["summary"]
    assert f"{s['top_speed']['speed_kn']:.2f} kn ± {2 * s['top_speed']['speed_u_kn']:.2f} kn" in top
    plane = s["economy_planing"]
    assert f"{plane['economy_nm_per_l']:.4f} nm/L ± {2 * plane['economy_u_nm_per_l']:.4f} nm/L" in top
    assert f"{plane['flat_from_kn']:.1f} to {plane['flat_to_kn']:.1f} kn are within 3 % of it" in top
    assert f"{plane['range_nm']:.0f} nm ± {2 * plane['range_u_nm']:.0f} nm" in top
    assert "with 10 % kept in reserve" in top
    assert "± is the 95 % uncertainty (k = 2)" in top


def test_reserve_is_stated_wherever_range_is_drawn_or_tabled(page: Page):
    assert "10 % kept in reserve" in " ".join(page.table(1)["caption"].split())
    captions = re.findall(r"Figure \d+\. Range[^F]*", page.text)
    assert captions
    assert all("reserve of 10 %" in c for c in captions)


def test_rejected_stretches_are_listed_with_reason_time_and_particulars(page: Page):
    body = page.table(3)["rows"][1:]
    assert {row[1] for row in body} == {"speed not settled", "too short", "turning", "course not held"}
    short = next(" ".join(row[3].split()) for row in body if row[1] == "too short")
    assert re.search(r"\d\d:\d\d:\d\d 12 s, 30 s are needed", short)
    assert sum(int(row[2]) for row in body) == 6


def test_every_leg_used_is_listed_with_its_direction(page: Page, trial: dict[str, Any]):
    body = page.table(4)["rows"][1:]
    legs = sorted(trial["legs"].to_pylist(), key=lambda r: r["start"])
    assert [row[0] for row in body] == [str(leg["segment_id"]) for leg in legs]
    for row, leg in zip(body, legs, strict=True):
        assert int(row[5].rstrip("°")) == round(leg["cog_true_deg_mean"]) % 360
        assert row[7].split(" ± ")[0] == f"{leg['sog_kn_mean']:.2f}"


def test_clock_evidence_gives_offset_uncertainty_method_and_quality(page: Page):
    rows = {r[0]: r for r in page.table(7)["rows"]}
    log = rows["engine/port.csv"]
    assert log[1] == "-3718.42 ± 0.12"
    assert log[3:] == ["rpm against rpm", "fair: network rpm reads +1.2 % against the log"]


def test_the_points_of_dispute_are_all_answered(page: Page):
    body = page.table(8)["rows"][1:]
    questions = " ".join(row[0] for row in body)
    for word in (
        "loaded",
        "directions",
        "current",
        "deep",
        "wind and sea",
        "trim",
        "calibrated",
        "rated rpm",
        "time",
        "left out",
    ):
        assert word in questions
    assert all(len(row[2]) > 10 for row in body)
    states = {row[0]: row[1] for row in body}
    assert states["Was each speed run in both directions?"] == "caution"


def test_the_log_is_compared_and_the_sign_of_its_offset_kept(page: Page):
    answer = next(row[2] for row in page.table(8)["rows"] if "own log" in row[0])
    assert answer.startswith("Log speed × 1.0204 ± 0.0062 − 0.04 kn is the speed found, over 9 bands, within 0.06 kn")


def test_figures_outside_the_usual_are_called_unusual(page: Page):
    verdicts = {row[0]: row[1:] for row in page.table(12)["rows"]}
    assert verdicts["apparent slip at top speed"] == ["18.5 %", "5 to 40", "usual"]
    assert verdicts["exponent of fuel against rpm (propeller law)"] == ["4.1", "1.8 to 3.6", "unusual"]


def test_the_planing_threshold_is_given_both_ways_with_its_trim():
    trial = make_trial(steps=(800, 2600))
    down, up = {"speed_kn": 17.31, "u_kn": 0.35}, {"speed_kn": 19.02, "u_kn": 0.4}
    trial["summary"]["slowest_planing_speed"] = down | {
        "from": "slow run-down, highest running trim", "trim": "tabs 20 %", "run_down": down, "run_up": up, "runs": [],
    }  # fmt: skip
    said = "Slowest planing speed 17.3 ± 0.7 kn, from slow run-down, highest running trim, trim tabs 20 %; "
    said += "slowing down 17.3 ± 0.7 kn, speeding up 19.0 ± 0.8 kn."
    assert said in Page(render(**trial)).text


def test_a_boat_that_does_not_plane_is_asked_for_one_best_economy():
    trial = make_trial(steps=(800, 1100, 1400))
    trial["summary"]["boat"]["planing"] = False
    page = Page(render(**trial))
    labels = re.findall(r"(Top speed|Best economy(?: \w+)*?|Range) (?=\d)", page.text[page.text.index("1 Result") :])
    assert {"Top speed", "Best economy", "Range"} <= set(labels)
    assert "below planing" not in page.text.replace("displacing and planing", "")


def test_a_boat_whose_regime_could_not_be_judged_still_gets_her_best_economy():
    trial = make_trial()
    s = trial["summary"]
    s["economy_overall"] = s["economy_displacement"] | {"at_edge": True, "ways": 1}
    s["economy_planing"] = s["economy_displacement"] = None
    text = Page(render(**trial)).text
    for said in ("could not be judged", "a better one may lie outside", "one direction only: current not cancelled"):
        assert said in text


def test_a_warning_of_the_reduction_is_not_repeated_as_a_gap():
    trial = make_trial(depth=False)
    trial["summary"]["warnings"] = [
        {"code": "no-depth", "severity": "info", "text": "Depth was not recorded.", "where": ""}
    ]
    top = Page(render(**trial)).text
    assert "Shallow-water effects cannot be ruled out." not in top


def test_bands_without_an_engine_speed_are_tabled_and_not_drawn():
    trial = make_trial()
    bands = trial["bands"]
    for name in ("band_rpm", "rpm_mean", "rpm_low", "rpm_high"):
        bands = bands.set_column(bands.schema.get_field_index(name), name, pa.nulls(bands.num_rows, pa.float64()))
    at = bands.schema.get_field_index("band_name")
    bands = bands.set_column(at, "band_name", pa.nulls(bands.num_rows, pa.string()))
    page = Page(render(**(trial | {"bands": bands})))
    names = [f"{v:.1f} kn 09:{10 + n}" for n, v in enumerate(bands["speed_kn"].to_pylist())]
    named = bands.set_column(at, "band_name", pa.array(names))
    assert [r[0] for r in Page(render(**(trial | {"bands": named}))).table(1)["rows"][1:]] == names
    assert [row[0] for row in page.table(1)["rows"][1:]] == ["–"] * 10
    assert "no band has an engine speed to draw against" in page.text


def test_types_met_only_in_damaged_sentences_are_added_up():
    trial = make_trial()
    damaged = {"source": "gps1", "talker": "GQ", "formatter": "RMC", "good": 0, "bad": 2, "not_decoded": 0}
    trial["summary"]["counts"] += [damaged, damaged | {"talker": "SX"}]
    rows = Page(render(**trial)).table(13)["rows"]
    assert ["gps1", "damaged", "0", "4", "0"] in rows
    assert not any("GQRMC" in row for row in rows)


def test_one_trim_on_every_leg_is_said_once():
    trial = make_trial()
    legs = trial["legs"]
    same = legs.set_column(legs.schema.get_field_index("trim"), "trim", pa.array(["tabs 15 %"] * legs.num_rows))
    page = Page(render(**(trial | {"legs": same})))
    assert "Trim on every leg: tabs 15 %." in " ".join(page.table(4)["caption"].split())
    assert "Trim" not in page.table(4)["rows"][0]


def test_the_load_sheet_shows_its_sum(page: Page):
    rows = page.table(9)["rows"]
    items = [int(row[1].replace("\u202f", "")) for row in rows[1:-1]]
    assert int(rows[-1][1].replace("\u202f", "")) == sum(items) == 16354


def test_slip_has_its_plus_minus(page: Page):
    head, *rows = page.table(2)["rows"]
    at = next(i for i, text in enumerate(head) if "slip" in text.lower())
    assert {row[at] for row in rows} == {"18.5 ± 0.8"}


def test_the_budget_shows_each_term_and_what_they_combine_to(page: Page, trial: dict[str, Any]):
    heads = [i for i, row in enumerate(page.table(11)["rows"]) if len(row) == 1]
    rows = page.table(11)["rows"]
    columns = [column for column, _ in QUANTITY_COLUMNS.values()]
    known = sum(row[column] is not None for row in trial["bands"].to_pylist() for column in columns)
    assert len(heads) == known
    for head, end in zip(heads, [*heads[1:], len(rows)], strict=True):
        said = re.fullmatch(
            r".*, (.+) \[(\S+)\]: ([\d.]+) ± ([\d.<]+), k ([\d.]+) × ([\d.]+), (\S+) degrees of freedom", rows[head][0]
        )
        assert said, rows[head]
        terms, u = [float(row[1]) for row in rows[head + 1 : end]], float(said[6])
        assert sum(t * t for t in terms) ** 0.5 == pytest.approx(u, rel=0.1)
        assert {row[2] for row in rows[head + 1 : end]} == {"own", "common"}
        assert float(said[4]) == pytest.approx(float(said[5]) * u, abs=0.06, rel=0.1)


def test_refused_lines_are_counted_by_source_and_reason(page: Page):
    assert page.table(14)["rows"][1:] == [
        ["gps1", "checksum", "150"],
        ["gps1", "truncated", "64"],
        ["bus", "noise", "31"],
    ]


def test_version_settings_hash_and_raw_hashes_are_printed_in_full(page: Page):
    for text in ("trialcapture 0.1.0", "5f1d" * 16, "raw/nmea.log", "9c" * 32, "0b" * 32):
        assert text in page.text


def test_cautions_are_there(page: Page):
    for text in (
        "lookout",
        "safe speed",
        "life jackets",
        "cut-off link",
        "skipper decides",
        "Local law",
        "only listened",
    ):
        assert text in page.text


def test_both_standard_errors_stand_beside_the_budget(trial: dict[str, Any]):
    entry = {"n_eff_u_kn": 0.0217, "blocking_u_kn": 0.0602, "ratio": 2.774, "blocks": 60, "agree": False}
    bands = [{"band_rpm": rpm, "band_name": f"{rpm:.0f} rpm"} | entry for rpm in (800.0, 1000.0)]
    errors = {"factor": 2.0, "bands": bands, "all": entry}
    statistics = trial["summary"]["statistics"] | {"standard_errors": errors}
    page = Page(render(**(trial | {"summary": trial["summary"] | {"statistics": statistics}})))
    table = page.table("11a")
    assert table["rows"][1] == ["800", "0.022", "0.060", "2.77", "60", "no"]
    assert table["rows"][-1][0] == "all"
    assert "more than a factor of 2 " in table["caption"]


def test_froude_numbers_are_printed_where_the_boat_is_known(trial: dict[str, Any], html: str):
    known = {"band_rpm": 800.0, "band_name": "800 rpm", "regime": "between", "volumetric_froude": 1.0927}
    known["length_froude"] = None
    regimes = {"by": "volumetric Froude number", "bands": [known]}
    page = Page(render(**(trial | {"summary": trial["summary"] | {"regimes": regimes}})))
    assert page.table("12a")["rows"][1:] == [["800", "1.09", "–", "between"]]
    unknown = regimes | {"bands": [known | {"volumetric_froude": None}]}
    assert "Table 12a" not in render(**(trial | {"summary": trial["summary"] | {"regimes": unknown}}))
    assert "Table 12a" not in html


def test_equal_input_gives_equal_bytes(trial: dict[str, Any], html: str):
    assert render(**trial, draw=draw_now) == html


EVIL = "<script>alert(1)</script>\"><img src=x onerror=alert(2)> & 'Søløve' {{ 7*7 }} $x_1$"


def test_markup_in_any_text_is_shown_and_not_run():
    trial = make_trial(name=EVIL, engines=("main",))
    s = trial["summary"]
    s["load"]["items"][0]["name"] = s["load"]["missing"] = EVIL
    s["load"]["missing"] = [EVIL]
    s["warnings"] = [{"code": EVIL, "severity": "red", "text": EVIL, "where": EVIL}]
    s["conditions"]["place"] = s["conditions"]["hull_cleaned"] = EVIL
    s["fuel"]["calibration"]["origin"] = EVIL
    s["session"]["id"] = s["software_version"] = s["config_hash"] = EVIL
    s["raw"][0]["path"] = s["raw"][0]["sha256"] = EVIL
    s["rated_rpm_check"][0] |= {"engine": EVIL, "verdict": EVIL}
    s["budgets"][0]["quantities"][0]["terms"][0]["name"] = EVIL
    for table, names in (
        ("segments", ("trim", "reason")),
        ("legs", ("trim",)),
        ("clocks", ("source", "method", "quality")),
        ("bands", ("flags",)),
        ("rejects", ("reason",)),
    ):
        t = trial[table]
        for name in names:
            t = t.set_column(t.schema.get_field_index(name), name, pa.array([EVIL] * t.num_rows))
        trial[table] = t
    html = render(**trial)
    page = Page(html)
    assert {"script", "img"}.isdisjoint(t for t, _ in page.tags)
    assert not any(k.startswith("on") for _, attrs in page.tags for k in attrs)
    assert EVIL in page.text
    assert "&lt;script&gt;alert(1)" in html


def test_the_page_has_a_policy_that_lets_nothing_run_and_nothing_be_fetched(html: str):
    """A browser that follows W3C Content Security Policy Level 3 then loads and runs nothing but inline style."""
    page = Page(html)
    (policy,) = [a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"]
    directives = {words[0]: words[1:] for words in (part.split() for part in policy.split(";"))}
    assert directives["default-src"] == directives["base-uri"] == directives["form-action"] == ["'none'"]
    assert directives["style-src"] == ["'unsafe-inline'"]
    # the policy holds for what stands below it: nothing may be fetched or run above
    assert html.index("Content-Security-Policy") < html.index("<style")
    assert {"script", "img", "link", "iframe", "object", "form", "base"}.isdisjoint(t for t, _ in page.tags)


def test_marks_of_direction_and_escapes_are_spelled_out_also_in_drawings():
    trial = make_trial(name="\u202eeman\x1b[2J")
    for table, name in (("clocks", "source"), ("legs", "trim")):
        t = trial[table]
        trial[table] = t.set_column(t.schema.get_field_index(name), name, pa.array(["\u202ex\x07"] * t.num_rows))
    html = render(**trial)
    assert not {"\u202e", "\x1b", "\x07"} & set(html)
    assert "\\u202eeman\\x1b[2J" in html
    assert re.search(r"<text[^>]*>[^<]*\\u202ex", html)


def test_without_fuel_economy_and_range_are_not_given_and_the_reason_is():
    page = Page(render(**make_trial(fuel=False)))
    assert page.text.count("Fuel flow was not recorded.") >= 3
    assert [row[3:6] for row in page.table(1)["rows"][1:]] == [["–", "–", "–"]] * 10
    assert "Fuel flow was not recorded for any engine" in page.text


def test_without_heading_or_depth_the_page_says_what_cannot_be_known():
    page = Page(render(**make_trial(heading=False, depth=False)))
    assert "Heading was not recorded." in page.text
    assert "Shallow-water effects cannot be ruled out." in page.text
    assert ["Was the water deep enough?", "not known", "Depth was not recorded."] in page.table(8)["rows"]


def test_with_no_accepted_stretch_the_page_says_so_and_shows_why():
    page = Page(render(**make_trial(accepted=False)))
    assert page.text.count("Not given") == 4
    assert "There is no band: no steady stretch was accepted." in page.text
    assert "0 of 27 stretches used" in page.text
    assert sum(int(row[2]) for row in page.table(3)["rows"][1:]) == 27
    assert "No curve is drawn" in page.text


def test_empty_tables_and_an_empty_summary_give_a_page_that_names_every_hole():
    trial = make_trial()
    bare = {k: bare_summary() if k == "summary" else v.schema.empty_table() for k, v in trial.items()}
    page = Page(render(**bare))
    assert set(SECTIONS) <= set(page.ids)
    for text in (
        "No time line is drawn",
        "No track is drawn",
        "No clock could be compared",
        "The current is not known",
        "No load sheet",
        "were not listed",
    ):
        assert text in page.text


def test_tables_that_are_not_there_at_all_stop_nothing():
    trial = make_trial()
    page = Page(render(**(trial | dict.fromkeys(("samples", "segments", "clocks", "rejects", "legs")))))
    assert "No samples" in page.text
    assert page.table(1)["rows"]


def test_a_samples_table_with_a_few_columns_only_is_enough():
    trial = make_trial()
    page = Page(render(**(trial | {"samples": trial["samples"].select(["t", "sog_kn"])})))
    assert "Engine speed was not recorded for any engine" in page.text
    assert "No track is drawn" in page.text


@pytest.mark.parametrize("engines", [("main",), ("port", "mid", "stbd"), ("a", "b", "c", "d")])
def test_one_to_four_engines(engines: tuple[str, ...]):
    html = render(**make_trial(engines=engines, steps=(1400, 2600)))
    drawn = re.search(r"<svg.*?</svg>", html[html.index('id="timeline"') :], re.DOTALL)
    assert drawn
    assert len(engines) == 1 or all(f">{e}</text>" in drawn[0] for e in engines)


def test_a_long_dense_trial_stays_light():
    trial = make_trial(
        steps=tuple(range(600, 3600, 120)), engines=("port", "pmid", "smid", "stbd"), hz=10,
        pad_s=36000 - 25 * 300 - 240, one_way=(600,),
    )  # fmt: skip
    assert trial["samples"].num_rows > 350_000
    html = render(**trial)
    sizes = [len(svg.encode()) for svg in re.findall(r"<svg.*?</svg>", html, re.DOTALL)]
    assert max(sizes) < 400_000
    assert len(html.encode()) < 3_000_000
    page = Page(html)
    assert len(page.table(1)["rows"]) == 26


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("ink", ["ink", "quiet", "petrol", "rust", "ochre"])
@pytest.mark.parametrize("ground", ["paper", "tint", "warm", "stone"])
def test_text_is_readable_on_every_ground_it_stands_on(html: str, ink: str, ground: str, scheme: str):
    # contrast of at least 7 : 1, WCAG 2.2 success criterion 1.4.6 (enhanced); luminance as WCAG defines it
    light, _, rest = html.partition("@media screen and (prefers-color-scheme: dark)")
    colours = dict(
        re.findall(r"--([\w-]+): (#[0-9a-f]{6});", light if scheme == "light" else rest.partition("}\n}")[0])
    )
    low, high = sorted((luminance(colours[ink]), luminance(colours[ground])))
    assert (high + 0.05) / (low + 0.05) >= 7


@pytest.fixture
def templates(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A cache folder of its own for compiled templates."""
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
    yield tmp_path / "cache"
    pages.page_template.cache_clear()
    pages._environment.cache_clear()


def compiled_anew(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Compile the sheet's template as a new process would; return what was compiled."""
    pages.page_template.cache_clear()
    pages._environment.cache_clear()
    names: list[str] = []
    compiling = jinja2.Environment.compile

    def counted(self: jinja2.Environment, source: str, name: str, *given: object, **more: object) -> object:
        names.append(name)
        return compiling(self, source, name, *given, **more)

    with monkeypatch.context() as patch:
        patch.setattr(jinja2.Environment, "compile", counted)
        assert pages.page_template("sheet.html.j2").root_render_func is not None
    return names


def test_a_template_is_compiled_once_for_all_runs(templates: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert compiled_anew(monkeypatch) == ["sheet.html.j2"]
    assert compiled_anew(monkeypatch) == []
    (kept,) = (p for p in templates.rglob("*") if p.is_file())
    kept.write_bytes(kept.read_bytes()[:200])  # cut off
    assert compiled_anew(monkeypatch) == ["sheet.html.j2"]


def test_a_template_compiled_by_another_program_is_not_used(templates: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert compiled_anew(monkeypatch) == ["sheet.html.j2"]
    monkeypatch.setattr(jinja2, "__version__", "0.0")
    assert compiled_anew(monkeypatch) == ["sheet.html.j2"]


def test_templates_are_compiled_by_each_run_where_none_can_be_kept(
    templates: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    templates.write_bytes(b"")  # a file where the folder would be
    assert compiled_anew(monkeypatch) == ["sheet.html.j2"]
    assert compiled_anew(monkeypatch) == ["sheet.html.j2"]
