"""Forms of the settings: every key of the models goes through a form into TOML and comes back the same."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from trialcapture.config import Config, load_config
from trialcapture.desk.dock_forms import (
    FormField,
    apply_changes,
    build_form,
    check_text,
    explanations,
    fault_place,
    label_of,
    parse_number,
    read_form,
)
from trialcapture.report.format import ReaderUnits

CONFIGS = Path(__file__).parents[2] / "configs"
BOATS = sorted(CONFIGS.glob("*_*.toml"))
BOATS = [path for path in BOATS if "[boat]" in path.read_text(encoding="utf-8")]
SYSTEMS = ("metric", "us", "imperial")

# One value for every key of the models, such as no default is.
EVERY: dict[str, Any] = {
    "boat": {"name": "Brine \"Wren\" <b>", "length_m": 9.25, "beam_m": 3.1, "draught_m": 0.85, "lightship_kg": 4200.5,
             "planing": False},
    "load": {"persons": 4, "person_kg": 80.0, "gear_kg": 210.0, "tanks": [
        {"name": "port fuel", "capacity_l": 300.0, "fraction": 0.625, "density_kg_per_m3": 842.5},
        {"name": "ballast", "capacity_l": 150.0, "fraction": 1.0, "water": "salt", "density_kg_per_m3": 1021.0}]},
    "engine": [{"id": "main", "rated_rpm": 2800.0, "idle_rpm": 650.0, "highest_rpm": 3300.0, "rpm_u_pct": 0.5,
                "rated_kw": 221.0, "gear_ratio": 2.04, "propeller_pitch_m": 0.61, "propeller_diameter_m": 0.56,
                "propeller_blades": 4, "model": "in-line six", "nmea_instance": 3}],
    "fuel": {"capacity_l": 640.0, "capacity_u_pct": 1.5, "usable_fraction": 0.95, "usable_u": 0.02,
             "reserve_fraction": 0.2, "density_kg_per_m3": 838.0, "supply_temp_c": 24.5, "return_temp_c": 31.0,
             "calibration": {"factor": 1.021, "origin": "tank to tank", "u_pct": 0.8}, "uncalibrated_u_pct": 3.0},
    "trial": {"title": "Trial", "place": "the bank", "tested_by": "the crew", "water": "brackish",
              "water_density_kg_per_m3": 1008.0, "wave_height_m": 0.3, "sea_state": 2, "generator_running": True,
              "hull_cleaned": "last week", "trim": "tabs up", "primary_gnss": "gps1", "magnetic_variation_deg": -3.5,
              "current_max_kn": 1.25, "notes": "first line\nsecond line", "walk_round": [
                  {"area": "helm", "what": "reach", "kind": "measure", "unit": "mm", "standard": False}]},
    "plan": {"steps_rpm": [900.0, 1200.0], "full_throttle": False, "reciprocal": False, "ways": 1,
             "hold_s": 95.0, "axis_deg": 122.0, "warm_up_s": 300.0, "marks": True, "manoeuvres": ["turn", "stop"]},
    "bands": {"steps_rpm": [900.0, 1200.0, 1500.5], "half_width_rpm": 40.0, "automatic": False},
    "source": [{"id": "gps1", "kind": "serial", "port": "COM7", "baud": 38400, "latency_s": 0.2,
                "require_checksum": False, "stamp": "last_byte", "bursts": True},
               {"id": "net1", "kind": "udp", "port": 10110, "host": "0.0.0.0"},
               {"id": "bus1", "kind": "can", "channel": "can0", "interface": "socketcan", "bitrate": 250000},
               {"id": "old1", "kind": "replay", "path": "old.log"}],
    "report": {"units": "metric", "also": "us"},
    "engine_log": [{"files": ["a*.csv", "b*.csv"], "form": "wide", "time_format": "%d.%m. %H:%M:%S", "year": 2026,
                    "locale": "de", "timezone": "+02:00", "delimiter": "\t", "decimal": ",", "thousands": " ",
                    "encoding": "cp1252", "header_rows": 2, "skip_rows_after_header": 1,
                    "clock": {"method": "fixed", "offset_s": -12.5},
                    "columns": {"time": "Zeit", "rpm_main": {"name": 3, "unit": "rpm", "scale": 0.25, "offset": -10.0},
                                "fuel_main": {"name": "42", "unit": "L/h"}}},
                   {"files": "long.xlsx", "form": "long", "parameter": "what", "value": 4, "sheet": "Data 1",
                    "date": "2026-05-14", "time_format": "%H:%M:%S",
                    "columns": {"time": 1, "rpm_main": {"name": "Speed", "unit": "rpm"}}},
                   {"files": "six.csv",
                    "columns": {"time": [1, 2, 3, 4, 5, 6], "rpm_main": {"name": 7, "unit": "rpm"}}}],
    "xdr": [{"name": "PITCH", "type": "A", "unit": "D", "channel": "pitch_deg"}],
    "steady": {"min_duration_s": 41.0, "rpm_sd_pct": 0.6, "rpm_slope_pct_per_min": 1.1, "sog_sd_kn": 0.35,
               "sog_slope_kn_per_min": 0.25, "heading_sd_deg": 4.5, "turn_deg": 9.0, "min_sog_kn": 1.5,
               "guard_s": 22.0, "chauvenet": True, "reciprocal_deg": 12.0, "reciprocal_max_gap_min": 11.0,
               "reciprocal_rpm_pct": 1.2},
    "samples": {"grid_hz": 5.0, "max_gap_s": {"heading": 3.5, "rpm": 4.0}},
}  # fmt: skip


def fields_of(data: Mapping[str, Any], units: ReaderUnits) -> dict[str, FormField]:
    groups, _ = build_form(data, units)
    return {f.name: f for group in groups for f in group.every_field()}


def typed_from(data: Mapping[str, Any], units: ReaderUnits) -> dict[str, list[str]]:
    """Return what a person would type to get these settings: what the form of them shows."""
    shown = {name: f.shown for name, f in fields_of(data, units).items()}
    several = {name for name, f in fields_of(data, units).items() if f.kind == "several"}
    return {name: text.split("\n") if name in several else [text] for name, text in shown.items()}


def about_equal(a: Any, b: Any) -> bool:
    if isinstance(a, float) and isinstance(b, float):
        return math.isclose(a, b, rel_tol=2e-6)
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(about_equal(a[k], b[k]) for k in a)
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(about_equal(x, y) for x, y in zip(a, b, strict=True))
    return bool(a == b)


def test_the_sample_above_names_every_key_of_the_models() -> None:
    """So that no key can be added to the settings and stay out of the form."""
    made = Config.model_validate(EVERY)
    for name in Config.model_fields:
        given = getattr(made, name)
        for number, item in enumerate(given if isinstance(given, tuple) else [given]):
            tables = [item, *[getattr(item, k) for k in type(item).model_fields]]
            assert item is not None, (name, number)
            assert tables
    union: dict[str, set[str]] = {}
    for name, value in EVERY.items():
        for item in value if isinstance(value, list) else [value]:
            union.setdefault(name, set()).update(item)
    for name, info in Config.model_fields.items():
        model = next(m for m in models_in(info.annotation))
        assert union[name] == set(model.model_fields), name
        for key, inner in model.model_fields.items():
            for part in models_in(inner.annotation):
                held = [i[key] for i in (EVERY[name] if isinstance(EVERY[name], list) else [EVERY[name]]) if key in i]
                keys: set[str] = set()
                for item in held:
                    for table in item if isinstance(item, list) else [item]:
                        keys |= set(table)
                if part.__name__ != "LogColumn":
                    assert keys == set(part.model_fields), (name, key)


def models_in(annotation: Any) -> list[Any]:
    if isinstance(annotation, type) and hasattr(annotation, "model_fields"):
        return [annotation]
    return [m for a in getattr(annotation, "__args__", ()) for m in models_in(a)]


@pytest.mark.parametrize("system", SYSTEMS)
def test_every_key_goes_through_the_form_into_new_settings(system: Any) -> None:
    units = ReaderUnits(system)
    typed = typed_from(EVERY, units)
    changes, faults = read_form({}, typed, units)
    assert faults == {}
    text, kept = apply_changes("", changes)
    assert kept
    made, wanted = load_config(text).model_dump(), load_config(_toml(EVERY)).model_dump()
    assert about_equal(made, wanted)
    if system == "us":
        assert "lightship_lb" in text
        assert "lightship_kg" not in text


def _toml(data: Mapping[str, Any]) -> str:
    return tomli_w.dumps(data)


@pytest.mark.parametrize("system", SYSTEMS)
@pytest.mark.parametrize("path", BOATS, ids=lambda p: p.stem)
def test_a_form_that_nobody_touched_changes_nothing(path: Path, system: Any) -> None:
    text = path.read_text(encoding="utf-8")
    data = tomllib.loads(text)
    changes, faults = read_form(data, typed_from(data, ReaderUnits(system)), ReaderUnits(system))
    assert (changes, faults) == ([], {})
    assert apply_changes(text, changes) == (text, True)


NUMBERS = [name for name, f in fields_of(tomllib.loads(BOATS[-1].read_text(encoding="utf-8")), ReaderUnits()).items()
           if f.kind == "number" and "columns" not in name]  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    path=st.sampled_from(BOATS),
    system=st.sampled_from(SYSTEMS),
    picked=st.lists(st.integers(0, 10_000), min_size=1, max_size=6),
    value=st.floats(0.02, 40.0).map(lambda x: round(x, 3)),
    data=st.data(),
)
def test_changed_numbers_arrive_and_every_comment_stays(
    path: Path, system: Any, picked: list[int], value: float, data: st.DataObject
) -> None:
    """Whatever numbers are typed: the TOML says them, everything else is as it was, each comment included."""
    text, units = path.read_text(encoding="utf-8"), ReaderUnits(system)
    before = tomllib.loads(text)
    every = fields_of(before, units)
    numbers = [f for f in every.values() if f.kind == "number" and "columns" not in f.path]
    chosen = {numbers[n % len(numbers)].name for n in picked}
    emptied = {name for name in chosen if every[name].shown and data.draw(st.booleans())}
    typed = typed_from(before, units) | {name: [""] if name in emptied else [str(value)] for name in chosen}
    changes, faults = read_form(before, typed, units)
    assert faults == {}
    whole, kept = apply_changes(text, changes)
    assert kept
    after = fields_of(tomllib.loads(whole), units)
    for name, entry in after.items():
        if name in emptied:
            assert entry.shown == ""
        elif name in chosen:
            assert math.isclose(float(entry.shown), value, rel_tol=2e-6), name
        else:
            assert entry.shown == every[name].shown, name
    gone = [line for line in text.splitlines() if any(_is_line_of(line, name) for name in emptied)]
    comments = [c for line in text.splitlines() if line not in gone for c in re.findall(r"#[^\"']*$", line)]
    for comment in comments:
        assert comment.rstrip() in whole, comment


def _is_line_of(line: str, name: str) -> bool:
    key = name.rsplit(".", maxsplit=1)[-1]
    return re.match(rf"\s*{re.escape(key)}\b", line) is not None or name.split(".")[-2] in line


def test_a_key_keeps_the_unit_it_is_written_in_and_a_new_one_takes_the_readers() -> None:
    text = "[boat]\nlightship_lb = 44000.0  # weighed\nlength_m = 10.0\n"
    data = tomllib.loads(text)
    metric = fields_of(data, ReaderUnits())["boat.lightship_kg"]
    assert metric.shown == "19958.06"
    changes, _ = read_form(data, {"boat.lightship_kg": ["20 000"]}, ReaderUnits())
    whole, _ = apply_changes(text, changes)
    assert load_config(whole).boat.lightship_kg == pytest.approx(20_000)
    assert "lightship_lb = 4409" in whole
    assert "# weighed" in whole
    changes, _ = read_form(data, {"boat.beam_m": ["10.5"]}, ReaderUnits("us"))
    assert "beam_ft = 10.5" in apply_changes(text, changes)[0]


@pytest.mark.parametrize(
    ("typed", "value"),
    [("12.5", 12.5), ("12,5", 12.5), ("1 500", 1500), ("1\u202f500,5", 1500.5), ("-2.4", -2.4), ("\u22122.4", -2.4),
     (".5", 0.5), ("1e3", 1000), ("0,125", 0.125)],
)  # fmt: skip
def test_numbers_are_read_as_people_type_them(typed: str, value: float) -> None:
    assert float(parse_number(typed)) == value


@pytest.mark.parametrize(
    "typed", ["1,500", "1.500,5", "12 5", "1,2,3", "twelve", "0x10", "nan", "inf", "1e999", "--1", "٣"]
)
def test_numbers_that_may_mean_two_things_or_none_are_refused(typed: str) -> None:
    with pytest.raises(ValueError, match=r"write|larger"):
        parse_number(typed)


def test_faults_stand_beside_their_entries() -> None:
    text = (
        "[boat]\nlightship_lb = -4.0\n[[load.tanks]]\ncapacity_l = 100.0\nfraction = 1.5\n[[engine]]\nid = 'Port'\n"
        "rated_rpm = 2000.0\n[[engine_log]]\ncolumns = { time = 'T', rpm_port = { name = 'R', unit = 'furlong' } }\n"
        "[trial]\nnonsense = 1\n"
    )
    config, faults = check_text(text, "boat.toml")
    assert config is None
    groups, loose = build_form(tomllib.loads(text), faults=faults)
    found = {f.name: f.faults for g in groups for f in g.every_field() if f.faults}
    assert found.keys() >= {
        "boat.lightship_kg", "load.tanks.0.fraction", "engine.0.id", "engine_log.0.columns.1.unit",
    }  # fmt: skip
    assert "at most 1" in found["load.tanks.0.fraction"][0]
    assert loose == []
    assert any("nonsense" in said for g in groups for inner in g.every_group() for said in inner.faults)


def test_what_cannot_be_read_stands_beside_its_entry_and_changes_nothing() -> None:
    changes, faults = read_form({}, {"boat.length_m": ["twelve"], "boat.beam_m": ["3.5"]})
    assert list(faults) == ["boat.length_m"]
    assert [(c.path, c.value) for c in changes] == [(("boat", "beam_m"), 3.5)]


def test_items_of_lists_are_added_and_removed_and_other_ones_keep_their_comments() -> None:
    text = BOATS[-1].read_text(encoding="utf-8")
    data = tomllib.loads(text)
    assert len(data["engine"]) == 2
    typed = {"engine.0.remove": ["yes"], "engine.3.id": ["wing"], "engine.3.rated_rpm": ["3000"], "engine.2.id": [""]}
    changes, faults = read_form(data, typed)
    whole, kept = apply_changes(text, changes)
    assert (faults, kept) == ({}, True)
    assert [e["id"] for e in tomllib.loads(whole)["engine"]] == ["stbd", "wing"]
    assert "# What is to be run on the day" in whole or "# without fluids, people and gear" in whole


def test_a_column_is_changed_alone() -> None:
    text = BOATS[-1].read_text(encoding="utf-8")
    data = tomllib.loads(text)
    typed = typed_from(data, ReaderUnits()) | {"engine_log.0.columns.1.unit": ["1/s"]}
    changes, faults = read_form(data, typed)
    assert faults == {}
    assert [c.path for c in changes] == [("engine_log", 0, "columns", "rpm_port")]
    assert load_config(apply_changes(text, changes)[0]).engine_log[0].columns["rpm_port"].unit == "1/s"  # type: ignore[union-attr]


@settings(max_examples=60, deadline=None)
@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=40))
def test_any_text_is_kept_as_text(typed: str) -> None:
    changes, _ = read_form({}, {"boat.name": [typed], "trial.notes": [typed]})
    text, kept = apply_changes("# mine\n", changes)
    assert kept
    assert text.startswith("# mine\n")
    said = tomllib.loads(text).get("trial", {}).get("notes", "")
    assert said.replace("\n", " ").split() == "".join(c if c.isprintable() else " " for c in typed).split()


def test_labels_and_explanations_come_from_the_models() -> None:
    assert label_of("lightship_kg") == "Lightship"
    assert label_of("rated_rpm") == "Rated speed"
    assert label_of("capacity_us_gal") != ""
    assert "pick-up" in explanations(Config.model_fields["fuel"].annotation)["usable_fraction"]  # type: ignore[arg-type]


def test_a_fault_line_is_taken_apart() -> None:
    assert fault_place("engine[1].rated_rpm: saw 'x'; must be a number") == (
        ("engine", 1, "rated_rpm"), "saw 'x'; must be a number",
    )  # fmt: skip
    assert fault_place('engine_log[0].columns."a: b".unit: no')[0] == ("engine_log", 0, "columns", "a: b", "unit")
    assert fault_place("this is not TOML: x")[1]


def test_line_ends_of_windows_stay() -> None:
    text = "[boat]\r\nname = 'Old'  # hers\r\n"
    changes, _ = read_form(tomllib.loads(text), {"boat.name": ["New"], "boat.beam_m": ["3"]})
    whole, kept = apply_changes(text, changes)
    assert kept
    assert whole.count("\n") == whole.count("\r\n")
    assert "# hers" in whole
