"""What a receiver's own sentences say while recording: is there a fix, and is its clock believable."""

from __future__ import annotations

from collections import deque
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

EPOCH_DAYS = 7168
"""GPS weeks are sent modulo 1024; a receiver that guesses the wrong epoch is off by whole 1024 weeks."""
_STEP_FIXES = 5
_MODES = {b"A": "fix", b"D": "differential", b"E": "estimated", b"F": "float", b"P": "precise", b"R": "fixed",
          b"M": "manual", b"S": "simulated", b"N": ""}  # fmt: skip


class GnssFinding(NamedTuple):
    """Something about a receiver that belongs in the record.

    Attributes:
        kind: ``weeks_off`` or ``gnss_step``.
        amount: Epochs of 1024 weeks, or seconds.
    """

    kind: str
    amount: float


class GnssWatch:
    """Watches the RMC sentences of one source.

    Attributes:
        mode: What the last one says of its fix: "" for none, else ``fix``, ``estimated``, ``simulated`` …
        fix_ns: Session time of the last valid fix [ns], None before the first.
        heard_ns: Session time of the last RMC [ns], None before the first.
        offset_s: Wall clock minus the receiver's UTC at the last fix [s].
        weeks_off: How many epochs of 1024 weeks the date is off.
    """

    def __init__(self) -> None:
        self.mode = ""
        self.fix_ns: int | None = None
        self.heard_ns: int | None = None
        self.offset_s: float | None = None
        self.weeks_off = 0
        self._leads: deque[float] = deque(maxlen=_STEP_FIXES)
        self._level_s: float | None = None

    def feed(self, rmc: bytes, mono_ns: int, wall_ns: int) -> list[GnssFinding]:
        """Take in an RMC sentence whose checksum is right.

        Args:
            rmc: The sentence.
            mono_ns: Session time of its receipt [ns].
            wall_ns: Wall clock at its receipt [ns since 1970 UTC].
        """
        fields = rmc.partition(b"*")[0].split(b",")
        self.heard_ns = mono_ns
        if len(fields) < 10:
            return []
        mode = _MODES.get(fields[12], "") if len(fields) > 12 and fields[12] else "fix"
        self.mode = mode if fields[2] == b"A" else ""
        if self.mode and self.mode not in ("estimated", "simulated", "manual"):
            self.fix_ns = mono_ns
        utc_s = _utc_s(fields[1], fields[9])
        if utc_s is None or not self.mode:
            return []
        findings = []
        away_s = wall_ns / 1e9 - utc_s
        epochs = round(away_s / 86_400 / EPOCH_DAYS)
        if epochs and abs(away_s / 86_400 - epochs * EPOCH_DAYS) < 1.5:
            away_s -= epochs * EPOCH_DAYS * 86_400
            utc_s += epochs * EPOCH_DAYS * 86_400
        else:
            epochs = 0
        if epochs != self.weeks_off:
            self.weeks_off = epochs
            findings.append(GnssFinding("weeks_off", epochs))
        self.offset_s = away_s
        step_s = self._step(utc_s - mono_ns / 1e9)
        if step_s:
            findings.append(GnssFinding("gnss_step", step_s))
        return findings

    def _step(self, lead_s: float) -> float:
        """Return the whole seconds by which UTC minus receipt time has stepped and stayed, else 0.

        Transmission only ever delays, so the level is the largest lead of the last few fixes; a burst of late
        sentences lowers some of them and not all.
        """
        self._leads.append(lead_s)
        if len(self._leads) < _STEP_FIXES:
            return 0.0
        level_s = max(self._leads)
        settled = level_s - min(self._leads) < 0.5
        if self._level_s is None:
            self._level_s = level_s if settled else None
            return 0.0
        change_s = level_s - self._level_s
        whole_s = round(change_s)
        if whole_s and not (settled and abs(change_s - whole_s) < 0.25):
            return 0.0  # neither settled nor a whole second: wait
        self._level_s = level_s
        return float(whole_s)


def _utc_s(time: bytes, date: bytes) -> float | None:
    try:
        day = datetime(2000 + int(date[4:6]), int(date[2:4]), int(date[0:2]), tzinfo=UTC)
        if int(date[4:6]) >= 80:
            day = day.replace(year=day.year - 100)
        tod = timedelta(hours=int(time[0:2]), minutes=int(time[2:4]), seconds=float(time[4:]))
    except ValueError:
        return None
    return (day + tod).timestamp()
