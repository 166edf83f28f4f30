"""Every fault by name, with the sizes met in the trade (common practice, no source)."""

from __future__ import annotations

from trialcapture.rehearse.faults import Fault
from trialcapture.rehearse.kit import Frozen, Outage, PositionJumps, SpeedError, SpeedSpikes, When

_WHOLE = When()
_ONE_STEP = When(step=0.5)
_TEN_MINUTES = When(share=0.4, duration_s=600.0)
_OFTEN_VOID = tuple(Outage(share, 25.0) for share in (0.12, 0.23, 0.34, 0.45, 0.56, 0.67, 0.78, 0.89))


def _other(name: str, words: str, size: float, unit: str, error: SpeedError) -> tuple[Fault, ...]:
    """Return the faults of a wrong receiver beside the right one: with the same coverage, more, and first."""
    wrong = {"speed_errors": (error,)}
    return (
        Fault(
            f"other-receiver-{name}", f"a second receiver beside the right one, on its wire, reads {words} high",
            "other receiver", size=size, unit=unit, beside=wrong,
        ),
        Fault(
            f"other-receiver-{name}-covers-more",
            f"a second receiver reads {words} high, and the right one is void now and then",
            "other receiver", size=size, unit=unit, beside=wrong | {"outages": ()},
            receiver={"outages": _OFTEN_VOID},
        ),
        Fault(
            f"other-receiver-{name}-first",
            f"a second receiver on a wire of its own, first in the settings, reads {words} high",
            "other receiver", size=size, unit=unit, beside=wrong | {"source": "aux1"}, is_first=True,
        ),
    )  # fmt: skip


_RECEIVERS = (
    *_other("3kn-high", "3 kn", 3.0, "kn", SpeedError(offset_kn=3.0)),
    *_other("10pct-high", "10 %", 10.0, "%", SpeedError(factor=1.10)),
    Fault(
        "speed-5pct-high", "the first receiver's speed is 5 % high throughout, its positions are right", "receiver",
        loses=True, size=5.0, unit="%", receiver={"speed_errors": (SpeedError(factor=1.05),)},
    ),
    Fault(
        "speed-high-in-one-band", "the first receiver reads 1.5 kn high in the runs of one step, positions right",
        "receiver", _ONE_STEP, loses=True, size=1.5, unit="kn",
        receiver={"speed_errors": (SpeedError(_ONE_STEP, offset_kn=1.5),)},
    ),
    Fault(
        "frozen-both", "the first receiver repeats its position and speed for 10 min while its time runs on",
        "receiver", _TEN_MINUTES, loses=True, size=600.0, unit="s", receiver={"frozen": (Frozen(_TEN_MINUTES),)},
    ),
    Fault(
        "frozen-speed", "the first receiver repeats its speed and course for 10 min", "receiver", _TEN_MINUTES,
        loses=True, size=600.0, unit="s", receiver={"frozen": (Frozen(_TEN_MINUTES, "speed"),)},
    ),
    Fault(
        "frozen-position", "the first receiver repeats its position for 10 min, its speed is right", "receiver",
        _TEN_MINUTES, size=600.0, unit="s", receiver={"frozen": (Frozen(_TEN_MINUTES, "position"),)},
    ),
    Fault(
        "speed-spikes", "the first receiver's speed jumps up by 6 kn for one fix every 30 s", "receiver",
        size=6.0, unit="kn", receiver={"spikes": (SpeedSpikes(30.0, 6.0),)},
    ),
    Fault(
        "position-jumps", "the first receiver's position jumps 40 m aside for 5 s every 70 s, its speed is right",
        "receiver", size=40.0, unit="m", receiver={"jumps": (PositionJumps(70.0, 40.0),)},
    ),
    Fault(
        "heavy-smoothing", "the first receiver smooths speed and course with a time constant of 8 s", "receiver",
        size=8.0, unit="s", receiver={"smoothing_s": 8.0},
    ),
)  # fmt: skip

_ALL = _RECEIVERS

FAULTS: dict[str, Fault] = {fault.name: fault for fault in _ALL}
"""Every fault, by name."""
