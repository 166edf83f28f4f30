"""The live board of a session that grows: it ends where `process` ends, and nothing on it flickers."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from tests.bench.live_replay import grow, read_tape, rehearsed, replay
from trialcapture.archive.atomic import read_tables
from trialcapture.archive.notes import parse_note
from trialcapture.archive.session import Session, open_session
from trialcapture.decode.nmea0183.nmea_decoder import decode_nmea
from trialcapture.pipeline import live_trial, process, reading, reuse
from trialcapture.pipeline.live_board import Board, BoardCell, Detector, EngineNow, Now
from trialcapture.pipeline.live_follow import FollowedLog
from trialcapture.pipeline.live_guidance import SHOWN_S, SURE_S, Held, LiveBoard, PlanChange, guidance_of, plan_changes
from trialcapture.pipeline.live_trial import LiveTrial, SamplesSoFar


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rehearsed trial of one engine: two steps there and back, with a plan and live engine speed."""
    return rehearsed(2, tmp_path_factory.mktemp("rehearsed"), short=True)


def test_what_was_shown_as_done_is_what_process_decides(trial: Path, tmp_path: Path) -> None:
    boards: list[Board] = []
    outcome = replay(trial, tmp_path, step_s=3.0, each=boards.append)
    assert outcome.agreement >= 0.95, outcome.differing
    assert "done" in outcome.shown.values()
    assert outcome.short == []
    assert outcome.jumps == []
    assert outcome.oldest_s <= 10.0
    # on the way every figure was there, and what to do next
    last = boards[-1]
    assert last.now.sog_kn is not None
    assert all(e.rpm is not None for e in last.now.engines)
    assert last.recent.sog_kn
    assert last.bands
    # between a run and the way back the current is unknown, and nobody is warned of what the plan will mend
    assert any(cell.state == "half" for board in boards for cell in board.grid.cells)
    assert "result-current-unknown" not in {alarm.id for board in boards for alarm in board.alarms}
    kinds = {board.advice.kind for board in boards}
    assert {"hold", "turn", "next_step"} <= kinds
    cautions = {board.advice.caution for board in boards}
    assert {"turn", "full_throttle"} <= cautions
    assert {"moving", "settling", "holding", "held"} <= {board.detector.state for board in boards}
    # the first advice names the first step, before anything was run
    assert next(b for b in boards if b.grid.cells).grid.next_step == last.grid.steps[0].step


@pytest.fixture
def small_blocks(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[int]:
    """Blocks of 150 kB, a cache folder of its own, and the first lines of all blocks that are decoded."""
    monkeypatch.setattr(reading, "BLOCK_BYTES", 150_000)
    monkeypatch.setattr(reuse, "_LEAST_FREE_BYTES", 0)
    monkeypatch.setenv("TRIALCAPTURE_CACHE", str(tmp_path / "cache"))
    decoded: list[int] = []

    def counted(block: bytes, **more: Any) -> Any:
        decoded.append(more["first_line"])
        return decode_nmea(block, **more)

    monkeypatch.setattr(reading, "decode_nmea", counted)
    return decoded


def grown(trial: Path, into: Path) -> Path:
    """Return a copy of a session that grew, without engine logs and derived files."""
    tape = read_tape(trial)
    for _ in grow(trial, into, tape, step_s=float(tape.t_s[-1]) / 4.0):
        pass
    return into


def files_of(session: Path) -> dict[str, bytes]:
    return {
        p.relative_to(session).as_posix(): p.read_bytes()
        for folder in ("trialset", "reduction")
        for p in sorted((session / folder).rglob("*"))
        if p.is_file() and "work" not in p.parts
    }


def test_blocks_kept_while_recording_are_used_again_and_give_the_same_bytes(
    trial: Path, tmp_path: Path, small_blocks: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    session = grown(trial, tmp_path / "followed" / "day")
    LiveTrial(session).look(0.0)
    assert len(list((session / "trialset" / "work" / "decoded").glob("*.arrows"))) >= 3
    small_blocks.clear()
    process(session)
    assert len(small_blocks) == 1  # the last block alone was not whole
    assert small_blocks[0] > 0
    scratch = grown(trial, tmp_path / "scratch" / "day")
    monkeypatch.setenv("TRIALCAPTURE_CACHE", str(tmp_path / "other cache"))
    small_blocks.clear()
    process(scratch)
    assert len(small_blocks) >= 4
    assert files_of(session) == files_of(scratch)


def test_a_kept_block_that_was_changed_is_decoded_again(trial: Path, tmp_path: Path, small_blocks: list[int]) -> None:
    folder = grown(trial, tmp_path / "day")
    LiveTrial(folder).look(0.0)
    session = open_session(folder)
    changed = folder / "trialset" / "work" / "decoded" / "nmea.log-0.arrows"
    data = bytearray(changed.read_bytes())
    data[len(data) // 2] ^= 1
    changed.write_bytes(data)
    (folder / "trialset" / "work" / "decoded" / "nmea.log-1.pickle").write_bytes(b"no pickle of ours")
    assert [found is None for found in _found(session, 3)] == [True, True, False]


def _found(session: Session, blocks: int) -> list[reuse.KeptBlock | None]:
    """Return what is found of the first blocks of a journal, as `process` asks for them."""
    kept = reuse.KeptBlocks(session)
    found = []
    path, decoder = next(iter(reading.log_decoders(session, session.config)))
    from trialcapture.archive.raw import read_blocks  # noqa: PLC0415

    for number, (first_line, block) in enumerate(read_blocks(path, reading.block_bytes_at)):
        if number == blocks:
            break
        found.append(
            kept.find(
                path.name, number, kept.key_of(decoder.state, first_line, kept.hash_ahead(path.name, number, block))
            )
        )
        decoder.decode(first_line, block)
    return found


def test_a_log_followed_line_by_line_is_the_log_decoded_at_once(
    trial: Path, tmp_path: Path, small_blocks: list[int]
) -> None:
    """Blocks that were kept and the lines since, however they came, hold every row once and in order."""
    tape = read_tape(trial)
    looks = iter(grow(trial, tmp_path / "day", tape, step_s=7.0))
    next(looks)
    session = open_session(tmp_path / "day")
    path, decoder = next(iter(reading.log_decoders(session, session.config)))
    followed = FollowedLog(path, decoder, reuse.KeptBlocks(session))
    followed.look()
    for number, _ in enumerate(looks):
        followed.look()
        if number % 5 == 0:
            followed.so_far()
    assert small_blocks
    found = followed.so_far()
    at_once = FollowedLog(path, next(iter(reading.log_decoders(session, session.config)))[1], followed._kept)
    at_once._tail = None  # as where the log was joined late
    at_once.look()
    whole, _, _ = decode_nmea(path.read_bytes(), source="nmea")
    for name, table in reading.read_columns(whole).items():
        for log in (found, at_once.so_far()):
            parts = [read_tables(block).get(name) for block in log.blocks]
            rows = pa.concat_tables([part for part in parts if part is not None]).unify_dictionaries()
            same = ["line", *(c for c in ("tod_ns", "sog_kn", "rpm", "lat_deg") if c in table.column_names)]
            assert rows.select(same).combine_chunks().equals(table.select(same).combine_chunks()), name
        kept_rows = found.outline.bounds[name]
        assert kept_rows == sorted(kept_rows)


def test_a_disk_without_room_to_spare_keeps_nothing(
    trial: Path, tmp_path: Path, small_blocks: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reuse, "_LEAST_FREE_BYTES", 1 << 62)
    folder = grown(trial, tmp_path / "day")
    live = LiveTrial(folder)
    live.look(0.0)
    assert not list((folder / "trialset").rglob("*.arrows"))
    assert live.samples.rows > 1000


def test_a_log_that_is_replaced_by_a_shorter_one_begins_anew(trial: Path, tmp_path: Path) -> None:
    folder = grown(trial, tmp_path / "day")
    journal = folder / "raw" / "nmea.log"
    whole = journal.read_bytes()
    live = LiveTrial(folder, is_sparing=False)
    live.look(0.0)
    rows = live.samples.rows
    journal.write_bytes(whole[: whole.rfind(b"\n", 0, len(whole) // 2) + 1])
    live.look(20.0)
    assert 0 < live.samples.rows < 0.7 * rows
    journal.unlink()
    live.look(40.0)  # the recorder puts it back
    assert live.samples.rows > 0


def test_before_any_data_the_board_says_so(trial: Path, tmp_path: Path) -> None:
    tape = read_tape(trial)
    next(grow(trial, tmp_path / "day", tape, 0.01))
    board = LiveBoard(LiveTrial(tmp_path / "day"), read_status=lambda: None).look(0.0, 1_780_000_000_000_000_000)
    assert board.detector.state == "no_data"
    assert board.advice.kind == "wait"
    assert board.now.sog_kn is None
    assert {cell.state for cell in board.grid.cells} == {"missing"}


# ----- What is shown stays for a while.


def test_a_state_stays_five_seconds_and_changes_only_to_one_that_lasts() -> None:
    held: Held[str] = Held("no_data")
    assert held.follow("moving", 0.0) == "moving"
    # a flicker of less than two seconds is never shown, whenever it comes
    assert [held.follow(state, t) for t, state in ((6.0, "holding"), (7.0, "moving"), (8.0, "holding"))] == [
        "moving"
    ] * 3
    assert held.follow("holding", 8.0 + SURE_S) == "holding"
    # and what is shown stays, whatever is the case
    assert held.follow("refused", 10.5) == "holding"
    assert held.follow("refused", 10.0 + SHOWN_S - 0.1) == "holding"
    assert held.follow("refused", 10.0 + SHOWN_S) == "refused"


def test_a_change_that_is_sure_waits_for_nothing_but_the_state_before() -> None:
    held: Held[str] = Held("moving")
    held.follow("holding", 0.0)
    assert held.follow("held", 4.9, at_once=True) == "holding"
    assert held.follow("held", 5.0, at_once=True) == "held"


def note(at: int, **fields: Any) -> Any:
    return parse_note(json.dumps({"t": f"2026-05-14T09:00:{at:02d}Z", **fields}).encode(), at)


def test_the_last_change_of_the_plan_counts() -> None:
    skip = note(1, kind="plan_change", action="skip", step="2000 rpm", way="075°", reason="traffic")
    first = note(2, kind="plan_change", action="first", step="full_throttle")
    assert plan_changes([skip, first]) == {
        ("2000", "075°"): PlanChange("skip", "traffic", skip.t_ns),
        ("full throttle", ""): PlanChange("first", "", first.t_ns),
    }
    restore = note(3, kind="plan_change", action="restore", step="2000")
    assert plan_changes([skip, first, restore]) == {("full throttle", ""): PlanChange("first", "", first.t_ns)}
    undone = note(4, kind="undo", value="2026-05-14T09:00:01Z", of="plan_change")
    assert ("2000", "075°") not in plan_changes([skip, undone])


def test_the_screen_gets_speed_held_seconds_advice_and_what_is_missing() -> None:
    board = Board("day", "Example", recording=True, made_at="2026-05-14T09:00:00.0Z")
    board = replace(
        board,
        now=Now(sog_kn=14.23, engines=(EngineNow("port", 2003.4), EngineNow("stbd"))),
        detector=Detector("holding", "Holding 2000 rpm: 38 s more", "rpm port -1.8 %", 22.0, 38.0),
        advice=replace(board.advice, sentence="Hold 2000 rpm, 38 s more"),
        grid=replace(board.grid, cells=(BoardCell(2000, "075°", "now"), BoardCell(1000, "075°", "done"))),
        holes=(),
    )
    told = guidance_of(board)
    assert told.now == "14.2 kn   port 2003 rpm"
    assert "held 22 s" in told.detector
    assert "rpm port -1.8 %" in told.detector
    assert told.advice == "Hold 2000 rpm, 38 s more"


def test_samples_so_far_read_alike_however_they_came(trial: Path, tmp_path: Path) -> None:
    live = LiveTrial(grown(trial, tmp_path / "day"))
    live.look(0.0)
    whole = live.samples.read(0, live.samples.rows, ["t", "sog_kn"])
    again = SamplesSoFar(live.config)
    names = live.samples.tail.column_names
    for begin in range(0, live.samples.final, 70):
        again.append(live.samples.read(begin, min(begin + 70, live.samples.final), names))
    again.tail = live.samples.tail
    assert again.rows == live.samples.rows == whole.num_rows
    assert again.read(0, again.rows, ["t", "sog_kn"]).equals(whole)
    assert again.read(95, 1203, ["sog_kn"]).equals(whole.slice(95, 1108).select(["sog_kn"]))
    assert again.overview().equals(live.samples.overview())


# ----- What people change on the day.


@pytest.fixture
def half_way(trial: Path, tmp_path: Path) -> Path:
    """The trial when its first step was run both ways, and the second was not begun."""
    tape = read_tape(trial)
    for now_s in grow(trial, tmp_path / "day", tape, step_s=10.0):
        if now_s > 0.58 * tape.t_s[-1]:
            break
    return tmp_path / "day"


def board_later(live: LiveBoard, now_s: float) -> Board:
    """Return the board when everything entered before has been looked at and shown."""
    wall_ns = live.trial.newest_ns or 0
    for more in range(0, 30, 2):
        board = live.look(now_s + more, wall_ns)
    return board


def enter(folder: Path, **fields: Any) -> None:
    at = {"t": "2030-01-01T00:00:00Z", "by": "Kim"}
    with (folder / "raw" / "notes-desk.jsonl").open("a", encoding="utf-8") as file:
        file.write(json.dumps(at | fields) + "\n")


def states(board: Board) -> dict[tuple[object, str], str]:
    return {(c.step, c.way): c.state for c in board.grid.cells}


def test_the_plan_is_changed_on_the_day(half_way: Path) -> None:
    live = LiveBoard(LiveTrial(half_way, is_sparing=False), read_status=lambda: None)
    board = board_later(live, 100.0)
    (first, last), (out, back) = board.grid.steps, board.grid.ways
    assert last.step == "full throttle"
    assert states(board)[first.step, out.way] == states(board)[first.step, back.way] == "done"
    assert board.grid.next_step == "full throttle"
    assert board.holes_open == 2
    assert board.bands[0].ways == 2

    enter(half_way, kind="plan_change", action="skip", step="full throttle", way=out.way, reason="sea too rough")
    board = board_later(live, 200.0)
    assert states(board)["full throttle", out.way] == "skipped"
    assert (board.grid.next_step, board.grid.next_way) == ("full throttle", back.way)
    assert "sea too rough" in {hole.reason for hole in board.holes}  # it is still open: nobody signed it off

    enter(half_way, kind="plan_change", action="skip", step="full throttle", reason="engine too hot")
    enter(half_way, kind="plan_change", action="repeat", step=str(first.step), way=back.way, reason="ferry wash")
    board = board_later(live, 300.0)
    assert (board.grid.next_step, board.grid.next_way) == (first.step, back.way)
    assert "ferry wash" in next(c.advised or "" for c in board.grid.cells if (c.step, c.way) == (first.step, back.way))
    assert board.advice.kind == "repeat" or board.detector.state != "moving"

    enter(half_way, kind="plan_change", action="restore", step="full throttle")
    board = board_later(live, 400.0)
    assert states(board)["full throttle", out.way] == "missing"

    enter(half_way, kind="hole", step="full throttle", reason="engine too hot")
    board = board_later(live, 500.0)
    assert states(board)["full throttle", out.way] == "signed_off"
    assert board.holes_open == 0


def test_results_of_the_same_stretches_rest_on_one_reduction(half_way: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What else has come since counts all the same; and at the end all of it is made from nothing."""
    made = {"reduce_segments": 0, "measure_manoeuvres": 0}

    def counted(name: str) -> Any:
        do = getattr(live_trial, name)

        def counts(*given: Any) -> Any:
            made[name] += 1
            return do(*given)

        return counts

    for name in made:
        monkeypatch.setattr(live_trial, name, counted(name))
    live = LiveTrial(half_way, is_sparing=False)
    live.look(100.0)
    first = live.reduced
    assert first is not None
    assert made == {"reduce_segments": 1, "measure_manoeuvres": 1}
    live.look(100.0 + live_trial.REDUCE_EVERY_S)
    assert made == {"reduce_segments": 1, "measure_manoeuvres": 1}
    live.look(100.0 + live_trial.UNCHANGED_EVERY_S)
    assert made == {"reduce_segments": 1, "measure_manoeuvres": 2}
    assert live.reduced is not None
    assert live.reduced is not first
    assert live.reduced.bands.equals(first.bands)
    live.finish()
    assert made == {"reduce_segments": 2, "measure_manoeuvres": 3}
    assert live.reduced.bands.equals(first.bands)


def test_a_pause_stands_until_it_is_ended_and_an_alarm_is_acknowledged(half_way: Path) -> None:
    (half_way / "raw" / "notes.jsonl").unlink()  # where the trim was entered
    live = LiveBoard(LiveTrial(half_way, is_sparing=False), read_status=lambda: None)
    assert board_later(live, 100.0).advice.kind != "pause"
    enter(half_way, kind="pause", value="begin")
    board = board_later(live, 200.0)
    assert board.advice.kind == "pause"
    trim = next(alarm for alarm in board.alarms if alarm.id == "trim")
    assert not trim.acknowledged
    assert trim.action
    assert ("info", "trim") in {(alarm.severity, alarm.key) for alarm in guidance_of(board).alarms}
    enter(half_way, kind="pause", value="end")
    enter(half_way, kind="acknowledged", alarm="trim")
    board = board_later(live, 300.0)
    assert board.advice.kind != "pause"
    assert next(alarm for alarm in board.alarms if alarm.id == "trim").acknowledged
    assert "trim" not in {alarm.key for alarm in guidance_of(board).alarms}  # on no screen, once somebody has seen it
    enter(half_way, kind="trim", value=20, unit="%")
    board = board_later(live, 400.0)
    assert board.now.trim_entered == "20 %"
    assert "trim" not in {alarm.id for alarm in board.alarms}
    assert board.entries[0].kind == "trim"
