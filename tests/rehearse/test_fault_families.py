"""A few fault families, a pair of faults and sound trials: the small form of ``python -m tests.accuracy --faults``."""

from __future__ import annotations

import numpy as np
import pytest

from tests.accuracy import faulty, tables
from tests.accuracy.__main__ import clean_tasks, draw_pairs, fit_together, write_section
from tests.accuracy.families import FAMILIES, FIRST_SEED, SEEDS, Base, Family, trial
from trialcapture.rehearse.faults import FAULTS
from trialcapture.rehearse.scenarios import SCENARIOS

BY_NAME = {family.name: family for family in FAMILIES}


def test_families_are_many_named_once_and_fit_their_trials() -> None:
    assert len(FAMILIES) >= 35
    assert len(BY_NAME) == len(FAMILIES)
    assert SEEDS >= 20
    for family in FAMILIES:
        for base in family.bases:
            run = SCENARIOS[base.scenario]
            for name in (*base.setup, *family.faults):
                run = FAULTS[name].applied(run)
    tried = {name for family in FAMILIES for name in family.faults}
    assert set(FAULTS) <= tried | {"log-without-rpm"}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["full-throttle-one-way", "variation-999", "time-free-running"])
@pytest.mark.parametrize("n", [0, pytest.param(1, marks=pytest.mark.long)])
def test_families_come_out_right(name: str, n: int) -> None:
    family = BY_NAME[name]
    base, seed = trial(family, n)
    found = faulty.run(base, seed, family.faults, family.shows)
    assert found.crash == ""
    assert found.invented == []
    assert found.there >= set(found.allowed)
    assert all(row.speed.part <= tables.BEYOND for row in found.rows)


@pytest.mark.slow
def test_a_pair_of_faults_does_not_crash() -> None:
    ((base, seed, faults, _),) = draw_pairs(1)
    found = faulty.run(base, seed, faults)
    assert found.crash == ""
    assert len(found.faults) == 2


@pytest.mark.slow
def test_nothing_is_said_to_be_wrong_with_two_sound_receivers() -> None:
    (task,) = [t for t in clean_tasks(40) if t[2] and t[0].scenario == "small-petrol"][:1]
    found = faulty.run(task[0], task[1], task[2])
    assert found.crash == ""
    assert "PASS" in tables.clean_table([found])
    assert len(found.there) == len(found.bands)


def test_pairs_are_drawn_by_seed_and_can_be_had() -> None:
    assert draw_pairs(6) == draw_pairs(6)
    assert all(fit_together(base, *faults) for base, _, faults, _ in draw_pairs(30))


def value(error: float, half: float = 0.1) -> faulty.Value:
    return faulty.Value(error, half / 2.0, half, 10.0)


def checked(errors: dict[float, float], **more: object) -> faulty.Checked:
    rows = [faulty.Row(rpm, 2, value(error), value(error), None) for rpm, error in errors.items()]
    bands = tuple(errors)
    made = faulty.Checked(Base("twin-planing"), 1, (), bands=bands, allowed=bands, rows=rows)
    for name, given in more.items():
        setattr(made, name, given)
    return made


def test_a_family_that_is_wrong_fails_and_one_that_is_right_passes() -> None:
    family = Family("rpm-minus-5", ("rpm-minus-5",), (Base("twin-planing"),), ("spikes",))
    twin = checked({1000.0: 0.0, 2000.0: 0.02})
    right = [tables.Pair(checked({1000.0: 0.05, 2000.0: -0.04}, health={"spikes": [{"what": "rpm"}]}), twin)] * 20
    wrong = [tables.Pair(checked({1000.0: 0.25}, invented=["777"], allowed=(1000.0, 2000.0)), twin)] * 20
    for pairs, is_right in ((right, True), (wrong, False)):
        shown = tables.measure(family, pairs)
        met = {what: ok for what, ok, _ in tables.demands([shown], pairs)}
        for demand in (
            "bands inside their printed ±, all families", "families whose 99 % bound lies below 85 %",
            "bands beyond 1.5 times the printed ±", "fuels beyond 1.5 times the printed ±", "invented bands",
            "of the allowed bands at least 90 % there, each family", "every fault named",
        ):  # fmt: skip
            assert met[demand] is is_right, demand
        assert family.name in tables.family_table([shown])
    crashed = tables.Pair(checked({}, crash="ValueError"), twin)
    met = {what: ok for what, ok, _ in tables.demands([tables.measure(family, [crashed])], [crashed])}
    assert met["crashes"] is False


def test_clocks_and_uncertainties_are_held_to_their_limits() -> None:
    family = Family("log-pauses", ("log-pauses",), (Base("twin-planing"),))
    twin = checked({1000.0: 0.0})
    wide = checked({1000.0: 0.0}, clocks=[(0.5, 0.1), (0.01, 0.1)])
    wide.rows = [faulty.Row(1000.0, 2, faulty.Value(0.0, 0.09, 0.18, 10.0), None, None)]
    pairs = [tables.Pair(wide, twin)]
    shown = tables.measure(family, pairs)
    assert shown.u_ratio == pytest.approx(1.8)
    assert (shown.clocks_inside, shown.clocks, shown.clock_worst) == (1, 2, pytest.approx(5.0))
    met = {what: ok for what, ok, _ in tables.demands([shown], pairs)}
    assert not met["untouched bands, median u at most 1.2 times the twin's"]
    assert not met["worst log clock"]
    assert not met["log clocks inside 2u"]


def test_the_bound_of_a_share_is_that_of_the_binomial_where_each_trial_has_one_band() -> None:
    """Upper 99 % quantile of 14 hits of 20 drawn again: binomial with n = 20 and p = 0.7 (scipy)."""
    from scipy.stats import binom  # noqa: PLC0415

    trials = [[True]] * 14 + [[False]] * 6
    assert tables.share_bound(trials) == pytest.approx(binom.ppf(0.99, 20, 0.7) / 20, abs=0.051)
    assert tables.share_bound([[]]) is None
    # trials whose bands share one error leave more open than as many bands of their own
    assert tables.share_bound([[True] * 5] * 14 + [[False] * 5] * 6) > tables.share_bound(
        [[True] * 7 + [False] * 3] * 10
    )


def test_a_section_of_a_file_is_replaced_and_the_rest_kept(tmp_path) -> None:
    path = tmp_path / "results.md"
    path.write_text("before\n<!-- faults -->\nold\n<!-- end of faults -->\nafter\n", encoding="utf-8")
    write_section(path, "faults", "new")
    write_section(path, "pairs", "two")
    text = path.read_text(encoding="utf-8")
    assert text.startswith("before\n<!-- faults -->\nnew\n<!-- end of faults -->\nafter\n")
    assert text.endswith("<!-- pairs -->\ntwo\n<!-- end of pairs -->\n")
    assert "old" not in text


def test_bands_of_unknown_rpm_are_found_by_the_time_of_their_legs() -> None:
    found = faulty.run(Base("displacement"), FIRST_SEED, ("no-rpm",))
    assert found.crash == ""
    assert found.invented == []
    assert np.all([row.band_rpm in found.bands for row in found.rows])
