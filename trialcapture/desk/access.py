"""Who may see the desk and who may enter something, and bounds for whoever asks for too much.

Whoever sits at this computer may do everything. Other devices see the desk only after ``--share``, by a link with a
token of 128 bits, and enter something only after ``--share-entry``. What other pages in the same browser try is
refused: a foreign name for this computer by the exact list of hosts (DNS rebinding), a foreign page by its origin and
by the token in our own forms. Sources: OWASP, "Cross-Site Request Forgery Prevention" and "DNS rebinding"; Fetch
Standard, ``Origin``; W3C, "Fetch Metadata Request Headers"; Content Security Policy Level 3 (all from memory).

What goes over the boat's wireless network is plain HTTP: everybody on it can read it, link and entries included.
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import ipaddress
import re
from base64 import urlsafe_b64encode
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from typing import Any, BinaryIO, Literal

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders, UploadFile
from starlette.exceptions import HTTPException
from starlette.formparsers import MultiPartException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from trialcapture.bounded_parsing import parse_json
from trialcapture.desk.jobs import for_form
from trialcapture.errors import ConfigError, TrialCaptureError
from trialcapture.safe_text import clean_lines

Role = Literal["owner", "entry", "reader"]
"""Who asks: somebody at this computer, on another device with the right to enter something, or to read alone."""
Sharing = Literal["none", "read", "entry"]

TOKEN_BYTES = 16
"""128 bits."""
LINK = "/link/"
"""Where the link that is shared leads; the token behind it becomes a cookie, so that it stands in no address."""

WARNING = (
    "This link is plain HTTP: everybody on the same wireless network can read what goes over it, the link itself too. "
    "Share it only with people on board, and end the desk when the trial is over."
)
"""Shown wherever the link is."""

MOST_CONNECTIONS = 200
"""Open at one time; a Mac lets a program have 256 files open by itself (our choice below that)."""
KEPT_FOR_OWNER = 12
"""Of these, so many are kept for this computer."""
MOST_OF_ONE_ADDRESS = 24
"""Of these, so many for one other device: a browser opens six at most to one address."""
MOST_STREAMS = 120
"""Boards sent at one time."""
HEAD_S = 10.0
"""A request's head must be there within so long [s]."""
BODY_S = 15.0
"""A body may pause for so long [s]."""
SEND_S = 10.0
"""A client that takes nothing for so long is dropped [s]."""
"""Times and counts are our choice: a phone with one bar of signal, and no attacker, stays below them."""

FORM_BYTES = 1 << 16
"""Longest form without a file: thirty times the longest text of a note."""
MOST_FIELDS = 400
"""Of a form: that of the settings is the longest."""

_METHODS = ("GET", "HEAD", "POST")
_COOKIE = "trialcapture-desk-"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{22}")
_POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


@dataclass(frozen=True, slots=True)
class Access:
    """The rules of one desk.

    Attributes:
        port: It listens on.
        secret: At least 32 random bytes; all tokens are made of them.
        sharing: What other devices may do.
        addresses: Called for the addresses of this computer by which other devices reach it now.
    """

    port: int
    secret: bytes
    sharing: Sharing = "none"
    addresses: Callable[[], Iterable[str]] = tuple

    def form_token(self, role: Role) -> str:
        """Return what a form must bring along: each role has its own, a reader none."""
        return "" if role == "reader" else self._token(f"form {role}")

    def is_form_token(self, role: Role, given: str) -> bool:
        """Return whether a form was ours and made for whoever sends it."""
        wanted = self.form_token(role)
        return bool(wanted) and hmac.compare_digest(wanted.encode(), given.encode("utf-8", "replace"))

    def links(self) -> list[str]:
        """Return the links to share, one for each address of this computer; none where nothing is shared."""
        return [f"http://{host}{LINK}{self._share_token()}" for host in sorted(self.shared_hosts())]

    def own_hosts(self) -> frozenset[str]:
        """Return what this computer may call the desk: the exact values of ``Host``."""
        return self._hosts(("127.0.0.1", "localhost"))

    def shared_hosts(self) -> frozenset[str]:
        """Return what other devices may call it."""
        return self._hosts(self.addresses()) if self.sharing != "none" else frozenset()

    def role(self, client: str, host: str, cookies: str) -> Role | None:
        """Return who asks; None for somebody who may see nothing.

        Args:
            client: Address of the other end.
            host: The header ``Host``.
            cookies: The header ``Cookie``.
        """
        if host in self.own_hosts():
            return "owner" if _is_loopback(client) else None
        if host in self.shared_hosts() and self.is_share_token(self._from_cookie(cookies)):
            return "entry" if self.sharing == "entry" else "reader"
        return None

    def is_share_token(self, given: str) -> bool:
        """Return whether a token is that of the link; in a time that tells nothing of it."""
        is_right = hmac.compare_digest(self._share_token().encode(), given.encode("utf-8", "replace"))
        return is_right and self.sharing != "none"

    def cookie(self) -> tuple[str, str]:
        """Return name and value of the cookie that stands for the link."""
        return f"{_COOKIE}{self.port}", self._share_token()

    def _share_token(self) -> str:
        return self._token(f"share {self.sharing}")

    def _token(self, purpose: str) -> str:
        made = hmac.new(self.secret, purpose.encode(), hashlib.sha256).digest()[:TOKEN_BYTES]
        return urlsafe_b64encode(made).decode("ascii").rstrip("=")

    def _from_cookie(self, cookies: str) -> str:
        jar: SimpleCookie = SimpleCookie()
        try:
            jar.load(cookies)
        except CookieError:
            return ""
        found = jar.get(self.cookie()[0])
        return found.value if found is not None and _TOKEN.fullmatch(found.value) else ""

    def _hosts(self, names: Iterable[str]) -> frozenset[str]:
        # a browser leaves out the port where it is the usual one (RFC 9110, 4.2.3)
        return frozenset(f"{name}:{self.port}" for name in names) | (
            frozenset(names) if self.port == 80 else frozenset()
        )


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False


# ------------------------------------------------------------------------------
# Every request passes here first.
# ------------------------------------------------------------------------------


class Guard:
    """ASGI application around the desk: refuses whom the rules do not know, and gives every answer its headers.

    What it lets through has ``scope["role"]``.

    Args:
        app: The desk.
        access: The rules.
        connections: Told when a request begins and ends.
        on_fault: Told of a fault of the program; returns what to say about it.
    """

    def __init__(
        self, app: ASGIApp, access: Access, connections: Connections, on_fault: Callable[[Exception], str]
    ) -> None:
        self._app, self._access, self._connections, self._on_fault = app, access, connections, on_fault

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        client = tuple(scope["client"]) if scope["client"] else ("", 0)
        self._connections.begin(client)
        began = False

        async def send_guarded(message: Message) -> None:
            nonlocal began
            if message["type"] == "http.response.start":
                began = True
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    # a report has a policy of its own: it is a file of a session, which may come from anybody
                    if name != "content-security-policy" or name not in headers:
                        headers[name] = value
                headers.setdefault("cache-control", "no-store")
            try:
                async with asyncio.timeout(SEND_S):
                    await send(message)
            except TimeoutError:
                self._connections.drop(client)
                raise ClientGoneError from None

        try:
            answer = self._refusal(scope)
            await (self._app if answer is None else answer)(scope, receive, send_guarded)
        except ClientGoneError:
            pass
        except Exception as fault:  # noqa: BLE001  told to a person and kept, without ending the desk
            said = self._on_fault(fault)
            if began:
                self._connections.drop(client)
            else:
                await refused(500, said)(scope, receive, send_guarded)
        finally:
            self._connections.end(client)

    def _refusal(self, scope: Scope) -> ASGIApp | None:
        """Return the answer to a request that goes no further, and note who asks for one that does."""
        headers, method = Headers(scope=scope), scope["method"]
        hosts = headers.getlist("host")
        host = hosts[0].lower() if len(hosts) == 1 else ""
        if host not in self._access.own_hosts() | self._access.shared_hosts():
            return refused(421, "The desk does not go by this name. Use the link that it shows.")
        origin = headers.get("origin")
        site = headers.get("sec-fetch-site")
        is_own = origin == f"http://{host}"
        # a form of a page without referrer has the origin "null" (Fetch Standard); then the browser itself must say
        # that the form was ours
        is_own = is_own or (origin == "null" and site == "same-origin")
        if (origin is not None and not is_own) or (method == "POST" and not is_own):
            return refused(403, "Another page asked for this. Open the desk itself and do it there.")
        mode = headers.get("sec-fetch-mode")
        if site in ("cross-site", "same-site") and not (method == "GET" and mode == "navigate"):
            return refused(403, "Another page asked for this. Open the desk itself and do it there.")
        if method not in _METHODS:
            return refused(405, "The desk does not know this method.", {"allow": ", ".join(_METHODS)})
        client = scope["client"][0] if scope["client"] else ""
        path = scope["path"]
        if path.startswith(LINK) and host in self._access.shared_hosts():
            return self._enter_by_link(path[len(LINK) :], method)
        role = self._access.role(client, host, "; ".join(headers.getlist("cookie")))
        if role is None:
            return refused(403, "Open the desk by the link, or its QR code, that is shown on the computer it runs on.")
        if method == "POST" and role == "reader":
            return refused(403, "This link is for reading. Entries are made on the computer the desk runs on.")
        scope["role"] = role
        return None

    def _enter_by_link(self, token: str, method: str) -> ASGIApp:
        if method != "GET":
            return refused(405, "The link is opened, and nothing else.", {"allow": "GET"})
        if not self._access.is_share_token(token):
            return refused(403, "This link is not valid any more. Scan the QR code that the desk shows now.")
        answer = RedirectResponse("/", 303)
        name, value = self._access.cookie()
        answer.set_cookie(name, value, httponly=True, samesite="lax", path="/")
        return answer


class ClientGoneError(Exception):
    """The other end does not take what it asked for."""


def refused(status: int, why: str, headers: Mapping[str, str] | None = None) -> Response:
    """Return an answer in plain words."""
    return PlainTextResponse(f"{why}\n", status, dict(headers or {}))


# ------------------------------------------------------------------------------
# What is posted: read within bounds, and only with the token of our own forms.
# ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Upload:
    """A file that came along: its name as the sender gave it, which is never a path here, and its content."""

    name: str
    file: BinaryIO
    size: int


@dataclass(frozen=True, slots=True)
class Posted:
    """What somebody posted.

    Attributes:
        role: Who.
        path: Parts of the address that the route names.
        fields: By name, as text; the token is taken out.
        several: Fields that came more than once, all of their values.
        uploads: Files by name of their field.
    """

    role: Role
    path: Mapping[str, str]
    fields: Mapping[str, str]
    several: Mapping[str, tuple[str, ...]]
    uploads: Mapping[str, tuple[Upload, ...]]


Handler = Callable[[Posted], Mapping[str, Any] | Response]


def post_route(
    path: str,
    handle: Handler,
    access: Access,
    *,
    most_bytes: int = FORM_BYTES,
    most_files: int = 0,
    most_fields: int = MOST_FIELDS,
    owner_only: bool = False,
) -> Route:
    """Return the route of what may be posted to a path: every one of the desk is made here.

    Token and bounds are seen to before `handle` is called, in a thread of its own; what it raises as a
    `TrialCaptureError` is told with status 422. A mapping that it returns is sent as JSON; a browser without scripts
    is led to the page that the field ``back`` names.

    Args:
        path: As Starlette writes it.
        handle: Does it.
        access: The rules.
        most_bytes: Longest body.
        most_files: How many files may come along.
        most_fields: How many fields.
        owner_only: True where only this computer may, whatever is shared.
    """
    return Route(path, _Post(handle, access, most_bytes, most_files, most_fields, owner_only), methods=["POST"])


@dataclass(frozen=True, slots=True)
class _Post:
    handle: Handler
    access: Access
    most_bytes: int
    most_files: int
    most_fields: int
    owner_only: bool

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            answer = await self._answer(scope, receive)
        except _RefusedError as refusal:
            answer = refusal.answer(scope)
        except (ClientDisconnect, ConnectionError):
            raise ClientGoneError from None
        await answer(scope, receive, send)

    async def _answer(self, scope: Scope, receive: Receive) -> Response:
        role: Role = scope["role"]
        if self.owner_only and role != "owner":
            raise _RefusedError(403, "This is done on the computer the desk runs on.")
        request = Request(scope, _bounded(receive, self.most_bytes, Headers(scope=scope)))
        fields, uploads = await self._read(request)
        try:
            token = request.headers.get("x-form-token") or fields.pop("token", [""])[-1]
            if not self.access.is_form_token(role, token):
                raise _RefusedError(403, "This page is out of date. Load it again, and enter it once more.")
            fields.pop("token", None)
            back = fields.pop("back", ["/"])[-1]
            posted = Posted(
                role,
                {name: str(value) for name, value in scope.get("path_params", {}).items()},
                {name: values[-1] for name, values in fields.items()},
                {name: tuple(values) for name, values in fields.items()},
                {
                    name: tuple(Upload(f.filename or "", f.file, f.size or 0) for f in files)
                    for name, files in uploads.items()
                },
            )
            try:
                done = await run_in_threadpool(self.handle, posted)
            except TrialCaptureError as fault:
                said = clean_lines(for_form(str(fault)))
                return refused(422, said) if _wants_page(request.scope) else fault_answer(fault)
        finally:
            for files in uploads.values():
                for file in files:
                    await file.close()
        if isinstance(done, Response):
            return done
        if _wants_page(request.scope):
            return RedirectResponse(back if back in PAGES else "/", 303)
        return JSONResponse(dict(done))

    async def _read(self, request: Request) -> tuple[dict[str, list[str]], dict[str, list[UploadFile]]]:
        kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind == "application/json":
            try:
                told = parse_json(await request.body(), most_bytes=self.most_bytes)
                return _json_fields(told), {}
            except ValueError as fault:
                raise _RefusedError(400, f"This is no JSON that the desk reads: {fault}.") from fault
        if kind not in ("application/x-www-form-urlencoded", "multipart/form-data"):
            raise _RefusedError(415, "The desk reads forms and JSON.")
        fields: dict[str, list[str]] = {}
        uploads: dict[str, list[UploadFile]] = {}
        try:
            form = await request.form(
                max_files=self.most_files,
                max_fields=self.most_fields,
                max_part_size=FORM_BYTES if self.most_files else min(self.most_bytes, 1 << 20),
            )
        except (HTTPException, MultiPartException, ValueError) as fault:  # the last of names that are no UTF-8
            said = fault.detail if isinstance(fault, HTTPException) else str(fault)
            raise _RefusedError(400, f"This form cannot be read: {clean_lines(said)}") from fault
        for name, value in form.multi_items():
            if isinstance(value, UploadFile):
                if value.filename or value.size:  # a browser sends an empty one where no file was chosen
                    uploads.setdefault(name, []).append(value)
            else:
                fields.setdefault(name, []).append(value)
        return fields, uploads


PAGES = ("/", "/helm", "/dock", "/after")
"""Where a form without scripts may lead back to."""


class _RefusedError(Exception):
    def __init__(self, status: int, why: str) -> None:
        super().__init__(why)
        self._status, self._why = status, why

    def answer(self, scope: Scope) -> Response:
        """Return it as whoever asked reads it."""
        return (
            refused(self._status, self._why) if _wants_page(scope) else JSONResponse({"error": self._why}, self._status)
        )


def _wants_page(scope: Scope) -> bool:
    """Return whether a browser sent a form by itself, without a script that reads the answer."""
    return "text/html" in Headers(scope=scope).get("accept", "")


def fault_answer(fault: TrialCaptureError, **more: Any) -> Response:
    """Return a fault of use as an answer: a sentence in ``error``, its parts beside it."""
    told = {
        "error": clean_lines(for_form(str(fault))),
        "what": fault.what,
        "seen": None if fault.seen is None else str(fault.seen),
        "where": fault.where,
        "expected": None if fault.expected is None else clean_lines(for_form(fault.expected)),
        "faults": fault.faults if isinstance(fault, ConfigError) else [],
        **more,
    }
    return JSONResponse(told, 422)


def _json_fields(told: Any) -> dict[str, list[str]]:
    if not isinstance(told, dict):
        raise ValueError("it is no object")  # noqa: TRY004  as parse_json says it
    fields = {}
    for name, value in told.items():
        if value is None:
            continue
        if isinstance(value, dict | list):
            raise ValueError(f"{name} is no single value")  # noqa: TRY004
        fields[str(name)] = [str(value).lower() if isinstance(value, bool) else str(value)]
    if len(fields) > MOST_FIELDS:
        raise ValueError("it has too many fields")
    return fields


def _bounded(receive: Receive, most_bytes: int, headers: Headers) -> Receive:
    """Return `receive` with a bound on the size of a body and on the time in which none of it comes."""
    said = headers.get("content-length", "")
    if said.isdigit() and int(said) > most_bytes:
        raise _too_large(most_bytes)
    taken = 0

    async def receive_bounded() -> Message:
        nonlocal taken
        try:
            async with asyncio.timeout(BODY_S):
                message = await receive()
        except TimeoutError:
            raise _RefusedError(408, "The rest of this did not come.") from None
        taken += len(message.get("body", b""))
        if taken > most_bytes:
            raise _too_large(most_bytes)
        return message

    return receive_bounded


def _too_large(most_bytes: int) -> _RefusedError:
    size = f"{most_bytes >> 20} MB" if most_bytes >= 1 << 20 else f"{most_bytes >> 10} kB"
    return _RefusedError(413, f"This is larger than the desk takes here: {size} at most.")


# ------------------------------------------------------------------------------
# Connections: how many there are, and how long a head may take.
# ------------------------------------------------------------------------------


@dataclass(slots=True)
class Connections:
    """All connections of a desk; used in the thread of its event loop alone.

    Attributes:
        most: At one time.
        head_s: A request's head must be there within so long [s].
    """

    most: int = MOST_CONNECTIONS
    head_s: float = HEAD_S
    _open: dict[tuple[Any, ...], _Connection] = field(default_factory=dict)

    def take(self, client: tuple[Any, ...], transport: asyncio.Transport) -> bool:
        """Return whether one more is taken."""
        address = client[0] if client else ""
        is_own = _is_loopback(address)
        if len(self._open) >= self.most - (0 if is_own else KEPT_FOR_OWNER):
            return False
        if not is_own and sum(other[0] == address for other in self._open if other) >= MOST_OF_ONE_ADDRESS:
            return False
        self._open[client] = _Connection(transport)
        self._await_head(self._open[client])
        return True

    def lost(self, client: tuple[Any, ...]) -> None:
        """Forget one that has ended."""
        if (connection := self._open.pop(client, None)) is not None:
            connection.stop_timer()

    def heard(self, client: tuple[Any, ...]) -> None:
        """Bytes came: outside a request they are the beginning of a head."""
        connection = self._open.get(client)
        if connection is not None and not connection.in_request and connection.timer is None:
            self._await_head(connection)

    def begin(self, client: tuple[Any, ...]) -> None:
        """A request's head is there."""
        if (connection := self._open.get(client)) is not None:
            connection.in_request = True
            connection.stop_timer()

    def end(self, client: tuple[Any, ...]) -> None:
        """It is answered."""
        if (connection := self._open.get(client)) is not None:
            connection.in_request = False

    def drop(self, client: tuple[Any, ...]) -> None:
        """End one at once, with whatever it has not taken."""
        if (connection := self._open.get(client)) is not None:
            connection.transport.abort()

    def _await_head(self, connection: _Connection) -> None:
        loop = asyncio.get_running_loop()
        connection.timer = loop.call_later(self.head_s, connection.transport.abort)


@dataclass(slots=True)
class _Connection:
    transport: asyncio.Transport
    in_request: bool = False
    timer: asyncio.TimerHandle | None = None

    def stop_timer(self) -> None:
        if self.timer is not None:
            self.timer.cancel()
            self.timer = None


def guarded_protocol(connections: Connections) -> type[asyncio.Protocol]:
    """Return uvicorn's own protocol with bounds on the number of connections and the time a head may take."""

    class BoundedProtocol(H11Protocol):
        is_taken = False

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            client = transport.get_extra_info("peername") or ("", 0)
            self.key = tuple(client[:2])
            self.is_taken = connections.take(self.key, transport)
            if self.is_taken:
                super().connection_made(transport)
            else:
                transport.abort()

        def connection_lost(self, exc: Exception | None) -> None:
            if self.is_taken:
                connections.lost(self.key)
                super().connection_lost(exc)

        def data_received(self, data: bytes) -> None:
            if self.is_taken:
                connections.heard(self.key)
                super().data_received(data)

    return BoundedProtocol
