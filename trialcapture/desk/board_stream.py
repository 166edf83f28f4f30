"""Boards to whoever looks: as one JSON object, and as server-sent events (HTML Standard, 9.2).

Every event is a whole board, so a client that missed some has missed nothing. A board is sent when it changes, at most
five times a second, and at least once a second, so that a silent stream is a broken one. `shown` beside it holds the
same numbers as text in the units of the reader: a page converts nothing.
"""

from __future__ import annotations

import asyncio
import json
import secrets
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic, time_ns
from typing import Any

from starlette.responses import JSONResponse, Response
from starlette.types import Receive, Scope, Send

from trialcapture.desk.access import MOST_STREAMS, refused
from trialcapture.desk.entries import Day
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.live_board import board_as_json
from trialcapture.pipeline.live_guidance import LiveBoard
from trialcapture.pipeline.live_trial import LiveTrial
from trialcapture.report.format import ReaderUnits, Scale, degrees, fixed, number, plus_minus, scale_decimals
from trialcapture.system.power import battery_pct

PERIOD_S = 0.2
"""Five boards a second at most."""
BEAT_S = 1.0
"""One a second at least."""
_RETRY_MS = 1000
"""A browser asks again so long after a stream has broken off."""

Board = Mapping[str, Any]
"""A board as JSON holds it, see `trialcapture.pipeline.live_board`."""


# ------------------------------------------------------------------------------
# The same numbers as text, in the reader's units.
# ------------------------------------------------------------------------------

_NOW = {
    "sog_kn": ("kn", 1), "stw_kn": ("kn", 1), "depth_m": ("m", 1), "depth_froude": ("", 2),
    "fuel_l_per_h": ("L/h", 1), "economy_nm_per_l": ("nm/L", 3), "pitch_deg": ("°", 1),
}  # fmt: skip
"""Unit and decimals of what is shown now: as many as a reading is worth (common practice, no source)."""
_DIRECTIONS = ("cog_true_deg", "heading_true_deg")
_ENGINE = {"rpm": ("rpm", 0), "fuel_l_per_h": ("L/h", 1), "trim_pct": ("%", 0)}
_BAND = {
    "speed_kn": ("speed_pm_kn", "kn", 2, 3),
    "fuel_l_per_h": ("fuel_pm_l_per_h", "L/h", 1, 3),
    "economy_nm_per_l": ("economy_pm_nm_per_l", "nm/L", 3, 4),
}
"""Of a band: the key of its ±, unit, usual and most decimals, as in the band table."""


class ShownNumbers:
    """Makes `shown` of boards: the same keys, each with ``text``, ``unit``, and ``value`` in that unit for drawing.

    Args:
        units: What the reader asked for.
    """

    def __init__(self, units: ReaderUnits) -> None:
        self._units = units
        self._scales: dict[str, Scale] = {}
        self._bands: tuple[Any, list[dict[str, Any]]] = (None, [])

    def of(self, board: Board) -> dict[str, Any]:
        """Return the numbers of a board as text."""
        now = board.get("now") or {}
        bands = board.get("bands") or []
        if self._bands[0] != bands:
            self._bands = (bands, self._of_bands(bands))
        current = board.get("current")
        return {
            "units": {name: self._scale(unit).text for name, unit in _UNITS.items()},
            "now": self._values(now, _NOW)
            | {name: _direction(now[name]) for name in _DIRECTIONS if name in now}
            | {"engines": [{"id": e.get("id")} | self._values(e, _ENGINE) for e in now.get("engines") or []]},
            "bands": self._bands[1],
            "current": None if current is None else self._of_current(current),
        }

    def _of_bands(self, bands: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
        made: list[dict[str, Any]] = [
            {"name": band.get("name"), "rpm": _plain(band.get("rpm"), "rpm")} for band in bands
        ]
        for name, (pm_name, unit, usual, most) in _BAND.items():
            scale = self._scale(unit)
            decimals = scale_decimals(scale, [band.get(pm_name) for band in bands], usual=usual, most=most)
            for band, entry in zip(bands, made, strict=True):
                entry[name] = _value(scale, band.get(name), decimals)
                pm = plus_minus(scale.u(band.get(pm_name)), decimals)
                entry[pm_name] = {"text": pm, "unit": scale.text, "value": scale.u(band.get(pm_name))}
        return made

    def _of_current(self, current: Mapping[str, Any]) -> dict[str, Any]:
        scale = self._scale("kn")
        pm = {"text": plus_minus(current.get("pm_kn"), 1), "unit": scale.text, "value": scale.u(current.get("pm_kn"))}
        return {
            "speed_kn": _value(scale, current.get("speed_kn"), 1),
            "towards_deg": _direction(current.get("towards_deg")),
            "pm_kn": pm,
        }

    def _values(self, of: Mapping[str, Any], kinds: Mapping[str, tuple[str, int]]) -> dict[str, Any]:
        told = {}
        for name, (unit, decimals) in kinds.items():
            if name in of:
                scale = self._scale(unit)
                told[name] = _value(scale, of[name], scale.decimals(decimals) if unit else decimals)
        return told

    def _scale(self, unit: str) -> Scale:
        if unit not in self._scales:
            self._scales[unit] = self._units.scale(unit) if unit in _UNITS.values() else Scale(unit, unit, unit)
        return self._scales[unit]


_UNITS = {"speed": "kn", "fuel": "L/h", "economy": "nm/L", "depth": "m"}


def _value(scale: Scale, x: Any, decimals: int) -> dict[str, Any]:
    value = scale.value(x)
    return {"text": fixed(value, decimals), "unit": scale.text, "value": value}


def _plain(x: Any, unit: str) -> dict[str, Any]:
    return {"text": fixed(x, 0), "unit": unit, "value": number(x)}


def _direction(x: Any) -> dict[str, Any]:
    return {"text": degrees(x).removesuffix("°"), "unit": "°", "value": number(x)}


# ------------------------------------------------------------------------------
# Boards, made in a thread of their own and handed to the loop that serves them.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BoardFrame:
    """A board ready to be sent: its number, as JSON, and as an event."""

    id: str
    board: Board
    json: bytes
    event: bytes


class BoardFeed:
    """Asks for the board five times a second and keeps the newest; used from one event loop, see `start`.

    Args:
        read: Returns the board now; called in one thread alone. None where there is nothing to show yet.
        units: What the reader asked for.
        is_needed: Asked where nobody looks whether boards are made all the same: under way the reasons for open runs
            rest on them, and a page that is opened has one at once.
    """

    def __init__(
        self,
        read: Callable[[], Board | None],
        units: Callable[[], ReaderUnits],
        is_needed: Callable[[], bool] = lambda: True,
    ) -> None:
        self._read, self._units, self._is_needed = read, units, is_needed
        self._run = secrets.token_hex(4)
        self._count = 0
        self._stop = threading.Event()
        self._news = asyncio.Event()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=self._work, name="boards", daemon=True)
        self.current: BoardFrame | None = None
        self.trouble = ""
        self.streams = 0
        self.is_asked_for = False
        self.is_ending = False

    def start(self) -> None:
        """Begin; called in the event loop that serves the boards."""
        self._loop = asyncio.get_running_loop()
        self._thread.start()

    def end(self) -> None:
        """End all streams and the thread; called in the same loop."""
        self.is_ending = True
        self._stop.set()
        self._wake()

    async def news(self, seconds: float) -> None:
        """Wait for the next board, at most so long."""
        try:
            async with asyncio.timeout(seconds):
                await self._news.wait()
        except TimeoutError:
            return

    def _wake(self) -> None:
        waiting, self._news = self._news, asyncio.Event()
        waiting.set()

    def _work(self) -> None:
        shown: ShownNumbers | None = None
        last, sent_s, made_s = None, -1e9, -1e9
        while not self._stop.is_set():
            began_s = monotonic()
            is_looked_at = self.streams > 0 or self.is_asked_for
            if not is_looked_at and (began_s - made_s < BEAT_S or not self._is_needed()):
                self._stop.wait(PERIOD_S)  # one a second is enough for who opens a page
                continue
            made_s = began_s
            self.is_asked_for = False
            try:
                board = self._read()
                if board is not None and shown is None:
                    shown = ShownNumbers(self._units())
                self.trouble = ""
            except TrialCaptureError as fault:
                board, self.trouble = None, str(fault)
            except Exception as fault:  # noqa: BLE001  said on every page; the next board may be right again
                board, self.trouble = None, f"the board could not be made ({type(fault).__name__}: {fault})"
            if board is not None and shown is not None:
                lasting = {key: value for key, value in board.items() if key not in _PASSING}
                if lasting != last or began_s - sent_s >= BEAT_S:
                    last, sent_s = lasting, began_s
                    self._publish({**board, "shown": shown.of(board)})
            self._stop.wait(max(0.0, PERIOD_S - (monotonic() - began_s)))

    def _publish(self, board: Board) -> None:
        self._count += 1
        name = f"{self._run}-{self._count}"
        text = json.dumps(board, allow_nan=False, separators=(",", ":"), ensure_ascii=True).encode("ascii")
        frame = BoardFrame(name, board, text, b"id: %s\nevent: board\ndata: %s\n\n" % (name.encode(), text))
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._take, frame)

    def _take(self, frame: BoardFrame) -> None:
        self.current = frame
        self._wake()


_PASSING = ("made_at", "data_age_s")
"""What changes with every board and is no news by itself."""


class BoardReader:
    """Makes the board of a day: follows its session, from when there is one.

    Args:
        day: The day on the desk.
    """

    def __init__(self, day: Day) -> None:
        self._day = day
        self._live: LiveBoard | None = None
        self._folder: Path | None = None
        self._began_s = -_ANEW_S
        self._fault: BaseException | None = None
        self._told: tuple[Any, Board] = (None, {})

    def __call__(self) -> Board | None:
        """Return the board now; None while there is no session.

        Raises:
            TrialCaptureError: The session cannot be read.
        """
        folder = self._day.session
        if folder is None or not self._day.has_session:
            return None
        if self._live is not None and self._live.second is not None and self._day.is_recorded():
            self._day.second = self._live.second
        if self._folder != folder:
            self._live, self._folder, self._began_s = None, folder, -_ANEW_S
        if self._live is None:
            if self._fault is not None and monotonic() - self._began_s < _ANEW_S:
                raise self._fault.with_traceback(None)
            self._began_s = monotonic()
        try:
            self._live = self._live or LiveBoard(LiveTrial(folder), charge_pct=battery_pct)
            board = self._live.look(monotonic(), time_ns())
            if board is not self._told[0]:
                self._told = (board, board_as_json(board))
            return self._told[1]
        except Exception as fault:
            self._live, self._fault = None, fault  # it may hold half a look, and begins anew from the files
            raise


_ANEW_S = 10.0
"""A board that could not be made is tried again after so long (our choice)."""


class BoardStream(Response):
    """Boards as server-sent events until the other end goes.

    A client too slow for all of them gets the newest. One that comes back names the last it had (``Last-Event-ID``)
    and is sent the present one unless it is the same.

    Args:
        feed: The boards.
        last_id: The last event that the client had, "" for none.
    """

    media_type = "text/event-stream"

    def __init__(self, feed: BoardFeed, last_id: str = "") -> None:
        super().__init__(headers={"cache-control": "no-store", "x-accel-buffering": "no"})
        del self.headers["content-length"]
        self._feed, self._last_id = feed, last_id

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send boards."""
        feed, last = self._feed, self._last_id
        await send({"type": "http.response.start", "status": 200, "headers": self.raw_headers})
        if scope["method"] == "HEAD":
            await send({"type": "http.response.body", "body": b""})
            return
        gone = asyncio.create_task(_until_gone(receive))
        feed.streams += 1
        try:
            await send(_part(b"retry: %d\n\n" % _RETRY_MS))
            while not gone.done() and not feed.is_ending:
                frame = feed.current
                if frame is not None and frame.id != last:
                    last = frame.id
                    await send(_part(frame.event))
                else:
                    await send(_part(_beat(feed)))
                if feed.current is frame:
                    await feed.news(BEAT_S)
                # a client that reads slowly finds a newer board here, and never a queue of old ones
            if not gone.done():
                await send({"type": "http.response.body", "body": b""})
        finally:
            feed.streams -= 1
            gone.cancel()


def _part(data: bytes) -> dict[str, Any]:
    return {"type": "http.response.body", "body": data, "more_body": True}


def _beat(feed: BoardFeed) -> bytes:
    told = {"t": datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"), "trouble": feed.trouble}
    return b"event: alive\ndata: %s\n\n" % json.dumps(told).encode("ascii")


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def stream_of(feed: BoardFeed, last_id: str) -> Response:
    """Return the stream of boards, or a refusal where as many are open as can be."""
    if feed.streams >= MOST_STREAMS:
        return refused(503, "Too many look at this desk already. Close other pages.", {"retry-after": "5"})
    return BoardStream(feed, last_id)


def board_of(feed: BoardFeed) -> Response:
    """Return the newest board, or why there is none."""
    feed.is_asked_for = True
    if feed.current is None:
        why = feed.trouble or "There is no board yet; ask again in a second."
        return JSONResponse({"error": why}, 503, {"retry-after": "1"})
    return Response(feed.current.json, media_type="application/json")
