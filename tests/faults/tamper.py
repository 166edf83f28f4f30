"""Ways to tamper with a session, each of which must be found and named.

``python -m tests.faults.tamper`` makes a session (recorded, noted, reviewed, processed, signed), tampers with a copy of
it in every way below, and prints what `verify` and the comparison of `process` said, with counts at the end.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from trialcapture.archive.journal import encode_line, parse_line, split_lines
from trialcapture.archive.manifest import write_manifest
from trialcapture.archive.notes import add_notes
from trialcapture.archive.seal import NOTE, REVIEW, compare_seal, read_chain, seal_closed, sign_root
from trialcapture.archive.verify import Verification, read_timeline
from trialcapture.decode.nmea0183.stream import xor_checksum
from trialcapture.pipeline import process
from trialcapture.pipeline.derived_again import verify_with_results
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session
from trialcapture.system.files import CACHE_VARIABLE, cache_folder

SEED = 3


@dataclass(frozen=True)
class Original:
    """The session that is tampered with.

    Attributes:
        folder: Where it lies.
        root: Its last root, as noted elsewhere.
        stranger: Somebody else's private key.
    """

    folder: Path
    root: str
    stranger: Path


@dataclass(frozen=True)
class Tampering:
    """One way to tamper.

    Attributes:
        name: What is done.
        do: Does it to a copy of the session.
        named: Words of `verify` that must stand together in one of its sentences.
        ending: How `verify` must end.
        state: What `process` must say of the seal.
        needs_root: Found with the noted root alone; without it `verify` must end in `without_root`.
        without_root: See there.
    """

    name: str
    do: Callable[[Path], None]
    named: tuple[str, ...]
    ending: str = "damaged"
    state: str = "changed"
    needs_root: bool = False
    without_root: str = "sound"


@dataclass(frozen=True)
class Outcome:
    """What became of one tampering: found, named, and what was wrong."""

    name: str
    found: bool
    named: bool
    said: str


def make_original(folder: Path) -> Original:
    """Make the session: recorded, noted with a photo, reviewed, processed and signed."""
    session = folder / "session"
    write_session(simulate("coarse-1hz", SEED, hours=0.25), session)
    photo = folder / "hose.jpg"
    photo.write_bytes(b"\xff\xd8 not a real picture \xff\xd9")
    finding = {"t": "2026-05-14T12:00:00.000Z", "kind": "finding", "value": "hose chafed", "unit": "", "by": "lead"}
    add_notes(session, [finding], writer="note", what=NOTE, by="lead", t="2026-05-14T12:00:00Z", photo=photo)
    process(session)
    review = {
        "t": "2026-05-14T13:00:00Z", "kind": "exclude", "value": "2026-05-14T10:00:00Z", "reason": "wash", "by": "lead",
    }  # fmt: skip
    add_notes(session, [review], writer="review", what=REVIEW, by="lead", t="2026-05-14T13:00:00Z")
    process(session)
    keys = []
    for name in ("builder", "stranger"):
        keys.append(folder / f"{name}.pem")
        keys[-1].write_bytes(
            Ed25519PrivateKey.generate().private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
    chain = read_chain(session)
    assert chain is not None
    assert chain.root is not None
    sign_root(session, chain.root, keys[0])
    return Original(session, chain.root, keys[1])


# ------------------------------------------------------------------------------
# Edits.
# ------------------------------------------------------------------------------


def _edit(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        path = folder / name
        before = path.read_bytes()
        after = change(before)
        assert after != before, f"nothing to change in {name}"
        path.write_bytes(after)

    return do


def _replace(name: str, old: bytes, new: bytes) -> Callable[[Path], None]:
    return _edit(name, lambda data: data.replace(old, new, 1))


def _flip(data: bytes) -> bytes:
    changed = bytearray(data)
    changed[len(data) // 2] ^= 1
    return bytes(changed)


def _remove(*names: str) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        for name in names:
            (folder / name).unlink()

    return do


def _add(name: str, data: bytes) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)

    return do


def _lines(change: Callable[[list[bytes]], Iterable[bytes]]) -> Callable[[bytes], bytes]:
    return lambda data: b"".join(change(data.splitlines(keepends=True)))


def faster(journal: bytes) -> bytes:
    """Return a journal with every speed of RMC and VTG multiplied by 1.05, all checksums right."""
    made = []
    for line in split_lines(journal):
        parsed = parse_line(line)
        fields = parsed.original.rstrip(b"\r\n").partition(b"*")[0].split(b",")
        place = {b"RMC": 7, b"VTG": 5}.get(fields[0][-3:])
        if place is None or parsed.fault or len(fields) <= place or not fields[place]:
            made.append(line)
            continue
        fields[place] = b"%.1f" % (float(fields[place]) * 1.05)
        body = b",".join(fields)[1:]
        made.append(
            encode_line(
                b"$%s*%02X" % (body, xor_checksum(body)),
                source=parsed.source,
                wall_ms=parsed.wall_ms or 0,
                mono_us=parsed.mono_us or 0,
            )
        )
    return b"".join(made)


def _reseal(folder: Path) -> None:
    """Write manifest, seal and results anew, as a forger would."""
    for name in ("manifest.json", "seal.jsonl"):
        (folder / name).unlink(missing_ok=True)
    shutil.rmtree(folder / "signatures", ignore_errors=True)
    seal_closed(folder, by="rehearse", t="2026-05-14T09:53:15.271Z")
    shutil.rmtree(folder / "trialset")
    shutil.rmtree(folder / "reduction")
    process(folder)


def _faster_and_resealed(folder: Path) -> None:
    _edit("raw/nmea.log", faster)(folder)
    _reseal(folder)


def _rolled_back(folder: Path) -> None:
    """Take back the review as if it had never been: entry, line of the seal, manifest and results."""
    (folder / "raw" / "notes-review.jsonl").unlink()
    _edit("seal.jsonl", _lines(lambda lines: lines[:-1]))(folder)
    write_manifest(folder)
    shutil.rmtree(folder / "signatures")
    shutil.rmtree(folder / "reduction")
    process(folder)


def _manifest_fits(folder: Path) -> None:
    _edit("raw/nmea.log", faster)(folder)
    write_manifest(folder)


def _signed_by(key: Path) -> Callable[[Path], None]:
    """Return what replaces the signature by another one's, the public key staying."""

    def do(folder: Path) -> None:
        (signature,) = (folder / "signatures").glob("*.sig")
        private = serialization.load_pem_private_key(key.read_bytes(), password=None)
        assert isinstance(private, Ed25519PrivateKey)
        signature.write_bytes(private.sign(signature.name.split(".")[0].encode()))

    return do


def _other_message(folder: Path) -> None:
    (message,) = (folder / "signatures").glob("*.root")
    message.write_bytes(b"0" * 64)


def _hashed_again(body: dict[str, Any]) -> bytes:
    """Return a line of the seal whose hash of itself is right."""
    body.pop("self", None)
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":")).encode()
    return text[:-1] + b',"self":"' + hashlib.sha256(text).hexdigest().encode() + b'"}\n'


def _line_again(number: int, **changes: Any) -> Callable[[bytes], bytes]:
    def change(lines: list[bytes]) -> list[bytes]:
        lines[number] = _hashed_again(json.loads(lines[number]) | changes)
        return lines

    return _lines(change)


def _line_behind(lines: list[bytes]) -> list[bytes]:
    """Put a line behind the last one that fits it and tells of no change."""
    last = json.loads(lines[-1])
    more = {"what": NOTE, "by": "nobody", "files": [], "previous": hashlib.sha256(lines[-1][:-1]).hexdigest()}
    return [*lines, _hashed_again(last | more)]


def _other_versions(lines: list[bytes]) -> list[bytes]:
    return [*lines[:-1], lines[-1].replace(b'"python":"3', b'"python":"4')]


def _kept_with_hash(folder: Path) -> None:
    """Edit the kept block together with the hash that this user's cache holds of it."""
    kept = folder / "trialset" / "work" / "prepared.arrows"
    before = hashlib.sha256(kept.read_bytes()).hexdigest()
    kept.write_bytes(_flip(kept.read_bytes()))
    after = hashlib.sha256(kept.read_bytes()).hexdigest()
    notes = [p for p in (cache_folder() / "prepared").iterdir() if before in p.read_text()]
    assert notes
    for note in notes:
        note.write_text(note.read_text().replace(before, after))


def with_its_list(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    """Return what edits a result together with size and hash in the list of results."""

    def do(folder: Path) -> None:
        _edit(name, change)(folder)
        data = (folder / name).read_bytes()
        path = folder / "reduction" / "results.json"
        content = json.loads(path.read_text())
        for entry in content["files"]:
            if entry["path"] == name:
                entry |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data)}
        path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n")

    return do


def _unlisted(folder: Path) -> None:
    """Edit a result and take it out of the list of results."""
    _edit("reduction/bands.csv", _cell)(folder)
    path = folder / "reduction" / "results.json"
    content = json.loads(path.read_text())
    content["files"] = [entry for entry in content["files"] if entry["path"] != "reduction/bands.csv"]
    path.write_text(json.dumps(content, indent=1) + "\n")


def _without_list(folder: Path) -> None:
    _edit("reduction/bands.csv", _cell)(folder)
    (folder / "reduction" / "results.json").unlink()


def _chain_again(folder: Path) -> None:
    """Write the seal anew over the very same files, so that its root is right and its history gone."""
    (folder / "seal.jsonl").unlink()
    seal_closed(folder, by="recorder", t="2026-05-14T09:53:15Z")


def _middle_note_removed(folder: Path) -> None:
    _edit("raw/notes.jsonl", _lines(lambda x: x[: len(x) // 2] + x[len(x) // 2 + 1 :]))(folder)
    _reseal(folder)


def _listed_twice(data: bytes) -> bytes:
    content = json.loads(data)
    content["files"].insert(0, {"path": "raw/nmea.log", "sha256": "0" * 64, "bytes": 1})
    return json.dumps(content, indent=1).encode()


def _moved(name: str, to: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).rename(folder / to) and None


def _copied(name: str, to: str) -> Callable[[Path], None]:
    return lambda folder: shutil.copy(folder / name, folder / to) and None


def _of_another(*names: str) -> Callable[[Path], None]:
    """Return what puts files of another session, of the same boat on the same day, in the place of these."""

    def do(folder: Path) -> None:
        other = folder.with_name("other")
        write_session(simulate("coarse-1hz", SEED + 1, hours=0.2), other)
        for name in names:
            shutil.copy(other / name, folder / name)
        shutil.rmtree(other)

    return do


def _comment(data: bytes) -> bytes:
    return data.replace(b"\n", b"\n# as agreed\n", 1)


def _cell(data: bytes) -> bytes:
    """Change the last digit of a table."""
    at = max(k for k, byte in enumerate(data) if 0x30 <= byte <= 0x39)
    return data[:at] + bytes([0x30 + (data[at] - 0x30 + 1) % 10]) + data[at + 1 :]


def tamperings(stranger: Path) -> list[Tampering]:
    """Return every way to tamper; `stranger` is somebody else's private key."""
    log, engine_log, chain = "raw/nmea.log", "raw/engine/engines.csv", "seal.jsonl"
    line = encode_line(b"$GPHDT,274.07,T*03", source="gps", wall_ms=1, mono_us=1)
    hand = b'{"t":"2026-05-14T14:00:00Z","kind":"sea","value":"calm"}\n'

    def results(name: str, do: Callable[[Path], None], *words: str) -> Tampering:
        return Tampering(f"{name}: edited after processing", do, words or (name,), state="intact")

    return [
        Tampering("speeds times 1.05, checksums right", _edit(log, faster), (log, "content changed")),
        Tampering("one bit of the journal", _edit(log, _flip), (log, "content changed")),
        Tampering("a line of the journal removed", _edit(log, _lines(lambda x: x[:900] + x[901:])), (log,)),
        Tampering("a line of the journal added", _edit(log, lambda x: x + line), (log, "added behind")),
        Tampering(
            "lines of the journal changed round", _edit(log, _lines(lambda x: [*x[:900], x[901], x[900], *x[902:]])),
            (log, "content changed"),
        ),
        Tampering("the journal cut off", _edit(log, lambda x: x[: len(x) // 2]), (log, "bytes where the seal says")),
        Tampering("a second journal put in", _add("raw/nmea-02.log", line * 50), ("raw/nmea-02.log", "added")),
        Tampering("a cell of the engine log", _edit(engine_log, _cell), (engine_log, "content changed")),
        Tampering("the engine log removed", _remove(engine_log), (engine_log, "missing")),
        Tampering("an engine log put in", _add("raw/engine/other.csv", b"a,b\n1,2\n"),
                  ("raw/engine/other.csv", "added")),
        Tampering(
            "the fuel calibration", _edit("session.toml", lambda x: x + b"\n[fuel.calibration]\nfactor = 0.8\n"
                                                                       b'origin = "shop"\nu_pct = 1.0\n'),
            ("session.toml",),
        ),
        Tampering("the time of the session", _replace("session.toml", b"created = \"2026", b"created = \"2027"),
                  ("session.toml", "content changed")),
        Tampering("a note edited", _replace("raw/notes.jsonl", b"20", b"30"), ("raw/notes.jsonl", "content changed")),
        Tampering("a note added by hand", _edit("raw/notes.jsonl", lambda x: x + hand), ("raw/notes.jsonl", "added")),
        Tampering("a review removed", _remove("raw/notes-review.jsonl"), ("raw/notes-review.jsonl", "missing")),
        Tampering("a file of notes put in", _add("raw/notes-desk.jsonl", hand), ("raw/notes-desk.jsonl", "added")),
        Tampering("a photo replaced", _add("raw/photos/hose.jpg", b"another"), ("raw/photos/hose.jpg", "changed")),
        Tampering("the manifest deleted", _remove("manifest.json"), ("manifest.json", "missing"),
                  ending="cannot be vouched for"),
        Tampering("a hash in the manifest", _replace("manifest.json", b'"sha256": "', b'"sha256": "0'),
                  ("manifest.json", "differs")),
        Tampering("the journal, and the manifest made to fit", _manifest_fits, (log, "content changed")),
        Tampering("the seal deleted", _remove(chain), (chain, "missing"), ending="cannot be vouched for",
                  state="unsealed"),
        Tampering("seal and manifest deleted", _remove(chain, "manifest.json"), (chain, "missing"),
                  ending="cannot be vouched for", state="unsealed"),
        Tampering("the seal emptied", _edit(chain, lambda _: b""), (chain, "no line")),
        Tampering("the last line of the seal removed", _edit(chain, _lines(lambda x: x[:-1])),
                  ("manifest.json", "last lines of the seal were removed")),
        Tampering("a middle line of the seal removed", _edit(chain, _lines(lambda x: [x[0], x[2]])),
                  (chain, "edited or removed")),
        Tampering("the first line of the seal removed", _edit(chain, _lines(lambda x: x[1:])),
                  (chain, "before its first")),
        Tampering("lines of the seal changed round", _edit(chain, _lines(lambda x: [x[0], x[2], x[1]])),
                  (chain, "moved or put in")),
        Tampering("who closed it", _replace(chain, b'"by":"rehearse"', b'"by":"somebody"'),
                  (chain, "line 1 was edited")),
        Tampering("who closed it, the line hashed again", _edit(chain, _line_again(0, by="somebody")),
                  (chain, "edited or removed")),
        Tampering("who reviewed it, in the last line", _replace(chain, b'"by":"lead","root"', b'"by":"boss","root"'),
                  (chain, "line 2 was edited")),
        Tampering("versions in the last line", _edit(chain, _lines(_other_versions)),
                  (chain, "line 3 was edited")),
        Tampering("a root of the seal, hashed again", _edit(chain, _line_again(2, root="00" * 32)),
                  (chain, "root does not follow")),
        Tampering("a line of the seal twice", _edit(chain, _lines(lambda x: [*x, x[-1]])), (chain, "moved or put in")),
        Tampering("a line added to the seal that fits", _edit(chain, _lines(_line_behind)), (chain, "no change")),
        Tampering("the last line of the seal torn", _edit(chain, lambda x: x[:-40]), (chain, "torn")),
        results("reduction/bands.csv", _edit("reduction/bands.csv", _cell)),
        results("reduction/summary.json", _replace("reduction/summary.json", b'"speed_kn": ', b'"speed_kn": 1')),
        results("reduction/report.html", _replace("reduction/report.html", b" kn", b" mph")),
        results("trialset/samples.parquet", _edit("trialset/samples.parquet", _flip)),
        results("trialset/segments.parquet", _edit("trialset/segments.parquet", _flip)),
        Tampering("a result removed", _remove("reduction/legs.csv"), ("reduction/legs.csv", "missing"), state="intact"),
        results("reduction/results.json", _replace("reduction/results.json", b'"root": "', b'"root": "0'),
                "reduction/results.json", "no line of the seal"),
        results("trialset/work/prepared.arrows", _edit("trialset/work/prepared.arrows", _flip)),
        Tampering("the kept block together with its hash", _kept_with_hash, ("trialset/work/prepared.arrows",),
                  state="intact"),
        Tampering("a signature by another key", _signed_by(stranger), ("signatures/", "does not hold"),
                  state="intact"),
        *(
            results(name, _edit(name, _flip))
            for name in ("reduction/trial.xlsx", "reduction/sheet.html", "reduction/legs.csv", "reduction/track.gpx",
                         "reduction/bands.parquet", "trialset/clocks.parquet", "trialset/rejects.parquet")
        ),
        *(
            Tampering(f"{name}: edited together with its list", with_its_list(name, _flip),
                      ("reduction/results.json", "edited together with their list"),
                      ending="cannot be vouched for", state="intact")
            for name in ("reduction/bands.csv", "reduction/summary.json", "reduction/report.html")
        ),
        Tampering("a result edited and taken out of the list", _unlisted, ("reduction/bands.csv", "does not list it"),
                  state="intact"),
        Tampering("a result edited and the list deleted", _without_list, ("reduction/results.json", "missing"),
                  ending="cannot be vouched for", state="intact"),
        Tampering("comments alone in the settings", _edit("session.toml", _comment), ("session.toml", "changed")),
        Tampering("settings that can no longer be read", _edit("session.toml", lambda x: x + b"\n[[["),
                  ("session.toml", "damaged")),
        Tampering("the settings deleted", _remove("session.toml"), ("session.toml", "missing")),
        Tampering("line ends of the notes", _edit("raw/notes.jsonl", lambda x: x.replace(b"\n", b"\r\n")),
                  ("raw/notes.jsonl", "content changed")),
        Tampering("the notes emptied", _edit("raw/notes.jsonl", lambda _: b""), ("raw/notes.jsonl", "0 bytes")),
        Tampering("the journal emptied", _edit(log, lambda _: b""), (log, "0 bytes")),
        Tampering("the journal under another name", _moved(log, "raw/nmea-02.log"), (log, "missing")),
        Tampering("the journal a second time", _copied(log, "raw/nmea-02.log"), ("raw/nmea-02.log", "added")),
        Tampering("the journal packed", lambda f: (f / log).write_bytes(gzip.compress((f / log).read_bytes())) and None,
                  (log, "content changed")),
        Tampering("the engine log of another session", _of_another(engine_log), (engine_log, "content changed")),
        Tampering("the manifest of another session", _of_another("manifest.json"), ("manifest.json", "differs")),
        Tampering("the seal of another session", _of_another(chain), (log, "content changed")),
        Tampering("manifest and seal of another session", _of_another("manifest.json", chain), (log, "changed")),
        Tampering("the manifest lists a file twice", _edit("manifest.json", _listed_twice),
                  ("manifest.json", "listed twice")),
        Tampering("a manifest that is no JSON", _edit("manifest.json", lambda x: x[:-9]), ("manifest.json", "damaged")),
        Tampering("line ends of the seal", _edit(chain, lambda x: x.replace(b"\n", b"\r\n")), (chain, "was edited")),
        Tampering("a mark of byte order before the seal", _edit(chain, lambda x: b"\xef\xbb\xbf" + x),
                  (chain, "line 1 was edited")),
        Tampering("rubbish behind the seal", _edit(chain, lambda x: x + b"rubbish\n"),
                  (chain, "line 4 cannot be read")),
        Tampering("rubbish behind the seal without a line end", _edit(chain, lambda x: x + b"\0rubbish"),
                  (chain, "torn")),
        Tampering("an empty line in the seal", _edit(chain, _lines(lambda x: [x[0], b"\n", *x[1:]])),
                  (chain, "line 2 cannot be read")),
        Tampering("the seal backwards", _edit(chain, _lines(lambda x: x[::-1])), (chain, "missing")),
        Tampering("a line of 66 MB behind the seal",
                  _edit(chain, lambda x: x + b'{"t":"' + b"x" * (66 << 20) + b'"}\n'), (chain, "larger")),
        Tampering("a line nested a million deep", _edit(chain, lambda x: x + b"[" * 1_000_000 + b"\n"),
                  (chain, "line 4 cannot be read")),
        Tampering("who reviewed it, the last line hashed again", _edit(chain, _line_again(2, by="boss")),
                  ("reduction/results.json", "line that is not there"), state="intact"),
        Tampering("the history of the seal, its root the same", _chain_again,
                  ("reduction/results.json", "line that is not there"), state="intact"),
        Tampering("the message of a signature", _other_message,
                  ("signatures/", "another message"), state="intact"),
        Tampering("a note from the middle removed, and all of it sealed anew", _middle_note_removed,
                  ("is in no line",), needs_root=True, ending="cannot be vouched for", state="intact"),
        Tampering("all of it rolled back by one event", _rolled_back, ("is in no line",), needs_root=True,
                  ending="cannot be vouched for", state="intact"),
        Tampering("the journal, and all of it sealed anew", _faster_and_resealed, ("is in no line", "anew"),
                  needs_root=True, ending="cannot be vouched for", state="intact"),
    ]  # fmt: skip


def texts_of(found: Verification) -> list[str]:
    """Return every sentence in which something is named."""
    return [*found.faults, *found.unvouched, *map(str, found.losses)]


def try_one(tampering: Tampering, original: Original, folder: Path) -> Outcome:
    """Tamper with a copy, and return what was said."""
    shutil.rmtree(folder, ignore_errors=True)
    session = Path(shutil.copytree(original.folder, folder / "session"))
    tampering.do(session)
    state = compare_seal(session, read_timeline(session).recording).state
    found = verify_with_results(session, root=original.root if tampering.needs_root else None)
    texts = texts_of(found)
    named = any(all(word in text for word in tampering.named) for text in texts)
    wrong = []
    if found.ending != tampering.ending:
        wrong.append(f"ends in {found.ending!r} and not in {tampering.ending!r}")
    if state != tampering.state:
        wrong.append(f"process says {state!r} and not {tampering.state!r}")
    if tampering.needs_root and (without := verify_with_results(session).ending) != tampering.without_root:
        wrong.append(f"without the root it ends in {without!r}")
    shutil.rmtree(session)
    said = "; ".join(wrong) or next((t for t in texts if all(w in t for w in tampering.named)), "; ".join(texts))
    return Outcome(tampering.name, not wrong, named, said)


def main(arguments: list[str]) -> int:
    """Run the command; returns its exit code."""
    parser = argparse.ArgumentParser(prog="python -m tests.faults.tamper", description=__doc__)
    parser.add_argument("--out", type=Path, help="also write the counts into this file, in place of former ones")
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ[CACHE_VARIABLE] = str(folder / "cache")
        original = make_original(folder)
        before = verify_with_results(original.folder)
        outcomes = [try_one(t, original, folder / "tampered") for t in tamperings(original.stranger)]
    for outcome in outcomes:
        mark = "ok  " if outcome.found and outcome.named else "MISS"
        sys.stdout.write(f"{mark} {outcome.name}: {outcome.said}\n")
    found, named = sum(o.found for o in outcomes), sum(o.named for o in outcomes)
    line = f"{len(outcomes)} tamperings: {found} found, {named} named; untouched: {before.ending}"
    sys.stdout.write(line + "\n")
    if options.out is not None:
        _keep(options.out, line)
    return 0 if found == named == len(outcomes) and before.ending == "sound" else 1


_HEAD = "## Tampering"


def _keep(path: Path, line: str) -> None:
    text = path.read_text(encoding="utf-8") if path.exists() else ""
    before, _, rest = text.partition(f"{_HEAD}\n")
    after = rest.partition("\n## ")[2]
    own = f"{_HEAD}\n\n`python -m tests.faults.tamper --out tests/RESULTS.md`: {line}.\n"
    path.write_text(before.rstrip() + "\n\n" + own + (f"\n## {after}" if after else ""), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
