"""How late a receiver's speed is, found from its positions."""

from __future__ import annotations

import numpy as np
import pytest

from tests.measure.manoeuvre_samples import samples_of, turning
from trialcapture.measure.circumstances import LAG_FLOOR_U_S, USUAL_LAG, TrialSamples, find_receiver_lag

T_S = np.arange(0.0, 400.0, 0.02)
TURNS = turning(T_S, 60.0, 5.0, 1.5, 360.0) - turning(T_S, 220.0, 5.0, 1.5, 360.0)


@pytest.mark.parametrize("lag_s", [0.0, 0.25, 0.9])
@pytest.mark.parametrize("every_s", [0.1, 0.2, 1.0])
def test_the_lag_is_found_in_turns(lag_s: float, every_s: float) -> None:
    trial = samples_of(
        T_S, np.full(T_S.size, 10.0), TURNS, np.full(T_S.size, 2000.0), lag_s=lag_s, every_s=every_s, noise_kn=0.05
    )
    found = find_receiver_lag(trial)
    assert found.lag_s == pytest.approx(lag_s, abs=0.05)
    assert LAG_FLOOR_U_S <= found.u_s < 1.5 * LAG_FLOOR_U_S


def test_the_lag_is_found_in_accelerations() -> None:
    speed = 12.0 / (1.0 + np.exp(-(T_S % 100.0 - 40.0) / 3.0)) * (T_S % 100.0 < 70.0)
    trial = samples_of(T_S, speed, np.full(T_S.size, 30.0), np.full(T_S.size, 2000.0), lag_s=0.4, noise_kn=0.05)
    found = find_receiver_lag(trial)
    assert abs(found.lag_s - 0.4) < 2.0 * found.u_s


def test_what_moves_evenly_tells_nothing() -> None:
    even = samples_of(T_S, np.full(T_S.size, 10.0), np.full(T_S.size, 30.0), np.full(T_S.size, 2000.0), lag_s=0.8)
    assert find_receiver_lag(even) == USUAL_LAG
    assert find_receiver_lag(TrialSamples(None, None)) == USUAL_LAG


def test_coarse_positions_weigh_less_than_what_is_usual() -> None:
    trial = samples_of(T_S, np.full(T_S.size, 10.0), TURNS, np.full(T_S.size, 2000.0), lag_s=0.9, every_s=1.0)
    fine = find_receiver_lag(trial)
    assert trial.read is not None
    whole = trial.read

    def read(start_ns: int, stop_ns: int, columns: object) -> object:
        table = whole(start_ns, stop_ns, columns)  # type: ignore[arg-type]
        for name in ("lat_deg", "lon_deg"):
            rounded = np.round(table[name].to_numpy() * 60.0, 3) / 60.0
            table = table.set_column(table.column_names.index(name), name, [rounded])
        return table

    coarse = find_receiver_lag(TrialSamples(trial.overview, read))  # type: ignore[arg-type]
    assert coarse.u_s > fine.u_s
    assert abs(coarse.lag_s - 0.9) < 2.0 * coarse.u_s
