"""Feed damaged input to every decoder and expect no exception.

    python -m tests.faults.fuzz --inputs 10000000

Each input is one line, frame, row, note, list of files, text of settings or sheet of a workbook: a sound one with bytes
flipped, cut, doubled, swapped, inserted or glued to another, or plain noise. Inputs go in blocks, as decoders take
them; when a block raises, it is halved until the smallest part that still raises is found, and printed. The count
printed is of inputs. What is refused with its reason is no fault.
"""

from __future__ import annotations

import argparse
import atexit
import io
import random
import shutil
import sys
import tempfile
import time
import zipfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

from tests import rig
from trialcapture.archive.journal import encode_line, original_bytes, parse_line, split_lines
from trialcapture.archive.manifest import verify_manifest
from trialcapture.archive.notes import marks_of, read_notes, reviews_of, trims_of
from trialcapture.archive.raw import first_rows, is_workbook
from trialcapture.archive.session import create_session, open_session
from trialcapture.archive.verify import read_timeline
from trialcapture.config import load_config
from trialcapture.decode.can.can_decoder import decode_can
from trialcapture.decode.engine_log.log_table import decode_engine_log
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.decode.nmea0183.stream import line_quality, split_stream
from trialcapture.errors import TrialCaptureError

_TAG = b"\\s:gps1,c:1790000000123,r:5123456*2C\\"
_SENTENCES = [
    rig.sentence(body)
    for body in (
        "GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A",
        "GPRMC,235960.00,A,5042.0000,N,00118.0000,W,12.3,045.0,311216,,,A,V",
        "GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M,,",
        "GPVTG,220.86,T,,M,2.550,N,4.724,K",
        "GNGLL,4404.14012,N,12118.85993,W,001037.00,A,A",
        "GNGNS,001043.00,4404.14036,N,12118.85961,W,AAN,12,0.98,1113.0,-21.3,,",
        "GPZDA,160012.71,11,03,2004,-1,00",
        "GPHDT,274.07,T",
        "HCHDG,101.1,,,7.1,W",
        "HCHDM,238.5,M",
        "GPTHS,123.4,A",
        "VWVHW,135.0,T,142.1,M,12.30,N,22.78,K",
        "VWVBW,12.0,0.1,A,12.3,0.2,A",
        "IIRPM,E,1,2418.2,10.5,A",
        "IIRSA,-3.5,A,,V",
        "YXXDR,A,-64.437,M,N,A,054.454,D,E,C,17.09,C,T-N1052",
        "WIMWV,045.0,T,12.0,N,A",
        "WIMWD,302.4,T,289.6,M,10.5,N,5.4,M",
        "IIVWR,45.0,L,12.0,N,6.2,M,22.2,K",
        "INDPT,2.3,0.0",
        "SDDBT,7.8,f,2.4,M,1.3,F",
        "INMTW,17.9,C",
        "HEROT,0.0,A",
        "PXYZA,1,2,3",
        "WIMDA,29.9,I,1.01,B,15.2,C,18.5,C,55.0,,12.1,C,210.0,T,,M,12.0,N,6.2,M",
        "PCDIN,01F200,000C72EA,10,00803E36007FFFFF",
        "PCDIN,01F201,000C72EA,10,00500FAC0DF38964050000000000001C20FFFFFFFFFF0000000000323C",
        "MXPGN,01F200,2810,FFFF7F36003E8000",
        "MXPGN,01F201,2838,630D670F50001AA0",
        "MXPGN,01F201,2838,FFFF002D0A3C88A1",
    )
] + [b"!AIVDM,1,1,,A,15M67FC000G?ufbE`FepT@3n00Sa,0*5C\r\n", _TAG + b"$GPHDT,274.07,T*03\r\n"]
_FRAMES = [
    b"(1790000000.123456) can1 09F20010#00B036D204FBFFFF\n",
    b"(1790000000.123456) can1 09F20110#201A0072102F0EF3\n",
    b"(1790000000.133456) can1 09F20110#21898505F90187D6\n",
    b"(1790000000.143456) can1 09F20110#221200FFFFFFFFFF\n",
    b"(1790000000.153456) can1 09F20110#23000000004E50FF\n",
    b"(1790000000.163456) can1 1CECFF21#200C0002FF45FF01\n",
    b"(1790000000.173456) can1 1CEBFF21#01A1A2A3A4A5A6A7\n",
    b"(1790000000.183456) can1 1CEBFF21#02A8A9AAABACFFFF\n",
    b"(1790000000.193456) can1 18FEF200#8E03FFFFFFFFFFFF\n",
    b"(1790000000.203456) can1 09F80110#0017 3A1EB29E43FF\n".replace(b" 3A", b"3A"),
    b"(1790000000.213456) can1 0DF80510#202F001A4FC0F2B2\n",
    b"(1790000000.223456) can1 09FD0210#000504AE1EFAFFFF R\n",
]
_ROWS = [
    b"2026-05-04T09:30:00Z,2000.5,1999,41.2,0\n",
    b"2026-05-04T09:30:01Z,2001,,41.3,1e3\n",
    b'"2026-05-04T09:30:02Z","2,002",2000,-,n/a\n',
    b"04/05/2026 09:30:03,2003,2001,41.5,100.5\n",
]
_SOUND_ROWS = _ROWS[:2] * 20
_ENGINE = load_config(
    '[[engine]]\nid = "port"\nrated_rpm = 3000\n[[engine_log]]\ncolumns = { time = "time",'
    ' rpm_port = { name = "rpm", unit = "rpm" }, fuel_port = { name = "fuel", unit = "l/h" },'
    ' load_port = { name = "load", unit = "%" } }\n'
)


def mutate(sound: list[bytes], dice: random.Random) -> bytes:
    """Return one input: a sound one, damaged."""
    data = bytearray(dice.choice(sound))
    for _ in range(dice.choice((0, 1, 1, 1, 2, 3, 8))):
        at = dice.randrange(len(data) + 1) if data else 0
        what = dice.randrange(9)
        if what == 0 and data:
            data[at % len(data)] ^= 1 << dice.randrange(8)
        elif what == 1 and data:
            data[at % len(data)] = dice.randrange(256)
        elif what == 2:
            del data[at : at + dice.randrange(1, 12)]
        elif what == 3:
            data[at:at] = dice.randbytes(dice.randrange(1, 6))
        elif what == 4:
            data[at:at] = dice.choice(
                (b",", b"*", b"$", b"\\", b"^", b"\r", b"\n", b"\0", b"#", b"(", b" ", b'"', b"9" * 20)
            )
        elif what == 5:
            del data[at:]
        elif what == 6:
            data += dice.choice(sound)
        elif what == 7:
            other = dice.choice(sound)
            data[at:] = other[dice.randrange(len(other)) :]
        else:
            data[at:at] = data[: dice.randrange(30)]
    return bytes(data)


def feed_framer(inputs: list[bytes]) -> None:
    rest, stream, journal = b"", b"".join(inputs), []
    for chunk in inputs:
        pieces, rest = split_stream(rest + chunk)
        for piece in pieces:
            line_quality(piece)
            journal.append(encode_line(piece, source="a", wall_ms=1, mono_us=2, line_end=b""))
    if rest:
        journal.append(encode_line(rest, source="a", wall_ms=1, mono_us=2, line_end=b""))
    if original_bytes(b"".join(journal)).get("a", b"") != stream:
        raise AssertionError("the journal does not give the stream back")
    for line in split_lines(stream):
        parse_line(line)


def feed_nmea(inputs: list[bytes]) -> None:
    decode_nmea(b"".join(inputs), source="x")
    decode_nmea(b"".join(inputs), source="x", require_checksum=False, before=b"".join(inputs[:50]))


def feed_can(inputs: list[bytes]) -> None:
    decode_can(b"".join(inputs), epoch_wall_ns=0)


def feed_engine_log(inputs: list[bytes]) -> None:
    """A log of which more than a few rows do not fit is refused as a whole; among many sound ones it is decoded."""
    spec = _ENGINE.engine_log[0]
    rows = [part for row in inputs for part in (*_SOUND_ROWS, row)]
    for body in (b"".join(rows), b"".join(inputs)):
        try:
            decode_engine_log(b"time,rpm,x,fuel,load\n" + body, spec, _ENGINE.engine_ids, where="fuzz")
        except TrialCaptureError as refusal:
            str(refusal)


_SETTINGS = [path.read_bytes() for path in sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))] + [
    b'[session]\nid = "a"\ncreated = "2026-05-04T09:30:00Z"\nmade_by = "x"\n[boat]\nname = "a"\nlength_m = 12.5\n',
    b'[[engine]]\nid = "port"\nrated_rpm = 3000\n[[engine_log]]\ncolumns = { time = "t", rpm_port = { name = "n", '
    b'unit = "rpm", scale = 0.25, offset = 1e3 } }\nencoding = "cp1252"\ndate = "2026-05-14"\nheader_rows = 1\n',
    b'[[source]]\nid = "gps"\nkind = "udp"\nport = 10110\n[samples]\ngrid_hz = 10\nmax_gap_s = { depth = 3.0 }\n',
]
_NOTES = [
    b'{"t":"2026-05-14T08:30:13.700Z","kind":"trim","value":"tabs 20 %","unit":null,"by":"helm"}\n',
    b'{"t":"2026-05-14T08:30:54.403Z","kind":"mark","value":"throttle blip","unit":null,"by":"lead"}\n',
    b'{"t":"2026-05-14T08:30:00Z","kind":"start","value":"begun","mono_us":0,"epoch_wall_ns":1778747408700000000,'
    b'"sources":[{"id":"gps1","stream":"nmea.log"}]}\n',
    b'{"t":"2026-05-14T08:40:00Z","kind":"gap","source":"gps1","mono_us":600000000,"from_us":1000000,"to_us":2000000}\n',
    b'{"t":"2026-05-14T08:40:00Z","kind":"lost","source":"gps1","mono_us":700000000,"from_us":1000000}\n',
    b'{"t":"2026-05-14T09:40:00Z","kind":"stop","value":"stopped","mono_us":900000000}\n',
    b'{"t":"2026-05-12T16:40:00Z","kind":"exclude","value":"2026-05-12T10:12:00Z/2026-05-12T10:13:10Z",'
    b'"segment_id":3,"reason":"ferry wash","by":"technician"}\n',
    b'{"t":"2026-05-12T16:40:00Z","kind":"relabel","start":"2026-05-12T10:12:00Z","band_rpm":2000,"reason":"x"}\n',
]
_LISTS = [
    b'{"schema_version": 1, "files": [{"path": "raw/notes.jsonl", "sha256": "' + b"0" * 64 + b'", "bytes": 7}]}\n',
    b'{"schema_version": 1, "files": [{"path": "raw/engine/a.csv", "sha256": "ab", "bytes": 0}, {"path": "raw/b",'
    b' "sha256": "", "bytes": 1}]}\n',
]


@cache
def _session() -> Path:
    """Make a session for files that are read from the disk; removed when the program ends."""
    folder = Path(tempfile.mkdtemp(prefix="trialcapture-fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    create_session(folder / "s", load_config(""), made_by="x", created="2026-05-04T09:30:00Z")
    return folder / "s"


@cache
def _workbook() -> bytes:
    from openpyxl import Workbook  # noqa: PLC0415

    book, file = Workbook(), io.BytesIO()
    for row in (["time", "rpm"], ["2026-05-04T09:30:00Z", 2000.5], ["2026-05-04T09:30:01Z", None], ["x", True]):
        book.active.append(row)  # type: ignore[union-attr]
    book.save(file)
    return file.getvalue()


def feed_settings(inputs: list[bytes]) -> None:
    for data in inputs:
        try:
            load_config(data.decode("utf-8", "replace"))
        except TrialCaptureError as refusal:
            str(refusal)


def feed_session_file(inputs: list[bytes]) -> None:
    for data in inputs:
        (_session().parent / "t").mkdir(exist_ok=True)
        (_session().parent / "t" / "session.toml").write_bytes(data)
        try:
            open_session(_session().parent / "t")
        except TrialCaptureError as refusal:
            str(refusal)


def feed_notes(inputs: list[bytes]) -> None:
    (_session() / "raw" / "notes.jsonl").write_bytes(b"".join(inputs))
    notes = read_notes(open_session(_session()))
    marks_of(notes), trims_of(notes), reviews_of(notes)
    read_timeline(_session()).accounts()


def feed_manifest(inputs: list[bytes]) -> None:
    for data in inputs:
        (_session() / "manifest.json").write_bytes(data)
        try:
            verify_manifest(_session())
        except TrialCaptureError as refusal:
            str(refusal)


def feed_workbook(inputs: list[bytes]) -> None:
    for data in inputs:
        # most damage is noticed by checksums alone: as much of it is done to the sheet inside
        with zipfile.ZipFile(io.BytesIO(_workbook())) as sound:
            parts = {name: sound.read(name) for name in sound.namelist()}
        sheet = io.BytesIO()
        with zipfile.ZipFile(sheet, "w") as file:
            for name, part in parts.items():
                file.writestr(name, data if name.endswith("sheet1.xml") else part)
        for whole in (sheet.getvalue(), _workbook()[: len(data)] + data):
            path = _session() / "raw" / "engine.xlsx"
            path.write_bytes(whole)
            try:
                if is_workbook(path):
                    first_rows(path, None, 20)
            except TrialCaptureError as refusal:
                str(refusal)


def _sheet() -> bytes:
    with zipfile.ZipFile(io.BytesIO(_workbook())) as sound:
        return sound.read("xl/worksheets/sheet1.xml")


TARGETS: dict[str, tuple[Callable[[list[bytes]], None], list[bytes], int]] = {
    "framer": (feed_framer, [*_SENTENCES, *_FRAMES], 2000),
    "nmea": (feed_nmea, _SENTENCES, 4000),
    "can": (feed_can, _FRAMES, 4000),
    "engine log": (feed_engine_log, _ROWS, 200),
    "settings": (feed_settings, _SETTINGS, 200),
    "session file": (feed_session_file, _SETTINGS[-3:], 200),
    "notes": (feed_notes, _NOTES, 2000),
    "manifest": (feed_manifest, _LISTS, 500),
    "workbook": (feed_workbook, [_sheet()], 20),
}


_SHARES = {"settings": 0.02, "session file": 0.02, "manifest": 0.03, "workbook": 0.003}
"""Of the inputs of a long run, for what takes a file or a text each; all others share alike."""


def shares(inputs: int, targets: list[str]) -> dict[str, int]:
    """Return how many inputs each target gets; together they are all."""
    weights = {target: _SHARES.get(target, 1.0) for target in targets}
    counts = {target: int(inputs * weight / sum(weights.values())) for target, weight in weights.items()}
    counts[targets[0]] += inputs - sum(counts.values())
    return counts


def smallest(feed: Callable[[list[bytes]], None], inputs: list[bytes]) -> list[bytes]:
    """Return a small part of a block that still raises."""
    while len(inputs) > 1:
        half = len(inputs) // 2
        for part in (inputs[:half], inputs[half:]):
            if _raises(feed, part):
                inputs = part
                break
        else:
            return inputs
    return inputs


def _raises(feed: Callable[[list[bytes]], None], inputs: list[bytes]) -> bool:
    try:
        feed(inputs)
    except Exception:  # noqa: BLE001  any fault at all is what this looks for
        return True
    return False


def run(target: str, count: int, seed: int) -> tuple[int, list[str]]:
    """Feed so many inputs to a target; return how many and what went wrong."""
    feed, sound, block = TARGETS[target]
    dice = random.Random(f"{target} {seed}")
    done, faults = 0, []
    while done < count and len(faults) < 5:
        inputs = [mutate(sound, dice) for _ in range(min(block, count - done))]
        try:
            feed(inputs)
        except Exception as fault:  # noqa: BLE001  any fault at all is what this looks for
            faults.append(f"{target}: {type(fault).__name__}: {fault}: {smallest(feed, inputs)!r}")
        done += len(inputs)
    return done, faults


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--inputs", type=int, default=100_000, help="in all, shared among the decoders")
    parser.add_argument("--target", choices=list(TARGETS), help="only this decoder")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    targets = [arguments.target] if arguments.target else list(TARGETS)
    total, faults = 0, []
    for target, count in shares(arguments.inputs, targets).items():
        began_s = time.monotonic()
        done, found = run(target, count, arguments.seed)
        total += done
        faults += found
        print(f"{target}: {done} inputs, {len(found)} faults, {time.monotonic() - began_s:.0f} s", flush=True)
    for fault in faults:
        print(fault)
    print(f"{total} inputs, {len(faults)} faults")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
