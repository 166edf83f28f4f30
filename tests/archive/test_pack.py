"""A session as a bag: whole, checked by others' libraries, and refused where it is not what it seems.

The references are bagit (the Library of Congress' implementation of RFC 8493) and rocrate (of the RO-Crate community).
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
import zipfile
from pathlib import Path
from urllib.parse import unquote

import bagit
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from rocrate.rocrate import ROCrate

from trialcapture.archive.manifest import write_manifest
from trialcapture.archive.pack import Pack, pack_session
from trialcapture.archive.seal import seal_closed, sign_root
from trialcapture.archive.session import create_session
from trialcapture.archive.verify import verify_session
from trialcapture.cli import main
from trialcapture.config import load_config
from trialcapture.errors import TrialCaptureError

CONFIG = """
[boat]
name = "Grey Ptarmigan"
[[engine]]
id = "main"
rated_rpm = 2400
"""
SENTENCE = b"$GPRMC,225446,A,4916.45,N,12311.12,W,000.5,054.7,191194,020.3,E*68\r\n"


@pytest.fixture
def session(tmp_path: Path) -> Path:
    """A session that was not processed, with names that a bag must encode."""
    folder = tmp_path / "day"
    create_session(folder, load_config(CONFIG), made_by="tests 1", created="2026-05-04T09:30:00Z", config_text=CONFIG)
    (folder / "raw" / "engine").mkdir()
    (folder / "raw" / "nmea.log").write_bytes(SENTENCE * 2000)
    (folder / "raw" / "engine" / "Örn port #2.csv").write_bytes(b"Time;RPM\r\n")
    (folder / "raw" / "notes.jsonl").write_bytes(b'{"t":"2026-05-04T09:31:00Z","kind":"mark"}\n')
    close(folder)
    for name in ("reduction/bands.csv", "trialset/work/prepared.arrows", "reduction/.bands.csv.77.tmp", "live.jsonl"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(name.encode())
    (folder / "remarks.docx").write_bytes(b"of nobody's concern")
    return folder


def close(folder: Path) -> None:
    """Seal it as it is."""
    write_manifest(folder)
    (folder / "seal.jsonl").unlink(missing_ok=True)
    seal_closed(folder, by="tests", t="2026-05-04T10:00:00Z")


def packed(folder: Path, out: Path, **settings: object) -> Pack:
    return pack_session(folder, out, made_by="trialcapture 9.9.9", **settings)  # type: ignore[arg-type]


def names_in(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*") if not path.is_dir()}


def left_over(folder: Path) -> list[str]:
    return [path.name for path in folder.iterdir() if path.name.startswith(".")]


def test_a_bag_is_valid_to_another_library_and_holds_the_session(session: Path, tmp_path: Path) -> None:
    done = packed(session, tmp_path / "bag")
    bag = bagit.Bag(str(tmp_path / "bag"))
    bag.validate()
    assert bag.version_info == (1, 0)
    assert bag.encoding == "UTF-8"
    assert bag.algorithms == ["sha256"]
    assert bag.info["External-Identifier"] == "20260504T093000Z-grey-ptarmigan"
    # its result has no list of hashes
    assert bag.info["Session-Condition"] == "cannot be vouched for (1 named by verify)"
    assert "Grey Ptarmigan" in bag.info["External-Description"]
    data = tmp_path / "bag" / "data"
    parts = {
        "session.toml",
        "manifest.json",
        "seal.jsonl",
        "raw/nmea.log",
        "raw/engine/Örn port #2.csv",
        "raw/notes.jsonl",
    }
    assert names_in(data) == parts | {"reduction/bands.csv", "ro-crate-metadata.json"}
    assert all((data / name).read_bytes() == (session / name).read_bytes() for name in parts)
    sizes = [(data / name).stat().st_size for name in names_in(data)]
    assert bag.info["Payload-Oxum"] == f"{sum(sizes)}.{len(sizes)}"
    assert (done.files, done.bytes, done.left_out) == (
        len(sizes), sum(sizes), ("reduction/.bands.csv.77.tmp", "remarks.docx")
    )  # fmt: skip
    assert [text.partition(":")[0] for text in verify_session(data).unvouched] == ["reduction/results.json"]


@pytest.mark.parametrize("name", ["data/raw/nmea.log", "data/ro-crate-metadata.json", "bag-info.txt"])
def test_another_library_finds_what_was_changed_in_a_bag(session: Path, tmp_path: Path, name: str) -> None:
    packed(session, tmp_path / "bag")
    path = tmp_path / "bag" / name
    path.write_bytes(path.read_bytes().replace(b"1", b"2", 1))
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(tmp_path / "bag")).validate()


def test_another_library_reads_the_description(session: Path, tmp_path: Path) -> None:
    packed(session, tmp_path / "bag")
    data = tmp_path / "bag" / "data"
    crate = ROCrate(str(data))
    assert crate.root_dataset["identifier"] == "20260504T093000Z-grey-ptarmigan"
    assert crate.root_dataset["datePublished"] == "2026-05-04T09:30:00Z"
    assert crate.root_dataset["license"]["name"]
    files = {unquote(entity.id) for entity in crate.data_entities if entity.type == "File"}
    assert files == names_in(data) - {"ro-crate-metadata.json"}
    (engine,) = [e for e in crate.data_entities if e.id.endswith(".csv") and "engine" in e.id]
    assert (engine.id, engine["encodingFormat"]) == ("raw/engine/%C3%96rn%20port%20%232.csv", "text/csv")
    assert int(engine["contentSize"]) == 10
    (action,) = crate.get_by_type("CreateAction")
    assert (action["instrument"]["name"], action["instrument"]["softwareVersion"]) == ("trialcapture", "9.9.9")
    assert (action["object"].id, action["result"].id) == ("raw/", "reduction/")
    parts = {e.id: e["hasPart"] for e in crate.data_entities if e.type == "Dataset"}
    assert parts["reduction/"].id == "reduction/bands.csv"
    assert {part.id for part in parts["raw/"]} == {
        unquoted
        for unquoted in (e.id for e in crate.data_entities)
        if unquoted.startswith("raw/") and unquoted != "raw/"
    }


def test_every_entity_of_the_description_is_linked_from_its_root(session: Path, tmp_path: Path) -> None:
    """RO-Crate 1.1: data entities SHOULD be linked from the root by hasPart, contextual ones from somewhere."""
    packed(session, tmp_path / "bag")
    graph = json.loads((tmp_path / "bag/data/ro-crate-metadata.json").read_text(encoding="utf-8"))["@graph"]
    entities = {entity["@id"]: entity for entity in graph}
    assert len(entities) == len(graph)
    reached, open_ = set(), ["ro-crate-metadata.json", "./"]
    while open_:
        entity = entities[open_.pop()]
        if entity["@id"] not in reached:
            reached.add(entity["@id"])
            values = [v for value in entity.values() for v in (value if isinstance(value, list) else [value])]
            local = [v["@id"] for v in values if isinstance(v, dict) and not v["@id"].startswith("https:")]
            open_ += local
    assert reached == set(entities)


def test_a_zip_holds_one_bag_of_its_name(session: Path, tmp_path: Path) -> None:
    """RFC 8493, section 4: one folder at the top, of the bag's name."""
    packed(session, tmp_path / "bag")
    packed(session, tmp_path / "of the day.zip")
    with zipfile.ZipFile(tmp_path / "of the day.zip") as file:
        file.extractall(tmp_path / "unpacked")
    assert [p.name for p in (tmp_path / "unpacked").iterdir()] == ["of the day"]
    bag = tmp_path / "unpacked" / "of the day"
    bagit.Bag(str(bag)).validate()
    assert names_in(bag) == names_in(tmp_path / "bag")
    assert all((bag / name).read_bytes() == (tmp_path / "bag" / name).read_bytes() for name in names_in(bag))


def test_the_same_session_gives_the_same_bytes(session: Path, tmp_path: Path) -> None:
    moved = tmp_path / "elsewhere" / "moved"
    shutil.copytree(session, moved)
    for suffix in ("", ".zip"):
        packed(session, tmp_path / f"bag{suffix}")
        packed(moved, tmp_path / "elsewhere" / f"bag{suffix}")
    assert (tmp_path / "bag.zip").read_bytes() == (tmp_path / "elsewhere/bag.zip").read_bytes()
    for name in names_in(tmp_path / "bag"):
        assert (tmp_path / "bag" / name).read_bytes() == (tmp_path / "elsewhere/bag" / name).read_bytes(), name


def test_paths_are_written_as_the_standard_says(session: Path, tmp_path: Path) -> None:
    """RFC 8493, section 2.1.3: percent signs by their code; a session holds no name with a line end."""
    (session / "raw" / "engine" / "at 100 %.csv").write_bytes(b"full")
    close(session)
    packed(session, tmp_path / "bag")
    lines = (tmp_path / "bag" / "manifest-sha256.txt").read_text(encoding="utf-8").splitlines()
    assert f"{hashlib.sha256(b'full').hexdigest()}  data/raw/engine/at 100 %25.csv" in lines
    assert len(lines) == len(names_in(tmp_path / "bag" / "data"))


def test_seal_and_signatures_go_into_the_bag_and_the_root_is_named(session: Path, tmp_path: Path) -> None:
    root = json.loads((session / "seal.jsonl").read_bytes().splitlines()[-1])["root"]
    private = Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    for name in ("lead.pem", "signatures/lead.pem"):
        (session / name).parent.mkdir(exist_ok=True)
        (session / name).write_bytes(private)
    written = sign_root(session, root, session / "lead.pem")
    signed = {p.relative_to(session).as_posix() for p in (written.message, written.signature, written.public_key)}
    done = packed(session, tmp_path / "bag")
    bag = bagit.Bag(str(tmp_path / "bag"))
    bag.validate()
    assert done.root == bag.info["Seal-Root"] == root
    inside = names_in(tmp_path / "bag/data")
    assert inside >= {"seal.jsonl", *signed}
    # a private key that somebody left there stays at home
    assert {"signatures/lead.pem", "lead.pem"} & inside == set()
    assert {"signatures/lead.pem", "lead.pem"} <= set(done.left_out)
    assert verify_session(tmp_path / "bag/data").seal.root == root


def test_a_session_that_nobody_can_vouch_for_is_packed_and_said_to_be_one(session: Path, tmp_path: Path) -> None:
    for name in ("seal.jsonl", "manifest.json"):
        (session / name).unlink()
    done = packed(session, tmp_path / "bag")
    info = bagit.Bag(str(tmp_path / "bag")).info
    assert info["Seal-Root"] == "none: the session is not sealed"
    assert info["Session-Condition"] == done.condition
    assert done.condition.startswith(verify_session(session).ending)
    assert done.condition != "sound"


# ------------------------------------------------------------------------------
# What is refused.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize("suffix", ["", ".zip"])
def test_nothing_is_overwritten(session: Path, tmp_path: Path, suffix: str) -> None:
    out = tmp_path / f"bag{suffix}"
    out.write_bytes(b"mine")
    with pytest.raises(TrialCaptureError, match="nothing is overwritten"):
        packed(session, out)
    assert out.read_bytes() == b"mine"
    out.unlink()
    out.mkdir()
    with pytest.raises(TrialCaptureError, match="nothing is overwritten"):
        packed(session, out)
    assert list(out.iterdir()) == []
    out.rmdir()
    if sys.platform != "win32":
        out.symlink_to(tmp_path / "nowhere")
        with pytest.raises(TrialCaptureError, match="nothing is overwritten"):
            packed(session, out)
    assert left_over(tmp_path) == []


def test_a_session_is_not_packed_into_itself(session: Path) -> None:
    before = names_in(session)
    for out in (session / "bag", session / "raw" / "bag.zip", session / "reduction" / ".." / "bag"):
        with pytest.raises(TrialCaptureError, match="into itself"):
            packed(session, out)
    assert names_in(session) == before


def test_what_is_no_session_is_not_packed(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    for folder in ("photos", "nowhere"):
        with pytest.raises(TrialCaptureError, match=r"no session here|no such folder"):
            packed(tmp_path / folder, tmp_path / "bag")
    assert names_in(tmp_path) == set()


@pytest.mark.skipif(sys.platform == "win32", reason="links, pipes and such names are those of POSIX systems")
@pytest.mark.parametrize(
    "place",
    ["raw/engine/more.csv", "reduction/report.html", "trialset", "raw/photos", "session.toml", "seal.jsonl", "x/y/z"],
)
@pytest.mark.parametrize("kind", ["link to a file", "link to a folder", "pipe", "dead link"])
def test_links_and_devices_are_refused_by_name(session: Path, tmp_path: Path, place: str, kind: str) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.txt").write_bytes(b"not of this trial")
    path = session / place
    if path.is_dir():
        shutil.rmtree(path)
    path.unlink(missing_ok=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    if kind == "pipe":
        os.mkfifo(path)
    else:
        targets = {"link to a file": outside / "secret.txt", "link to a folder": outside, "dead link": outside / "no"}
        path.symlink_to(targets[kind])
    with pytest.raises(TrialCaptureError, match="only files and folders of the session itself") as refused:
        packed(session, tmp_path / "bag")
    assert refused.value.where == place
    assert not (tmp_path / "bag").exists()
    assert left_over(tmp_path) == []


@pytest.mark.skipif(sys.platform != "linux", reason="other systems keep names as text")
def test_a_name_that_is_no_text_is_refused(session: Path, tmp_path: Path) -> None:
    Path(os.fsdecode(os.fsencode(session / "raw" / "engine") + b"/\xff\xfe.csv")).write_bytes(b"x")
    with pytest.raises(TrialCaptureError, match="no UTF-8 text"):
        packed(session, tmp_path / "bag")
    assert not (tmp_path / "bag").exists()


def test_a_damaged_session_needs_a_reason(session: Path, tmp_path: Path) -> None:
    log = session / "raw" / "nmea.log"
    log.write_bytes(log.read_bytes().replace(b"000.5", b"001.5", 1))
    for reason in (None, "", "  "):
        with pytest.raises(TrialCaptureError, match="damaged, so it is not packed") as refused:
            packed(session, tmp_path / "bag", accept_damage=reason)
        assert "raw/nmea.log" in str(refused.value)
    assert not (tmp_path / "bag").exists()
    packed(session, tmp_path / "bag", accept_damage="disk of the laptop failed\r\nSeal-Root: " + "0" * 64)
    bag = bagit.Bag(str(tmp_path / "bag"))
    bag.validate()
    assert bag.info["Session-Condition"].startswith("damaged (")
    assert ", packed all the same: disk of the laptop failed Seal-Root: 0" in bag.info["Session-Condition"]
    root = json.loads((session / "seal.jsonl").read_bytes().splitlines()[-1])["root"]
    assert bag.info["Seal-Root"] == root  # no second line can be slipped in


@pytest.mark.parametrize("what", ["a raw file", "a result that is copied already", "a result that goes"])
def test_a_session_that_changes_while_it_is_packed_is_noticed(session: Path, tmp_path: Path, what: str) -> None:
    done = False

    def edit(step: str, share: float | None) -> None:
        nonlocal done
        if step != "copying" or done:
            return
        if what == "a raw file":
            (session / "raw" / "notes.jsonl").write_bytes(b'{"t":"2026-05-04T09:31:00Z","kind":"MARK"}\n')
        elif what == "a result that goes":
            (session / "reduction" / "bands.csv").unlink(missing_ok=True)
        elif share == 1.0:
            (session / "reduction" / "bands.csv").write_bytes(b"of another run")
        done = what != "a result that is copied already"

    with pytest.raises(TrialCaptureError, match="changed while it was packed"):
        packed(session, tmp_path / "bag", progress=edit)
    assert not (tmp_path / "bag").exists()
    assert left_over(tmp_path) == []


@pytest.mark.parametrize("suffix", ["", ".zip"])
@pytest.mark.parametrize("step", ["checking the session", "copying", "writing to the disk"])
def test_a_stopped_pack_leaves_nothing(session: Path, tmp_path: Path, step: str, suffix: str) -> None:
    def stop(now: str, _share: float | None) -> None:
        if now == step:
            raise KeyboardInterrupt

    before = names_in(session)
    with pytest.raises(KeyboardInterrupt):
        packed(session, tmp_path / f"bag{suffix}", progress=stop)
    assert not (tmp_path / f"bag{suffix}").exists()
    assert left_over(tmp_path) == []
    assert names_in(session) == before


@pytest.mark.parametrize("suffix", ["", ".zip"])
def test_a_full_disk_leaves_nothing(session: Path, small_disk: Path, suffix: str) -> None:
    (session / "raw" / "nmea.log").write_bytes(os.urandom(400_000).hex().encode())
    close(session)
    with pytest.raises(TrialCaptureError, match="disk is full"):
        packed(session, small_disk / f"bag{suffix}")
    assert list(small_disk.iterdir()) == []


def test_the_command_says_what_it_did(
    session: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")

    def run(*arguments: str) -> tuple[int, str]:
        with pytest.raises(SystemExit) as ended:
            main(["pack", str(session), *arguments])
        out, err = capsys.readouterr()
        return int(ended.value.code or 0), " ".join((out + err).split())

    code, text = run(str(tmp_path / "bag"))
    assert code == 0
    assert "session 20260504T093000Z-grey-ptarmigan" in text
    assert "8 files" in text
    assert "remarks.docx is no part of a session and was left out" in text
    code, text = run(str(tmp_path / "bag"))
    assert code == 1
    assert "nothing is overwritten" in text
    code, text = run(str(tmp_path / "other.zip"), "--json")
    assert code == 0
    assert json.loads(text)["files"] == 8
    code, text = run(str(tmp_path / "third"), "--share")
    assert code == 1
    assert "not processed, so there is nothing to share" in text
    assert not (tmp_path / "third").exists()
