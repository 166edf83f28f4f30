"""What is kept of a log, and that blocks know what the whole knows."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from trialcapture.prepare.channels.series import Candidate, rank_sources
from trialcapture.prepare.clocks.downsampled_index import (
    AXIS,
    LONGEST_SPACING_S,
    index_block,
    index_log,
    join_indexes,
)
from trialcapture.prepare.clocks.sentence_times import (
    CLOCKS,
    SET_BACK_NS,
    STANDS_FOR_COLUMN,
    block_axes,
    choose_clock,
    find_shifts_ns,
)

SECOND = 1_000_000_000


def table(line: np.ndarray, mono_ns: np.ndarray, **columns: np.ndarray) -> pa.Table:
    n = line.size
    return pa.table(
        {
            "line": line.astype(np.int64),
            "mono_ns": mono_ns.astype(np.int64),
            "wall_ms": (mono_ns // 1_000_000).astype(np.int64),
            "source": pa.array(["gps1"] * n).dictionary_encode(),
            "talker": pa.array(["GP"] * n).dictionary_encode(),
            **columns,
        }
    )


def test_an_outline_stands_for_every_row_and_keeps_both_ends() -> None:
    t = np.arange(6000) * SECOND // 10
    kept = index_block({"HDT": table(np.arange(6000), t, heading_true_deg=np.zeros(6000))}).tables["HDT"]
    assert sum(kept[STANDS_FOR_COLUMN].to_pylist()) in range(6000, 6002)
    assert kept["line"][0].as_py() == 0
    assert kept["line"][-1].as_py() == 5999
    assert kept.num_rows <= 600 / LONGEST_SPACING_S + 2


def test_of_timed_sentences_the_promptest_of_each_second_is_kept() -> None:
    rng = np.random.default_rng(4)
    tod = np.arange(1000) * SECOND // 10 + 36_000 * SECOND
    late = rng.uniform(0, 0.09e9, 1000).astype(np.int64)
    kept = index_block({"RMC": table(np.arange(1000), tod + late, tod_ns=tod, date_days=np.zeros(1000, int))})
    lines = np.array(kept.tables["RMC"]["line"].to_pylist())
    seconds = (tod + late) // SECOND
    for second in np.unique(seconds)[1:-1]:
        mine = np.flatnonzero(seconds == second)
        assert mine[late[mine].argmin()] in lines


def test_a_stream_of_its_own_is_thinned_by_itself() -> None:
    number = np.arange(400) % 2
    rpm = table(np.arange(400), np.arange(400) * SECOND // 20, number=number.astype(np.int16), rpm=np.ones(400))
    kept = index_block({"RPM": rpm}).tables["RPM"]
    for engine in (0, 1):
        t = np.array(kept.filter(pa.compute.equal(kept["number"], engine))["mono_ns"].to_pylist()) / 1e9
        assert np.diff(t).max() < 0.7


@given(
    cuts=st.lists(st.integers(1, 299), max_size=4, unique=True),
    backs=st.lists(st.tuples(st.integers(1, 299), st.integers(1, 4000)), max_size=3),
    unknown=st.sets(st.integers(0, 299), max_size=20),
)
@settings(max_examples=80, deadline=None)
def test_the_axis_of_blocks_is_the_axis_of_the_whole(
    cuts: list[int], backs: list[tuple[int, int]], unknown: set[int]
) -> None:
    stamps = np.arange(300) * SECOND // 2 + 10**15
    for at, seconds in backs:
        stamps[at:] -= seconds * SECOND
    known = np.array([i not in unknown for i in range(300)])
    whole = table(np.arange(300), stamps)
    whole = whole.set_column(1, "mono_ns", pa.array(stamps, mask=~known))
    edges = [0, *sorted(cuts), 300]
    blocks = [whole.slice(a, b - a) for a, b in pairwise(edges)]
    axes, found = zip(*(block_axes({"HDT": b}, "mono") for b in blocks), strict=True)
    shifts, breaks = find_shifts_ns(found)
    joined = np.concatenate([axis["HDT"] + shift for axis, shift in zip(axes, shifts, strict=True)])
    expected, one = block_axes({"HDT": whole}, "mono")
    assert np.array_equal(joined[known], expected["HDT"][known])
    assert breaks.tolist() == find_shifts_ns([one])[1].tolist()
    # a set-back no longer than the pause it comes after cannot be seen, and does no harm
    assert np.all(np.diff(joined[known]) >= -SET_BACK_NS)


def test_a_damaged_stamp_is_no_step_of_the_clock() -> None:
    stamps = np.arange(100) * SECOND
    wrong = stamps.copy()
    wrong[40] += 10**15
    axes, found = block_axes({"HDT": table(np.arange(100), wrong)}, "mono")
    assert axes["HDT"].tolist() == stamps.tolist()
    assert (found.known, found.back_ns, found.breaks_ns) == (99, 0, ())


def test_joined_outlines_stand_on_one_axis() -> None:
    first = table(np.arange(100), np.arange(100) * SECOND)
    later = table(np.arange(100, 200), np.arange(100) * SECOND)  # the session was resumed: its clock began again
    outline = join_indexes([index_block({"HDT": first}), index_block({"HDT": later})])
    axis = np.array(outline.tables["HDT"][AXIS["mono"]].to_pylist())
    assert np.all(np.diff(axis) > 0)
    assert outline.breaks_ns["mono"].size == 1
    assert outline.bounds["HDT"][-1] == outline.tables["HDT"].num_rows


def test_a_clock_of_whole_seconds_says_less_than_the_order_of_lines() -> None:
    whole = table(np.arange(50), np.arange(50) * SECOND).set_column(1, "mono_ns", pa.nulls(50, pa.int64()))
    stamps = {clock: [block_axes({"HDT": whole}, clock)[1]] for clock in CLOCKS}
    assert choose_clock(stamps, has_receiver=True) == "order"
    assert choose_clock(stamps, has_receiver=False) == "wall"
    assert choose_clock({c: [] for c in CLOCKS}, has_receiver=False) == "none"


@given(rates_hz=st.lists(st.sampled_from([0.2, 0.5, 1.0, 5.0, 10.0]), min_size=2, max_size=4), seed=st.integers(0, 99))
@settings(max_examples=40, deadline=None)
def test_sources_rank_in_outline_as_they_do_whole(rates_hz: list[float], seed: int) -> None:
    rng = np.random.default_rng(seed)
    whole, thin = [], []
    for i, rate in enumerate(rates_hz):
        begin, end = sorted(rng.uniform(0, 3600, 2))
        t = np.arange(begin, end, 1.0 / rate)
        if t.size < 50:
            continue
        t_ns = np.rint(t * 1e9).astype(np.int64)
        whole.append(Candidate(f"s{i}/GP RMC", t_ns, {}, i % 2))
        bins = t_ns // round(LONGEST_SPACING_S * 1e9)
        first = np.flatnonzero(np.concatenate([[True], np.diff(bins) > 0]))
        counts = np.diff(np.append(first, t_ns.size))
        thin.append(Candidate(f"s{i}/GP RMC", t_ns[first], {}, i % 2, counts))
    gap_s = 3.0
    covered = [min(c.t_ns.size * gap_s, (c.t_ns[-1] - c.t_ns[0]) / 1e9) for c in whole]
    best = max(covered, default=0.0)
    # near the half-way mark or a tie either order will do
    clear = all(abs(c - 0.5 * best) > 0.05 * best for c in covered)
    clear &= all(abs(a - b) > 20.0 for i, a in enumerate(covered) for b in covered[:i])
    if clear and whole:
        assert rank_sources(thin, gap_s)[0] == rank_sources(whole, gap_s)[0]


def test_an_engine_log_that_was_set_back_keeps_both_stretches() -> None:
    t = np.concatenate([np.arange(0, 100, 0.1), np.arange(50, 150, 0.1)])
    rows = pa.table({"row": np.arange(t.size), "t_log_ns": np.rint(t * 1e9).astype(np.int64)})
    kept = index_log(rows)
    assert sum(kept[STANDS_FOR_COLUMN].to_pylist()) in range(t.size, t.size + 4)
    assert kept["row"][-1].as_py() == t.size - 1
    assert int((np.diff(np.array(kept["t_log_ns"].to_pylist())) < 0).sum()) == 1
