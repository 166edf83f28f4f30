"""The live board: what is known of a trial while it runs, as one typed object with JSON at the edge.

`pipeline/live_trial.py` computes it from what a recording has written so far; pages and screens only draw it. All
values are canonical (kn, L/h, nm/L, m, rpm, °C, degrees true); None is unknown. Everything on it is provisional.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field, fields, is_dataclass
from functools import cache
from typing import Any, Literal

SourceState = Literal["ok", "late", "lost", "silent"]
DetectorState = Literal["no_data", "moving", "settling", "holding", "held", "refused"]
AdviceKind = Literal["hold", "turn", "next_step", "manoeuvre", "repeat", "finish", "wait", "pause"]
Tone = Literal["held", "turn", "next", "lost", "attention"]
Caution = Literal["full_throttle", "turn", "stop"]
CellState = Literal["missing", "now", "half", "done", "refused", "skipped", "signed_off"]
Rank = Literal["alarm", "warning", "notice"]

FULL_THROTTLE = "full throttle"
"""The step of the grid that has no engine speed of its own."""


@dataclass(frozen=True, slots=True)
class SourceLine:
    """One source.

    Attributes:
        id: As in the settings.
        kind: serial, tcp, udp, can, replay, file; or "log" for an engine log that grows.
        state: ok; late: nothing for three of its usual intervals; lost: the connection is gone; silent: open, and
            nothing comes.
        age_s: Since its last good sentence [s].
        rate_per_s: Good sentences a second, of the last ten seconds.
        good_pct: Share of its lines that were intact [%].
        fix: The receiver's fix in words; "" where it tells none.
        satellites: In use.
        remark: What else is to be said of it.
    """

    id: str
    kind: str
    state: SourceState
    age_s: float | None = None
    rate_per_s: float | None = None
    good_pct: float | None = None
    fix: str = ""
    satellites: int | None = None
    remark: str = ""


@dataclass(frozen=True, slots=True)
class Disk:
    """Free space [MB], and for how many hours of recording as it goes now."""

    free_mb: float | None = None
    hours_left: float | None = None


@dataclass(frozen=True, slots=True)
class BoardClock:
    """How far a clock is from UTC [s], and the standard uncertainty of that [s]."""

    source: str
    offset_s: float | None
    u_s: float | None


@dataclass(frozen=True, slots=True)
class EngineNow:
    """One engine now: engine speed [rpm], fuel flow [L/h] as it comes, uncalibrated, and trim [%]."""

    id: str
    rpm: float | None = None
    fuel_l_per_h: float | None = None
    trim_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Now:
    """Readings now.

    Attributes:
        sog_kn: Speed over ground [kn].
        cog_true_deg: Course over ground [deg true].
        heading_true_deg: Heading [deg true].
        stw_kn: Speed through the water [kn].
        depth_m: Depth of the water [m].
        depth_froude: Speed over the square root of g times depth.
        fuel_l_per_h: Flow of all engines together [L/h]; unknown where one is.
        economy_nm_per_l: Speed over flow [nm/L].
        pitch_deg: Bow up is positive [deg].
        engines: One each.
        ages_s: Age of each reading by its name [s].
        trim_entered: The last trim that was entered, in words.
    """

    sog_kn: float | None = None
    cog_true_deg: float | None = None
    heading_true_deg: float | None = None
    stw_kn: float | None = None
    depth_m: float | None = None
    depth_froude: float | None = None
    fuel_l_per_h: float | None = None
    economy_nm_per_l: float | None = None
    pitch_deg: float | None = None
    engines: tuple[EngineNow, ...] = ()
    ages_s: dict[str, float] = field(default_factory=dict)
    trim_entered: str | None = None


@dataclass(frozen=True, slots=True)
class Recent:
    """The last two minutes, one value a second.

    Attributes:
        t_s: Seconds before the newest data, -120 … 0.
        sog_kn: Speed over ground [kn].
        rpm: By engine [rpm]; on the edge each stands as ``rpm_<id>``.
    """

    t_s: tuple[float, ...] = ()
    sog_kn: tuple[float | None, ...] = ()
    rpm: dict[str, tuple[float | None, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Detector:
    """What the detector says of the stretch under way; each state stays for at least five seconds.

    Attributes:
        state: no_data; moving: rpm or course change; settling: held, and the speed still changes; holding: steady,
            and not long enough yet; held: long enough; refused: held, and a limit is violated.
        words: For people, one short sentence.
        reason: What keeps it from being steady, with its number; "" where nothing does.
        held_s: Steady for so long [s].
        left_s: Until it is long enough [s]. It never grows without ``reason`` saying why.
        step: The step of the plan it belongs to; None where there is none.
        way: The way of the plan it belongs to.
        since: When this state began, UTC.
    """

    state: DetectorState = "no_data"
    words: str = ""
    reason: str = ""
    held_s: float | None = None
    left_s: float | None = None
    step: float | str | None = None
    way: str | None = None
    since: str = ""


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do next: one sentence, one number, one bar.

    Attributes:
        kind: What kind of step it is.
        sentence: At most some forty characters, for two metres away.
        number: The number to show large, or None.
        unit: Of it; "" for none.
        bar: How much of the present task is done, 0 to 1; None where nothing is counted.
        tone: Sounded once when it comes: the page compares ``at`` with that of the advice before.
        caution: The card of cautions to show before.
        at: When this advice was first given, UTC.
        why: More words for the technician; "" for none.
    """

    kind: AdviceKind = "wait"
    sentence: str = ""
    number: float | None = None
    unit: str = ""
    bar: float | None = None
    tone: Tone | None = None
    caution: Caution | None = None
    at: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the plan: its engine speed [rpm] or `FULL_THROTTLE`, its name, and the speed planned for it [rpm]."""

    step: float | str
    name: str
    rpm: float | None = None


@dataclass(frozen=True, slots=True)
class Way:
    """A way of the plan: what it is called in the cells, and for people."""

    way: str
    name: str


@dataclass(frozen=True, slots=True)
class BoardCell:
    """What became of a step one way.

    Attributes:
        step: As in `Step`.
        way: As in `Way`.
        state: As for `PlanCell` of the results; also ``now`` while it is run, and ``skipped`` by a person.
        reason: Why it is open, or why it was skipped or signed off.
        legs: Segments used.
        advised: Why another run would change the answer; None where it would not.
    """

    step: float | str
    way: str
    state: CellState
    reason: str = ""
    legs: int = 0
    advised: str | None = None


@dataclass(frozen=True, slots=True)
class Grid:
    """The plan as a grid of steps and ways; without a plan, of what was run.

    Attributes:
        axis_deg: Line of the plan [deg true], or that of the first run.
        steps: In the order they are to be run.
        ways: In the order they are to be run.
        cells: One for each step and way of the plan.
        next_step: The step to run next.
        next_way: The way to run it.
        is_planned: False where there is no plan.
    """

    axis_deg: float | None = None
    steps: tuple[Step, ...] = ()
    ways: tuple[Way, ...] = ()
    cells: tuple[BoardCell, ...] = ()
    next_step: float | str | None = None
    next_way: str | None = None
    is_planned: bool = True


@dataclass(frozen=True, slots=True)
class ManoeuvreCell:
    """What became of a manoeuvre; ``kind`` and ``way`` as in the plan against the result."""

    kind: str
    way: str
    state: CellState
    reason: str = ""


@dataclass(frozen=True, slots=True)
class CurrentSoFar:
    """The current so far: speed [kn], where it sets [deg true], ± of the speed [kn]."""

    speed_kn: float | None
    towards_deg: float | None
    pm_kn: float | None


@dataclass(frozen=True, slots=True)
class BandSoFar:
    """A band so far; ± is the coverage factor times u, as it is printed afterwards.

    Attributes:
        name: As in the band table.
        rpm: Mean [rpm].
        speed_kn: Speed [kn].
        speed_pm_kn: Its ± [kn].
        fuel_l_per_h: Flow [L/h].
        economy_nm_per_l: Speed over flow [nm/L].
        ways: 1 or 2.
        flags: As in the band table.
        fuel_pm_l_per_h: ± of the flow [L/h].
        economy_pm_nm_per_l: ± of the economy [nm/L].
    """

    name: str
    rpm: float | None
    speed_kn: float | None
    speed_pm_kn: float | None
    fuel_l_per_h: float | None
    economy_nm_per_l: float | None
    ways: int
    flags: tuple[str, ...] = ()
    fuel_pm_l_per_h: float | None = None
    economy_pm_nm_per_l: float | None = None


@dataclass(frozen=True, slots=True)
class BoardHole:
    """An open cell of the plan: a run or manoeuvre that is missing, half or refused, with why."""

    step: float | str
    way: str
    reason: str


@dataclass(frozen=True, slots=True)
class BoardAlarm:
    """Something a person must know.

    Attributes:
        id: The same as long as it is the same trouble.
        rank: ``alarm`` data is being lost; ``warning`` a result may suffer; ``notice`` good to know.
        text: What is wrong.
        action: What to do.
        since: When it began, UTC.
        acknowledged: True once a person has said so; a trouble that comes back begins anew.
        of_recorder: True where the recorder's own screen shows it, too.
    """

    id: str
    rank: Rank
    text: str
    action: str
    since: str
    acknowledged: bool = False
    of_recorder: bool = False


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of the notes: time, kind, and its words."""

    t: str
    kind: str
    words: str


@dataclass(frozen=True, slots=True)
class Board:
    """The whole board.

    Attributes:
        t: Newest data, UTC; "" before any.
        session: Name of the session's folder.
        boat: Name of the boat.
        recording: True while the recorder runs.
        made_at: When this board was made, UTC, by the clock of this computer.
        data_age_s: Age of the newest data then [s].
        sources: One each.
        disk: Free space.
        battery_pct: Charge of the computer's battery [%]; None where it has none.
        elapsed_s: Since the recording began [s].
        safe_age_s: Age of the oldest data not yet safely on the disk [s].
        clocks: One each.
        now: Readings.
        recent: Two minutes.
        detector: Of the stretch under way.
        advice: What to do next.
        grid: Plan against result so far.
        manoeuvres: Wanted ones.
        current: So far.
        bands: So far, by engine speed.
        bands_at: Newest data in bands, current, grid and manoeuvres, UTC.
        holes: Open cells.
        holes_open: How many.
        alarms: The gravest first.
        entries: The newest 20, newest first.
        provisional: Always True: `process` decides.
    """

    session: str
    boat: str
    recording: bool
    made_at: str
    t: str = ""
    data_age_s: float | None = None
    sources: tuple[SourceLine, ...] = ()
    disk: Disk = Disk()
    battery_pct: float | None = None
    elapsed_s: float | None = None
    safe_age_s: float | None = None
    clocks: tuple[BoardClock, ...] = ()
    now: Now = field(default_factory=Now)
    recent: Recent = field(default_factory=Recent)
    detector: Detector = Detector()
    advice: Advice = Advice()
    grid: Grid = Grid()
    manoeuvres: tuple[ManoeuvreCell, ...] = ()
    current: CurrentSoFar | None = None
    bands: tuple[BandSoFar, ...] = ()
    bands_at: str = ""
    holes: tuple[BoardHole, ...] = ()
    holes_open: int = 0
    alarms: tuple[BoardAlarm, ...] = ()
    entries: tuple[Entry, ...] = ()
    provisional: bool = True


def board_as_json(board: Board) -> dict[str, Any]:
    """Return a board as JSON holds it: what is not finite is null, and ``recent`` names each engine's rpm."""
    told: dict[str, Any] = _plain(board)
    recent = told["recent"]
    recent |= {f"rpm_{engine}": values for engine, values in recent.pop("rpm").items()}
    return told


def board_text(board: Board) -> str:
    """Return a board as one line of JSON."""
    return json.dumps(board_as_json(board), allow_nan=False, separators=(",", ":"), ensure_ascii=False)


def _plain(value: Any) -> Any:
    kind: Any = type(value)
    if kind in _AS_THEY_ARE:  # most of a board, asked first: several boards a second are made
        return value
    if isinstance(value, float):
        return round(value, 6) if math.isfinite(value) else None
    if (names := _names_of(kind)) is not None:
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, dict):
        return {key: _plain(of) for key, of in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(of) for of in value]
    return value


_AS_THEY_ARE = frozenset({str, int, bool, type(None)})


@cache
def _names_of(kind: Any) -> tuple[str, ...] | None:
    """Return the names of what a dataclass holds; None for any other type."""
    return tuple(f.name for f in fields(kind)) if is_dataclass(kind) else None
