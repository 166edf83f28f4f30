"""Which receiver is believed, and which readings stand still while others show that they moved.

Each receiver's speed is compared with positions, and receivers with each other. A speed that is right agrees with the
distance its own positions make good, with that of other receivers' positions and with other receivers' speed. So each
speed is given a point for every witness it agrees with and loses one for every witness it contradicts. Where speeds
disagree, the one with most points leads and those that contradict it are left out; coverage decides only between
receivers that agree.

Stuck readings come from a receiver, compass or tachometer that froze. A reading that repeats is not yet stuck: a boat
lies still, a coarse display shows one speed for minutes, a governor holds its engine. It is stuck where something else
contradicts it. What is published on change only never repeats.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from trialcapture.geodesy import offsets_m
from trialcapture.prepare.channels.made_good import (
    SOG_BIAS_U_KN,
    Position,
    SpeedFit,
    Velocity,
    difference_of_speeds,
    errors_of_speed,
    fit_errors,
    jumps_of,
)
from trialcapture.prepare.channels.series import Candidate
from trialcapture.prepare.data_health import Disagreement, Spikes, Stuck
from trialcapture.units import KN_M_PER_S

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Candidates = Mapping[str, Sequence[Candidate]]

_BOTH_BIASES_KN = SOG_BIAS_U_KN * 2.0**0.5
"""Standard uncertainty of the difference of two receivers' biases [kn]."""
_POSITION_POINTS = 2
"""A position counts for more than another speed: what repeats a wrong speed on the bus agrees with it (our choice, no
source)."""
_FAR_JUMP_M, _OCCASIONAL_JUMPS, _OCCASIONAL_JUMPS_PER_H = 20.0, 6, 6.0
"""Jumps of a position by more than this, aside or back, are told where there are more, in all and an hour (common
practice, no source): a receiver that finds its satellites again moves by some metres."""
_FAR_WORSE = 3.0
"""Of two speeds that positions contradict, one is right if the other is off by so many times as much (our choice, no
source)."""
_KNOWN_U_KN = 0.3
"""A witness that knows the error of a speed no better than this says nothing in its favour [kn] (our choice, no
source)."""


@dataclass(frozen=True, slots=True)
class Void:
    """Readings that are not to be used: those of one source in a time that repeat certain values.

    Attributes:
        group: Channel group.
        source: As in `Candidate`.
        start_ns, stop_ns: Between what UTC [ns], half-open.
        values: By channel, the value that is void; empty for all.
    """

    group: str
    source: str
    start_ns: int
    stop_ns: int
    values: Mapping[str, float]

    def hits(self, c: Candidate) -> Bools:
        """Return which readings of a candidate are void."""
        inside = (c.t_ns >= self.start_ns) & (c.t_ns < self.stop_ns)
        for name, value in self.values.items():
            inside &= c.values[name] == value
        return inside


@dataclass(frozen=True, slots=True)
class Screen:
    """What of the readings is not used as told.

    Attributes:
        voids: Readings that are left out.
        left_out: Sources of speed that are left out wholly.
        corrections: By source of speed, the error that is taken off it.
        doubt_kn: Standard uncertainty of speed by what could not be decided, as offset [kn] and share of speed.
    """

    voids: tuple[Void, ...] = ()
    left_out: frozenset[str] = frozenset()
    corrections: Mapping[str, SpeedFit] = field(default_factory=dict)
    doubt_kn: tuple[float, float] = (0.0, 0.0)

    def apply(self, group: str, candidates: Iterable[Candidate]) -> list[Candidate]:
        """Return candidates of a group as they are to be used."""
        return [self._of(group, c) for c in candidates if group != "velocity" or c.source not in self.left_out]

    def _of(self, group: str, c: Candidate) -> Candidate:
        lost = np.zeros(c.t_ns.size, dtype=np.bool_)
        for void in self.voids:
            if void.group == group and void.source == c.source:
                lost |= void.hits(c)
        if lost.any():
            c = c.select(~lost)
        if group == "velocity" and c.source in self.corrections:
            fit, sog = self.corrections[c.source], c.values["sog_kn"]
            # at rest a receiver shows its noise, whatever its error under way
            right = np.maximum(sog - fit.error_kn(sog), 0.0)
            c = replace(c, values=c.values | {"sog_kn": right})
        return c

    def u_kn(self, source: str, speed_kn: float) -> float:
        """Return the standard uncertainty [kn] that corrections and doubts leave to a speed."""
        at = np.array([speed_kn])
        corrected = float(self.corrections[source].u_kn(at)[0]) if source in self.corrections else 0.0
        return float(np.hypot(corrected, abs(self.doubt_kn[0] + self.doubt_kn[1] * speed_kn)))


def receiver_of(source: str) -> str:
    """Return ``source/talker`` of a candidate's source."""
    return source.split(" ", maxsplit=1)[0]


@dataclass(slots=True)
class _Speed:
    """One source of speed with what others say of it."""

    source: str
    velocity: Velocity
    by_position: dict[str, SpeedFit] = field(default_factory=dict)
    by_speed: dict[str, SpeedFit] = field(default_factory=dict)
    points: int = 0

    @property
    def receiver(self) -> str:
        return receiver_of(self.source)

    @property
    def off_kn(self) -> float:
        """By how much positions contradict it, all together [kn]."""
        return sum(abs(fit.worst()[1]) for fit in self.by_position.values() if fit.is_real())

    def contradicted(self) -> bool:
        """Whether more sets of positions contradict it than agree with it."""
        verdicts = [_verdict(fit, SOG_BIAS_U_KN) for fit in self.by_position.values()]
        return sum(verdicts) < 0


def compare_receivers(
    candidates: Candidates, ranking: Sequence[str], wanted: str = ""
) -> tuple[tuple[str, ...], Screen, list[Disagreement]]:
    """Judge the sources of speed by each other and by positions.

    Args:
        candidates: Groups ``velocity`` and ``position``, downsampled indexes without spikes and stuck readings.
        ranking: Sources of speed, the one that would lead first.
        wanted: Receiver the technician named to lead, "" for none.

    Returns:
        Sources of speed in order, those left out missing; what to do with readings; what disagrees.
    """
    speeds = {
        c.source: _Speed(c.source, velocity)
        for c in candidates.get("velocity", [])
        if (velocity := velocity_of(c)).t_ns.size
    }
    positions = _positions(candidates.get("position", []))
    order = [speeds[s] for s in ranking if s in speeds]
    _hear_witnesses(order, positions)
    if not order:
        return tuple(ranking), Screen(), []
    # of equals the first in the ranking: `max` returns it
    leader = max(order, key=lambda s: (s.points, -s.off_kn))
    against = [s for s in order if s is not leader and _is_off(s.by_speed.get(leader.source))]
    if leader is not order[0] and order[0] not in against:
        # what agrees with the best one leads as it would have
        leader = order[0]
        against = [s for s in order if s is not leader and _is_off(s.by_speed.get(leader.source))]
    screen = Screen(left_out=frozenset(s.source for s in against))
    kept = [leader.source, *(s.source for s in order if s is not leader and s not in against)]
    items = [_left_out(s, leader, wanted) for s in _one_each(against)]
    if leader.contradicted():
        wrong = [s for s in order if s not in against and s.contradicted()]
        corrections = {s.source: _own_or_first(s) for s in wrong}
        for s in order:
            if s not in against and s.receiver == leader.receiver:
                corrections.setdefault(s.source, corrections[leader.source])
        screen = replace(screen, corrections=corrections)
        items += [_corrected(s, corrections[s.source]) for s in _one_each(wrong)]
    rivals = [s for s in against if s.points == leader.points and s.off_kn < _FAR_WORSE * leader.off_kn + _KNOWN_U_KN]
    if rivals:
        fit = rivals[0].by_speed[leader.source]
        third = 3.0**-0.5
        screen = replace(screen, doubt_kn=(fit.offset_kn * third, fit.share * third))
        items = [_undecided(s, leader) if s in rivals else i for s, i in zip(_one_each(against), items, strict=False)]
    return tuple(kept), screen, items


def jump_items(candidates: Candidates) -> list[Spikes]:
    """Return the receivers whose positions jump aside and back again and again, though their speed knows nothing of it.

    No result rests on single positions: what a jump could spoil, the check of speed, begins anew behind it.

    Args:
        candidates: Groups ``velocity`` and ``position``, downsampled indexes without stuck readings.
    """
    items = []
    for name, position in _positions(candidates.get("position", [])).items():
        own = next((c for c in candidates.get("velocity", []) if receiver_of(c.source) == name), None)
        jumps = jumps_of(velocity_of(own), position) if own is not None else np.zeros(0)
        hours = (int(position.t_ns[-1]) - int(position.t_ns[0])) / 3.6e12 if position.t_ns.size else 0.0
        far = jumps[jumps > _FAR_JUMP_M]
        if far.size > max(_OCCASIONAL_JUMPS, _OCCASIONAL_JUMPS_PER_H * hours):
            cost = "positions jump; speed is held against them on each side of a jump by itself, no run is lost"
            items.append(Spikes(f"position of {name}", int(far.size), round(float(far.max()), 1), "m", cost))
    return items


def velocity_of(c: Candidate) -> Velocity:
    """Return what a candidate tells of velocity: where both speed and course are known."""
    sog, cog = c.values["sog_kn"], c.values["cog_true_deg"]
    # a receiver that lies still tells no course, and goes nowhere
    course = np.where(np.isfinite(cog) | (sog > 0.5), cog, 0.0)
    known = np.isfinite(sog) & np.isfinite(course)
    return Velocity(c.t_ns[known], sog[known], course[known])


def _positions(candidates: Sequence[Candidate]) -> dict[str, Position]:
    """Return the positions of each receiver, by the formatter that tells most."""
    found: dict[str, Position] = {}
    for c in sorted(candidates, key=lambda c: (c.preference, c.source)):
        lat, lon = c.values["lat_deg"], c.values["lon_deg"]
        known = np.isfinite(lat) & np.isfinite(lon)
        name = receiver_of(c.source)
        if name not in found or known.sum() > 2 * found[name].t_ns.size:
            found[name] = Position(c.t_ns[known], lat[known], lon[known])
    return found


def _hear_witnesses(speeds: Sequence[_Speed], positions: Mapping[str, Position]) -> None:
    for speed in speeds:
        for name, position in positions.items():
            fit = fit_errors(errors_of_speed(speed.velocity, position))
            if fit is not None:
                speed.by_position[name] = fit
                speed.points += _POSITION_POINTS * _verdict(fit, SOG_BIAS_U_KN)
        heard: set[str] = set()
        for other in speeds:
            if other is speed:
                continue
            fit = fit_errors(difference_of_speeds(speed.velocity, other.velocity))
            if fit is None:
                continue
            speed.by_speed[other.source] = fit
            verdict = _verdict(fit, _BOTH_BIASES_KN)
            # two sentences of one receiver that agree are one witness
            if other.receiver == speed.receiver and verdict >= 0:
                continue
            if other.receiver not in heard or verdict < 0:
                speed.points += verdict
            heard.add(other.receiver)


def _verdict(fit: SpeedFit, bias_kn: float) -> int:
    """Return 1 where a witness agrees, -1 where it contradicts, 0 where it does not know."""
    if fit.is_real(bias_kn):
        return -1
    return int(fit.worst(0.0)[2] < _KNOWN_U_KN)


def _is_off(fit: SpeedFit | None) -> bool:
    return fit is not None and fit.is_real(_BOTH_BIASES_KN)


def _own_or_first(speed: _Speed) -> SpeedFit:
    """Return the error by the receiver's own positions, else by the first of others that contradict it."""
    off = {name: fit for name, fit in speed.by_position.items() if fit.is_real()}
    return off.get(speed.receiver) or next(iter(off.values()))


def _one_each(speeds: Iterable[_Speed]) -> list[_Speed]:
    """Return the first source of each receiver: its other sentences carry the same speed."""
    found: dict[str, _Speed] = {}
    for speed in speeds:
        found.setdefault(speed.receiver, speed)
    return list(found.values())


def _item(what: str, against: str, fit: SpeedFit, bias_kn: float, action: str, cost: str) -> Disagreement:
    at_kn, error_kn, u_kn = fit.worst(bias_kn)
    share = f"; that is {100.0 * fit.share:+.1f} % and {fit.offset_kn:+.2f} kn" if fit.share else ""
    text = f"{cost} (found at {at_kn:.1f} kn{share})"
    return Disagreement(what, against, round(error_kn, 3), round(u_kn, 3), "kn", None, None, action, text)  # type: ignore[arg-type]


def _left_out(speed: _Speed, leader: _Speed, wanted: str) -> Disagreement:
    cost = "its speed is left out"
    if wanted and wanted in speed.receiver.split("/"):
        cost += f", although the settings name it first; {leader.receiver} leads"
    own = speed.by_position.get(speed.receiver)
    if own is not None and own.is_real():
        against = f"distance made good of {speed.receiver}"
        return _item(f"speed of {speed.receiver}", against, own, SOG_BIAS_U_KN, "excluded", cost)
    fit = speed.by_speed[leader.source]
    return _item(f"speed of {speed.receiver}", f"speed of {leader.receiver}", fit, _BOTH_BIASES_KN, "excluded", cost)


def _corrected(speed: _Speed, fit: SpeedFit) -> Disagreement:
    name = next(name for name, f in speed.by_position.items() if f is fit)
    cost = "no other speed agrees with it: it is corrected by the distance made good"
    return _item(f"speed of {speed.receiver}", f"distance made good of {name}", fit, SOG_BIAS_U_KN, "corrected", cost)


def _undecided(speed: _Speed, leader: _Speed) -> Disagreement:
    fit = speed.by_speed[leader.source]
    cost = f"nothing tells which is right: {leader.receiver} is used, the difference is in every ±"
    return _item(
        f"speed of {speed.receiver}", f"speed of {leader.receiver}", fit, _BOTH_BIASES_KN, "in uncertainty", cost
    )


Ints = npt.NDArray[np.int64]

_GAP_S = 15.0
"""Longest silence within one repetition [s] (our choice, no source)."""
_POSITION_S, _SPEED_S, _HEADING_S, _RPM_S = 5.0, 15.0, 60.0, 40.0
"""Shortest repetitions that are looked at [s] (our choice, no source)."""
_WAY_M, _WAY_COUNTS = 30.0, 5.0
"""A position is stuck where the boat went further than this, and further than so many steps of the position (our
choice, no source)."""
_SPEED_CHANGE_KN, _NOISES = 1.0, 8.0
"""A speed is stuck where the distance made good shows that it changed by more than this, and by so many standard
deviations (our choice, no source)."""
_FEW_BLOCKS = 5
"""Blocks from which the noise of a speed is taken (our choice, no source)."""
_USUAL_NOISE_KN = 0.3
"""Taken where too little else of the trial tells it [kn] (common practice, no source)."""
_RESTING_KN = 1.5
"""A slower speed may stand still: the boat may lie still (our choice, no source)."""
_COURSE_CHANGE_DEG = 60.0
"""A heading is stuck where the course changes by more (our choice, no source)."""
_UNDER_WAY_KN = 2.0
"""A slower boat tells nothing about a tachometer (our choice, no source)."""
_PLATEAU_S, _PLATEAU_KN = 15.0, 0.5
"""Speed holds a plateau where it stays for so long within so much (our choice, no source)."""
_SAME_COURSE_DEG, _STEP_SHARE, _STEP_KN, _PLATEAUS, _FINE_PLATEAUS, _FINE_SHARE = 30.0, 0.15, 1.5, 3, 2, 0.003
"""An engine speed is stuck where on one course the boat held so many speeds, each so far from the next: at one rpm a
hull may hold two, before the hump and past it; but then a tachometer whose step is below this share of it moves (common
practice, no source)."""
_LOG_S, _LOG_SHARE, _LOG_RPM = 15.0, 0.04, 40.0
"""An engine speed is stuck too where the engine log shows another one by more than both the share and the rpm for so
long (our choice, no source)."""
_SHARED = 0.8
"""Share of a repetition in which something else of that receiver stood still, from which both are one fault (our
choice, no source)."""
_OPEN_NS = 10_000_000_000
"""How far a void may reach beyond the repetition where no reading bounds it [ns] (our choice, no source)."""


def find_stuck(
    candidates: Candidates,
    engine_ids: Sequence[str],
    stopped: Mapping[str, Sequence[tuple[int, int, int]]] | None = None,
) -> tuple[list[Void], list[Stuck]]:
    """Find stuck positions, speeds, headings and engine speeds.

    Args:
        candidates: Downsampled indexes by channel group, spikes left out.
        engine_ids: Engines.
        stopped: Between what UTC [ns] the time of receivers stood still, by ``source/talker``: what else of theirs
            repeats then is stuck too.

    Returns:
        What is void, source by source, and one item for each receiver and time.
    """
    velocities = list(candidates.get("velocity", []))
    positions = list(candidates.get("position", []))
    voids = [
        v
        for c in positions
        for v in _stuck_positions(c, positions, velocities, (stopped or {}).get(receiver_of(c.source), ()))
    ]
    told: dict[str, Position] = {}
    for c in positions:
        sound, name = Position(*_known(c, voids)), receiver_of(c.source)
        if name not in told or sound.t_ns.size > told[name].t_ns.size:
            told[name] = sound
    frozen = list(voids)
    for c in velocities:
        voids += _stuck_speeds(c, told, [v for v in frozen if receiver_of(v.source) == receiver_of(c.source)])
    voids = [v for v in voids if not _explained(v, voids)]
    moving = _leading(velocities, voids)
    if moving is not None:
        voids += [v for c in candidates.get("heading", []) for v in _stuck_headings(c, moving)]
        for engine_id in engine_ids:
            voids += [v for c in candidates.get(f"rpm_{engine_id}", []) for v in _stuck_rpm(c, engine_id, moving)]
    return voids, _items(voids)


def _explained(void: Void, voids: Iterable[Void]) -> bool:
    """Return whether a position stood still only by a speed that was stuck itself, for far longer: the boat lay."""
    return void.group == "position" and any(
        v.group == "velocity"
        and receiver_of(v.source) == receiver_of(void.source)
        and v.start_ns < void.stop_ns
        and v.stop_ns > void.start_ns
        and v.stop_ns - v.start_ns > 2 * (void.stop_ns - void.start_ns)
        for v in voids
    )


def _repeats(t_ns: Ints, values: Sequence[Floats], least_s: float) -> list[tuple[int, int]]:
    """Return where all values repeat for at least `least_s`, as first and last index of each repetition."""
    if t_ns.size < 4:
        return []
    same = np.diff(t_ns) <= round(_GAP_S * 1e9)
    for value in values:
        same &= value[1:] == value[:-1]
    edges = np.diff(np.concatenate([[0], same.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    long = (t_ns[ends] - t_ns[begins] >= round(least_s * 1e9)) & (ends - begins >= 2)
    return list(zip(begins[long].tolist(), ends[long].tolist(), strict=True))


def _void(group: str, c: Candidate, t_ns: Ints, run: tuple[int, int], **values: float) -> Void:
    first, last = run
    stop = int(t_ns[last + 1]) if last + 1 < t_ns.size else int(t_ns[last]) + _OPEN_NS
    # a downsampled index begins a bin with any of its readings: the first that repeats may lie before the one it kept
    start = int(t_ns[first - 1]) + 1 if first else int(t_ns[first]) - _OPEN_NS
    return Void(group, c.source, start, stop, values)


def _known(c: Candidate, voids: Iterable[Void]) -> tuple[Ints, Floats, Floats]:
    lat, lon = c.values["lat_deg"], c.values["lon_deg"]
    known = np.isfinite(lat) & np.isfinite(lon)
    for void in voids:
        if void.source == c.source and void.group == "position":
            known &= ~void.hits(c)
    return c.t_ns[known], lat[known], lon[known]


def _stuck_positions(
    c: Candidate,
    positions: Sequence[Candidate],
    velocities: Sequence[Candidate],
    stopped: Sequence[tuple[int, int, int]],
) -> list[Void]:
    t_ns, lat, lon = _known(c, ())
    runs = _repeats(t_ns, (lat, lon), _POSITION_S)
    if not runs:
        return []
    steps = np.abs(np.diff(lat))
    count_m = 111_200.0 * float(steps[steps > 0].min()) if np.any(steps > 0) else 0.0
    need_m = max(_WAY_M, _WAY_COUNTS * count_m)
    own = [v for v in velocities if receiver_of(v.source) == receiver_of(c.source)]
    others = [p for p in positions if receiver_of(p.source) != receiver_of(c.source)]
    return [
        _void("position", c, t_ns, run, lat_deg=float(lat[run[0]]), lon_deg=float(lon[run[0]]))
        for run in runs
        if _shared_ns(t_ns[run[0]], t_ns[run[1]], stopped) > _SHARED * (t_ns[run[1]] - t_ns[run[0]])
        or any(_way_by_speed_m(v, t_ns[run[0]], t_ns[run[1]]) > need_m for v in own)
        or any(_way_by_position_m(p, t_ns[run[0]], t_ns[run[1]]) > need_m for p in others)
    ]


def _shared_ns(low_ns: int, high_ns: int, stopped: Sequence[tuple[int, int, int]]) -> int:
    """Return for how long of a time a receiver's own time stood still [ns]."""
    return sum(max(min(high_ns, stop_ns) - max(low_ns, start_ns), 0) for start_ns, stop_ns, _ in stopped)


def _way_by_speed_m(c: Candidate, low_ns: int, high_ns: int) -> float:
    inside = (c.t_ns >= low_ns) & (c.t_ns <= high_ns) & np.isfinite(c.values["sog_kn"])
    if inside.sum() < 3:
        return 0.0
    return np.median(c.values["sog_kn"][inside]) * KN_M_PER_S * (high_ns - low_ns) / 1e9


def _way_by_position_m(c: Candidate, low_ns: int, high_ns: int) -> float:
    """Return how far a source's positions went; nothing where it is silent at either end or repeats too."""
    t_ns, lat, lon = _known(c, ())
    first, last = np.searchsorted(t_ns, low_ns), np.searchsorted(t_ns, high_ns, side="right") - 1
    if last <= first or t_ns[first] - low_ns > _OPEN_NS or high_ns - t_ns[last] > _OPEN_NS:
        return 0.0
    north, east = offsets_m(lat[last], lon[last], (float(lat[first]), float(lon[first])))
    return float(np.hypot(north, east))


def _stuck_speeds(c: Candidate, positions: Mapping[str, Position], frozen: Sequence[Void]) -> list[Void]:
    known = np.isfinite(c.values["sog_kn"])
    t_ns, sog = c.t_ns[known], c.values["sog_kn"][known]
    runs = _repeats(t_ns, (sog,), _SPEED_S)
    if not runs:
        return []
    name = receiver_of(c.source)
    witnesses = [positions[name]] if name in positions else list(positions.values())
    velocity = velocity_of(c)
    found = []
    for run in runs:
        low, high = int(t_ns[run[0]]), int(t_ns[run[1]])
        shared = max((min(high, v.stop_ns) - max(low, v.start_ns) for v in frozen), default=0)
        if shared >= _SHARED * (high - low) or any(_speed_changed(velocity, w, low, high) for w in witnesses):
            found.append(_void("velocity", c, t_ns, run, sog_kn=float(sog[run[0]])))
    return found


def _speed_changed(velocity: Velocity, position: Position, low_ns: int, high_ns: int) -> bool:
    """Return whether positions show that speed changed in a time in which the receiver showed one speed."""
    inside = slice(*np.searchsorted(position.t_ns, [low_ns, high_ns + 1]))
    p = Position(position.t_ns[inside], position.lat_deg[inside], position.lon_deg[inside])
    mine = slice(*np.searchsorted(velocity.t_ns, [low_ns, high_ns + 1]))
    v = Velocity(velocity.t_ns[mine], velocity.sog_kn[mine], velocity.cog_true_deg[mine])
    if p.t_ns.size < 2 or v.t_ns.size < 2:
        return False
    if v.sog_kn[0] < _RESTING_KN:
        north, east = offsets_m(p.lat_deg, p.lon_deg, (float(p.lat_deg[0]), float(p.lon_deg[0])))
        went_m = float(np.hypot(north, east).max())
        return bool(went_m > _WAY_M + 2.0 * v.sog_kn[0] * KN_M_PER_S * (high_ns - low_ns) / 1e9)
    within = errors_of_speed(v, p, _SPEED_S)
    if within.error_kn.size < 2:
        return False
    around = errors_of_speed(velocity, position, _SPEED_S)
    usual = around.error_kn[(around.t_ns < low_ns) | (around.t_ns > high_ns)]
    noise = 1.4826 * np.median(np.abs(usual - np.median(usual))) if usual.size >= _FEW_BLOCKS else _USUAL_NOISE_KN
    return bool(np.ptp(within.error_kn) > max(_SPEED_CHANGE_KN, _NOISES * noise))


def _leading(velocities: Sequence[Candidate], voids: Sequence[Void]) -> Velocity | None:
    """Return the velocity of the source that tells most, what is stuck left out."""
    best: Velocity | None = None
    for c in velocities:
        lost = np.zeros(c.t_ns.size, dtype=np.bool_)
        for void in voids:
            if void.source == c.source and void.group == "velocity":
                lost |= void.hits(c)
        told = velocity_of(c.select(~lost))
        if best is None or told.t_ns.size > best.t_ns.size:
            best = told
    return best if best is not None and best.t_ns.size else None


def _within(v: Velocity, low_ns: int, high_ns: int) -> Velocity:
    inside = slice(*np.searchsorted(v.t_ns, [low_ns, high_ns + 1]))
    return Velocity(v.t_ns[inside], v.sog_kn[inside], v.cog_true_deg[inside])


def _stuck_headings(c: Candidate, moving: Velocity) -> list[Void]:
    known = np.isfinite(c.values["heading_true_deg"])
    t_ns, heading = c.t_ns[known], c.values["heading_true_deg"][known]
    found = []
    for run in _repeats(t_ns, (heading,), _HEADING_S):
        v = _within(moving, int(t_ns[run[0]]), int(t_ns[run[1]]))
        course = [mean for mean, _, _ in _plateaus(v)]
        if course and max(_apart_deg(course[0], other) for other in course) > _COURSE_CHANGE_DEG:
            found.append(_void("heading", c, t_ns, run, heading_true_deg=float(heading[run[0]])))
    return found


def _plateaus(v: Velocity) -> list[tuple[float, float, float]]:
    """Return mean course [deg], mean speed [kn] and its time [s] of stretches in which speed and course are held."""
    if v.t_ns.size < 2:
        return []
    bins = (v.t_ns - v.t_ns[0]) // round(_PLATEAU_S * 1e9)
    found = []
    for part in np.split(np.arange(v.t_ns.size), np.flatnonzero(np.diff(bins)) + 1):
        if part.size < 5:
            continue
        speed, angle = v.sog_kn[part], np.radians(v.cog_true_deg[part])
        half = part.size // 2
        east, north = float(np.sin(angle).mean()), float(np.cos(angle).mean())
        held = abs(speed[:half].mean() - speed[half:].mean()) < _PLATEAU_KN and np.hypot(east, north) > 0.985
        if held and speed.mean() > _UNDER_WAY_KN:
            at_s = float(v.t_ns[part[0]] - v.t_ns[0]) / 1e9
            found.append((float(np.degrees(np.arctan2(east, north))) % 360.0, float(speed.mean()), at_s))
    return found


def _apart_deg(a: float, b: float) -> float:
    return abs((a - b + 180.0) % 360.0 - 180.0)


def _stuck_rpm(c: Candidate, engine_id: str, moving: Velocity) -> list[Void]:
    name = f"rpm_{engine_id}"
    known = np.isfinite(c.values[name])
    t_ns, rpm = c.t_ns[known], c.values[name][known]
    runs = [run for run in _repeats(t_ns, (rpm,), _RPM_S) if rpm[run[0]] > 0.0]
    steps = np.abs(np.diff(rpm))
    count = float(steps[steps > 0.0].min()) if np.any(steps > 0.0) else np.inf
    return [
        _void(name, c, t_ns, run, **{name: float(rpm[run[0]])})
        for run in runs
        if _levels(_plateaus(_within(moving, int(t_ns[run[0]]), int(t_ns[run[1]]))))
        >= (_FINE_PLATEAUS if count < _FINE_SHARE * rpm[run[0]] else _PLATEAUS)
    ]


def _levels(plateaus: Sequence[tuple[float, float, float]]) -> int:
    """Return how many speeds were held on one course, at most."""
    most = 0
    for course, _, _ in plateaus:
        speeds = sorted(s for c, s, _ in plateaus if _apart_deg(c, course) < _SAME_COURSE_DEG)
        levels, last = 1, speeds[0]
        for speed in speeds:
            if speed - last > max(_STEP_KN, _STEP_SHARE * last):
                levels, last = levels + 1, speed
        most = max(most, levels)
    return most


def find_stuck_rpm(network: Candidates, logs: Candidates, engine_ids: Sequence[str]) -> tuple[list[Void], list[Stuck]]:
    """Find engine speeds on the network that stand still while the engine log shows that they moved.

    Args:
        network: Downsampled indexes by channel group.
        logs: The same of the engine logs, placed on UTC.
        engine_ids: Engines.
    """
    voids = []
    for name in (f"rpm_{engine_id}" for engine_id in engine_ids):
        for c in network.get(name, []):
            known = np.isfinite(c.values[name])
            t_ns, rpm = c.t_ns[known], c.values[name][known]
            for run in _repeats(t_ns, (rpm,), _RPM_S):
                value = float(rpm[run[0]])
                if any(
                    _log_moved(log, name, value, int(t_ns[run[0]]), int(t_ns[run[1]])) for log in logs.get(name, [])
                ):
                    voids.append(_void(name, c, t_ns, run, **{name: value}))
    return voids, _items(voids)


def _log_moved(log: Candidate, name: str, value: float, low_ns: int, high_ns: int) -> bool:
    inside = (log.t_ns >= low_ns) & (log.t_ns <= high_ns) & np.isfinite(log.values[name])
    t_ns, rpm = log.t_ns[inside], log.values[name][inside]
    off = np.abs(rpm - value) > max(_LOG_SHARE * value, _LOG_RPM)
    edges = np.diff(np.concatenate([[0], off.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return bool(np.any(t_ns[ends] - t_ns[begins] > round(_LOG_S * 1e9))) if begins.size else False


_NAMES = {"position": "position", "velocity": "speed over ground", "heading": "heading"}
_SHOWN = {"position": ("lat_deg", "deg"), "velocity": ("sog_kn", "kn"), "heading": ("heading_true_deg", "deg")}


def _items(voids: Sequence[Void]) -> list[Stuck]:
    """Return one item for each receiver, channel and time; sentences of one receiver freeze together."""
    gathered: dict[tuple[str, str], list[Void]] = {}
    for void in voids:
        gathered.setdefault((receiver_of(void.source), void.group), []).append(void)
    items = []
    for (receiver, group), of in gathered.items():
        channel, unit = _SHOWN.get(group, (group, "rpm"))
        name = _NAMES.get(group, f"engine speed of {group.removeprefix('rpm_')}")
        merged: list[Void] = []
        for void in sorted(of, key=lambda v: v.start_ns):
            if merged and void.start_ns < merged[-1].stop_ns:
                last = merged[-1]
                merged[-1] = Void(group, last.source, last.start_ns, max(last.stop_ns, void.stop_ns), last.values)
            else:
                merged.append(void)
        items += [
            Stuck(
                f"{name} of {receiver}", v.start_ns, v.stop_ns, round(float(v.values[channel]), 6), unit,
                "left out for that time; another source stands in where there is one",
            )
            for v in merged
        ]  # fmt: skip
    return items
