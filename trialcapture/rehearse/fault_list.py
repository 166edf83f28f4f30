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

_LOGS = (
    *(
        Fault(
            f"log-clock-set-{name}", f"the engine log's clock is set by {words} half way", "log clock",
            size=step_s, unit="s", log={"clock_steps": ((0.52, step_s),)},
        )
        for name, words, step_s in (
            ("back-120s", "-120 s", -120.0), ("back-40s", "-40 s", -40.0), ("back-10s", "-10 s", -10.0),
            ("on-25s", "+25 s", 25.0), ("on-1h", "+1 h", 3600.0),
        )
    ),
    Fault(
        "log-pauses", "the engine log pauses three times for 20 to 50 s", "log", size=50.0, unit="s",
        log={"pauses": ((0.3, 50.0), (0.55, 20.0), (0.8, 35.0))},
    ),
    Fault(
        "log-restarts", "the engine log pauses for 30 s, begins again with headings, its clock set by -70 s",
        "log clock", size=-70.0, unit="s",
        log={"pauses": ((0.5, 30.0),), "restart_share": 0.5, "clock_steps": ((0.5, -70.0),)},
    ),
    Fault("log-newest-first", "the engine log begins with its last row", "log", log={"newest_first": True}),
    Fault("log-rows-repeated", "every 12th row of the engine log stands twice", "log", log={"repeat_every": 12}),
    Fault(
        "log-clock-drifts", "the engine log's clock runs 1800 ppm slow", "log clock", size=1800.0, unit="ppm",
        log={"drift_ppm": 1800.0},
    ),
    Fault(
        "log-engines-swapped", "port and starboard are mixed up in the engine log; the levers stand 3 % apart",
        "log", log={"is_swapped": True}, handling={"apart_share": 0.03}, least_engines=2,
    ),
    Fault(
        "fuel-whole-litres", "the engine log keeps fuel in whole litres an hour", "fuel", size=1.0, unit="L/h",
        log={"fuel_as": ("L/h", 0)},
    ),
    Fault(
        "fuel-half-litres", "the engine log keeps fuel rounded to half a litre an hour", "fuel", size=0.5, unit="L/h",
        log={"fuel_as": ("L/h", 1), "fuel_step": 0.5},
    ),
    Fault(
        "fuel-whole-gallons", "the engine log keeps fuel in whole US gallons an hour", "fuel", size=3.785, unit="L/h",
        log={"fuel_as": ("US gal/h", 0)},
    ),
    Fault(
        "log-cells-on-change", "cells of the engine log are empty unless the value has changed; fuel to 0.5 L/h",
        "fuel", log={"on_change": "cells", "fuel_as": ("L/h", 1), "fuel_step": 0.5, "rpm_step": 5.0},
    ),
    Fault(
        "log-rows-on-change", "the engine log has a row only when a value has changed; fuel to 0.5 L/h, rpm to 10",
        "fuel", log={"on_change": "rows", "fuel_as": ("L/h", 1), "fuel_step": 0.5, "rpm_step": 10.0,
                     "without": ("coolant", "load", "oil", "boost")},
    ),
    Fault("log-without-rpm", "the engine log has no rpm", "log", log={"without": ("rpm",)}),
)  # fmt: skip

_ALL = (*_RECEIVERS, *_LOGS)

FAULTS: dict[str, Fault] = {fault.name: fault for fault in _ALL}
"""Every fault, by name."""
