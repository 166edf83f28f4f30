"""Hand the program sessions that somebody made to do harm, and look what it does.

    python -m tests.faults.strangers

Each case takes a sound simulated session, spoils it, and runs one command on it in a process of its own. The command
must end with a named fault (exit code 1) or with a right result (the band table of the sound session, byte for byte),
in bounded memory and time; nothing outside the session may have changed or appeared. The count printed is of cases.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import json
import os
import pickle
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from tests import rig
from trialcapture.archive.manifest import write_manifest

ROOT = Path(__file__).parents[2]
MOST_MEMORY_MB = 1500
"""Peak of one command; the sound session takes about 400."""
MOST_S = 240.0
_CALM = ("something unexpected", "Traceback", "fault of the program")

Spoil = Callable[[Path, Path], None]
"""Is given the session and a folder beside it that is none of its business."""


@dataclass(frozen=True)
class Case:
    """One hostile session.

    Attributes:
        name: What is wrong with it.
        spoil: Makes it so.
        command: Run on it; ``{s}`` stands for the session, ``{o}`` for the folder beside it.
        ends: ``named``: must be refused; ``right``: must give the sound result; ``either``: a fault or any result.
        says: Must stand in what is printed.
    """

    name: str
    spoil: Spoil
    command: tuple[str, ...]
    ends: str
    says: str = ""


CASES: list[Case] = []


def case(name: str, *command: str, ends: str = "named", says: str = "") -> Callable[[Spoil], Spoil]:
    def keep(spoil: Spoil) -> Spoil:
        CASES.append(Case(name, spoil, command or ("process", "{s}"), ends, says))
        return spoil

    return keep


def _link(place: str, target: str | None = None) -> Spoil:
    """Put a link to the folder beside the session, or to some path, in place of what was there."""

    def spoil(s: Path, o: Path) -> None:
        path = s / place
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, o / path.name)
            shutil.rmtree(path)
            goal = o / path.name
        else:
            path.parent.mkdir(parents=True, exist_ok=True)
            goal = o / "precious"
            if path.exists():
                shutil.copy(path, o / path.name)
                path.unlink()
                goal = o / Path(place).name
        path.symlink_to(target or goal)

    return spoil


def _links() -> None:
    for place in (
        "raw",
        "raw/engine",
        "raw/nmea.log",
        "raw/notes.jsonl",
        "raw/photos",
        "session.toml",
        "manifest.json",
    ):
        case(f"{place} is a link", says="symbolic link")(_link(place))
    for place in ("reduction", "trialset", "trialset/work", "reduction/bands.csv", "trialset/samples.parquet"):
        case(f"{place} is a link", says="symbolic link")(_link(place))
    case("the notes are a link to an endless device", says="symbolic link")(_link("raw/notes.jsonl", "/dev/zero"))
    case("the settings are a link to an endless device", says="symbolic link")(_link("session.toml", "/dev/zero"))
    case("raw/photos is a link to itself", says="symbolic link")(_link("raw/photos", "photos"))
    case("verify: the log is a link", "verify", "{s}", says="symbolic link")(_link("raw/nmea.log"))
    case("verify: raw/engine is a link", "verify", "{s}", says="symbolic link")(_link("raw/engine"))
    review = ("review", "{s}", "--exclude", "1", "--reason", "x", "--by", "y")
    case("review: the lock is a link", *review, says="symbolic link")(_link("recorder.lock"))
    case("collect: raw/engine is a link", "collect", "--engine-log", "{o}/precious", "--into", "{s}")(
        _link("raw/engine")
    )
    for place in ("raw/notes.jsonl", "raw/nmea.log", "raw/engine/more.csv", "manifest.json", "session.toml"):

        @case(f"{place} is a named pipe", says="named pipe")
        def _(s: Path, o: Path, place: str = place) -> None:
            (s / place).unlink(missing_ok=True)
            os.mkfifo(s / place)

    for name in ("another session's folder",):

        @case(f"reduction is a link to {name}", says="symbolic link")
        def _(s: Path, o: Path) -> None:
            shutil.copy(s / "session.toml", o / "session.toml")
            shutil.rmtree(s / "reduction", ignore_errors=True)
            (s / "reduction").symlink_to(o)


_links()


@case("a socket lies in raw", says="socket")
def _(s: Path, o: Path) -> None:
    here = Path.cwd()
    os.chdir(s / "raw")  # the path of a socket has at most some hundred letters
    try:
        socket.socket(socket.AF_UNIX).bind("x.log")
    finally:
        os.chdir(here)


@case("a result has a second name elsewhere", ends="right")
def _(s: Path, o: Path) -> None:
    (s / "reduction").mkdir(exist_ok=True)
    os.link(o / "precious", s / "reduction" / "bands.csv")


@case("a folder stands where samples belong", ends="either")
def _(s: Path, o: Path) -> None:
    (s / "trialset").mkdir(exist_ok=True)
    (s / "trialset" / "samples.parquet").mkdir()


def _manifest(change: Callable[[dict[str, object]], object]) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        path = s / "manifest.json"
        content = json.loads(path.read_text())
        path.write_text(json.dumps(change(content)).replace('"TEXT', "").replace('TEXT"', ""))

    return spoil


def _with_entry(path: str, size: object = 7) -> Callable[[dict[str, object]], object]:
    return lambda m: {**m, "files": [*m["files"], {"path": path, "sha256": "0" * 64, "bytes": size}]}  # type: ignore[misc]


for _name in ("../outside/precious", "/etc/passwd", "raw/../../outside/precious", "raw/a\nb", "", "C:/x", "raw//x"):
    case(f"verify: the manifest lists {_name!r}", "verify", "{s}", says="lists a file that is not there")(
        _manifest(_with_entry(_name))
    )
case("verify: a size of 10^30 bytes", "verify", "{s}")(_manifest(_with_entry("raw/x", 10**30)))
case("verify: a manifest nested a million deep", "verify", "{s}", says="nested")(
    lambda s, o: (s / "manifest.json").write_text("[" * 1_000_000) and None
)
case("verify: a manifest that is a number", "verify", "{s}")(_manifest(lambda m: 7))
case("collect: a manifest with a file outside", "collect", "--engine-log", "{o}/engines.csv", "--into", "{s}")(
    _manifest(_with_entry("../outside/precious"))
)


def _bomb_log(pack: Callable[[int], bytes]) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        (s / "raw" / "nmea.log").unlink()
        (s / "raw" / "nmea.log.x").write_bytes(pack(4 << 30))
        (s / "raw" / "nmea.log.x").rename(s / "raw" / ("nmea.log.zst" if pack is not _gzip_bomb else "nmea.log.gz"))

    return spoil


_LINE = rig.sentence("GPHDT,274.07,T")


def _zst_bomb(size: int) -> bytes:
    import zstandard  # noqa: PLC0415

    pack = zstandard.ZstdCompressor(level=19).compressobj()
    block = _LINE * 100_000
    return b"".join(pack.compress(block) for _ in range(size // len(block))) + pack.flush()


def _gzip_bomb(size: int) -> bytes:
    member = gzip.compress(b"\n" * (256 << 20))
    return member * (size // (256 << 20))


def _wide_window(size: int) -> bytes:
    # RFC 8878, 3.1.1.1: a frame header with a window of 2 GiB and no content size, then one empty last block
    return b"\x28\xb5\x2f\xfd\x00\xa8\x01\x00\x00"


case("a log of 4 GiB packed into some kB of .zst", says="unpacks to more")(_bomb_log(_zst_bomb))
case("a log of 4 GiB packed into .gz", says="unpacks to more")(_bomb_log(_gzip_bomb))
case("a packed log that asks for a window of 2 GiB", says="memory")(_bomb_log(_wide_window))


def _settings(change: Callable[[str], str], *, size: int = 0) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        path = s / "session.toml"
        path.write_text(change(path.read_text()), newline="\n")
        path.write_bytes(path.read_bytes() + b"#" * size)

    return spoil


def _key(old: str, new: str) -> Spoil:
    def change(text: str) -> str:
        assert old in text, old
        return text.replace(old, new, 1)

    return _settings(change)


case("settings nested 100,000 deep", says="nested")(_settings(lambda t: t + "\n[x]\na = " + "[" * 100_000))
case("a key of half a million parts", says="parts")(
    _settings(lambda t: t + "\n[x]\n" + ".".join("a" * 450_000) + " = 1")
)
case("settings of 100,000 keys", says="keys")(
    _settings(lambda t: t + "\n[x]\n" + "\n".join(f"a{i}=1" for i in range(99_999)))
)
case("settings of 64 MB", says="larger")(_settings(lambda t: t, size=64 << 20))
case("a whole number of 5,000 digits", says="64 bits")(_key("persons = 5", "persons = " + "9" * 5000))
case("an infinite length", says="length_m")(_key("length_m = 16.8", "length_m = inf"))
case("a length of 1e308 m", ends="either")(_key("length_m = 16.8", "length_m = 1e308"))
case("a mass of 1e308 kg", ends="either")(_key("lightship_kg = 21500.0", "lightship_kg = 1e308"))
case("a tank of 1e308 L", ends="either")(_key("capacity_l = 2200.0", "capacity_l = 1e308"))
case("a gear ratio of 5e-324", ends="either")(_key("gear_ratio = 1.78", "gear_ratio = 5e-324"))
case("an engine of 1e308 rpm", ends="either")(_key("rated_rpm = 2300.0", "rated_rpm = 1e308"))
case("a band at 1e308 rpm", ends="either")(_key("    2320.0,", "    1e308,"))
case("an offset of 1e308", says="offset")(_key('unit = "rpm"', 'unit = "rpm"\noffset = 1e308'))
case("a scale of 1e308", says="scale")(_key('unit = "rpm"', 'unit = "rpm"\nscale = 1e308'))
case("a clock 291 years off", ends="either")(
    _key('time_format = "iso"', 'time_format = "iso"\nclock = {method="fixed", offset_s=9.1e9}')
)
case("an encoding that is none of a file", says="encoding")(_key('timezone = "+00:00"', 'encoding = "idna"'))
case("an encoding of a thousand letters", says="encoding")(_key('timezone = "+00:00"', f'encoding = "{"x" * 1000}"'))
case("a time zone outside its folder", says="timezone")(_key('timezone = "+00:00"', 'timezone = "../../../etc/passwd"'))
case("a pattern of files that leads outside", ends="either")(
    _key('files = "engines.csv"', 'files = "../../../outside/*"')
)
case("settings that are no UTF-8")(lambda s, o: (s / "session.toml").write_bytes(b"\xff\xfe\x00") and None)
case("a file entry of wrong types")(
    _settings(
        lambda t: (
            t.replace("[session]", '[session]\nfile = [{path=1, original=[], sha256={}, bytes="x", added=inf}]')
            if "[session]" in t
            else t
        )
    )
)
case("a name of the session with line ends and escapes", ends="right")(
    _settings(lambda t: re.sub(r'(?m)^id = "2.*"$', r'id = "../../x\\u001b[2J\\n\\u202e=1+1"', t))
)


def _notes(*lines: bytes | str) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        with (s / "raw" / "notes.jsonl").open("ab") as file:
            file.writelines((line if isinstance(line, bytes) else line.encode()) + b"\n" for line in lines)
        write_manifest(s)

    return spoil


def _made(make: Callable[[], Spoil]) -> Spoil:
    """Make something large only when it is needed: the memory of this process counts with that of the command."""

    def spoil(s: Path, o: Path) -> None:
        make()(s, o)

    return spoil


_T = '"t":"2026-05-14T08:40:00Z"'
_KINDS = (
    *("mark", "trim", "sea", "sound", "remark", "reading", "measure", "finding", "photo", "load", "hole", "start"),
    *("resume", "stop", "gap", "lost", "silent", "overflow", "exclude", "include", "relabel", "review-undo"),
)
_ODD = (
    "null",
    "true",
    "[]",
    "{}",
    '{"a":{"b":[1]}}',
    "-1",
    "9223372036854775807",
    "1e300",
    '""',
    '"\\u0000\\ud800"',
    '"0202-01-01T00:00:00Z"',
)
case("a note of the year 202", ends="right")(_notes('{"t":"0202-05-14T08:40:00Z","kind":"mark"}'))
case("a note of the year 9999", ends="right")(_notes('{"t":"9999-12-31T23:59:59.999999Z","kind":"mark"}'))
case("a note of the year 99999", ends="right")(_notes('{"t":"99999-05-14T08:40:00Z","kind":"mark"}'))
case("notes with NaN, Infinity and 1e999", ends="right")(
    _notes(*(f'{{{_T},"kind":"sea","value":{v}}}' for v in ("NaN", "Infinity", "1e999", "9" * 400)))
)
case("a note nested 100,000 deep", ends="right")(_notes("[" * 100_000, '{"a":' * 100_000))
case("a note of 8 MB", ends="right")(_made(lambda: _notes(f'{{{_T},"kind":"sea","value":"{"x" * (8 << 20)}"}}')))
case("notes of 100 MB", says="larger")(
    _made(lambda: _notes(*(f'{{{_T},"kind":"sea","value":"{"x" * 500_000}"}}' for _ in range(200))))
)
case("half a character in a note", ends="right")(
    _notes(f'{{{_T},"kind":"sea","value":"\\ud800\\udfff\\ud800"}}', b"\xff\xfe\x00")
)
case("every kind of note with values of wrong types", ends="either")(
    _notes(
        *(
            f'{{{_T},"kind":"{k}","value":{v},"unit":{v},"where":{v},"by":{v},"mono_us":{v},"source":{v},"from_us":{v},"to_us":{v},"sources":{v},"reason":{v},"start":{v},"segment_id":{v},"band_rpm":{v},"file":{v},"epoch_wall_ns":{v}}}'
            for k in _KINDS
            for v in _ODD
        )
    )
)
case("verify: every kind of note with values of wrong types", "verify", "{s}", ends="either")(CASES[-1].spoil)
case("review: every kind of note with values of wrong types", "review", "{s}", ends="either")(CASES[-1].spoil)
case("a photo note that names a file outside", ends="either")(
    _notes(f'{{{_T},"kind":"photo","file":"../../outside/precious","sha256":"0"}}')
)
case("a trim note that is a formula", ends="either")(
    _notes('{"t":"2026-05-14T08:30:14Z","kind":"trim","value":"=HYPERLINK(\\"http://x\\")","by":"+x"}')
)
case("a trim note with markup", ends="either")(
    _notes(
        '{"t":"2026-05-14T08:30:14Z","kind":"trim","value":"</svg><script>alert(1)</script>]]>&\\u001b[2J","by":"x"}'
    )
)


def _engine(data: Callable[[], bytes]) -> Spoil:
    return lambda s, o: (s / "raw" / "engine" / "engines.csv").write_bytes(data()) and None


_HEAD = (
    b"Time,Engine speed port (rpm),Fuel rate port (L/h),Load port (%),"
    b"Engine speed stbd (rpm),Fuel rate stbd (L/h),Load stbd (%)"
)


def _cells(first: bytes) -> bytes:
    return _HEAD + b"\n" + b"".join(first + b",%d,1.2,0,600,1.2,0\n" % (600 + n) for n in range(300))


case("an engine log of a million columns", says="columns")(
    _engine(lambda: _HEAD + b",x" * 1_000_000 + b"\n" + b"1," * 1_000_000 + b"\n")
)
case("an engine log of one line of 300 MB")(_engine(lambda: b"1," * 150_000_000))
case("an engine log of one heading and one line of 300 MB")(_engine(lambda: _HEAD + b"\n" + b"1," * 150_000_000))
case("an engine log of quotes")(_engine(lambda: _HEAD + b"\n" + b'"' * 20_000_000))
case("an engine log of the year 9999", ends="either")(_engine(lambda: _cells(b"9999-12-31T23:59:59")))
case("an engine log of the year 1", ends="either")(_engine(lambda: _cells(b"0001-01-01T00:00:00")))
case("an engine log of zero bytes only", ends="either")(_engine(lambda: b"\0" * 5_000_000))


def _workbook(sheet: Callable[[], bytes], more: Callable[[], dict[str, bytes]] = dict) -> Spoil:
    """Write a minimal workbook (ECMA-376) as the engine log."""

    def spoil(s: Path, o: Path) -> None:
        main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        rels = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
        package = "http://schemas.openxmlformats.org/package/2006"
        parts = {
            "[Content_Types].xml": f'<Types xmlns="{package}/content-types"><Override PartName="/xl/workbook.xml" '
            'ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>',
            "_rels/.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
            f'Type="{rels}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
            "xl/workbook.xml": f'<workbook xmlns="{main}" xmlns:r="{rels}"><sheets><sheet name="S" sheetId="1" '
            'r:id="r1"/></sheets></workbook>',
            "xl/_rels/workbook.xml.rels": f'<Relationships xmlns="{package}/relationships"><Relationship Id="r1" '
            f'Type="{rels}/worksheet" Target="worksheets/sheet1.xml"/></Relationships>',
        }
        (s / "raw" / "engine" / "engines.csv").unlink()
        _key('files = "engines.csv"', 'files = "engines.xlsx"')(s, o)
        with zipfile.ZipFile(s / "raw" / "engine" / "engines.xlsx", "w", zipfile.ZIP_DEFLATED) as file:
            for name, text in parts.items():
                file.writestr(name, text)
            file.writestr("xl/worksheets/sheet1.xml", sheet().replace(b"MAIN", main.encode()))
            for name, data in more().items():
                file.writestr(name, data)

    return spoil


_SHEET = b'<worksheet xmlns="MAIN"><sheetData>%b</sheetData></worksheet>'
_LAST = b'<row r="%d"><c r="XFD%d"><v>%d</v></c></row>'
_LAUGHS = b'<!DOCTYPE x [<!ENTITY a "ha">' + b"".join(
    b'<!ENTITY %c "%b">' % (98 + n, b"&%c;" % (97 + n) * 10) for n in range(9)
) + b"]>"  # fmt: skip
case("a workbook that unpacks to 900 MB", says="larger")(
    _workbook(lambda: _SHEET % (b" " * (400 << 20)), lambda: {f"xl/{n}.xml": b" " * (60 << 20) for n in range(9)})
)
case("a workbook whose every row names the last column alone")(
    _workbook(lambda: _SHEET % b"".join(_LAST % (n, n, n * n * 7919 % 99991) for n in range(1, 200_000)))
)
case("a workbook whose sheet expands entities")(
    _workbook(lambda: _LAUGHS + _SHEET % b'<row r="1"><c r="A1" t="inlineStr"><is><t>&j;</t></is></c></row>')
)
case("draft-log: a workbook that expands entities", "draft-log", "{s}/raw/engine/engines.xlsx")(CASES[-1].spoil)
case("a workbook of 100,000 parts", says="larger")(
    _workbook(lambda: _SHEET % b"", lambda: {f"xl/{n}": b"" for n in range(100_000)})
)
case("a workbook whose sheet is no sheet")(_workbook(lambda: b"<x/>"))


def _log(lines: Callable[[bytes], bytes]) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        path = s / "raw" / "nmea.log"
        path.write_bytes(lines(path.read_bytes()))
        write_manifest(s)

    return spoil


def _tagged(body: str, wall_ms: int = 1778747408785, mono_us: int = 85677) -> bytes:
    from trialcapture.archive.journal import encode_line  # noqa: PLC0415

    return encode_line(rig.sentence(body)[:-2], source="gps1", wall_ms=wall_ms, mono_us=mono_us)


_FAR = _tagged("GPRMC,083007.00,A,4818.74846,N,00754.32460,W,0.63,324.5,140579,2.4,W,A") * 40
case("a recording that spans 43 years by its sentences", ends="either")(_log(lambda d: _FAR + d + _FAR))
case("stamps that span a million years", ends="either")(
    _log(
        lambda d: (
            _tagged("GPHDT,1,T", 1, 0) + d + b"".join(_tagged("GPHDT,1,T", n * 10**15, n * 10**17) for n in range(40))
        )
    )
)
case("verify: stamps of thousands of digits", "verify", "{s}", ends="either")(
    _log(lambda d: d + b"\\s:gps1,c:%b,r:%b*00\\$GPHDT,1,T*00\r\n" % (b"9" * 6000, b"9" * 6000) * 10)
)
case("sentences of the year 9999", ends="either")(
    _log(lambda d: d + b"".join(_tagged(f"GPZDA,{n:06d}.00,31,12,9999,00,00", mono_us=90_000 + n) for n in range(60)))
)
case("a CAN log a million years long", ends="either")(
    lambda s, o: (
        (s / "raw" / "can.log").write_bytes(
            b"".join(b"(%d.000000) can0 09F80200#00FCFFFFFFFFFFFF\n" % (n * 10**11) for n in range(500))
        )
        and None
    )
)
case("a log of one line of 300 MB", ends="either")(_log(lambda d: d + b"A" * (300 << 20)))
case("a log of eight million begins of sentences", ends="either")(_log(lambda d: d + b"$" * (8 << 20)))
case("a log of twenty million line ends", ends="either")(_log(lambda d: d + b"\n" * (20 << 20)))


# What a log can hold that is no log, and times at the ends of calendars.


def _in_place(*, of: str, data: Callable[[bytes], bytes]) -> Spoil:
    """Change a file of the session."""
    return lambda s, o: (s / of).write_bytes(data((s / of).read_bytes())) and None


def _zst(data: bytes) -> bytes:
    import zstandard  # noqa: PLC0415

    return zstandard.ZstdCompressor().compress(data)


def _dated(change: Callable[[bytes], bytes]) -> Spoil:
    """Write every RMC anew with another date or time."""

    def lines(journal: bytes) -> bytes:
        from trialcapture.archive.journal import encode_line, parse_line, split_lines  # noqa: PLC0415

        made = []
        for line in split_lines(journal):
            parsed = parse_line(line)
            body = parsed.original.strip()
            if body[3:6] != b"RMC":
                made.append(line)
                continue
            sentence = rig.sentence(change(body[1:].partition(b"*")[0]).decode())[:-2]
            stamps = {"wall_ms": parsed.wall_ms or 0, "mono_us": parsed.mono_us or 0}
            made.append(encode_line(sentence, source=parsed.source, **stamps))
        return b"".join(made)

    return _log(lines)


def _date(date: bytes) -> Callable[[bytes], bytes]:
    return lambda body: b",".join([*body.split(b",")[:9], date, *body.split(b",")[10:]])


case("a log of 60 MB of zero bytes", ends="either")(_log(lambda d: b"\0" * (60 << 20)))
case("a log in UTF-16", ends="either")(_log(lambda d: d.decode().encode("utf-16")))
case("verify: a log in UTF-16", "verify", "{s}", ends="either")(CASES[-1].spoil)
case("a packed log in place of a plain one", ends="right")(_log(gzip.compress))
case("a log packed twice", ends="either")(_log(lambda d: _zst(_zst(d))))
case("four million begins without a line end behind a good log", ends="either")(_log(lambda d: d + b"$GP" * (4 << 20)))
case("a receiver a week rollover behind", ends="either")(_dated(_date(b"280906")))
case("a receiver in 1980", ends="either")(_dated(_date(b"060180")))
case("a receiver in 2079", ends="either")(_dated(_date(b"311279")))
case("a receiver whose date is no date", ends="either")(_dated(_date(b"310299")))
case("a receiver that stands on a leap second", ends="either")(
    _dated(lambda body: b",".join([body.split(b",")[0], b"235960.00", *body.split(b",")[2:9], b"311216", b"", b""]))
)
case("verify: every sentence on a leap second", "verify", "{s}", ends="either")(CASES[-1].spoil)
case("an engine log of 5,000 columns", ends="either")(
    _in_place(
        of="raw/engine/engines.csv",
        data=lambda d: b"\n".join(
            line + b"," + (b"x" if n else b"extra") * 1 + b",1" * 4990 for n, line in enumerate(d.splitlines())
        ),
    )
)
case("an engine log in UTF-16", ends="either")(
    _in_place(of="raw/engine/engines.csv", data=lambda d: d.decode().encode("utf-16"))
)
case("an engine log packed twice", ends="either")(
    _in_place(of="raw/engine/engines.csv", data=lambda d: _zst(gzip.compress(d)))
)
case("an engine log of 1980 and 2099", ends="either")(
    _in_place(
        of="raw/engine/engines.csv", data=lambda d: d.replace(b"2026-", b"1980-", 500).replace(b"2026-", b"2099-")
    )
)
case("an engine log with leap seconds", ends="either")(
    _in_place(of="raw/engine/engines.csv", data=lambda d: re.sub(rb":\d\d(?=[.,Z])", b":60", d))
)
case("an engine log that is a workbook with a way out of its folder", ends="either")(
    _workbook(lambda: _SHEET % b"", lambda: {"../../../outside/precious": b"x", "/etc/owned": b"x"})
)
case("draft-log: a workbook with a way out of its folder", "draft-log", "{s}/raw/engine/engines.xlsx", ends="either")(
    CASES[-1].spoil
)


# Photos.


def _photos(**files: Callable[[], bytes]) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        (s / "raw" / "photos").mkdir(exist_ok=True)
        notes = []
        for name, make in files.items():
            data, file = make(), name.replace("__", ".")
            (s / "raw" / "photos" / file).write_bytes(data)
            sha256 = hashlib.sha256(data).hexdigest()
            notes.append(f'{{{_T},"kind":"photo","value":"x","file":"raw/photos/{file}","sha256":"{sha256}"}}')
        _notes(*notes)(s, o)

    return spoil


def _picture_bytes(mode: str, size: tuple[int, int], form: str, **more: object) -> bytes:
    import io  # noqa: PLC0415

    from PIL import Image  # noqa: PLC0415

    made = io.BytesIO()
    Image.new(mode, size).save(made, form, **more)  # type: ignore[arg-type]
    return made.getvalue()


def _animated() -> bytes:
    from PIL import Image  # noqa: PLC0415

    frames = [Image.new("RGB", (500, 500), (n, n, n)) for n in range(200)]
    return _picture_bytes("RGB", (500, 500), "PNG", save_all=True, append_images=frames)


def _with_exif(clock: str, offset: str, orientation: int) -> bytes:
    from PIL import Image  # noqa: PLC0415

    exif = Image.Exif()
    exif[0x0112], exif[0x0110] = orientation, "\x1b[2J=cmd|'/c calc'!A1\u202e"
    exif.get_ifd(0x8769).update({0x9003: clock, 0x9011: offset})
    exif.get_ifd(0x8825).update({7: (23.0, 59.0, 60.5), 29: "9999:12:31", 2: (1e300, 0.0, 0.0)})
    return _picture_bytes("RGB", (800, 400), "JPEG", exif=exif)


case("photos that unpack to a flood", ends="right")(
    _photos(
        a__png=lambda: _picture_bytes("RGBA", (13_000, 13_000), "PNG"),
        b__png=lambda: _picture_bytes("1", (60_000, 60_000), "PNG"),
        c__tif=lambda: _picture_bytes("L", (14_000, 14_000), "TIFF", compression="tiff_deflate"),
        d__webp=lambda: _picture_bytes("RGB", (8_000, 8_000), "WEBP", lossless=True),
    )
)
case("an animated photo of 201 pictures", ends="right")(_photos(a__png=_animated))
case("photos of the ends of the calendar", ends="right")(
    _photos(
        a__jpg=lambda: _with_exif("9999:12:31 23:59:59", "-14:00", 6),
        b__jpg=lambda: _with_exif("0001:01:01 00:00:00", "+14:00", 250),
        c__jpg=lambda: _with_exif("2026:99:99 99:99:99", "+99:99", 0)[:-500],
    )
)
case("a photo that is a page with a script", ends="right")(_photos(a__jpg=lambda: b"<svg onload=alert(1)>" * 99))


# Names and texts.

_BAD_NAME = "Kit\\u202ety\\u200b\\u2066\\u001b]0;owned\\u0007\\n=1+1\\t<b>\\ufeff"


_BADLY_NAMED = _settings(lambda t: re.sub(r'(?m)^name = ".*"$', lambda _: f'name = "{_BAD_NAME}"', t, count=1))
case("a boat named with marks, escapes, line ends and markup", ends="either")(_BADLY_NAMED)
case("pack: a boat named with marks and escapes", "pack", "{s}", "{s}/../bag", ends="either")(_BADLY_NAMED)


case("notes that are formulas in every disguise", ends="right")(
    _notes(
        *(
            f'{{{_T},"kind":"remark","value":"{start}cmd|x","by":"{start}y","where":"{start}z"}}'
            for start in (
                "=",
                "+",
                "-",
                "@",
                "\\t=",
                "\\r=",
                "\\n=",
                "\uff1d",
                "\uff0b",
                "\uff0d",
                "\uff20",
                " =",
                "'=",
            )
        )
    )
)
case("a note of the year 1", ends="right")(_notes('{"t":"0001-01-01T00:00:00+14:00","kind":"mark"}'))
case("a note at the edge of 2200", ends="right")(
    _notes('{"t":"2200-12-31T23:59:59-23:59","kind":"remark","value":"x"}')
)
case("a key twice in the settings", says="twice")(_settings(lambda t: t + "\n[boat]\n"))
case("settings of a million keys", says="larger")(
    _settings(lambda t: t + "\n[x]\n" + "\n".join(f"a{i}=1" for i in range(1_000_000)))
)
case("a length that is no number", says="length_m")(_key("length_m = 16.8", "length_m = nan"))
case("verify: settings that are no TOML", "verify", "{s}", says="session.toml")(_settings(lambda t: t + "\n[[["))
case("verify: a log that asks for a window of 2 GiB", "verify", "{s}", says="damaged")(_bomb_log(_wide_window))
case("verify: notes of 100 MB", "verify", "{s}", says="larger")(
    _made(lambda: _notes(*(f'{{{_T},"kind":"sea","value":"{"x" * 500_000}"}}' for _ in range(200))))
)


@case("verify: results forged with their list", "verify", "{s}", "--derive", says="damaged")
def _(s: Path, o: Path) -> None:
    _forged_results(s)


def _named(name: bytes, data: bytes = b"x") -> Spoil:
    return lambda s, o: Path(os.fsdecode(os.fsencode(s / "raw" / "engine") + b"/" + name)).write_bytes(data) and None


case("a file name that is no UTF-8", says="name that is no text")(_named(b"engine\xff.csv"))
case("a file name with line ends and escapes", says="name that is no text")(_named(b"a\n\x1b]0;owned\x07.csv"))
case("verify: a file name with escapes", "verify", "{s}", says="name that is no text")(_named(b"\x1b[2J"))
case("a file name of a formula and marks of direction", ends="right")(_named("=cmd\u202egpj.csv".encode()))


@case("folders a hundred deep", says="folders in each other")
def _(s: Path, o: Path) -> None:
    (s / "raw" / "/".join("a" * 100)).mkdir(parents=True)


@case("a hundred thousand files", says="files and folders")
def _(s: Path, o: Path) -> None:
    (s / "raw" / "photos").mkdir()
    for number in range(100_001):
        (s / "raw" / "photos" / str(number)).touch()


def _processed(change: Spoil) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        shutil.copytree(s.parent / "processed", s, dirs_exist_ok=True)
        change(s, o)

    return spoil


def _forged_results(s: Path) -> None:
    from tests.faults.tamper import with_its_list  # noqa: PLC0415

    forged = with_its_list("reduction/bands.csv", lambda data: data.replace(b",1", b",2", 1))
    _processed(lambda s, o: forged(s))(s, s)


def _garbage(name: str) -> Spoil:
    return _processed(lambda s, o: (s / name).write_bytes(b"PAR1" + os.urandom(5000) + b"PAR1") and None)


_FRAMES = "samples segments segment_engines legs bands notes summary manoeuvres"
_LOAD = (
    "-c",
    f"import sys, trialcapture; f = trialcapture.load(sys.argv[1]); [getattr(f, n) for n in '{_FRAMES}'.split()]",
    "{s}",
)
for _name in (
    "trialset/samples.parquet",
    "trialset/segments.parquet",
    "trialset/work/prepared.arrows",
    "trialset/work/results.pickle",
    "reduction/summary.json",
):
    case(f"{_name} is garbage", ends="right")(_garbage(_name))
for _name in (
    "trialset/samples.parquet",
    "trialset/segments.parquet",
    "reduction/bands.parquet",
    "reduction/legs.csv",
    "reduction/summary.json",
):
    case(f"load: {_name} is garbage", *_LOAD)(_garbage(_name))
case("review: segments are garbage", "review", "{s}")(_garbage("trialset/segments.parquet"))


def _sparse(name: str, size: int) -> Spoil:
    """Make a file that has a size and takes no room."""

    def spoil(s: Path, o: Path) -> None:
        (s / name).parent.mkdir(exist_ok=True)
        with (s / name).open("ab") as file:
            file.truncate(size)

    return spoil


case("a photo of a terabyte of nothing", says="more than a trial can")(_sparse("raw/photos/a.jpg", 1 << 40))
case("verify: a log of a terabyte of nothing", "verify", "{s}", says="more than a trial can")(
    _sparse("raw/nmea-02.log", 1 << 40)
)
case("kept results of eight gigabytes of nothing", ends="right")(
    _processed(_sparse("trialset/work/results.pickle", 8 << 30))
)
case("a summary nested a million deep", ends="right")(
    _processed(lambda s, o: (s / "reduction" / "summary.json").write_text("[" * 1_000_000) and None)
)


class _Runs:
    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.system, ("touch owned",)


case("kept results that run a program when read", ends="right")(
    _processed(
        lambda s, o: (s / "trialset" / "work" / "results.pickle").write_bytes(pickle.dumps({"x": _Runs()})) and None
    )
)


def _segments(change: Callable[[pa.Table], pa.Table]) -> Spoil:
    def spoil(s: Path, o: Path) -> None:
        path = s / "trialset" / "segments.parquet"
        pq.write_table(change(pq.read_table(path)), path)

    return _processed(spoil)


def _retyped(table: pa.Table) -> pa.Table:
    return table.set_column(1, "start", pa.array([{"a": ["x"]}] * len(table)))


for _command in (("review", "{s}"), _LOAD):
    _word = "load" if _command is _LOAD else "review"
    case(f"{_word}: a column of another type", *_command, says="none that this program made")(_segments(_retyped))
    case(f"{_word}: a column of a foreign type", *_command, says="none that this program made")(
        _segments(lambda t: t.append_column("x", pa.array([[1]] * len(t))))
    )
    case(f"{_word}: a thousand million rows", *_command, says="rows")(
        _segments(lambda t: pa.table({"segment_id": pa.nulls(1_000_000_000, pa.int8())}))
    )
    case(f"{_word}: a word of 500 MB in every row", *_command, says="texts longer")(
        _segments(
            lambda t: (
                t.append_column("x", pa.array(["y" * (300 << 20)] * 1))
                if len(t) == 1
                else t.append_column(
                    "x",
                    pa.DictionaryArray.from_arrays(pa.array([0] * len(t), pa.int32()), pa.array(["y" * (100 << 20)])),
                )
            )
        )
    )
case("review: no columns of ours", "review", "{s}", says="missing")(_segments(lambda t: pa.table({"a": [1]})))


@dataclass(frozen=True)
class Outcome:
    """What a command did: what is wrong with that, its memory and its time."""

    faults: list[str]
    peak_mb: float
    seconds: float
    said: str


def make_base(folder: Path) -> None:
    """Make the sound session and the same processed."""
    sound, processed = folder / "sound", folder / "processed"
    # in processes of their own: the memory of this one is counted with that of each command it starts
    for words in (("rehearse", str(sound), "--short", "--seed", "3"), ("process", str(processed))):
        program = [sys.executable, "-m", "trialcapture", *words]
        subprocess.run(program, cwd=ROOT, check=True, capture_output=True, env=_environment(folder))
        if not processed.exists():
            shutil.copytree(sound, processed)


def _environment(folder: Path) -> dict[str, str]:
    cache = folder / "cache"
    return {**os.environ, "TRIALCAPTURE_CACHE": str(cache), "TMPDIR": str(folder / "tmp"), "PYTHONPATH": str(ROOT)}


def _picture(folder: Path) -> dict[str, str]:
    """Return what lies in a folder, links as what they are."""
    seen = {}
    for path in sorted(folder.rglob("*")):
        if path.is_symlink():
            seen[str(path)] = f"link {os.readlink(path)}"  # noqa: PTH115
        elif path.is_file():
            seen[str(path)] = hashlib.sha256(path.read_bytes()).hexdigest()
        else:
            seen[str(path)] = "else"
    return seen


_WATCHER = (
    "import json, os, subprocess, sys\n"
    "child = subprocess.Popen(sys.argv[2:])\n"
    "_, status, usage = os.wait4(child.pid, 0)\n"
    "open(sys.argv[1], 'w').write(json.dumps([os.waitstatus_to_exitcode(status), usage.ru_maxrss]))\n"
)
"""A small process between: a process begins with the peak memory of the one that starts it, and this may be large."""


def run_case(one: Case, base: Path) -> Outcome:
    """Make one session hostile, run the command and say what is wrong with what it did."""
    place = Path(tempfile.mkdtemp(prefix="case-", dir=base))
    (base / "tmp").mkdir(exist_ok=True)
    session, outside, start = place / "session", place / "outside", place / "start"
    outside.mkdir()
    start.mkdir()
    (outside / "precious").write_text("precious\n")
    shutil.copy(base / "sound" / "raw" / "engine" / "engines.csv", outside)
    shutil.copytree(base / "sound", session)
    (place / "processed").symlink_to(base / "processed")
    one.spoil(session, outside)
    before, sound = _picture(outside), _picture(base / "sound")
    words = [word.replace("{s}", str(session)).replace("{o}", str(outside)) for word in one.command]
    program = [sys.executable, *(() if words[0] == "-c" else ("-m", "trialcapture")), *words]
    began_s = time.monotonic()
    with tempfile.TemporaryFile() as out:
        watched = [sys.executable, "-I", "-c", _WATCHER, str(place / "usage"), *program]
        child = subprocess.Popen(
            watched, cwd=start, stdout=out, stderr=subprocess.STDOUT, env=_environment(base), start_new_session=True
        )
        timer = threading.Timer(MOST_S, os.killpg, (child.pid, signal.SIGKILL))
        timer.start()
        child.wait()
        timer.cancel()
        code, peak = json.loads((place / "usage").read_text()) if (place / "usage").exists() else (-signal.SIGKILL, 0)
        seconds = time.monotonic() - began_s
        out.seek(0)
        said = out.read().decode("utf-8", "replace")
    peak_mb = peak / (1024 * 1024 if sys.platform == "darwin" else 1024)
    faults = _judge(one, code, said, session, base)
    if seconds > MOST_S:
        faults.append(f"not ended after {MOST_S:.0f} s")
    if peak_mb > MOST_MEMORY_MB:
        faults.append(f"{peak_mb:.0f} MB of memory")
    if _picture(outside) != before or _picture(base / "sound") != sound or list(start.iterdir()):
        faults.append("something outside the session changed")
    shutil.rmtree(place)
    return Outcome([f"{one.name}: {fault}" for fault in faults], peak_mb, seconds, said)


def _judge(one: Case, code: int, said: str, session: Path, base: Path) -> list[str]:
    faults = []
    library = one.command[0] == "-c"
    plain = " ".join(said.split())
    if library:
        last = said.strip().splitlines()[-1] if said.strip() else ""
        if code and "TrialCaptureError" not in last:
            faults.append(f"ended with {last!r}")
    elif any(word in plain for word in _CALM):
        faults.append(f"was not expected: {plain[-300:]!r}")
    if code not in (0, 1):
        faults.append(f"exit code {code}")
    if not library and re.search(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", said):
        faults.append("control characters on the terminal")
    if one.says and one.says not in plain:
        faults.append(f"does not say {one.says!r} but {plain[-300:]!r}")
    if one.ends == "named" and code != 1:
        faults.append(f"was not refused: {plain[-200:]!r}")
    if one.ends == "right":
        made, wanted = session / "reduction" / "bands.csv", base / "processed" / "reduction" / "bands.csv"
        if code or not made.is_file() or _numbers(made) != _numbers(wanted):
            faults.append(f"the result is not right: {plain[-300:]!r}")
    return faults + _judge_results(session / "reduction", code)


def _judge_results(reduction: Path, code: int) -> list[str]:
    """Say what is wrong with the page and the tables that people open."""
    faults: list[str] = []
    if code or reduction.is_symlink():
        return faults
    page = reduction / "report.html"
    if page.is_file():
        text = page.read_text(encoding="utf-8")
        if "<script" in text or "Content-Security-Policy" not in text:
            faults.append("the page holds a script or has no policy")
    for name in ("bands.csv", "legs.csv"):
        path = reduction / name
        if path.is_file() and re.search(r'(?m)(?:^|,)"?[=+@\t\r]', path.read_text(encoding="utf-8")):
            faults.append(f"{name} holds a formula")
    return faults


def _numbers(path: Path) -> list[list[str]]:
    """Return the cells of a band table without the id of the session."""
    import csv  # noqa: PLC0415

    with path.open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file))
    skipped = rows[0].index("session_id")
    return [[cell for n, cell in enumerate(row) if n != skipped] for row in rows]


def run(cases: list[Case], *, verbose: bool = False) -> tuple[int, list[str]]:
    """Run cases; return how many and what went wrong."""
    faults: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder)
        make_base(base)
        for one in cases:
            done = run_case(one, base)
            faults += done.faults
            if verbose:
                mark = "FAULT" if done.faults else "ok"
                print(f"{mark:5} {done.peak_mb:6.0f} MB {done.seconds:6.1f} s  {one.name}", flush=True)
    return len(cases), faults


_SECTION = "## Sessions from strangers"


def keep(path: Path, said: str) -> None:
    """Put the count into a file of results, in place of a former one."""
    own = f"{_SECTION}\n\n`python -m tests.faults.strangers --out tests/RESULTS.md`: {said}.\n"
    before, head, rest = path.read_text(encoding="utf-8").partition(_SECTION)
    after = re.split(r"(?m)^(?=## )", rest, maxsplit=1)[1:] if head else []
    path.write_text(before.rstrip("\n") + "\n\n" + own + "".join(f"\n{text}" for text in after), encoding="utf-8")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="cases whose name holds these words")
    parser.add_argument("--list", action="store_true", help="print their names and stop")
    parser.add_argument("--out", type=Path, help="also write the count into this file, in place of a former one")
    arguments = parser.parse_args()
    cases = [one for one in CASES if arguments.only in one.name]
    if arguments.list:
        print("\n".join(one.name for one in cases))
        return 0
    count, faults = run(cases, verbose=True)
    for fault in faults:
        print(fault)
    said = f"{count} hostile sessions, {len(faults)} faults"
    print(said)
    if arguments.out is not None:
        keep(arguments.out, said)
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
