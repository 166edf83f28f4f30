"""The desk's server: its pages and routes, put together, and run until it is ended.

Other parts of the desk bring routes of their own: each of `PARTS` is given the `Desk` and returns them.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import logging
import socket
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass, field
from time import monotonic
from typing import Any

import segno
import uvicorn
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware.exceptions import ExceptionMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route, Router
from starlette.types import ASGIApp, Receive, Scope, Send

from trialcapture.config import LOG_QUANTITIES
from trialcapture.desk.access import (
    WARNING,
    Access,
    Connections,
    Guard,
    Role,
    Sharing,
    guarded_protocol,
    refused,
)
from trialcapture.desk.after import dock_and_after
from trialcapture.desk.board_stream import Board, BoardFeed, board_of, stream_of
from trialcapture.desk.entries import Day, Entries, desk_secret, page_files, render_page
from trialcapture.errors import TrialCaptureError
from trialcapture.system.sockets import own_addresses

_ADDRESSES_S = 5.0
"""So often it is looked by which addresses other devices reach this computer (our choice)."""
_ENDING_S = 2
_LOOK_S = 1.0
"""So often it is looked whether the recording has ended (our choice)."""
_PLACES = ("helm", "saloon", "cockpit", "cabin")
"""Where sound is measured as a rule (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Desk:
    """What every part of the desk works with.

    Attributes:
        day: Settings and session.
        access: The rules; `trialcapture.desk.access.post_route` makes the routes of what is posted.
        feed: Boards.
        entries: Takes entries.
        watchers: Called once a second, in a thread of their own.
        endings: Called when the desk ends.
    """

    day: Day
    access: Access
    feed: BoardFeed
    entries: Entries
    watchers: list[Callable[[], object]] = field(default_factory=list)
    endings: list[Callable[[], object]] = field(default_factory=list)

    def page(self, role: Role, name: str, status: int = 200, **context: Any) -> Response:
        """Return a page.

        Args:
            role: Who asks for it.
            name: Of its template in ``pages/``, fixed in the program.
            status: Of the answer.
            context: What it is made of, beside ``token``, ``may_enter``, ``is_owner``, ``is_shared``, ``boat``,
                ``session``, ``stage`` and ``engines``.
        """
        return HTMLResponse(render_page(name, self._context(role) | context), status)

    def _context(self, role: Role) -> dict[str, Any]:
        """Return what every page is given."""
        try:
            config = self.day.config()
            boat, engines = config.boat.name, config.engine_ids
        except TrialCaptureError:  # the dock shows each fault beside its field
            boat, engines = "", ()
        return {
            "token": self.access.form_token(role),
            "may_enter": role != "reader",
            "is_owner": role == "owner",
            "is_shared": self.access.sharing != "none",
            "boat": boat,
            "engines": engines,
            "session": self.day.session.name if self.day.session is not None else "",
            "stage": self.day.stage(),
        }


Part = Callable[[Desk], Sequence[BaseRoute]]


def _own_routes(desk: Desk) -> Sequence[BaseRoute]:
    def quantities() -> list[tuple[str, str, str]]:
        """Return what can be read off a display, each with the unit that is offered first: a gallon is the reader's."""
        flow = "L/h" if desk.day.units().system == "metric" else "gal/h"
        return [
            (key, key.replace("_", " "), flow if unit == "l/h" else unit) for key, (_, unit) in LOG_QUANTITIES.items()
        ]

    def home(request: Request) -> Response:
        stage = desk.day.stage()
        if stage == "under way" or "board" in request.query_params:
            return under_way(request)
        return RedirectResponse("/dock" if stage == "dock" else "/after", 303)

    def under_way(request: Request) -> Response:
        return desk.page(request.scope["role"], "under_way.html", quantities=quantities(), places=_PLACES)

    def helm(request: Request) -> Response:
        return desk.page(request.scope["role"], "helm.html")

    async def board(_request: Request) -> Response:
        return board_of(desk.feed)

    async def events(request: Request) -> Response:
        return stream_of(desk.feed, request.headers.get("last-event-id", "")[:64])

    async def part_of_page(request: Request) -> Response:
        found = page_files().get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        headers = {"etag": found.tag, "cache-control": "no-cache"}
        if request.headers.get("if-none-match") == found.tag:
            return Response(status_code=304, headers=headers)
        return Response(found.data, media_type=found.media_type, headers=headers)

    def share(request: Request) -> Response:
        if request.scope["role"] != "owner":
            return refused(403, "The link is shown on the computer the desk runs on.")
        links = [(link, f"/share/{n}.svg") for n, link in enumerate(desk.access.links())]
        return desk.page(request.scope["role"], "share.html", links=links, sharing=desk.access.sharing, warning=WARNING)

    async def share_picture(request: Request) -> Response:
        links = desk.access.links()
        number = request.path_params["number"]
        if request.scope["role"] != "owner" or number >= len(links):
            raise HTTPException(404)
        return Response(qr_svg(links[number]), media_type="image/svg+xml")

    return [
        Route("/", home),
        Route("/helm", helm),
        Route("/board", board),
        Route("/events", events),
        Route("/page/{name}", part_of_page),
        Route("/share", share),
        Route("/share/{number:int}.svg", share_picture),
        *desk.entries.routes(desk.access),
    ]


PARTS: tuple[Part, ...] = (_own_routes, dock_and_after)


class _StayWhileOpen:
    """Leads nobody from a trial under way to dock or results while a run is open and nobody has said why."""

    def __init__(self, app: ASGIApp, desk: Desk) -> None:
        self._app, self._desk = app, desk

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        app = self._app
        if scope["type"] == "http" and scope["method"] == "GET" and scope["path"] in LEADS_AWAY:
            desk = self._desk
            holes = await run_in_threadpool(
                lambda: desk.entries.open_holes() if desk.day.stage() == "under way" else []
            )
            if holes:
                app = desk.page(scope["role"], "leave.html", 409, holes=holes, back=scope["path"])
        await app(scope, receive, send)


LEADS_AWAY = ("/dock", "/after")


def build_app(desk: Desk, parts: Sequence[Part] = PARTS) -> ASGIApp:
    """Return the desk as an application, without the guard before it, to which faults of the program go.

    Args:
        desk: What its parts work with.
        parts: Bring the routes.
    """

    @contextlib.asynccontextmanager
    async def life(_app: object) -> AsyncIterator[None]:
        desk.feed.start()
        try:
            yield
        finally:
            desk.feed.end()
            for end in desk.endings:
                end()

    async def in_words(_request: Request, fault: HTTPException) -> Response:
        said = {404: "There is no such page.", 405: "This page does not know that method."}
        return refused(fault.status_code, said.get(fault.status_code, "This cannot be done."), fault.headers)

    async def fault_in_words(_request: Request, fault: Exception) -> Response:
        return refused(422, str(fault))

    routes = [route for part in parts for route in part(desk)]
    router = Router(routes, redirect_slashes=False, lifespan=life)
    handlers: dict[Any, Any] = {HTTPException: in_words, TrialCaptureError: fault_in_words}
    return ExceptionMiddleware(_StayWhileOpen(router, desk), handlers=handlers)


# ------------------------------------------------------------------------------
# Sharing: the link and its picture.
# ------------------------------------------------------------------------------


def qr_svg(link: str) -> bytes:
    """Return the QR code (ISO/IEC 18004) of a link as a picture."""
    made = io.BytesIO()
    segno.make(link, error="m", micro=False).save(made, kind="svg", scale=8, border=4, light="#fff", xmldecl=False)
    return made.getvalue()


def qr_text(link: str) -> str:
    """Return the QR code of a link for a terminal."""
    made = io.StringIO()
    segno.make(link, error="l", micro=False).terminal(made, compact=True, border=2)
    return made.getvalue()


class SharedAddresses:
    """Addresses of this computer by which other devices reach it.

    They are looked for again every few seconds, since networks are joined and left, in a thread of its own: without a
    name server, as on a boat, a system may take many seconds to tell.

    Args:
        look: Returns them.
    """

    def __init__(self, look: Callable[[], Sequence[str]] = own_addresses) -> None:
        self._look = look
        self._found = look()
        self._looked_s = monotonic()
        self._is_looking = False

    def __call__(self) -> Sequence[str]:
        """Return them as they were found last."""
        if not self._is_looking and monotonic() - self._looked_s > _ADDRESSES_S:
            self._is_looking = True
            threading.Thread(target=self._look_again, name="addresses", daemon=True).start()
        return self._found

    def _look_again(self) -> None:
        try:
            self._found = self._look()
        finally:
            self._looked_s, self._is_looking = monotonic(), False


# ------------------------------------------------------------------------------
# Running it.
# ------------------------------------------------------------------------------


class DeskServer:
    """A desk that listens; `run` serves until it is ended.

    Args:
        day: What it is opened on.
        read_board: Returns the board now, see `BoardFeed`.
        now_s: Now [s since 1970].
        listener: Listens, see `trialcapture.system.sockets.listen_on`.
        sharing: What other devices may do.
        addresses: Called for the addresses by which they reach this computer.
        on_fault: Told of a fault of the program; returns what to say about it.
        until: Asked once a second whether to end: given how many seconds nobody has looked.
        parts: Bring the routes.
    """

    def __init__(
        self,
        day: Day,
        read_board: Callable[[], Board | None],
        *,
        listener: socket.socket,
        now_s: float,
        sharing: Sharing = "none",
        addresses: Callable[[], Sequence[str]] | None = None,
        on_fault: Callable[[Exception], str] = str,
        until: Callable[[float], bool] = lambda _idle_s: False,
        parts: Sequence[Part] = PARTS,
    ) -> None:
        self._listener = listener
        self.port = int(listener.getsockname()[1])
        self.access = Access(self.port, desk_secret(day, now_s), sharing, addresses or SharedAddresses())
        self.feed = BoardFeed(read_board, day.units, day.is_recorded)
        entries = Entries(day, lambda: None if self.feed.current is None else self.feed.current.board)
        self.desk = Desk(day, self.access, self.feed, entries)
        self._connections = Connections()
        guard = Guard(build_app(self.desk, parts), self.access, self._connections, on_fault)
        self._until, self._on_fault = until, on_fault
        self._server = uvicorn.Server(
            uvicorn.Config(
                guard,
                http=guarded_protocol(self._connections),
                ws="none",
                lifespan="on",
                log_config=None,  # nothing is logged: an address may hold the token of the link
                access_log=False,
                server_header=False,
                date_header=True,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=_ENDING_S,
            )
        )
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)

    @property
    def url(self) -> str:
        """Where this computer finds it."""
        return f"http://127.0.0.1:{self.port}/"

    @property
    def has_started(self) -> bool:
        """True once it answers."""
        return bool(self._server.started)

    def run(self) -> None:
        """Serve until `end` is called, Ctrl-C, or `until` says so."""
        asyncio.run(self._serve())

    def end(self) -> None:
        """End it; may be called from any thread."""
        self._server.should_exit = True

    async def _serve(self) -> None:
        tasks = [asyncio.create_task(self._watch()), asyncio.create_task(self._look_on())]
        try:
            await self._server.serve(sockets=[self._listener])
        finally:
            for task in tasks:
                task.cancel()
            self._listener.close()

    async def _look_on(self) -> None:
        """Call the watchers; one that fails is called no more, its fault is told, and the desk goes on."""
        watchers = self.desk.watchers
        while True:
            await asyncio.sleep(_LOOK_S)
            for look in tuple(watchers):
                try:
                    await asyncio.to_thread(look)
                except Exception as fault:  # noqa: BLE001  (any fault: who works at the page is not to lose it)
                    watchers.remove(look)
                    self._on_fault(fault)

    async def _watch(self) -> None:
        looked_s = monotonic()
        while True:
            await asyncio.sleep(0.2)
            if self.feed.streams:
                looked_s = monotonic()
            if self._server.should_exit:
                self.feed.end()  # or open streams would keep it from ending
            elif self._until(monotonic() - looked_s):
                self.end()


def run_in_thread(server: DeskServer) -> threading.Thread:
    """Serve in a thread of its own, and return it; for tests and for programs that go on beside it."""
    thread = threading.Thread(target=server.run, name="desk", daemon=True)
    thread.start()
    return thread
