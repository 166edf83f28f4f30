"""Boards reach whoever looks: whole, newest first after a break, each second at least, and in the reader's units.

The stream is read here by a reader written from the HTML Standard, 9.2 "Server-sent events" (from memory).
"""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pint
import pytest

from tests import rig
from tests.desk.served import Served, empty_session, sample_board, serving
from trialcapture.desk.access import MOST_STREAMS
from trialcapture.desk.board_stream import ShownNumbers
from trialcapture.desk.server import DeskServer
from trialcapture.errors import TrialCaptureError
from trialcapture.pipeline.live_board import BandSoFar, CurrentSoFar, Now
from trialcapture.report.format import ReaderUnits


class Stream:
    """Reads events as a browser does; the body comes in chunks (RFC 9112, 7.1)."""

    def __init__(self, line: socket.socket) -> None:
        self._file = line.makefile("rb")
        self.status = int(self._file.readline().split()[1])
        self.headers: dict[str, str] = {}
        while (text := self._file.readline().strip()) != b"":
            name, _, value = text.decode().partition(":")
            self.headers[name.lower()] = value.strip()
        self._text = b""
        self.retry_ms = 0

    def event(self) -> dict[str, str] | None:
        """The next event, None where the stream has ended."""
        told: dict[str, str] = {}
        while True:
            while b"\n" not in self._text:
                size = int(self._file.readline().strip() or b"0", 16)
                if size == 0:
                    return None
                self._text += self._file.read(size)
                self._file.readline()
            text, self._text = self._text.split(b"\n", 1)
            if not text and told.get("data") is not None:
                return told
            name, _, value = text.decode().partition(":")
            if name == "retry":
                self.retry_ms = int(value)
            elif name:
                told[name] = value.removeprefix(" ")

    def board(self, wanted: Callable[[Mapping[str, Any]], bool] = lambda _: True) -> tuple[str, dict[str, Any]]:
        """The next board that is as wanted, with its id."""
        while (event := self.event()) is not None:
            if event["event"] == "board" and wanted(board := json.loads(event["data"])):
                return event["id"], board
        raise AssertionError("the stream has ended")


@contextmanager
def streaming(served: Served, last_id: str = "") -> Iterator[Stream]:
    with socket.create_connection(("127.0.0.1", served.port), timeout=60) as line:
        last = f"Last-Event-ID: {last_id}\r\n" if last_id else ""
        line.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n{last}\r\n".encode())
        yield Stream(line)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Served]:
    with serving(empty_session(tmp_path / "day")) as served:
        yield served


def test_a_board_comes_at_once_and_whenever_it_changes(desk: Served) -> None:
    with streaming(desk) as stream:
        assert (stream.status, stream.headers["content-type"]) == (200, "text/event-stream; charset=utf-8")
        assert stream.headers["cache-control"] == "no-store"
        first, board = stream.board()
        assert board["boat"] == "Tarn Plover"
        assert stream.retry_ms > 0
        for seconds in (1.0, 2.0, 3.0):
            desk.board["elapsed_s"] = seconds
            name, board = stream.board(lambda b, s=seconds: b["elapsed_s"] == s)  # type: ignore[misc]
            assert name != first
        with desk.client() as client:
            assert client.get("/board").json()["elapsed_s"] == 3.0


def test_a_board_comes_each_second_though_nothing_changes_and_no_faster(desk: Served) -> None:
    with streaming(desk) as stream:
        stream.board()
        names = [stream.board()[0] for _ in range(2)]
        assert len(set(names)) == 2
    # what changes with every board is no news by itself: the numbers of the events show how many were made
    before, began = int(names[-1].rpartition("-")[2]), time.monotonic()
    for _ in range(20):
        desk.board["data_age_s"], desk.board["made_at"] = time.monotonic(), str(time.monotonic())
        time.sleep(0.05)
    with streaming(desk) as stream:
        made = int(stream.board()[0].rpartition("-")[2]) - before
    assert made <= (time.monotonic() - began) + 2.0


def test_a_client_that_comes_back_is_sent_what_it_has_not(desk: Served) -> None:
    with streaming(desk) as stream:
        last, _ = stream.board()
    with streaming(desk, last) as stream:
        name, _ = stream.board()
        assert name != last
    with streaming(desk, "of-another-desk-7") as stream:
        stream.board()
    with streaming(desk, "<x>\t" + "9" * 500) as stream:
        stream.board()


def test_clients_reconnect_to_a_desk_that_was_killed_and_started_again(tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day")
    with serving(folder) as served:
        port, token = served.port, served.token
        with streaming(served) as stream:
            last, _ = stream.board()
            served.server.end()
            while stream.event() is not None:
                pass
    with serving(folder, port=port, elapsed_s=7.0) as served:
        with streaming(served, last) as stream:
            name, board = stream.board()
            assert (board["elapsed_s"], name == last) == (7.0, False)
        # pages that were open enter on: the token is that of the day
        assert served.token == token
        assert served.post("/entry/mark", {"token": token}).status_code == 200


def test_the_desk_ends_though_streams_are_open(tmp_path: Path) -> None:
    with serving(empty_session(tmp_path / "day")) as served, streaming(served) as stream:
        stream.board()
        served.server.end()
        while stream.event() is not None:
            pass


def test_a_board_that_cannot_be_made_is_said_and_the_stream_lives(tmp_path: Path) -> None:
    broken = [True]

    def change(server: DeskServer) -> None:
        read = server.feed._read

        def read_or_fail() -> Any:
            if broken[0] is True:
                raise TrialCaptureError("the journal cannot be read", where="raw/nmea.log")
            if broken[0] == "fault":
                raise ZeroDivisionError("x")
            return read()

        server.feed._read = read_or_fail  # type: ignore[method-assign]

    with serving(empty_session(tmp_path / "day"), change=change) as served, streaming(served) as stream:
        rig.wait_for(lambda: served.server.feed.trouble, 30)
        while (event := stream.event()) is not None and not json.loads(event["data"])["trouble"]:
            assert event["event"] == "alive"
        assert event is not None
        assert "the journal cannot be read" in json.loads(event["data"])["trouble"]
        with served.client() as client:
            answer = client.get("/board")
            assert (answer.status_code, "journal" in answer.json()["error"]) == (503, True)
        broken[0] = "fault"  # type: ignore[call-overload]
        rig.wait_for(lambda: "ZeroDivisionError" in served.server.feed.trouble, 30)
        broken[0] = False
        assert stream.board()[1]["boat"] == "Tarn Plover"
        assert served.server.feed.trouble == ""


def test_a_head_of_the_stream_alone_ends(desk: Served) -> None:
    with desk.client() as client:
        answer = client.head("/events")
    assert (answer.status_code, answer.headers["content-type"]) == (200, "text/event-stream; charset=utf-8")


def test_more_streams_than_can_be_are_refused_in_words(desk: Served) -> None:
    desk.server.feed.streams = MOST_STREAMS
    with desk.client() as client:
        answer = client.get("/events")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "5")
    desk.server.feed.streams = 0


def test_a_board_is_json_whatever_is_in_it(desk: Served) -> None:
    desk.board["boat"] = text = "a\nb\r\n\ndata: x\n\nevent: y\u2028\u0000\ud83d"
    with streaming(desk) as stream:
        _, board = stream.board(lambda b: b["boat"] == text)
    assert board["boat"] == text


# ------------------------------------------------------------------------------
# The reader's units.
# ------------------------------------------------------------------------------

BANDS = (
    BandSoFar("2000 rpm", 2003.4, 14.237, 0.11, 61.04, 0.23326, 2, (), 1.7, 0.0071),
    BandSoFar("1000 rpm", 1001.0, 7.1, None, None, None, 1, ("one_way",)),
)


@pytest.mark.parametrize("system", ["metric", "us", "imperial"])
def test_shown_numbers_agree_with_another_library(system: str) -> None:
    """Conversions beside those of pint, whose factors are those of NIST SP 811."""
    board = sample_board(bands=BANDS, current=CurrentSoFar(0.62, 359.7, 0.08))
    shown = ShownNumbers(ReaderUnits(system)).of(board)  # type: ignore[arg-type]
    quantity = pint.UnitRegistry().Quantity
    other = {
        "metric": ("liter", "meter"), "us": ("gallon", "foot"), "imperial": ("imperial_gallon", "foot"),
    }[system]  # fmt: skip
    now = board["now"]
    expected = {
        "sog_kn": now["sog_kn"],
        "depth_m": quantity(now["depth_m"], "meter").to(other[1]).magnitude,
        "fuel_l_per_h": quantity(now["fuel_l_per_h"], "liter/hour").to(f"{other[0]}/hour").magnitude,
        "economy_nm_per_l": quantity(now["economy_nm_per_l"], "nautical_mile/liter")
        .to(f"nautical_mile/{other[0]}")
        .magnitude,
    }
    for name, value in expected.items():
        entry = shown["now"][name]
        assert entry["value"] == pytest.approx(value, rel=1e-9)
        decimals = len(entry["text"].partition(".")[2])
        assert float(entry["text"]) == pytest.approx(value, abs=0.5000001 * 10.0**-decimals)
    assert shown["now"]["stw_kn"]["text"] == "–"
    assert shown["now"]["cog_true_deg"]["text"] == "000"
    assert shown["now"]["engines"] == [
        {"id": "port", "rpm": {"text": "2003", "unit": "rpm", "value": 2003.0},
         "fuel_l_per_h": shown["now"]["engines"][0]["fuel_l_per_h"],
         "trim_pct": {"text": "–", "unit": "%", "value": None}}
    ]  # fmt: skip
    fuel = shown["bands"][0]["fuel_l_per_h"]
    assert fuel["value"] == pytest.approx(quantity(61.04, "liter/hour").to(f"{other[0]}/hour").magnitude, rel=1e-9)
    pm = shown["bands"][0]["fuel_pm_l_per_h"]
    assert len(pm["text"].partition(".")[2]) == len(fuel["text"].partition(".")[2])
    assert shown["bands"][1]["fuel_l_per_h"]["text"] == "–"
    assert shown["units"]["fuel"] == {"metric": "L/h", "us": "gal/h", "imperial": "imp gal/h"}[system]
    assert (shown["current"]["speed_kn"]["text"], shown["current"]["towards_deg"]["text"]) == ("0.6", "000")


def test_shown_numbers_of_an_empty_board_are_dashes() -> None:
    shown = ShownNumbers(ReaderUnits()).of(sample_board(now=Now()))
    texts = [value["text"] for name, value in shown["now"].items() if name != "engines"]
    assert set(texts) == {"–"}
    assert (shown["bands"], shown["current"]) == ([], None)


def test_a_board_of_the_desk_has_the_readers_units(tmp_path: Path) -> None:
    folder = empty_session(tmp_path / "day", '[boat]\nname = "Tarn Plover"\n[report]\nunits = "us"\n')
    with serving(folder) as served, streaming(served) as stream:
        _, board = stream.board()
        assert board["shown"]["now"]["depth_m"]["unit"] == "ft"
        assert board["now"]["depth_m"] == 22.5
