"""A second look does again only what depends on what changed, and gives the bytes of a first look."""

from __future__ import annotations

import functools
import hashlib
import json
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from tests.made_once import processed_once
from tests.numbers import pages_left_out
from trialcapture import pipeline
from trialcapture.archive.atomic import work_folder
from trialcapture.archive.session import open_session, write_session
from trialcapture.pipeline import prepare_ahead, preparing, process, reuse
from trialcapture.system.files import CACHE_VARIABLE, cache_folder

PREPARED = ("trialset/samples.parquet", "trialset/rejects.parquet", "trialset/work/prepared.arrows")


@pytest.fixture
def session(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of a session that was processed once, seen by the same person."""
    return seen_once(processed_once("brief", pages=True), tmp_path, monkeypatch)


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """The same with empty pages, for what is noticed long before they are drawn."""
    with pages_left_out():
        yield seen_once(processed_once("brief"), tmp_path, monkeypatch)


def seen_once(first_look: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Copy a session and the cache of who processed it."""
    shutil.copytree(first_look / "session", tmp_path / "session")
    shutil.copytree(first_look / "cache", tmp_path / "cache")
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "cache"))
    return tmp_path / "session"


@pytest.fixture
def prepared(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The sessions that were prepared from their raw files while the test runs."""
    names: list[str] = []
    prepare: Callable[..., object] = preparing.prepare_trial

    def counted(session: object, *given: object, **named: object) -> object:
        names.append(str(session.folder))  # type: ignore[attr-defined]
        return prepare(session, *given, **named)

    monkeypatch.setattr(preparing, "prepare_trial", counted)
    return names


@pytest.fixture
def made(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What was reduced and drawn while the test runs, by the name of what does it."""
    names: list[str] = []
    get = reuse.FormerResults.get

    def counted(self: reuse.FormerResults, make: Callable[..., object], *given: object) -> object:
        def told(*given: object) -> object:
            names.append(make.__qualname__.rpartition(".")[2])
            return make(*given)

        return get(self, functools.wraps(make)(told), *given)

    monkeypatch.setattr(reuse.FormerResults, "get", counted)
    return names


class PreparedAnewError(Exception):
    """Raised where a session would be prepared from its raw files."""


def assert_prepared_anew(session: Path) -> None:
    """Make sure that nothing of a former run is used; the run itself is cut short there."""

    def stop(*_given: object, **_named: object) -> None:
        raise PreparedAnewError

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(preparing, "prepare_trial", stop)
        with pytest.raises(PreparedAnewError):
            process(session)


def results(session: Path) -> dict[str, bytes]:
    """Every derived file, what is no result left out."""
    files = [p for folder in ("trialset", "reduction") for p in (session / folder).rglob("*") if p.is_file()]
    kept = {p.relative_to(session).as_posix(): p.read_bytes() for p in files}
    return {name: data for name, data in kept.items() if not name.startswith("trialset/work/")}


def from_scratch(session: Path, to: Path) -> dict[str, bytes]:
    """The results of the same session for somebody who never saw it."""
    shutil.copytree(session, to / "again", ignore=shutil.ignore_patterns("trialset", "reduction"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(CACHE_VARIABLE, str(to / "empty"))
        process(to / "again")
    return results(to / "again")


def add_note(session: Path, **entry: object) -> None:
    with (session / "raw" / "notes.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps({"t": "2026-05-14T08:33:00Z", "by": "tester", **entry}) + "\n")


def first_stretch(session: Path) -> str:
    """The first stretch that was accepted, as a review names it."""
    found = pq.read_table(session / "trialset" / "segments.parquet").to_pylist()
    row = next(r for r in found if r["accepted"])
    return f"{row['start']:%Y-%m-%dT%H:%M:%S}Z/{row['stop']:%Y-%m-%dT%H:%M:%S}Z"


def edit(path: Path, old: bytes, new: bytes) -> None:
    """Change a file so that neither size nor times tell of it."""
    before = path.stat()
    data = path.read_bytes()
    assert len(old) == len(new)
    assert old in data
    path.write_bytes(data.replace(old, new, 1))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert (path.stat().st_size, path.stat().st_mtime_ns) == (before.st_size, before.st_mtime_ns)


def flip_middle(path: Path) -> None:
    """Change one bit in the middle of a file, and neither its size nor its times."""
    data = path.read_bytes()
    at = len(data) // 2
    edit(path, data[at - 8 : at + 1], data[at - 8 : at] + bytes([data[at] ^ 1]))


def test_looked_at_again_nothing_is_prepared_and_no_byte_differs(session: Path, prepared: list[str]) -> None:
    before = results(session)
    process(session)
    assert prepared == []
    assert results(session) == before


@pytest.mark.parametrize(
    "entry",
    [
        {"kind": "remark", "value": "fenders out"},
        {"kind": "trim", "value": "tabs 40 %", "t": "2026-05-14T08:31:30Z"},
        {"kind": "exclude", "value": "2026-05-14T08:20:00Z/2026-05-14T10:00:00Z", "reason": "wash"},
    ],
    ids=["remark", "trim", "review"],
)
def test_a_note_gives_the_bytes_of_a_first_look_without_decoding(
    entry: dict[str, object], session: Path, tmp_path: Path, prepared: list[str]
) -> None:
    add_note(session, **entry)
    process(session)
    assert prepared == []
    assert results(session) == from_scratch(session, tmp_path)


def test_other_units_of_the_reader_change_only_what_people_read(session: Path, prepared: list[str]) -> None:
    before = results(session)
    process(session, units="us")
    after = results(session)
    assert prepared == []
    assert {name for name in before if before[name] != after[name]} == {
        "reduction/report.html",
        "reduction/results.json",
        "reduction/sheet.html",
        "reduction/trial.xlsx",
    }
    process(session)
    assert prepared == []
    assert results(session) == before


def test_a_review_changes_the_result_it_is_about(session: Path, prepared: list[str]) -> None:
    before = results(session)
    add_note(session, kind="exclude", value=first_stretch(session), reason="ferry wash")
    process(session)
    assert prepared == []
    assert results(session)["reduction/bands.csv"] != before["reduction/bands.csv"]


def test_looked_at_again_nothing_is_reduced_and_nothing_drawn(session: Path, made: list[str]) -> None:
    add_note(session, kind="remark", value="fenders out")
    process(session)
    assert made == []


def test_in_other_units_only_the_curves_are_drawn_again(session: Path, made: list[str]) -> None:
    process(session, units="us")
    assert set(made) == {"draw_specification", "sheet_figure"}
    made.clear()
    process(session)
    process(session, units="us")
    assert made == []  # both are known by now


def test_a_review_is_reduced_once_and_what_it_leaves_alone_is_not_drawn_again(session: Path, made: list[str]) -> None:
    add_note(session, kind="exclude", value=first_stretch(session), reason="ferry wash", by="tester")
    process(session)
    assert made.count("reduce") == 1
    assert {"timeline", "track"} <= set(made)
    assert not {"clocks_figure", "onset"} & set(made)


@pytest.mark.parametrize("what", ["edited", "gone", "of another", "note damaged"])
def test_former_results_are_used_only_where_their_hash_was_noted(
    what: str, session: Path, tmp_path: Path, prepared: list[str], made: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = results(session)
    (note,) = (cache_folder() / "results").iterdir()
    file = work_folder(session) / "results.pickle"
    if what == "edited":
        flip_middle(file)
    elif what == "gone":
        file.unlink()
    elif what == "of another":
        file.write_bytes(b"cos\nsystem\n(S'exit 1'\ntR.")  # would run a command, were it believed
    else:
        note.write_text("[]")
    process(session)
    assert prepared == []
    assert "reduce" in made
    assert results(session) == before


def test_only_so_many_results_of_a_session_are_kept_the_latest_ones(
    session: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reuse, "_MOST_RESULTS", 3)
    kept = reuse.FormerResults(open_session(session), {"raw": "none"})
    assert [kept.get(abs, n) for n in (-1, -2, -3, -1, -4)] == [1, 2, 3, 1, 4]
    kept.keep()
    again = reuse.FormerResults(open_session(session), {"raw": "none"})
    assert [again.get(lambda n: f"{n} made anew", 1)] == ["1 made anew"]
    assert list(again._made.values())[:3] == [3, 1, 4]


def test_a_track_is_written_anew_only_where_legs_or_the_file_changed(
    session: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    made: list[str] = []
    for name in ("track_gpx", "track_geojson"):
        make = getattr(pipeline, name)

        def told(*given: object, make: Callable[..., bytes] = make) -> bytes:
            made.append(make.__qualname__)
            return make(*given)

        monkeypatch.setattr(pipeline, name, functools.wraps(make)(told))
    before = {name: (session / "reduction" / name).read_bytes() for name in ("track.gpx", "track.geojson")}
    add_note(session, kind="remark", value="fenders stowed")
    process(session, units="us")
    assert made == []
    edit(session / "reduction" / "track.gpx", b"<trkpt", b"<trkxt")
    (session / "reduction" / "track.geojson").unlink()
    process(session)
    assert made == ["track_gpx", "track_geojson"]
    assert {name: (session / "reduction" / name).read_bytes() for name in before} == before
    made.clear()
    add_note(session, kind="exclude", value=first_stretch(session), reason="wash")
    process(session)
    assert made == ["track_gpx", "track_geojson"]
    assert results(session) == from_scratch(session, tmp_path)


def test_what_cannot_be_told_apart_is_refused(session: Path) -> None:
    with pytest.raises(TypeError, match="object"):
        reuse.FormerResults(open_session(session), {}).get(id, object())


def test_a_mark_moves_clocks_and_is_no_short_cut(bare: Path, tmp_path: Path, prepared: list[str]) -> None:
    add_note(bare, kind="mark", value="throttle blip", t="2026-05-14T08:31:21Z")
    process(bare)
    assert prepared == [str(bare)]
    assert results(bare) == from_scratch(bare, tmp_path)


def test_other_settings_prepare_anew_and_the_former_ones_are_still_known(bare: Path, prepared: list[str]) -> None:
    before = results(bare)
    opened = open_session(bare)
    text = opened.config_text
    write_session(replace(opened, config_text=f"{text}\n[steady]\nmin_duration_s = 31\n"))
    process(bare)
    assert prepared == [str(bare)]
    write_session(replace(opened, config_text=text))
    process(bare)
    assert prepared == [str(bare)] * 2  # the samples in the session are those of the other settings
    assert results(bare) == before


@pytest.mark.parametrize("name", PREPARED)
def test_a_prepared_file_edited_at_equal_size_and_time_is_made_anew(name: str, bare: Path, prepared: list[str]) -> None:
    before = results(bare)
    flip_middle(bare / name)
    process(bare)
    assert prepared == [str(bare)]
    assert results(bare) == before


@pytest.mark.parametrize("name", PREPARED)
def test_a_prepared_file_that_is_gone_is_made_anew(name: str, session: Path) -> None:
    (session / name).unlink()
    assert_prepared_anew(session)


def test_a_raw_log_edited_at_equal_size_and_time_is_noticed(bare: Path, tmp_path: Path, prepared: list[str]) -> None:
    before = results(bare)
    log = bare / "raw" / "nmea.log"
    lines = [line for line in log.read_bytes().split(b"\r\n") if b"RMC," in line]
    edit(log, lines[len(lines) // 2], b"x" * len(lines[len(lines) // 2]))
    process(bare)
    assert prepared == [str(bare)]
    assert results(bare) != before
    assert results(bare) == from_scratch(bare, tmp_path)


def test_an_engine_log_edited_at_equal_size_and_time_is_noticed(session: Path) -> None:
    (log,) = (session / "raw" / "engine").iterdir()
    row = log.read_bytes().split(b"\n")[50]
    digit = next(i for i in range(len(row) - 1, 0, -1) if row[i : i + 1].isdigit())
    edit(log, row, row[:digit] + (b"1" if row[digit : digit + 1] != b"1" else b"2") + row[digit + 1 :])
    assert_prepared_anew(session)


@pytest.mark.parametrize("what", ["program", "library"])
def test_another_version_prepares_anew(what: str, session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    if what == "program":
        monkeypatch.setattr(reuse, "_program_hash", lambda: "of another program")
    else:
        known = reuse.version
        monkeypatch.setattr(reuse, "version", lambda name: "0.0" if name == "scipy" else known(name))
    # a process asks for its versions once
    reuse._versions.cache_clear()
    try:
        assert_prepared_anew(session)
    finally:
        reuse._versions.cache_clear()


def test_for_somebody_else_nothing_in_the_session_is_believed(
    session: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "of-somebody-else"))
    assert_prepared_anew(session)


def test_hashes_that_permit_reuse_are_nowhere_in_the_session(session: Path) -> None:
    (entry,) = (cache_folder() / "prepared").iterdir()
    (of_results,) = (cache_folder() / "results").iterdir()
    noted = json.loads(entry.read_text())
    assert set(noted["files"]) == set(PREPARED)
    codes = [noted["code"], json.loads(of_results.read_text())["code"]]
    texts = [p.read_bytes() for p in session.rglob("*") if p.is_file()]
    assert not any(code.encode() in text for code in codes for text in texts)


def test_a_kept_file_edited_together_with_its_hash_is_not_believed(bare: Path) -> None:
    (entry,) = (cache_folder() / "prepared").iterdir()
    kept = bare / "trialset" / "work" / "prepared.arrows"
    data = bytearray(kept.read_bytes())
    data[len(data) // 2] ^= 1
    kept.write_bytes(data)
    noted = json.loads(entry.read_text())
    noted["files"]["trialset/work/prepared.arrows"] = hashlib.sha256(data).hexdigest()
    entry.write_text(json.dumps(noted))
    assert [text.split(" ")[:2] for text in process(bare)["told"]] == [["what", "was"]]
    assert process(bare)["told"] == []


def test_a_kept_file_that_was_edited_is_named(bare: Path) -> None:
    kept = bare / "trialset" / "work" / "prepared.arrows"
    kept.write_bytes(kept.read_bytes()[:-1] + b"x")
    (text,) = process(bare)["told"]
    assert text.startswith("trialset/work/prepared.arrows: changed since the last run")


@pytest.mark.parametrize("text", ["", "[]", '{"files": 1}', '{"files": {}, "places": {}}', "\udc80"])
def test_a_damaged_note_of_hashes_permits_nothing(text: str, session: Path) -> None:
    (entry,) = (cache_folder() / "prepared").iterdir()
    entry.write_bytes(text.encode("utf-8", "surrogateescape"))
    assert_prepared_anew(session)


def test_a_note_of_hashes_that_misplaces_the_tables_permits_nothing(session: Path) -> None:
    (entry,) = (cache_folder() / "prepared").iterdir()
    noted = json.loads(entry.read_text())
    begin, end = noted["places"]["overview"]
    noted["places"]["overview"] = [begin + 64, end]
    entry.write_text(json.dumps(noted))
    assert_prepared_anew(session)


def test_without_a_cache_folder_all_is_derived_from_raw(
    bare: Path, tmp_path: Path, prepared: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    before = results(bare)
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "file" / "below"))
    process(bare)
    process(bare)
    assert prepared == [str(bare)] * 2
    assert results(bare) == before


def test_only_so_many_sessions_are_remembered_the_latest_ones(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reuse, "_MOST_ENTRIES", 3)
    for nth in range(5):
        (tmp_path / f"{nth}.json").write_text("{}")
        os.utime(tmp_path / f"{nth}.json", (nth, nth))
    reuse.forget_oldest(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["2.json", "3.json", "4.json"]


# XDG Base Directory Specification 0.8; Apple, File System Programming Guide; Microsoft, known folders (from memory)
@pytest.mark.parametrize(
    ("system", "variables", "expected"),
    [
        ("linux", {"HOME": "/home/x"}, "/home/x/.cache/trialcapture"),
        ("linux", {"HOME": "/home/x", "XDG_CACHE_HOME": "/fast"}, "/fast/trialcapture"),
        ("linux", {"HOME": "/home/x", "XDG_CACHE_HOME": "relative"}, "/home/x/.cache/trialcapture"),
        ("linux", {"HOME": "/home/x", "XDG_CACHE_HOME": "/fast", "TRIALCAPTURE_CACHE": "/own"}, "/own"),
        ("darwin", {"HOME": "/Users/x"}, "/Users/x/Library/Caches/trialcapture"),
        ("win32", {"HOME": "/x", "LOCALAPPDATA": "/x/local"}, "/x/local/trialcapture/cache"),
        ("win32", {"HOME": "/x"}, "/x/AppData/Local/trialcapture/cache"),
    ],
)
@pytest.mark.skipif(sys.platform == "win32", reason="paths and home are written as POSIX has them")
def test_the_cache_folder_is_where_the_system_keeps_such_files(
    system: str, variables: dict[str, str], expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA", CACHE_VARIABLE):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys, "platform", system)
    assert cache_folder() == Path(expected)


def test_what_is_kept_is_no_result_and_small(session: Path) -> None:
    kept = {p.name: p.stat().st_size for p in work_folder(session).iterdir()}
    assert set(kept) == {"prepared.arrows", "results.pickle"}
    assert sum(kept.values()) < 2_000_000


def prepared_ahead(session: Path) -> Path:
    """Take the results away and have everything made ahead; return where it lies."""
    shutil.rmtree(session / "trialset")
    shutil.rmtree(session / "reduction")
    prepare_ahead(session)
    assert not results(session), "there are no results yet"
    return session / "trialset" / "work" / "ahead"


def test_what_was_made_ahead_gives_the_bytes_of_a_first_look(
    session: Path, tmp_path: Path, prepared: list[str], made: list[str]
) -> None:
    engines = next((session / "raw" / "engine").iterdir())
    engines.write_bytes(engines.read_bytes() + b"\n")  # never processed before
    ahead = prepared_ahead(session)
    assert len(prepared) == 1
    made.clear()
    process(session)
    assert (len(prepared), made) == (1, [])
    assert not ahead.exists()
    assert results(session) == from_scratch(session, tmp_path)
    process(session)  # a look after that
    assert len(prepared) == 2, "only what was made from scratch beside it"


def test_results_stand_while_others_are_made_ahead(bare: Path, prepared: list[str]) -> None:
    before = results(bare)
    engines = next((bare / "raw" / "engine").iterdir())
    engines.write_bytes(engines.read_bytes() + b"\n")
    prepare_ahead(bare)
    assert results(bare) == before
    assert (bare / "trialset" / "work" / "ahead" / "trialset" / "samples.parquet").is_file()
    told = process(bare)["told"]
    assert len(prepared) == 1
    assert told == []
    assert results(bare) != before


@pytest.mark.parametrize("name", PREPARED)
def test_what_was_made_ahead_and_edited_is_made_anew(name: str, bare: Path) -> None:
    flip_middle(prepared_ahead(bare) / name)
    assert_prepared_anew(bare)


def test_what_was_made_ahead_of_other_files_is_made_anew_and_removed(bare: Path, prepared: list[str]) -> None:
    ahead = prepared_ahead(bare)
    log = bare / "raw" / "nmea.log"
    log.write_bytes(log.read_bytes() + b"\n")
    process(bare)
    assert len(prepared) == 2
    assert not ahead.exists()


def test_what_somebody_else_made_ahead_is_not_believed(
    bare: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    prepared_ahead(bare)
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "somebody-else"))
    assert_prepared_anew(bare)
