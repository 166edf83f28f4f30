"""A desk that listens on this computer, and clients for it that do what a browser would not."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx

from tests import rig
from trialcapture.archive.session import create_session
from trialcapture.config import load_config
from trialcapture.desk.access import Sharing
from trialcapture.desk.entries import Day
from trialcapture.desk.server import PARTS, DeskServer, Part, run_in_thread
from trialcapture.pipeline.live_board import Board, BoardCell, BoardHole, Detector, EngineNow, Grid, Now, board_as_json
from trialcapture.system.sockets import listen_on

TABLET = "192.0.2.7"
"""The name of this computer to other devices in these tests; of a range for documentation (RFC 5737)."""
NO_TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
"""Trusts nobody: no client reads the certificates of this computer, which takes longer than to ask the desk."""
SETTINGS = """
[boat]
name = "Tarn Plover"
[[engine]]
id = "port"
rated_rpm = 2600
[[engine]]
id = "stbd"
rated_rpm = 2600
"""


def empty_session(folder: Path, settings: str = SETTINGS) -> Path:
    create_session(folder, load_config(settings), made_by="tests", created="2026-05-14T08:00:00Z", config_text=settings)
    return folder


def sample_board(**more: Any) -> Mapping[str, Any]:
    told = {
        "session": "day",
        "boat": "Tarn Plover",
        "recording": True,
        "made_at": "2026-05-14T09:00:00.2Z",
        "t": "2026-05-14T09:00:00Z",
        "data_age_s": 0.2,
        "now": Now(
            14.25, 359.6, depth_m=22.5, fuel_l_per_h=61.0, economy_nm_per_l=0.2336, engines=(EngineNow("port", 2003),)
        ),
        "detector": Detector("holding", "Holding 2000 rpm"),
        "grid": Grid(75.0, cells=(BoardCell(2000, "075°", "now"),)),
    }  # fmt: skip
    return board_as_json(Board(**(told | more)))


TWO_HOLES = (BoardHole(2000, "255°", "missing"), BoardHole("full throttle", "075°", "refused"))


@dataclass
class Served:
    """A desk that listens.

    Attributes:
        server: The desk.
        folder: Its session.
        board: The board it shows; may be changed.
        faults: Faults of the program it met.
    """

    server: DeskServer
    folder: Path
    board: dict[str, Any]
    faults: list[Exception]

    @property
    def port(self) -> int:
        return self.server.port

    @property
    def token(self) -> str:
        return self.server.access.form_token("owner")

    def client(self, **headers: str) -> httpx.Client:
        """A browser's requests from our own page at this computer."""
        return httpx.Client(
            base_url=f"http://127.0.0.1:{self.port}", timeout=30, trust_env=False, verify=NO_TLS,
            headers={"origin": f"http://127.0.0.1:{self.port}"} | headers,
        )  # fmt: skip

    def tablet(self, link: bool = True) -> httpx.Client:
        """Another device; with the link it has been opened by."""
        host = f"{TABLET}:{self.port}"
        client = httpx.Client(
            base_url=f"http://127.0.0.1:{self.port}", timeout=30, trust_env=False, verify=NO_TLS,
            headers={"host": host, "origin": f"http://{host}"},
        )  # fmt: skip
        if link:
            name, value = self.server.access.cookie()
            client.headers["cookie"] = f"{name}={value}"
        return client

    def post(self, path: str, fields: Mapping[str, Any] | None = None, **more: Any) -> httpx.Response:
        with self.client() as client:
            return client.post(path, data={"token": self.token, **(fields or {})}, **more)

    def raw(self, data: bytes, until: Callable[[bytes], bool] = lambda _: False) -> bytes:
        """Send bytes as they are, and return what comes back until the desk closes."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=30) as line:
            line.sendall(data)
            got = b""
            try:
                while not until(got) and (part := line.recv(1 << 16)):
                    got += part
            except ConnectionError:
                pass
            return got

    def request(self, method: str, path: str, *lines: str, host: str | None = None) -> bytes:
        head = [f"{method} {path} HTTP/1.1", f"Host: {host or f'127.0.0.1:{self.port}'}", "Connection: close", *lines]
        return self.raw("\r\n".join([*head, "", ""]).encode("latin-1"))


@contextmanager
def serving(
    folder: Path,
    *,
    sharing: Sharing = "none",
    parts: tuple[Part, ...] = PARTS,
    port: int = 0,
    change: Callable[[DeskServer], object] = lambda _: None,
    **board: Any,
) -> Iterator[Served]:
    """Serve the desk of a session.

    Args:
        folder: The session.
        sharing: What other devices may do.
        parts: Bring the routes.
        port: To listen on; any that is free by default.
        change: Called with the desk before it listens.
        board: What is other than on `sample_board`.
    """
    shown, faults = dict(sample_board(**board)), []
    faults_met: list[Exception] = faults

    def on_fault(fault: Exception) -> str:
        faults_met.append(fault)
        return "something unexpected happened"

    server = DeskServer(
        Day(session=folder), lambda: shown, listener=listen_on("127.0.0.1", port), now_s=0.0, sharing=sharing,
        addresses=lambda: (TABLET,), on_fault=on_fault, parts=parts,
    )  # fmt: skip
    server.feed._is_needed = lambda: True  # though nothing is recorded
    change(server)
    thread: threading.Thread = run_in_thread(server)
    rig.wait_for(lambda: server.has_started, 30)
    try:
        yield Served(server, folder, shown, faults_met)
    finally:
        server.end()
        thread.join(30)
        assert not thread.is_alive()


def status_of(answer: bytes) -> int:
    """The status of an answer as it came over the line, 0 where there was none."""
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/1.1 ") else 0
