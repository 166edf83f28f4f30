"""Rows are told apart by who sent them, windows join what blocks tell, and a fallback speaks only in silences."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.channels import groups
from trialcapture.config import load_config
from trialcapture.prepare.channels.grid import grid_times, sample_window
from trialcapture.prepare.channels.series import Candidate, choose, find_sources, split_sources

T0 = 1_790_000_000_000_000_000
SECOND = 1_000_000_000


def candidate(source: str, t_s: npt.ArrayLike, value: npt.ArrayLike) -> Candidate:
    t_ns = T0 + np.rint(np.asarray(t_s, dtype=np.float64) * 1e9).astype(np.int64)
    return Candidate(source, t_ns, {"stw_kn": np.asarray(value, dtype=np.float64)}, 0)


def placed(rows: list[tuple[str, str, int | None, float]], counts: list[int] | None = None) -> pa.Table:
    source, talker, t_ns, _ = zip(*rows, strict=True)
    columns = {
        "source": pa.array(source).dictionary_encode(),
        "talker": pa.array(talker).dictionary_encode(),
        "t_ns": pa.array(t_ns, pa.int64()),
    }
    return pa.table(columns | ({} if counts is None else {"stands_for": pa.array(counts, pa.int32())}))


def test_each_source_has_its_own_rows_in_order_of_time() -> None:
    rows = [("a", "GP", 30, 1.0), ("b", "GP", 10, 2.0), ("a", "GP", 20, 3.0), ("a", "GN", 5, 4.0), ("a", "GP", 20, 5.0)]
    table, speed = placed(rows, counts=[1, 2, 3, 4, 5]), np.array([r[3] for r in rows])
    found = {c.source: c for c in split_sources(find_sources(table), {"sog_kn": speed}, "RMC", 0)}
    assert list(found) == ["a/GP RMC", "a/GN RMC", "b/GP RMC"]
    mine = found["a/GP RMC"]
    # of one instant, the order they came in
    assert mine.t_ns.tolist() == [20, 20, 30]
    assert mine.values["sog_kn"].tolist() == [3.0, 5.0, 1.0]
    assert mine.stands_for is not None
    assert mine.stands_for.tolist() == [3, 5, 1]


def test_rows_without_a_time_or_any_value_are_left_out() -> None:
    table = placed([("a", "GP", 10, 0.0), ("a", "GP", None, 0.0), ("a", "GP", 20, 0.0), ("b", "GP", None, 0.0)])
    assert [(s.source, s.t_ns.tolist()) for s in find_sources(table)] == [("a/GP", [10, 20])]
    values = {"sog_kn": np.array([np.nan, 1, 2, 3]), "cog_true_deg": np.array([np.nan, 1, np.nan, 3])}
    (only,) = split_sources(find_sources(table), values, "RMC", 0)
    assert only.t_ns.tolist() == [20]
    assert np.isnan(only.values["cog_true_deg"]).all()
    assert split_sources(find_sources(table), {"sog_kn": np.full(4, np.nan)}, "RMC", 0) == []


@given(
    lead=st.lists(st.integers(0, 60), min_size=1, max_size=20),
    other=st.lists(st.integers(-10, 700), max_size=30),
)
@settings(max_examples=150, deadline=None)
def test_a_fallback_speaks_where_the_leader_has_been_silent(lead: list[int], other: list[int]) -> None:
    """Against the definition, reading by reading: a silence longer than the gap, half a gap away from its ends."""
    lead_s, other_s = sorted(lead), [tenths / 10 for tenths in sorted(other)]
    pool = [candidate("lead", lead_s, np.ones(len(lead_s))), candidate("other", other_s, np.zeros(len(other_s)))]
    got = choose(pool, ["stw_kn"], 5.0, ranking=("lead", "other"))
    expected = set()
    for t in other_s:
        before, after = [x for x in lead_s if x <= t], [x for x in lead_s if x > t]
        near = (before and t - before[-1] <= 2.5) or (after and after[0] - t <= 2.5)
        if not near and not (before and after and after[0] - before[-1] <= 5.0):
            expected.add(T0 + round(t * 1e9))
    taken = got.filter(got["fallback"])
    assert set(taken["t_ns"].to_pylist()) == expected
    assert set(got["t_ns"].to_pylist()) == expected | {T0 + x * SECOND for x in lead_s}
    assert got["t_ns"].to_pylist() == sorted(set(got["t_ns"].to_pylist()))


def test_a_window_is_the_same_however_its_readings_lie_in_blocks() -> None:
    config = load_config("")
    rankings: dict[str, tuple[str, ...]] = dict.fromkeys(groups(config.engine_ids), ()) | {"stw": ("log VHW",)}
    grid_ns = grid_times(T0 + 20 * SECOND, T0 + 40 * SECOND, 10.0)
    t_s = np.arange(0, 60, 0.7)
    speed = 5 + np.sin(t_s)
    whole = sample_window({"stw": [candidate("log VHW", t_s, speed)]}, rankings, grid_ns, config)
    assert whole["stw_kn"].null_count == 0
    for first in (t_s < 30, np.arange(t_s.size) % 3 == 0, t_s > 100):
        parts = [candidate("log VHW", t_s[mine], speed[mine]) for mine in (first, ~first)]
        assert sample_window({"stw": parts}, rankings, grid_ns, config).equals(whole)
