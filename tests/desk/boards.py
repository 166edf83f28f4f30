"""Boards of a made-up trial day, for tests of the pages: every state a page must draw stands on one of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from trialcapture.pipeline.live_board import (
    FULL_THROTTLE,
    Advice,
    BandSoFar,
    Board,
    BoardAlarm,
    BoardCell,
    BoardClock,
    BoardHole,
    CurrentSoFar,
    Detector,
    Disk,
    EngineNow,
    Entry,
    Grid,
    ManoeuvreCell,
    Now,
    Recent,
    SourceLine,
    Step,
    Way,
)

T0 = datetime(2026, 6, 9, 8, 12, 40, tzinfo=UTC)
WAYS = ("075°", "255°")
STEPS = (800.0, 1200.0, 1600.0, 2000.0, 2400.0, FULL_THROTTLE)
STATES = {
    (800.0, 0): ("done", ""), (800.0, 1): ("done", ""),
    (1200.0, 0): ("done", ""), (1200.0, 1): ("half", "the way back is missing"),
    (1600.0, 0): ("done", ""), (1600.0, 1): ("refused", "speed still rising 0.6 kn/min"),
    (2000.0, 0): ("now", ""), (2000.0, 1): ("missing", ""),
    (2400.0, 0): ("missing", ""), (2400.0, 1): ("missing", ""),
    (FULL_THROTTLE, 0): ("skipped", "sea too rough"), (FULL_THROTTLE, 1): ("signed_off", "not wanted by the buyer"),
}  # fmt: skip


def at(seconds: float) -> str:
    """Return an instant of the day as the board writes it."""
    return (T0 + timedelta(seconds=seconds)).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def cells() -> tuple[BoardCell, ...]:
    made = [
        BoardCell(step, WAYS[way], state, reason, legs=int(state in ("done", "half")))
        for (step, way), (state, reason) in STATES.items()
    ]
    made[1] = replace(made[1], advised="a third run would change the speed by 0.14 kn")
    return tuple(made)


def holes() -> tuple[BoardHole, ...]:
    open_ones = [c for c in cells() if c.state in ("missing", "half", "refused")]
    return (*(BoardHole(c.step, c.way, c.reason or "missing") for c in open_ones), BoardHole("turn", "port", "missing"))


def busy_board(seconds: float = 0.0, **changes: Any) -> Board:
    """Return a board in the middle of a hold, with every state of a run, two alarms, and bands.

    Args:
        seconds: Into the hold; the newest data, the seconds held and the speed move with it.
        changes: Fields of the board that differ.
    """
    held = 22.0 + seconds
    n = 121
    sog = tuple(9.0 + 5.2 * min(1.0, i / 70) + 0.1 * (i % 3) for i in range(n))
    rpm = tuple(1600.0 + 400.0 * min(1.0, i / 40) + (i % 5) for i in range(n))
    board = Board(
        session="2026-06-09_heron", boat="Heron 38", recording=True, made_at=at(seconds + 0.4), t=at(seconds),
        data_age_s=0.4,
        sources=(
            SourceLine("gps1", "serial", "ok", 0.2, 40.0, 100.0, "GNSS fix", 11),
            SourceLine("engines", "udp", "late", 4.2, 2.0, 97.5, "", None, "nothing for 4.2 s"),
        ),
        disk=Disk(81234.0, 411.0), battery_pct=78.0, elapsed_s=2412.0 + seconds, safe_age_s=0.7,
        clocks=(BoardClock("gps1", -0.12, 0.01),),
        now=Now(
            sog_kn=14.2 + 0.1 * (seconds % 7), cog_true_deg=75.1, heading_true_deg=74.0, depth_m=22.5,
            depth_froude=0.49, fuel_l_per_h=61.0, economy_nm_per_l=0.2328, pitch_deg=3.1,
            engines=(
                EngineNow("port", 2003.0 + seconds % 5, 30.4, 12.0), EngineNow("stbd", 1998.0, 30.6, None),
            ),
            ages_s={"sog_kn": 0.2, "rpm_port": 0.4}, trim_entered="20 %, both",
        ),
        recent=Recent(tuple(float(i - n + 1) for i in range(n)), sog, {"port": rpm, "stbd": rpm}),
        detector=Detector(
            "holding", "steady at 2000 rpm", "", held, max(0.0, 60.0 - held), 2000.0, WAYS[0], at(-22)
        ),
        advice=Advice(
            "hold", f"Hold 2000, {max(0.0, 60.0 - held):.0f} s more", max(0.0, 60.0 - held), "s",
            min(1.0, held / 60.0), None, None, at(-22),
        ),
        grid=Grid(
            75.0, tuple(Step(s, f"{s:.0f} rpm" if isinstance(s, float) else s) for s in STEPS),
            tuple(Way(w, w) for w in WAYS), cells(), 2000.0, WAYS[0],
        ),
        manoeuvres=(
            ManoeuvreCell("turn", "port", "missing"), ManoeuvreCell("turn", "starboard", "done"),
            ManoeuvreCell("stop", "", "refused", "no speed before it"),
        ),
        current=CurrentSoFar(0.82, 190.0, 0.15),
        bands=(
            BandSoFar("800 rpm", 801.0, 5.63, 0.06, 4.4, 1.28, 2, (), 0.2, 0.04),
            BandSoFar("1200 rpm", 1204.0, 7.42, 0.21, 10.1, 0.735, 1, ("one_way",), 0.4, 0.03),
            BandSoFar("1600 rpm", 1598.0, 9.05, 0.09, 31.0, 0.292, 2, ("shallow",), 0.9, 0.01),
        ),
        bands_at=at(-30), holes=holes(), holes_open=len(holes()),
        alarms=(
            BoardAlarm("lost:depth", "alarm", "depth is lost since 08:12:30.", "Look at its plug.", at(-10)),
            BoardAlarm("late:engines", "warning", "engines: nothing for 4.2 s.", "Look at its gateway.", at(-4)),
            BoardAlarm("uncalibrated", "notice", "Fuel flow is uncalibrated.", "Note both tanks.", at(-900), True),
        ),
        entries=(
            Entry(at(-160), "trim", "20 %, both"), Entry(at(-700), "sea", "small waves, no crests"),
            Entry(at(-900), "remark", "<b>not markup</b> & “quotes”"),
        ),
    )  # fmt: skip
    return replace(board, **changes)


def advice_board(kind: str, sentence: str, seconds: float = 0.0, **more: Any) -> Board:
    """Return a board with other advice."""
    return busy_board(seconds, advice=Advice(kind, sentence, at=at(seconds), **more))  # type: ignore[arg-type]


def crowded_board() -> Board:
    """Return a board with more and longer of everything than usual: four engines, three ways, long names and texts."""
    long = "speed still rising 0.6 kn/min, and the engine speed of portouter fell by 2.4 % while the helm was put over"
    ways = (Way("075°", "first way, 075°"), Way("255°", "back, 255°"), Way("3", "third run"))
    speeds = range(600, 3400, 200)
    steps = (*(Step(float(s), f"{s} rpm") for s in speeds), Step(FULL_THROTTLE, "full throttle, 3600 rpm"))
    states = ("done", "half", "refused", "missing", "skipped", "signed_off", "now")
    made = tuple(
        BoardCell(step.step, way.way, states[(i + k) % 7], long if (i + k) % 3 == 0 else "")  # type: ignore[arg-type]
        for i, step in enumerate(steps)
        for k, way in enumerate(ways)
    )
    names = ("portouter", "portinner", "stbdinner", "stbdouter")
    return busy_board(
        boat="Grande Dame de la Mer du Nord et de la Manche III ex “Varnelle Explorer 46”",
        session="2026-06-09_grande_dame_de_la_mer_du_nord_second_day_of_the_acceptance_trial",
        grid=Grid(75.0, steps, ways, made, 2000.0, "255°"),
        now=replace(
            busy_board().now, engines=tuple(EngineNow(name, 2003.0, 30.4, 12.0) for name in names),
            sog_kn=48.25, fuel_l_per_h=1240.5, trim_entered="port 20 %, starboard 25 %, interceptors by hand",
        ),
        sources=tuple(
            SourceLine(f"receiver-on-the-flybridge-{n}", "udp", "lost", 75.0, 0.0, 0.0, remark=long) for n in range(4)
        ),
        holes=tuple(BoardHole(c.step, c.way, c.reason) for c in made if c.state in ("missing", "half", "refused")),
        holes_open=20,
        bands=tuple(
            BandSoFar(
                f"{s} rpm", float(s), 5.0 + s / 100, 0.06, 4.4 + s / 10, 1.28 - s / 4000, 1 + s // 200 % 2,
                ("one_way", "shallow", "fuel_uncalibrated"),
            )
            for s in speeds
        ),
        alarms=tuple(BoardAlarm(f"a{n}", "alarm", long, long, at(-n), n > 4) for n in range(8)),
        entries=tuple(Entry(at(-n), "remark", long + "w" * 120) for n in range(20)),
        detector=Detector("refused", long, long, 12.0, 48.0, 2000.0, "255°", at(-22)),
        advice=Advice(
            "repeat", "Repeat full throttle, 3600 rpm, way back 255°", 255.0, "°", 0.9, None, "full_throttle", at(-9),
        ),
    )  # fmt: skip
