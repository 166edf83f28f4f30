"""A stand-in for the desk: serves the real pages, and boards that a test hands it.

It can be silent, cut its streams, refuse entries and be ended and begun again at the same port, so that the pages can
be tried in every trouble they must survive. What a real desk computes is not in it.
"""

from __future__ import annotations

import asyncio
import json
import socket
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import replace
from importlib.resources import files
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from tests.desk.boards import busy_board
from trialcapture.desk.entries import page_files, render_page
from trialcapture.pipeline.live_board import Board, board_as_json

PAGES = files("trialcapture.desk") / "pages"
POLICY = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
BEAT_S = 0.5


class StandIn:
    """One desk; `board` is what it sends, `posts` what came in, `asked` how many requests brought something."""

    def __init__(self) -> None:
        self.board: Board = busy_board()
        self.posts: list[tuple[str, dict[str, Any]]] = []
        self.taken: set[str] = set()
        self.is_silent = False
        self.is_stalled = False
        self.holds_answers = False
        self.asked = 0
        self.may_enter = True
        self.refuses: str | None = None
        self.token = "token-1"
        self.streams = 0
        self.opened = 0
        self._cut = 0
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        config = uvicorn.Config(
            self._app(), "127.0.0.1", self.port, log_level="critical", lifespan="off", timeout_graceful_shutdown=1
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        for _ in range(600):
            if self._server.started:
                return
            threading.Event().wait(0.05)
        raise RuntimeError("the stand-in did not start")

    def stop(self) -> None:
        if self._server and self._thread:
            self.cut()
            self._server.force_exit = self._server.should_exit = True
            self._thread.join(30)

    def _is_ending(self) -> bool:
        return self._server is None or self._server.should_exit

    def cut(self) -> None:
        """End every stream that is open."""
        self._cut += 1

    def _app(self) -> Starlette:
        def page(name: str) -> Any:
            def show(_request: Request) -> Response:
                text = render_page(name, {
                    "token": self.token if self.may_enter else "", "may_enter": self.may_enter,
                    "is_owner": self.may_enter, "is_shared": False,
                    "boat": "Heron 38", "session": "2026-06-09_heron", "engines": ["port", "stbd"],
                    "quantities": [("rpm", "engine speed", "rpm"), ("coolant", "coolant temperature", "degc")],
                    "places": ["helm", "saloon", "cabin", "aft deck"],
                })  # fmt: skip
                return HTMLResponse(text, headers={"content-security-policy": POLICY})

            return show

        def static(request: Request) -> Response:
            found = page_files().get(request.path_params["name"])
            return Response("no such file", 404) if found is None else Response(found.data, media_type=found.media_type)

        async def stream() -> AsyncIterator[bytes]:
            self.streams += 1
            self.opened += 1
            began, sent = self._cut, None
            try:
                yield b"retry: 1000\n\n"
                while self._cut == began:
                    if not self.is_silent and not self.is_stalled and self.board is not sent:
                        sent = self.board
                        yield f"event: board\ndata: {json.dumps(board_as_json(sent))}\n\n".encode()
                    elif not self.is_silent:
                        yield b'event: alive\ndata: {"trouble": ""}\n\n'
                        sent = None if not self.is_stalled else sent
                    await asyncio.sleep(BEAT_S / 2)
            finally:
                self.streams -= 1

        def events(_request: Request) -> Response:
            return StreamingResponse(stream(), media_type="text/event-stream", headers={"cache-control": "no-store"})

        async def post(request: Request) -> Response:
            form = await request.form()
            self.asked += 1
            while self.holds_answers and not self._is_ending():
                await asyncio.sleep(0.02)
            told = {k: v if isinstance(v, str) else f"file {v.filename}" for k, v in form.items()}
            if told.pop("token", "") != self.token:
                return Response("The form is not ours.\n", 403)
            if self.refuses:
                return JSONResponse({"error": self.refuses}, 422)
            if (once := told.pop("once")) not in self.taken:
                self.taken.add(once)
                self.posts.append((request.url.path, told))
            if request.url.path == "/leave" and told.get("end"):
                self.board = replace(self.board, recording=False)
            return JSONResponse({"entry": told})

        def other(_request: Request) -> Response:
            return HTMLResponse("<!doctype html><html lang=en><title>Other</title><h1>Another page</h1>")

        return Starlette(
            routes=[
                Route("/", page("under_way.html")), Route("/helm", page("helm.html")), Route("/dock", other),
                Route("/after", other), Route("/page/{name}", static), Route("/events", events),
                *(
                    Route(path, post, methods=["POST"])
                    for path in ("/entry/{kind}", "/plan", "/acknowledge", "/leave", "/photo")
                ),
            ]
        )  # fmt: skip


@contextmanager
def stand_in() -> Iterator[StandIn]:
    """Run a stand-in."""
    desk = StandIn()
    desk.start()
    try:
        yield desk
    finally:
        desk.stop()
