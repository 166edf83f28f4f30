"""``summary.json`` is what the dataclasses say: it validates against their schema and comes back from JSON the same.

The validator is an outside one: ``jsonschema``, JSON Schema draft 2020-12.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import MISSING, fields, is_dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from jsonschema import Draft202012Validator

from tests.made_once import processed_once
from tests.segment_builder import build_segments, no_clocks, reciprocal_legs, steady_current
from trialcapture.config import Config
from trialcapture.errors import TrialCaptureError
from trialcapture.measure.trial import measure_trial
from trialcapture.prepare.data_health import DataHealth, Disagreement, Hole, Restart
from trialcapture.reduce import summary as summary_module
from trialcapture.reduce.summary import (
    Dropped,
    SealStatement,
    SessionOrigin,
    SoftwareVersions,
    Summary,
    as_json,
    complete,
    parse_summary,
    summary_schema,
)

SAMPLES = Path(__file__).parents[2] / "sample_logs"
SESSIONS = sorted(path.parent.name for path in SAMPLES.glob("*/session.toml"))
T0_NS = 1_800_000_000_000_000_000


@pytest.fixture(scope="module", params=SESSIONS)
def written(request: pytest.FixtureRequest) -> str:
    """Return ``summary.json`` as `process` writes it for a sample session."""
    return (processed_once(request.param) / "session" / "reduction" / "summary.json").read_text(encoding="utf-8")


def summary_of(segments: pa.Table, health: DataHealth | None = None) -> Summary:
    _, _, findings = measure_trial(segments, Config(), clocks=no_clocks(), samples=None, session_id="t")
    return complete(
        findings, session=SessionOrigin("s", "2031-05-14T08:00:00Z", "test"), software_version="0", config_hash="",
        versions=SoftwareVersions("0", "3", "2", "1", "26", "3"),
        seal=SealStatement("unsealed", None, "00" * 32, (), "seal.jsonl is missing", (), "of the session"),
        raw=(), counts=(), clocks=(), data_health=health or DataHealth(), dropped=Dropped({"turning": 2}, None, {}),
    )  # fmt: skip


@cache
def validator() -> Draft202012Validator:
    return Draft202012Validator(summary_schema())


def faults(data: Any) -> list[str]:
    return [fault.message for fault in validator().iter_errors(data)]


def thinned(data: Any) -> Any:
    """Return a JSON value with one object in each list of objects, for trying one key after another."""
    if isinstance(data, dict):
        return {key: thinned(value) for key, value in data.items()}
    if isinstance(data, list):
        return [thinned(value) for value in (data[:1] if data and isinstance(data[0], dict) else data)]
    return data


def along(data: Any, path: tuple[Any, ...]) -> Any:
    """Return a JSON value whose lists of objects are empty but where a path leads, so that little is read with it."""
    if isinstance(data, dict):
        return {key: along(value, path[1:] if path[:1] == (key,) else ()) for key, value in data.items()}
    if isinstance(data, list) and data and isinstance(data[0], dict):
        return [along(data[0], path[1:])] if path[:1] == (0,) else []
    return data


def test_there_are_samples() -> None:
    assert len(SESSIONS) >= 2


def test_the_schema_is_one() -> None:
    Draft202012Validator.check_schema(summary_schema())


def test_what_process_writes_is_valid_and_comes_back_the_same(written: str) -> None:
    data = json.loads(written)
    assert faults(data) == []
    assert as_json(parse_summary(written)) == data


def test_a_trial_without_a_band_is_valid() -> None:
    data = as_json(summary_of(build_segments([], steady_current(0.0, 0.0))))
    assert faults(data) == []
    assert as_json(parse_summary(json.dumps(data))) == data


def _places(data: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the path of every object in a JSON value, of each list only the first entry."""
    if isinstance(data, dict):
        yield path
        for key, value in data.items():
            yield from _places(value, (*path, key))
    elif isinstance(data, list) and data:
        yield from _places(data[0], (*path, 0))


def _at(data: Any, path: tuple[Any, ...]) -> Any:
    for part in path:
        data = data[part]
    return data


def test_an_unknown_key_is_caught_wherever_it_stands(written: str) -> None:
    whole = thinned(json.loads(written))
    counted = {("dropped", "segments"), ("dropped", "rejects")}  # keys there are reasons
    for path in _places(whole):
        if path in counted:
            continue
        data = along(whole, path)
        _at(data, path)["invented"] = 1
        assert not validator().is_valid(data), path
        with pytest.raises(TrialCaptureError):
            parse_summary(json.dumps(data))
        del _at(data, path)["invented"]
        assert validator().is_valid(data), path


def test_a_missing_key_is_caught_wherever_it_is_missing(written: str) -> None:
    whole = thinned(json.loads(written))
    assert as_json(parse_summary(json.dumps(whole))) == whole
    assert faults(whole) == []
    entries = [c for c in vars(summary_module).values() if isinstance(c, type) and is_dataclass(c)]
    # what has a default is left out while it has that
    optional = {f.name.removesuffix("_") for c in entries for f in fields(c) if f.default is not MISSING}
    for path in _places(whole):
        if path[:1] == ("dropped",) and path != ("dropped",) and path[1] != "longest_segment":
            continue
        data = along(whole, path)
        assert validator().is_valid(data), path
        for key in list(_at(data, path)):
            if key in optional:
                continue
            value = _at(data, path).pop(key)
            assert not validator().is_valid(data), (*path, key)
            with pytest.raises(TrialCaptureError):
                parse_summary(json.dumps(data))
            _at(data, path)[key] = value


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema_version",), "1"),
        (("boat", "planing"), 1),
        (("regimes", "by"), None),
        (("warnings",), [{"code": "x", "severity": "purple", "text": "", "where": ""}]),
        (("budgets",), {}),
        (("data_health", "holes"), [{"start": "yesterday"}]),
        (("data_health",), []),
    ],
)
def test_a_value_of_another_kind_is_caught(path: tuple[str, ...], value: Any) -> None:
    data = as_json(summary_of(build_segments([], steady_current(0.0, 0.0))))
    _at(data, path[:-1])[path[-1]] = value
    assert faults(data)
    with pytest.raises(TrialCaptureError, match=path[0]):
        parse_summary(json.dumps(data))


def test_no_json_at_all_is_told() -> None:
    with pytest.raises(TrialCaptureError, match=r"summary\.json"):
        parse_summary("{")


def test_faults_of_the_data_come_back_with_their_times() -> None:
    items = (
        Hole(T0_NS, T0_NS + 1_500_000_000, "gps1", "silent", "2 legs"),
        Restart(None, "engine log", None, "began anew", "none"),
        Disagreement("a", "b", 0.3, 0.1, "kn", None, None, "warning", "none"),
        Disagreement("a", "b", 0.3, 0.1, "kn", T0_NS, T0_NS + 60_000_000_000, "excluded", "one leg"),
    )
    summary = summary_of(
        build_segments(reciprocal_legs([(1000.0, 7.0)]), steady_current(0.0, 0.0)), DataHealth().with_items(items)
    )
    data = as_json(summary)
    assert faults(data) == []
    assert data["data_health"]["holes"][0]["seconds"] == 1.5
    assert parse_summary(json.dumps(data)) == replace(summary, clocks=())
    data["data_health"]["holes"][0]["seconds"] = 2.5
    with pytest.raises(TrialCaptureError, match="data_health"):
        parse_summary(json.dumps(data))


def test_a_number_that_is_none_is_null_and_no_text_of_python() -> None:
    assert as_json({"a": float("nan"), "b": (float("inf"), 1.0)}) == {"a": None, "b": [None, 1.0]}
