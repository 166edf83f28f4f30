"""Units of the reader: every number he reads is the stored one converted once, checked against pint."""

from __future__ import annotations

import itertools
import math
import re
import shutil
from pathlib import Path
from typing import Any, NamedTuple, get_args

import pint
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st

from tests.made_once import SAMPLES, second_look
from tests.report.test_page import Page
from tests.report.test_terminal import text_of
from tests.report.trial_tables import make_trial, render, typed
from trialcapture.cli import group
from trialcapture.config import UnitSystem, config_hash, load_config
from trialcapture.prepare.data_health import DataHealth, Disagreement, Rounding, Spikes, Stuck, page_one
from trialcapture.reduce.conditions import sea_warnings
from trialcapture.reduce.summary import as_json
from trialcapture.report.format import METRIC, ReaderUnits, own_decimals, rounded_pair
from trialcapture.report.terminal import bands_view
from trialcapture.system.files import CACHE_VARIABLE

PINT = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
US, IMPERIAL, BOTH = ReaderUnits("us"), ReaderUnits("imperial"), ReaderUnits("us", "metric")
IN_PINT = {
    "kn": "knot", "mph": "mile/hour", "nm": "nautical_mile", "mi": "mile", "L/h": "liter/hour", "gal/h": "gallon/hour",
    "imp gal/h": "imperial_gallon/hour", "nm/L": "nautical_mile/liter", "nm/gal": "nautical_mile/gallon",
    "nm/imp gal": "nautical_mile/imperial_gallon", "mi/gal": "mile/gallon", "mi/imp gal": "mile/imperial_gallon",
    "L/nm": "liter/nautical_mile", "gal/nm": "gallon/nautical_mile", "imp gal/nm": "imperial_gallon/nautical_mile",
    "L": "liter", "gal": "gallon", "imp gal": "imperial_gallon", "kg": "kilogram", "lb": "pound", "m": "meter",
    "ft": "foot", "°C": "degC", "°F": "degF", "kg/m³": "kilogram/meter**3", "lb/ft³": "pound/foot**3",
    "hPa": "hectopascal", "inHg": "inch_Hg", "g/kWh": "gram/(kilowatt*hour)", "lb/(hp h)": "pound/(horsepower*hour)",
    "t^⅔ kn³ / kW": "metric_ton**(2/3)*knot**3/kilowatt", "long ton^⅔ kn³ / hp": "long_ton**(2/3)*knot**3/horsepower",
}  # fmt: skip
METRIC_ONLY = ("L/h", "nm/L", "L/nm", "L", "kg", "m", "°C", "kg/m³", "hPa", "bar", "kW", "g/kWh", "t^⅔ kn³ / kW")
_NUMBER = r"[-+−]?\d+(?:\.\d+)?"
_UNIT = "|".join(sorted(map(re.escape, IN_PINT), key=len, reverse=True))
SAID = re.compile(rf"({_NUMBER})(?: (?:±|to) ({_NUMBER}))? ({_UNIT})(?![\w/³(])")
BESIDE = re.compile(rf" \(±?{_NUMBER}(?: (?:±|to) {_NUMBER})? (?:mph|mi|mi/gal|mi/imp gal)\)")
"""A result's second unit."""


class Said(NamedTuple):
    """A number as printed, in a unit."""

    text: str
    unit: str

    @property
    def value(self) -> float:
        """The number."""
        return float(self.text.replace("−", "-"))

    @property
    def half(self) -> float:
        """Half of its last digit."""
        return 0.5 * 10.0 ** -len(self.text.partition(".")[2])


def in_pint(x: float, unit: str, to: str, *, difference: bool) -> float:
    """Return a value, or a difference of values, in another unit."""

    def convert(y: float) -> float:
        if unit.startswith("°"):
            return float(PINT.Quantity(y, IN_PINT[unit]).to(IN_PINT[to]).magnitude)
        return float(y * (1.0 * PINT(IN_PINT[unit]) / PINT(IN_PINT[to])).to("dimensionless").magnitude)

    return convert(x) - convert(0.0) if difference else convert(x)


def agree(metric: Said, other: Said, *, difference: bool = False) -> bool:
    """Return whether two printed numbers are one stored one, each rounded once."""
    there = in_pint(metric.value, metric.unit, other.unit, difference=difference)
    factor = abs(in_pint(1.0, metric.unit, other.unit, difference=True))
    return abs(there - other.value) <= 1.0001 * (metric.half * factor + other.half)


def plain(text: str) -> str:
    """Return text on one line, without the spaces that set thousands apart."""
    return " ".join(text.replace("\u202f", "").split())


def said_in(text: str) -> list[tuple[Said, bool]]:
    """Return every number with a unit in running text, and whether it is a ±."""
    text, found = plain(text), []
    for first, second, unit in SAID.findall(text):
        found.append((Said(first, unit), False))
        if second:
            found.append((Said(second, unit), f"± {second} {unit}" in text))
    return found


def full_trial() -> dict[str, Any]:
    """Return a trial that says something in every unit."""
    trial = make_trial(one_way=(1700,))
    s = trial["summary"]
    config = load_config("[boat]\nlength_m = 14.2\n[trial]\nwave_height_m = 2.25\n")
    s["warnings"] += as_json(sea_warnings(config))
    s["warnings"].append({
        "code": "implausible", "severity": "yellow", "text": "It is 188 g/kWh, usual is 190 g/kWh to 360 g/kWh.",
        "where": "fuel", "quantities": [
            {"value": value, "unit": "g/kWh", "text": f"{value:.3g} g/kWh"} for value in (188.0368, 190.0, 360.0)
        ],
    })  # fmt: skip
    s["warnings"].append({
        "code": "data", "severity": "yellow", "where": "",
        "text": "fuel counts in steps of 0.5 l: over a hold of 120 s the rate is known no better than ±15 l/h",
    })  # fmt: skip
    t = 1_936_512_000_000_000_000
    health = DataHealth(
        disagreements=(
            Disagreement("fuel of port", "rate of use", -3.21, 0.4, "l/h", t, t + 10**10, "warning", "all"),
        ),
        stuck=(Stuck("depth of ds", t, t + 10**10, 12.25, "m", "none"),),
        spikes=(Spikes("position of gps1", 3, 815.4, "m", "none"),),
        readings_rounded_to=(Rounding("fuel rate", 0.1, "l/h", False, "up to ±0.35 l/h in the mean of a leg (95 %)"),),
    )
    s["data_health"] = as_json(health)
    faults = [f"{line.what} {line.text}" for line in page_one(health)]
    s["warnings"] += [{"code": "data-health", "severity": "yellow", "text": text, "where": ""} for text in faults]
    s["conditions"] |= {"air_temp_c": 11.3, "pressure_hpa": 1013.2}
    s["plausibility"] += [
        {"name": "fuel at top speed", "value": 197.53, "unit": "g/kWh", "usual": [190.0, 360.0], "ok": True},
        {"name": "admiralty coefficient", "value": 209.16, "unit": "t^(2/3) kn^3 / kW", "usual": None, "ok": None},
    ]
    s["fuel"]["calibration"]["origin"] = "tank to tank"
    s["slowest_planing_speed"] = None
    s["slowest_on_the_plane"] = {
        "band_rpm": 2600.0, "band_name": "2600 rpm", "speed_kn": 27.16, "speed_u_kn": 0.052, "speed_k": 2.0, "ways": 2,
    }  # fmt: skip
    return trial


@pytest.fixture(scope="module")
def trial() -> dict[str, Any]:
    return full_trial()


@pytest.fixture(scope="module")
def pages(trial: dict[str, Any]) -> dict[ReaderUnits, Page]:
    return {units: Page(render(**trial, units=units)) for units in (METRIC, US, IMPERIAL, BOTH)}


def running_text(page: Page) -> str:
    """Return all text, without a result's second unit."""
    return BESIDE.sub("", whole_text(page))


def whole_text(page: Page) -> str:
    """Return all text of a page on one line."""
    return re.sub(r" ([,;.)])", r"\1", plain(" ".join(page.words)))


def heads(table: dict[str, Any]) -> list[str]:
    """Return the unit at the head of each column, "" where there is none."""
    row = table["rows"][0]
    return [" ".join((re.findall(r"\[(.*)\]", cell) or [""])[0].split()) for cell in row]


@pytest.mark.parametrize("units", [US, IMPERIAL])
def test_every_number_of_every_table_is_the_converted_one(pages: dict[ReaderUnits, Page], units: ReaderUnits) -> None:
    compared = set()
    for metric in pages[METRIC].tables:
        number = re.match(r"\s*Table (\w+)\.", metric["caption"])
        assert number
        other = pages[units].table(number[1])
        in_caption = [re.findall(rf"uncertainties \(k = 1\) in ({_UNIT})", t["caption"]) for t in (metric, other)]
        assert len(metric["rows"]) == len(other["rows"])
        for row, its in zip(metric["rows"][1:], other["rows"][1:], strict=True):
            for cell, there, old, new in zip(row, its, heads(metric), heads(other), strict=False):
                old_unit, new_unit = old, new
                if in_caption[0] and not re.search("1/min", old):
                    old_unit, new_unit = in_caption[0][0], in_caption[1][0]
                if old_unit not in IN_PINT:
                    continue
                numbers = [re.findall(_NUMBER, plain(c).split("(")[0]) for c in (cell, there)]
                assert len(numbers[0]) == len(numbers[1]), (number[1], cell, there)
                for n, (a, b) in enumerate(zip(*numbers, strict=True)):
                    assert agree(Said(a, old_unit), Said(b, new_unit), difference=n > 0), (number[1], cell, there)
                    compared.add((old_unit, new_unit))
    wanted = {("L/h", "gal/h"), ("nm/L", "nm/gal"), ("L/nm", "gal/nm"), ("kg", "lb"), ("m", "ft"), ("kn", "kn")}
    if units is IMPERIAL:
        wanted = {(a, b.replace("gal", "imp gal")) for a, b in wanted}
    assert compared >= wanted


@pytest.mark.parametrize("units", [US, IMPERIAL])
def test_every_number_in_a_sentence_is_the_converted_one(pages: dict[ReaderUnits, Page], units: ReaderUnits) -> None:
    # the table of other units and the definitions at the foot have no counterpart on the metric page
    texts = []
    for page in (pages[METRIC], pages[units]):
        text = running_text(page)
        a, b = text.find("The same in other units"), text.find("How each row was measured")
        text = text[:a] + text[b:] if a >= 0 else text
        texts.append(text[: text.index("Times are UTC.")])
    answers = re.compile(rf"({_NUMBER} ± {_NUMBER} (?:mph|mi|mi/gal|mi/imp gal)) ")
    metric, other = said_in(texts[0]), said_in(answers.sub("", texts[1]))
    assert [said for said, _ in metric if said.unit in ("kn", "nm")]
    assert len(metric) == len(other)
    for (a, difference), (b, _) in zip(metric, other, strict=True):
        assert agree(a, b, difference=difference), (a, b)
    assert {"m", "L", "kg", "°C", "kg/m³", "hPa", "nm/L", "L/h"} <= {said.unit for said, _ in metric}


def test_nothing_metric_is_left_on_a_us_page(pages: dict[ReaderUnits, Page], trial: dict[str, Any]) -> None:
    text = whole_text(pages[US])
    metric = "|".join(map(re.escape, METRIC_ONLY))
    assert re.findall(rf"\d ?(?:{metric})(?![\w/³])|\[(?:{metric})\]", text) == []
    assert not re.search(r"litre|metre|kilogram", text)
    html = render(**trial, units=US)
    labels = re.findall(r'aria-label="([^"]*)"|>([^<]*\[[^<]*)</text>', html)
    assert not [one for pair in labels for one in pair if re.search(rf"\[(?:{metric})\]", one)]
    assert "[gal/h]" in html
    assert "[nm/gal]" in html


def test_with_also_the_metric_number_stands_beside(pages: dict[ReaderUnits, Page], trial: dict[str, Any]) -> None:
    both = {said for said, _ in said_in(whole_text(pages[BOTH]))}
    for said, _ in said_in(whole_text(pages[METRIC]).partition("Times are UTC.")[0]):
        assert said in both, said
    html = render(**trial, units=BOTH)
    for axis in ("[gal/h]", "[L/h]", "[nm/gal]", "[nm/L]", "[kn]", "[mph]"):
        assert f"{axis}</text>" in html
    # cells of other tables hold both, the metric one as on the metric page
    for number, column in ((4, 9), (4, 10), (2, 10)):
        for row, own in zip(pages[BOTH].table(number)["rows"], pages[METRIC].table(number)["rows"], strict=True):
            assert f"({own[column]})" in row[column] or "[" in own[column]


def test_the_table_of_other_units_is_converted_from_the_stored_numbers(
    pages: dict[ReaderUnits, Page], trial: dict[str, Any]
) -> None:
    table = pages[BOTH].table("1a")
    columns = {"mph": "speed", "L/h": "fuel", "mi/gal": "economy", "nm/L": "economy", "mi": "range"}
    stored = {
        "speed": ("kn", "speed_kn", "speed_u_kn"), "fuel": ("L/h", "fuel_l_per_h", "fuel_u_l_per_h"),
        "economy": ("nm/L", "economy_nm_per_l", "economy_u_nm_per_l"), "range": ("nm", "range_nm", "range_u_nm"),
    }  # fmt: skip
    assert heads(table)[1:] == list(columns)
    for row, band in zip(table["rows"][1:], trial["bands"].to_pylist(), strict=True):
        for cell, unit in zip(row[1:], columns, strict=True):
            own, value, u = stored[columns[unit]]
            numbers = re.findall(_NUMBER, cell)
            for text, x in zip(numbers, (band[value], 2.0 * band[u]), strict=True):
                exact = in_pint(x, own, unit, difference=False)
                assert abs(float(text) - exact) <= 1.0001 * Said(text, unit).half


@given(st.floats(1e-3, 1e4), st.floats(1e-4, 0.3), st.sampled_from(["kn", "L/h", "nm/L", "nm", "kg", "m", "L"]))
def test_the_uncertainty_decides_the_digits_after_the_conversion(x: float, share: float, unit: str) -> None:
    for scale in (*US.scales(unit), *IMPERIAL.scales(unit)):
        value, pm = rounded_pair(scale, x, x * share, own_decimals(x * share, 2, 9)(scale))
        u = scale.u(x * share)
        assert u is not None
        big = 2.0 * u
        assert abs(float(value) - (scale.value(x) or 0.0)) <= 0.5001 * 10.0 ** -len(value.partition(".")[2])
        if not pm.startswith("<") and big < 90:
            # two significant digits (GUM, JCGM 100:2008, 7.2.6)
            assert len(pm.partition(".")[2]) == max(0, 1 - math.floor(math.log10(float(pm)))) or float(pm) >= 10


def test_one_stored_number_in_two_units() -> None:
    # by hand: 0.1409 nm/L times 3.785411784 L, and times 1.852 / 1.609344
    assert US.measured(0.1409, None, "nm/L", own_decimals(None, 4)) == "0.5334 nm/gal (0.6138 mi/gal) (± not known)"
    assert US.say(0.0, "°C", 1) == "32.0 °F"
    assert US.scale("°C").u(10.0) == pytest.approx(18.0)
    assert IMPERIAL.say(100.0, "L", 0) == "22.0 imp gal"
    assert ReaderUnits("imperial", "us").scale("L").text == "imp gal"
    assert [s.text for s in ReaderUnits("imperial", "us").scales("L/h")] == ["imp gal/h", "US gal/h"]
    assert ReaderUnits("metric", "metric").scales("kn")[0].text == "kn"


COMBINATIONS = list(itertools.product(get_args(UnitSystem), (None, *get_args(UnitSystem))))


@pytest.mark.parametrize(("system", "also"), COMBINATIONS)
def test_the_screen_stays_within_80_columns_in_all_units(system: UnitSystem, also: UnitSystem | None) -> None:
    for asked in ({}, {"fuel": False}, {"steps": tuple(range(600, 3600, 120))}):
        trial = make_trial(**asked)  # type: ignore[arg-type]
        text = text_of(bands_view(trial["bands"], typed(trial["summary"]), ReaderUnits(system, also)))
        assert max(len(line) for line in text.splitlines()) <= 80
        assert "…" not in text
        text.encode("cp1252")


def test_the_screen_and_the_page_print_the_same_numbers(trial: dict[str, Any], pages: dict[ReaderUnits, Page]) -> None:
    text = text_of(bands_view(trial["bands"], typed(trial["summary"]), US))
    for row in pages[US].table(1)["rows"][1:] + pages[US].table("1a")["rows"][1:]:
        for cell in row[1:]:
            for number in re.findall(r"\d+\.\d+", cell):
                assert number in text


def test_the_settings_take_units_and_no_file_depends_on_them() -> None:
    plain = load_config("")
    told = load_config('[report]\nunits = "us"\nalso = "metric"\n')
    assert (told.report.units, told.report.also) == ("us", "metric")
    assert (plain.report.units, plain.report.also) == ("metric", None)
    assert config_hash(plain) == config_hash(told)


def test_files_are_the_same_bytes_whatever_the_units(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")  # whatever the terminal of who runs the tests
    made: dict[str, dict[str, bytes]] = {}
    for units in (None, "us", "imperial"):
        session = tmp_path / str(units)
        if units == "us":  # from scratch, the others as on a second look
            shutil.copytree(SAMPLES / "journal_session", session)
            monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
        else:
            second_look(session, monkeypatch)
        ran = CliRunner().invoke(group, ["process", str(session), *(["--units", units] if units else [])])
        assert ran.exit_code == 0, ran.output
        assert {None: "[L/h]", "us": "[gal/h]", "imperial": "[imp gal/h]"}[units] in ran.output
        assert max(len(line) for line in ran.output.splitlines() if not line.startswith(("report:", "sheet:"))) <= 80
        files = [p for folder in ("trialset", "reduction") for p in (session / folder).rglob("*") if p.is_file()]
        results = [p for p in files if p.parent.name != "work"]  # what is kept for a second look is no result
        made[str(units)] = {p.relative_to(session).as_posix(): p.read_bytes() for p in results}
    for units in ("us", "imperial"):
        differ = {name for name, content in made["None"].items() if made[units].get(name) != content}
        assert differ == {
            "reduction/report.html",
            "reduction/sheet.html",
            "reduction/trial.xlsx",
            "reduction/results.json",
        }
        assert made[units].keys() == made["None"].keys()


def test_the_command_knows_every_system() -> None:
    ran = CliRunner().invoke(group, ["process", "nowhere", "--units", "furlongs"])
    assert ran.exit_code == 2
    assert all(system in ran.output for system in get_args(UnitSystem))
