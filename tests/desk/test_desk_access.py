"""Who may see the desk and who may enter something; what asks for too much is refused and harms nobody else."""

from __future__ import annotations

import itertools
import re
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import zxingcpp
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import BaseRoute, Route

from tests import rig
from tests.desk.served import TABLET, Served, empty_session, serving, status_of
from trialcapture.desk import access as rules
from trialcapture.desk.access import Access, Connections
from trialcapture.desk.entries import Day, desk_secret, page_files
from trialcapture.desk.server import PARTS, Desk, SharedAddresses, qr_svg, qr_text

BODY = b"value=x"
FORM = "Content-Type: application/x-www-form-urlencoded"


def failing(desk: Desk) -> list[BaseRoute]:
    def fail(_request: Request) -> Response:
        raise ZeroDivisionError("of /work/secret")

    return [Route("/fail", fail)]


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(empty_session(tmp_path_factory.mktemp("access") / "day"), parts=(*PARTS, failing)) as served:
        yield served


def notes(served: Served) -> bytes:
    path = served.folder / "raw" / "notes-desk.jsonl"
    return path.read_bytes() if path.exists() else b""


def test_a_watcher_that_fails_is_told_once_and_the_desk_goes_on(tmp_path: Path) -> None:
    calls: list[str] = []

    def fail() -> None:
        calls.append("fails")
        raise ZeroDivisionError

    def watching(desk: Desk) -> list[BaseRoute]:
        desk.watchers.extend([fail, lambda: calls.append("goes on")])
        return []

    with serving(empty_session(tmp_path / "day"), parts=(*PARTS, watching)) as served:
        rig.wait_for(lambda: calls.count("goes on") >= 2, 30)
        assert status_of(served.request("GET", "/page/desk.css")) == 200
    assert calls.count("fails") == 1
    assert [type(fault) for fault in served.faults] == [ZeroDivisionError]


# ------------------------------------------------------------------------------
# Names of this computer.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "host",
    [
        "attacker.example", "attacker.example:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.1.attacker.example:{port}",
        "localhost.attacker.example:{port}", "0.0.0.0:{port}", "[::1]:{port}", "127.0.0.2:{port}", "2130706433:{port}",
        "user@127.0.0.1:{port}", "127.0.0.1:{port}.", "127.1:{port}", TABLET + ":{port}", "", "localhost:{port}x",
    ],
)  # fmt: skip
@pytest.mark.parametrize("path", ["/board", "/events", "/", "/page/desk.css"])
def test_a_foreign_name_is_refused(desk: Served, host: str, path: str) -> None:
    answer = desk.request("GET", path, host=host.format(port=desk.port) or " ")
    assert status_of(answer) in (400, 421)
    assert b"Tarn Plover" not in answer


@pytest.mark.parametrize("host", ["127.0.0.1:{port}", "localhost:{port}", "LOCALHOST:{port}"])
def test_its_own_names_are_known(desk: Served, host: str) -> None:
    rig.wait_for(lambda: desk.server.feed.current is not None, 30)
    assert status_of(desk.request("GET", "/board", host=host.format(port=desk.port))) == 200


def test_two_names_at_once_or_none_are_refused(desk: Served) -> None:
    own = f"127.0.0.1:{desk.port}"
    for head in (f"Host: {own}\r\nHost: attacker.example", f"Host: attacker.example\r\nHost: {own}", "X: y"):
        answer = desk.raw(f"GET /board HTTP/1.1\r\n{head}\r\nConnection: close\r\n\r\n".encode())
        assert status_of(answer) in (400, 421)
    # the old protocol names no host (RFC 1945)
    assert status_of(desk.raw(b"GET /board HTTP/1.0\r\n\r\n")) == 421


# ------------------------------------------------------------------------------
# Other pages in the same browser.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "origin",
    ["http://attacker.example", "https://127.0.0.1:{port}", "http://127.0.0.1:1", "http://127.0.0.1", "null",
     "http://localhost:{port}", "http://127.0.0.1:{port}.attacker.example", "", "file://"],
)  # fmt: skip
def test_a_foreign_page_enters_nothing(desk: Served, origin: str) -> None:
    before = notes(desk)
    with desk.client(origin=origin.format(port=desk.port)) as client:
        for path in ("/entry/remark", "/plan", "/acknowledge", "/photo", "/leave"):
            assert client.post(path, data={"token": desk.token, "value": "x"}).status_code == 403
    assert notes(desk) == before


def test_a_page_without_origin_enters_nothing(desk: Served) -> None:
    answer = desk.raw(
        f"POST /entry/mark HTTP/1.1\r\nHost: 127.0.0.1:{desk.port}\r\n{FORM}\r\nContent-Length: 7\r\n"
        "Connection: close\r\n\r\n".encode()
        + BODY
    )
    assert status_of(answer) == 403


def test_a_form_of_our_own_page_without_scripts_has_no_origin_and_the_browser_vouches_for_it(desk: Served) -> None:
    """Fetch Standard, "append a request Origin header": with no referrer the origin of a form is "null"."""
    for site, status in (("same-origin", 303), ("cross-site", 403), ("same-site", 403), ("none", 403)):
        with desk.client(origin="null", **{"sec-fetch-site": site, "accept": "text/html"}) as client:
            answer = client.post("/entry/remark", data={"token": desk.token, "value": "calm", "back": "/helm"})
            assert (answer.status_code, answer.headers.get("location")) == (status, "/helm" if status == 303 else None)


def test_a_form_leads_back_to_no_other_place(desk: Served) -> None:
    for back in ("//attacker.example", "http://attacker.example/", "/helm/../x", "javascript:alert(1)"):
        with desk.client(accept="text/html") as client:
            answer = client.post("/entry/remark", data={"token": desk.token, "value": "calm", "back": back})
            assert (answer.status_code, answer.headers["location"]) == (303, "/")


@pytest.mark.parametrize("mode", ["cors", "no-cors", "websocket"])
def test_a_foreign_page_reads_nothing(desk: Served, mode: str) -> None:
    with desk.client(**{"sec-fetch-site": "cross-site", "sec-fetch-mode": mode}) as client:
        assert client.get("/board").status_code == 403
    with desk.client(origin="http://attacker.example") as client:
        answer = client.get("/board")
        assert answer.status_code == 403
        assert not any(name.startswith("access-control-") for name in answer.headers)
        answer = client.options("/board", headers={"access-control-request-method": "POST"})
        assert answer.status_code == 403
        assert not any(name.startswith("access-control-") for name in answer.headers)


def test_a_link_on_another_page_may_lead_here(desk: Served) -> None:
    with desk.client(**{"sec-fetch-site": "cross-site", "sec-fetch-mode": "navigate"}) as client:
        del client.headers["origin"]
        assert client.get("/helm").status_code in (200, 303)


@pytest.mark.parametrize("token", ["", "x", "0" * 22, "é" * 22, "A" * 100_00])
def test_a_form_without_the_right_token_enters_nothing(desk: Served, token: str) -> None:
    before = notes(desk)
    for path in ("/entry/remark", "/plan", "/acknowledge", "/photo", "/leave"):
        assert desk.post(path, {"token": token, "value": "x"}).status_code == 403
        with desk.client() as client:
            assert client.post(path, json={"token": token, "value": "x"}).status_code == 403
            assert client.post(path, json={"value": "x"}).status_code == 403
    reader = desk.server.access.form_token("entry")
    assert desk.post("/entry/remark", {"token": reader, "value": "x"}).status_code == 403
    assert notes(desk) == before


def test_every_route_that_takes_something_asks_for_the_token(desk: Served) -> None:
    routes = [route for part in PARTS for route in part(desk.server.desk)]
    paths = [
        re.sub(r"\{[^}]*\}", "remark", r.path) for r in routes if isinstance(r, Route) and "POST" in (r.methods or ())
    ]
    assert len(paths) >= 5
    for path in paths:
        assert desk.post(path, {"token": "wrong"}).status_code == 403, path


# ------------------------------------------------------------------------------
# Headers, methods, paths.
# ------------------------------------------------------------------------------

EXPECTED = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "cross-origin-resource-policy": "same-origin",
}


@pytest.mark.parametrize("path", ["/", "/board", "/nothing", "/page/nothing.css", "/share", "/fail"])
def test_every_answer_has_its_headers(desk: Served, path: str) -> None:
    with desk.client() as client:
        found = client.get(path)
    assert {name: found.headers.get(name) for name in EXPECTED} == EXPECTED
    policy = dict(part.strip().split(" ", 1) for part in found.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in found.headers["content-security-policy"]
    assert "server" not in found.headers
    with desk.client(host="attacker.example") as client:
        refused = client.get(path)
    assert refused.status_code == 421
    assert refused.headers["x-frame-options"] == "DENY"


@pytest.mark.parametrize(
    "method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND", "get", "X" * 400, "POST", "BREW"]
)
@pytest.mark.parametrize("path", ["/", "/board", "/events", "/page/desk.css", "/nothing"])
def test_other_methods_are_refused(desk: Served, method: str, path: str) -> None:
    answer = desk.request(method, path, f"Origin: http://127.0.0.1:{desk.port}")
    assert status_of(answer) in ((404, 405) if method == "POST" else (405,))
    if status_of(answer) == 405:
        assert b"\r\nallow:" in answer.lower()


@pytest.mark.parametrize("method", ["GET", "HEAD", "PUT", "DELETE"])
@pytest.mark.parametrize("path", ["/entry/mark", "/plan", "/acknowledge", "/photo", "/leave"])
def test_what_is_posted_is_not_had_otherwise(desk: Served, method: str, path: str) -> None:
    before = notes(desk)
    assert status_of(desk.request(method, path)) == 405
    assert notes(desk) == before


def test_a_request_that_is_none_is_refused(desk: Served) -> None:
    for data in (
        b"\0\1\2\3\r\n\r\n",
        b"GET /board HTTP/1.1\r\nHost: a b\r\nno colon\r\n\r\n",
        b"CONNECT attacker.example:443 HTTP/1.1\r\nHost: attacker.example\r\n\r\n",
        b"GET http://attacker.example/board HTTP/1.1\r\nHost: attacker.example\r\nConnection: close\r\n\r\n",
        b"GET /board HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"x" * 200_000 + b"\r\n\r\n",
        b"GET /board HTTP/9.9\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n",
    ):
        assert 400 <= status_of(desk.raw(data, until=lambda got: b"\r\n\r\n" in got)) < 500
    own = f"127.0.0.1:{desk.port}".encode()
    upgrade = b"GET /events HTTP/1.1\r\nHost: %s\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n\r\n" % own
    assert b" 101 " not in desk.raw(upgrade, until=lambda got: b"\r\n\r\n" in got)


TRICKS = [
    "/page/../server.py", "/page/..%2fserver.py", "/page/%2e%2e/server.py", "/page/..%5cserver.py", "/page//etc/passwd",
    "/page/%2fetc%2fpasswd", "/page/C:%5cWindows%5cwin.ini", "/page/.", "/page/..", "/page/%00", "/page/desk.css%00.js",
    "/page/desk.css/", "/page/DESK.CSS", "/page/under_way.html", "/page/__init__.py", "/../session.toml",
    "/%2e%2e/session.toml", "/raw/nmea.log", "/session.toml", "/results/../session.toml", "/page/CON",
    "//attacker.example/%2e%2e", "/share/-1.svg", "/share/99999999999999999999.svg", "/page/%ff%fe", "/helm/..",
    "/page/a" + "b" * 5000, "/board/",
    "/page/desk.css;x", "/page/%E2%80%AEdesk.css", "/share/0.svg/../../session.toml",
]  # fmt: skip


@pytest.mark.parametrize("path", TRICKS)
def test_no_path_of_an_address_reaches_the_disk(desk: Served, path: str, monkeypatch: pytest.MonkeyPatch) -> None:
    page_files()  # read once, when the desk starts
    opened: list[str] = []
    real = Path.open
    monkeypatch.setattr(Path, "open", lambda self, *a, **k: (opened.append(str(self)), real(self, *a, **k))[1])
    answer = desk.request("GET", path)
    assert status_of(answer) == 404
    assert b"lightship" not in answer
    assert b"import" not in answer
    assert not [name for name in opened if "page" in name or "etc" in name]


def test_redirects_lead_only_to_pages_of_the_desk(desk: Served) -> None:
    for path in ("/", "//attacker.example", "/?board&x=//attacker.example"):
        answer = desk.request("GET", path)
        if found := re.search(rb"\r\nlocation: ([^\r]*)", answer, re.IGNORECASE):
            assert found[1] in (b"/dock", b"/after")


def test_a_fault_of_the_program_is_told_without_its_inside(desk: Served) -> None:
    with desk.client() as client:
        answer = client.get("/fail")
    assert (answer.status_code, answer.text) == (500, "something unexpected happened\n")
    assert [type(fault) for fault in desk.faults] == [ZeroDivisionError] * len(desk.faults)
    assert desk.faults
    with desk.client() as client:
        assert client.get("/board").status_code == 200


# ------------------------------------------------------------------------------
# The link.
# ------------------------------------------------------------------------------


def test_without_sharing_other_devices_see_nothing(desk: Served) -> None:
    with desk.tablet() as tablet:
        for path in ("/", "/board", "/events", "/page/desk.css", "/link/" + desk.server.access.cookie()[1]):
            assert tablet.get(path).status_code == 421
    assert desk.server.access.links() == []


def test_the_link_gives_a_cookie_and_the_right_to_read(tmp_path: Path) -> None:
    with serving(empty_session(tmp_path / "day"), sharing="read") as served:
        rig.wait_for(lambda: served.server.feed.current is not None, 30)
        (link,) = served.server.access.links()
        found = re.fullmatch(rf"http://{TABLET}:{served.port}(/link/([A-Za-z0-9_-]{{22}}))", link)
        assert found  # 22 letters of 6 bits hold 128 bits
        with served.tablet(link=False) as tablet:
            for path in ("/", "/board", "/events", "/page/desk.css", "/link/", "/link/" + "A" * 22, "/share"):
                assert tablet.get(path).status_code == 403
            assert tablet.head(found[1]).status_code == 405
            opened = tablet.get(found[1])
            assert (opened.status_code, opened.headers["location"]) == (303, "/")
            cookie = opened.headers["set-cookie"]
            assert "HttpOnly" in cookie
            assert "SameSite=lax" in cookie
            assert found[2] not in opened.headers["location"]
        with served.tablet() as tablet:
            assert tablet.get("/board").status_code == 200
            page = tablet.get("/helm")
            assert page.status_code in (200, 500)
            assert served.token not in page.text
            assert tablet.get("/share").status_code == 403
            assert tablet.get("/share/0.svg").status_code == 404
            for path, token in itertools.product(("/entry/mark", "/plan", "/leave"), ("", served.token)):
                assert tablet.post(path, data={"token": token}).status_code == 403
        # a device that gives itself out for this computer comes from another address
        assert served.server.access.role("192.0.2.99", f"127.0.0.1:{served.port}", "") is None
        with served.client() as client:
            assert 'href="/share"' in client.get("/?board").text
            shown = client.get("/share")
            assert link in shown.text
            assert "everybody on the same wireless network can read" in shown.text
            assert client.get("/share/0.svg").headers["content-type"] == "image/svg+xml"


def test_with_the_right_to_enter_a_device_enters_and_does_not_end_the_day(tmp_path: Path) -> None:
    with serving(empty_session(tmp_path / "day"), sharing="entry") as served, served.tablet() as tablet:
        token = served.server.access.form_token("entry")
        assert tablet.post("/entry/mark", data={"token": token, "by": "Kim"}).status_code == 200
        assert b'"mark"' in notes(served)
        assert tablet.post("/entry/mark", data={"token": served.token}).status_code == 403
        assert tablet.post("/leave", data={"token": token}).status_code == 403
    assert token != served.token


def test_addresses_follow_the_networks_and_never_hold_a_request_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trialcapture.desk.server._ADDRESSES_S", 0.0)
    known, asked, may_tell = ["192.0.2.7"], threading.Event(), threading.Event()
    may_tell.set()

    def look() -> tuple[str, ...]:
        asked.set()
        may_tell.wait(60)
        return tuple(known)

    addresses = SharedAddresses(look)
    assert tuple(addresses()) == ("192.0.2.7",)
    rig.wait_for(lambda: not addresses._is_looking)
    known.append("198.51.100.4")
    may_tell.clear()
    asked.clear()
    assert tuple(addresses()) == ("192.0.2.7",)  # while a system without a name server takes its time
    assert asked.wait(60)
    may_tell.set()
    rig.wait_for(lambda: "198.51.100.4" in addresses())


def test_tokens_are_in_no_output(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(0)
    with serving(empty_session(tmp_path / "day"), sharing="read") as served:
        (link,) = served.server.access.links()
        token = link.rpartition("/")[2]
        with served.tablet(link=False) as tablet:
            tablet.get(f"/link/{token}")
            tablet.get(f"/link/{token}x")
        served.request("GET", f"/link/{token}", host="attacker.example")
        served.raw(b"GET /link/%s HTTP/1.1\r\nbroken\r\n\r\n" % token.encode())
        with served.tablet() as tablet:
            for path in ("/board", "/", "/nothing"):
                assert token not in tablet.get(path).text
    out, err = capfd.readouterr()
    logged = [record.getMessage() for record in caplog.records if not record.name.startswith("http")]
    assert token not in out + err + "".join(logged)
    assert served.token not in out + err + "".join(logged)


def test_tokens_differ_by_desk_role_and_right() -> None:
    made = [Access(8765, secret, sharing) for secret in (b"a" * 32, b"b" * 32) for sharing in ("read", "entry")]
    tokens = [token for a in made for token in (a.form_token("owner"), a.form_token("entry"))]
    assert len({t for a in made for t in (a.cookie()[1],)} | set(tokens)) == 4 + 4  # forms do not depend on the right
    assert made[0].form_token("reader") == ""
    assert not made[0].is_form_token("reader", "")
    assert not Access(8765, b"a" * 32, "none").is_share_token(Access(8765, b"a" * 32, "none").cookie()[1])


def test_the_secret_is_kept_for_a_day_and_for_one_session(tmp_path: Path) -> None:
    one, other = Day(session=tmp_path / "one"), Day(session=tmp_path / "other")
    now = time.time()
    first = desk_secret(one, now)
    assert len(first) == 32
    assert desk_secret(one, now + 3600) == first
    assert desk_secret(other, now) != first
    assert desk_secret(one, now + 25 * 3600) != first


def picture_of_path(svg: str) -> np.ndarray:
    """The modules of a QR code, black where a line is drawn ("M", "m" and "h" of SVG 2, 9.3)."""
    size = int(re.findall(r'd="M0 0h(\d+)v', svg)[0])
    drawn = np.full((size, size), 255, np.uint8)
    (path,) = re.findall(r'class="qrline"[^>]* d="([^"]+)"', svg)
    x = y = 0.0
    for order, numbers in re.findall(r"([Mmh])([-\d. ]+)", path):
        given = [float(n) for n in numbers.split()]
        if order == "h":
            drawn[int(y), int(x) : int(x + given[0])] = 0
            x += given[0]
        else:
            x, y = (given[0], given[1]) if order == "M" else (x + given[0], y + given[1])
    return drawn


def picture_of_text(text: str) -> np.ndarray:
    """The same of blocks on a dark terminal, two rows a line."""
    halves = {"█": (255, 255), "▀": (255, 0), "▄": (0, 255), " ": (0, 0)}
    lines = [[halves[c] for c in line] for line in text.splitlines()]
    rows = [[cell[half] for cell in line] for line in lines for half in (0, 1)]
    return np.array(rows, np.uint8)


@pytest.mark.parametrize("address", [TABLET, "192.168.100.200"])
def test_the_qr_code_says_the_link(address: str) -> None:
    """Read back by zxing-cpp, another implementation of ISO/IEC 18004."""
    link = f"http://{address}:8765/link/{'Az0_-' * 4}9Z"
    assert "<script" not in qr_svg(link).decode()
    for modules in (picture_of_path(qr_svg(link).decode()), picture_of_text(qr_text(link))):
        large = np.kron(np.pad(modules, 4, constant_values=255), np.ones((6, 6), np.uint8))
        (found,) = zxingcpp.read_barcodes(large)
        assert found.text == link
    assert max(map(len, qr_text(link).splitlines())) <= 60


# ------------------------------------------------------------------------------
# Who asks for too much.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["length", "chunks"])
def test_a_body_beyond_its_bound_is_refused(desk: Served, kind: str) -> None:
    before = notes(desk)
    head = f"POST /plan HTTP/1.1\r\nHost: 127.0.0.1:{desk.port}\r\nOrigin: http://127.0.0.1:{desk.port}\r\n{FORM}\r\n"
    if kind == "length":
        answer = desk.raw(
            f"{head}Content-Length: 99999999999\r\n\r\nvalue=".encode(), until=lambda got: b"\r\n\r\n" in got
        )
    else:
        chunk = b"8000\r\n" + b"x" * 0x8000 + b"\r\n"
        answer = desk.raw(
            f"{head}Transfer-Encoding: chunked\r\n\r\n".encode() + chunk * 20, until=lambda got: b"\r\n\r\n" in got
        )
    assert status_of(answer) == 413
    assert notes(desk) == before


def test_forms_of_odd_kinds_are_refused_in_words(desk: Served) -> None:
    with desk.client() as client:
        head = {"content-type": "text/xml"}
        assert client.post("/entry/mark", content=b"<x/>", headers=head).status_code == 415
        json = {"content-type": "application/json"}
        for body in (
            b"",
            b"{",
            b"[]",
            b'{"a":{"b":1}}',
            b"[" * 5000,
            b'{"a":' + b"9" * 400 + b"}",
            b'"x"',
            b"\xff\xfe",
        ):
            assert client.post("/entry/mark", content=body, headers=json).status_code == 400, body[:20]
        for head in ("multipart/form-data", "multipart/form-data; boundary=x"):
            body = b"--x\r\nContent-Disposition: form-data\r\n\r\n" if "boundary" in head else b"x"
            assert client.post("/entry/mark", content=body, headers={"content-type": head}).status_code in (400, 403)
        part = b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n1\r\n--x--\r\n'
        odd = [
            part[:n] + bytes([letter]) + part[n + 1 :] for n in range(0, len(part), 5) for letter in (0, 13, 34, 255)
        ]
        for body in (b"", b"--x--", b"--y\r\n", b"--x\r\n" * 50, part * 3, *odd):
            head = {"content-type": "multipart/form-data; boundary=x"}
            assert client.post("/entry/mark", content=body, headers=head).status_code in (400, 403), body
        for kind in ("boundary=", "boundary=" + "x" * 5000, 'boundary="', "charset=utf-7; boundary=x"):
            head = {"content-type": f"multipart/form-data; {kind}"}
            assert client.post("/entry/mark", content=part, headers=head).status_code in (400, 403), kind
        many = "&".join(f"f{n}=1" for n in range(5000))
        form = {"content-type": "application/x-www-form-urlencoded"}
        assert client.post("/entry/mark", content=many, headers=form).status_code == 400
        files = [("photo", (f"{n}.jpg", b"x")) for n in range(5)]
        assert client.post("/photo", data={"token": desk.token}, files=files).status_code == 400
    assert desk.faults == [] or {type(f) for f in desk.faults} == {ZeroDivisionError}


def test_a_head_that_does_not_come_ends_the_connection(tmp_path: Path) -> None:
    def quick(server: object) -> None:
        connections: Connections = server._connections  # type: ignore[attr-defined]
        connections.head_s = 0.3
        server._server.config.timeout_keep_alive = 0.3  # type: ignore[attr-defined]  a request that has begun

    with serving(empty_session(tmp_path / "day"), change=quick) as served:
        with socket.create_connection(("127.0.0.1", served.port), timeout=30) as slow:
            slow.sendall(b"GET /board HT")
            assert slow_end(slow) == b""
        with socket.create_connection(("127.0.0.1", served.port), timeout=30) as slow:
            own = f"127.0.0.1:{served.port}".encode()
            slow.sendall(b"GET /nothing HTTP/1.1\r\nHost: %s\r\n\r\nGET /boa" % own)
            assert slow_end(slow).count(b"HTTP/1.1") == 1


def slow_end(line: socket.socket) -> bytes:
    got = b""
    try:
        while part := line.recv(1 << 16):
            got += part
    except ConnectionError:
        pass
    return got


def test_a_body_that_does_not_come_ends_the_request(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(rules, "BODY_S", 0.3)
    with serving(empty_session(tmp_path / "day")) as served:
        own = f"127.0.0.1:{served.port}"
        head = (
            f"POST /plan HTTP/1.1\r\nHost: {own}\r\nOrigin: http://{own}\r\n{FORM}\r\nContent-Length: 100\r\n\r\nvalue="
        )
        assert status_of(served.raw(head.encode(), until=lambda got: b"\r\n\r\n" in got)) == 408


def test_a_client_that_takes_nothing_is_dropped_and_others_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rules, "SEND_S", 0.5)
    with serving(empty_session(tmp_path / "day")) as served:
        served.board["filler"] = ["x" * 1000] * 1000
        with socket.socket() as slow:
            slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            slow.connect(("127.0.0.1", served.port))
            slow.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n".encode())
            rig.wait_for(lambda: served.server.feed.streams == 1, 30)
            change = threading.Event()

            def go_on() -> None:
                while not change.wait(0.05):
                    served.board["elapsed_s"] = time.monotonic()

            worker = threading.Thread(target=go_on)
            worker.start()
            try:
                rig.wait_for(lambda: served.server.feed.streams == 0, 60)
            finally:
                change.set()
                worker.join()
            with served.client() as client:
                assert client.get("/board").status_code == 200
        assert served.faults == []


def test_a_hundred_clients_all_get_boards_and_more_than_can_be_are_refused(tmp_path: Path) -> None:
    def few(server: object) -> None:
        connections: Connections = server._connections  # type: ignore[attr-defined]
        connections.most = 110

    with serving(empty_session(tmp_path / "day"), change=few) as served:
        rig.wait_for(lambda: served.server.feed.current is not None, 30)
        lines = []
        try:
            for _ in range(100):
                line = socket.create_connection(("127.0.0.1", served.port), timeout=30)
                lines.append(line)
                line.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n".encode())
            for line in lines:
                got = b""
                while b"event: board" not in got:
                    part = line.recv(1 << 16)
                    assert part
                    got += part
            assert served.server.feed.streams == 100
            with served.client() as client:
                assert client.get("/board").status_code == 200
            more = [socket.create_connection(("127.0.0.1", served.port), timeout=30) for _ in range(40)]
            lines += more
            own = f"GET /board HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nConnection: close\r\n\r\n".encode()
            answers = []
            for line in more:
                try:
                    line.sendall(own)
                    answers.append(status_of(slow_end(line)))
                except ConnectionError:
                    answers.append(0)
            assert 0 < answers.count(200) <= 40
            assert set(answers) <= {0, 200}
        finally:
            for line in lines:
                line.close()
        rig.wait_for(lambda: served.server.feed.streams == 0, 30)
        with served.client() as client:
            assert client.get("/board").status_code == 200


def test_one_device_does_not_take_the_place_of_all() -> None:
    """Connections of others are counted by address, and some are kept for this computer."""

    class Line:
        def abort(self) -> None:
            raise AssertionError("nothing is ended here")

    async def run() -> None:
        connections = Connections(most=60)
        line: object = Line()
        taken = [connections.take(("192.0.2.9", n), line) for n in range(40)]  # type: ignore[arg-type]
        assert taken.count(True) == rules.MOST_OF_ONE_ADDRESS
        others = [connections.take((f"192.0.2.{n}", 1), line) for n in range(10, 100)]  # type: ignore[arg-type]
        assert others.count(True) == 60 - rules.KEPT_FOR_OWNER - rules.MOST_OF_ONE_ADDRESS
        own = [connections.take(("127.0.0.1", n), line) for n in range(20)]  # type: ignore[arg-type]
        assert own.count(True) == rules.KEPT_FOR_OWNER
        for n in range(40):
            connections.lost(("192.0.2.9", n))
        assert connections.take(("192.0.2.9", 1), line)  # type: ignore[arg-type]
        for key in list(connections._open):
            connections.lost(key)

    import asyncio  # noqa: PLC0415

    asyncio.run(run())
