"""Which receiver is believed: each one's speed compared with positions, and receivers against each other.

A speed that is right agrees with the distance its own positions make good, with that of other receivers' positions
and with other receivers' speed. So each speed is given a point for every witness it agrees with and loses one for
every witness it contradicts. Where speeds disagree, the one with most points leads and those that contradict it are
left out; coverage decides only between receivers that agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

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
from trialcapture.prepare.data_health import Disagreement, Spikes

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
