"""What is shared tells nobody which boat it was, where, or who was on board: looked for in every byte of it."""

from __future__ import annotations

import base64
import csv
import json
import re
import shutil
import zipfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import bagit
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from rocrate.rocrate import ROCrate

from tests.numbers import process_numbers
from trialcapture.archive.manifest import write_manifest
from trialcapture.archive.pack import pack_session
from trialcapture.archive.seal import seal_closed

SAMPLE = Path(__file__).parents[2] / "sample_logs" / "journal_session"
NAMES = (
    "Hollin Skua", "hollin-skua", "Zebedee Marlowe", "Quennell", "Vasterholm", "Orrin Bank", "Kestrel Yard",
    "Ottoline", "Brackwater", "Umberslade", "Pellworm", "quill",
)  # fmt: skip
"""Boat, persons, places, files and remarks of this session; none is a word of the program."""
OTHERS = ("COM7", "engines.csv", "nmea.log", "raw/engine", "magnetic_variation", "-2.4")
"""What tells of the laptop, the files and the place without being a name."""


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole trial with names everywhere a name can stand."""
    folder = tmp_path_factory.mktemp("share") / "Hollin Skua Kestrel Yard"
    shutil.copytree(SAMPLE, folder, ignore=shutil.ignore_patterns("trialset", "reduction", "manifest.json", "seal.*"))
    text = (folder / "session.toml").read_text(encoding="utf-8")
    text = text.replace("tarn-plover", "hollin-skua").replace("Tarn Plover", "Hollin Skua")
    text = text.replace('"fuel", capacity_l', '"Quennell tank", capacity_l')
    text = text.replace("Speed and fuel trial", "Trial of Hollin Skua off Kestrel Yard")
    text = text.replace("three weeks before the trial", "by Zebedee Marlowe at Kestrel Yard")
    text = re.sub(r'^notes = ".*"$', 'notes = "Ottoline at the helm, mooring 57.48123N 4.22456W"', text, flags=re.M)
    text = text.replace('"stbd"', '"quill"').replace("_stbd", "_quill").replace('files = "', 'files = "Pellworm ')
    text = text.replace(
        "[[engine]]", '[fuel.calibration]\nfactor = 1.01\norigin = "Umberslade test bed"\n\n[[engine]]', 1
    )
    (folder / "session.toml").write_text(text, encoding="utf-8")
    (engines,) = (folder / "raw" / "engine").iterdir()
    engines.rename(engines.with_name(f"Pellworm {engines.name}"))
    (folder / "raw" / "engine" / "of Vasterholm.csv").write_bytes(b"nobody described this\n")
    (folder / "raw" / "photos").mkdir()
    (folder / "raw" / "photos" / "Zebedee at Brackwater.jpg").write_bytes(b"\xff\xd8\xff\xe1 Brackwater 57.48123")
    by = {"by": "Zebedee Marlowe"}
    wash = {"value": "2026-05-14T08:43:30Z", "reason": "wash of Umberslade"}
    entries = [
        {"t": "2026-05-14T08:41:00Z", "kind": "remark", "value": "Ottoline says: past Brackwater light", **by},
        {"t": "2026-05-14T08:42:00Z", "kind": "trim", "value": "tabs as Quennell likes", **by},
        {"t": "2026-05-14T09:58:00Z", "kind": "exclude", **wash, **by},
        {"t": "2026-05-14T09:59:00Z", "kind": "reading", "value": 1.0, "where": "Vasterholm 57.48123 -4.22456", **by},
    ]
    with (folder / "raw" / "notes.jsonl").open("a", encoding="utf-8") as notes:
        notes.writelines(json.dumps(entry) + "\n" for entry in entries)
    write_manifest(folder)
    (folder / "seal.jsonl").unlink(missing_ok=True)
    seal_closed(folder, by="Zebedee Marlowe", t="2026-05-14T10:00:00Z")
    process_numbers(folder)
    return folder


@pytest.fixture(scope="module")
def shared(session: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("shared") / "bag"
    pack_session(session, out, made_by="trialcapture 9.9.9", share=True)
    return out


@pytest.fixture(scope="module")
def whole(session: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same session packed whole: whatever is looked for is found there, or the search is worth nothing."""
    out = tmp_path_factory.mktemp("whole") / "bag"
    pack_session(session, out, made_by="trialcapture 9.9.9")
    return out


def texts_in(bag: Path) -> Iterator[tuple[str, str]]:
    """Every text of a bag with where it stands: names of files, their bytes, and all that Parquet packs away."""
    for path in sorted(p for p in bag.rglob("*") if p.is_file()):
        name = path.relative_to(bag).as_posix()
        yield name, name
        content = path.read_bytes()
        yield name, content.decode("latin-1")
        yield name, content.decode("utf-8", "ignore")
        yield name, content.decode("utf-16-le", "ignore")
        if path.suffix in (".json", ".jsonl"):
            for line in content.splitlines() if path.suffix == ".jsonl" else [content]:
                yield name, json.dumps(json.loads(line), ensure_ascii=False)
        if path.suffix == ".parquet":
            with pq.ParquetFile(path) as file:
                table, footer = file.read(), file.metadata
            for raw in ({**(footer.metadata or {})}, table.schema.metadata or {}):
                for key, value in raw.items():
                    yield name, f"{key.decode()} {value.decode('utf-8', 'replace')}"
                    if key == b"ARROW:schema":
                        yield name, base64.b64decode(value).decode("latin-1")
            for field in table.schema:
                yield name, f"{field.name} {field.metadata}"
                if not pa.types.is_floating(field.type) and not pa.types.is_integer(field.type):
                    yield f"{name} {field.name}", "\n".join(map(str, table[field.name].unique().to_pylist()))


@cache
def folded_texts(bag: Path) -> tuple[tuple[str, str], ...]:
    """All texts of a bag that nobody changes, without upper case: unpacked once for all that is looked for."""
    return tuple((where, text.casefold()) for where, text in texts_in(bag))


def is_in(needle: str, bag: Path) -> list[str]:
    return sorted({where for where, text in folded_texts(bag) if needle.casefold() in text})


def numbers_in(bag: Path) -> Iterator[tuple[str, np.ndarray[Any, Any]]]:
    """Every column of numbers, and every number of a JSON by its key."""
    for path in sorted((bag / "data").rglob("*")):
        name = path.relative_to(bag).as_posix()
        if path.suffix == ".parquet":
            table = pq.read_table(path)
            for field in table.schema:
                if pa.types.is_floating(field.type) or pa.types.is_integer(field.type):
                    yield f"{name} {field.name}", np.array(table[field.name].to_pylist(), float)
        elif path.suffix == ".csv" and "raw" not in path.parts:
            rows = list(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
            for column in rows[0]:
                values = [number(row[column]) for row in rows]
                yield f"{name} {column}", np.array(values, float)


def number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return float("nan")


@pytest.mark.parametrize("needle", [*NAMES, *OTHERS, "57.48123", "4.22456"])
def test_no_name_is_in_any_byte(shared: Path, whole: Path, needle: str) -> None:
    assert is_in(needle, whole) != []
    found = is_in(needle, shared)
    if needle == "-2.4":  # a number like another: only where it stands as the variation would it tell anything
        assert "data/settings.json" not in found
        return
    assert found == []


def test_no_position_is_in_any_byte(session: Path, shared: Path, whole: Path) -> None:
    samples = pq.read_table(session / "trialset" / "samples.parquet")
    lat, lon = (np.array(samples[name].to_pylist(), float) for name in ("lat_deg", "lon_deg"))
    assert np.isfinite(lat).sum() > 1000
    boxes = [(np.nanmin(x) - 1e-6, np.nanmax(x) + 1e-6) for x in (lat, lon)]

    def placed(bag: Path) -> list[str]:
        """Columns most of whose values lie where the boat was."""
        found = []
        for where, values in numbers_in(bag):
            known = values[np.isfinite(values)]
            if known.size and any(((known >= low) & (known <= high)).mean() > 0.5 for low, high in boxes):
                found.append(where)
        return found

    assert {"data/trialset/samples.parquet lat_deg", "data/trialset/samples.parquet lon_deg"} <= set(placed(whole))
    assert placed(shared) == []
    # coordinates as the log, the tables and a page would write them
    written = {f"{abs(x[k]):.{d}f}" for x in (lat, lon) for k in range(0, len(x), 997) for d in (4, 5) if x[k] == x[k]}
    raw = (session / "raw" / "nmea.log").read_bytes()
    written |= {word.decode() for word in re.findall(rb",(\d{4,5}\.\d{3,}),[NSEW]", raw)[:400:20]}
    texts = "\n".join(text for _, text in folded_texts(shared))
    assert len(written) > 60
    assert sorted(word for word in written if word in texts) == []
    # exact doubles, as a table would hold them in bytes
    packed = b"".join(p.read_bytes() for p in shared.rglob("*") if p.is_file())
    assert not any(np.float64(x[k]).tobytes() in packed for x in (lat, lon) for k in range(0, len(x), 997))


TRACK = re.compile(r"(^|_)(lat|lon|latitude|longitude|position|cog|track|north|east|northing|easting|variation)(_|$)")


def test_no_column_and_no_key_is_one_of_a_track(shared: Path, whole: Path) -> None:
    def names(bag: Path) -> set[str]:
        found = {where.rpartition(" ")[2] for where, _ in numbers_in(bag)}

        def keys(value: Any) -> Iterator[str]:
            if isinstance(value, dict):
                yield from value
                value = list(value.values())
            for item in value if isinstance(value, list) else []:
                yield from keys(item)

        for path in bag.rglob("*.json"):
            found |= set(keys(json.loads(path.read_bytes())))
        return found

    assert any(TRACK.search(name) for name in names(whole))
    assert sorted(name for name in names(shared) if TRACK.search(name)) == []
    samples = set(pq.read_schema(shared / "data/trialset/samples.parquet").names)
    directions = {"heading_true_deg", "rate_of_turn_deg_per_min", "wind_from_true_deg", "depth_m"}
    assert samples & directions == set()  # speed and direction ten times a second are a track as well


def test_only_what_was_meant_to_be_shared_is_there(shared: Path) -> None:
    found = {p.relative_to(shared / "data").as_posix() for p in (shared / "data").rglob("*") if p.is_file()}
    assert found == {
        "README.txt", "settings.json", "ro-crate-metadata.json", "trialset/samples.parquet",
        "trialset/segments.parquet", "trialset/segment_engines.parquet", "reduction/bands.csv",
        "reduction/bands.parquet", "reduction/legs.csv", "reduction/manoeuvres.csv", "reduction/answers.json",
    }  # fmt: skip


def test_the_physics_is_kept(session: Path, shared: Path) -> None:
    data = shared / "data"
    before, after = (pq.read_table(folder / "trialset/samples.parquet") for folder in (session, data))
    assert after.num_rows == before.num_rows
    for name in ("t", "sog_kn", "stw_kn", "rpm_port", "fuel_l_per_h_port", "pitch_deg", "wind_speed_apparent_kn"):
        assert after[name].equals(before[name]), name
    assert after["rpm_engine2"].equals(before["rpm_quill"])
    assert after.schema.field("sog_kn").metadata == {b"unit": b"kn"}
    bands, shown = (pq.read_table(folder / "reduction/bands.parquet") for folder in (session, data))
    for name in set(bands.column_names) - {"session_id"}:
        assert shown[name].equals(bands[name]), name
    answers = json.loads((data / "reduction/answers.json").read_bytes())
    assert set(shown["session_id"].to_pylist()) == {answers["session_id"]}
    segments = pq.read_table(data / "trialset/segments.parquet")
    assert "too short" in segments["reason"].to_pylist()
    assert set(pq.read_table(data / "trialset/segment_engines.parquet")["engine"].to_pylist()) == {"port", "engine2"}
    legs = list(csv.DictReader((data / "reduction/legs.csv").read_text().splitlines()))
    assert {leg["way"] for leg in legs} == {"1", "-1"}
    assert all(float(leg["sog_kn_mean"]) > 1 and leg["start"].endswith("Z") for leg in legs)
    summary = json.loads((session / "reduction/summary.json").read_bytes())
    for answer in ("top_speed", "economy_planing"):
        assert {k: v for k, v in summary[answer].items() if k in answers[answer]} == answers[answer]
        assert len(answers[answer]) >= len(summary[answer]) - 2
    terms = answers["budgets"][0]["quantities"][0]["terms"]
    assert [term["name"] for term in terms] == [
        term["name"] for term in summary["budgets"][0]["quantities"][0]["terms"]
    ]
    settings = json.loads((data / "settings.json").read_bytes())
    assert settings["boat"]["length_m"] == 16.8
    assert [engine["rated_rpm"] for engine in settings["engine"]] == [2300.0, 2300.0]


def test_a_shared_bag_is_valid_and_described(shared: Path) -> None:
    bag = bagit.Bag(str(shared))
    bag.validate()
    assert bag.info["External-Identifier"].startswith("shared-")
    assert re.fullmatch("[0-9a-f]{64}", bag.info["Seal-Root"])
    crate = ROCrate(str(shared / "data"))
    assert crate.root_dataset["name"] == "Sea trial of a boat"
    assert "position" in crate.root_dataset["description"]


def test_sharing_twice_gives_the_same_bytes_and_a_reason_stays_at_home(session: Path, tmp_path: Path) -> None:
    for place in ("a", "b"):
        (tmp_path / place).mkdir()
        pack_session(session, tmp_path / place / "shared.zip", made_by="trialcapture 9.9.9", share=True)
    assert (tmp_path / "a/shared.zip").read_bytes() == (tmp_path / "b/shared.zip").read_bytes()
    damaged = tmp_path / "damaged"
    shutil.copytree(session, damaged)
    (damaged / "raw" / "photos" / "Zebedee at Brackwater.jpg").unlink()
    why = "Zebedee Marlowe deleted it"
    pack_session(damaged, tmp_path / "c.zip", made_by="trialcapture 9.9.9", share=True, accept_damage=why)
    with zipfile.ZipFile(tmp_path / "c.zip") as file:
        info = file.read("c/bag-info.txt").decode()
    assert "damaged" in info
    assert "Zebedee" not in info


def test_a_text_column_that_is_new_stays_out(session: Path, tmp_path: Path) -> None:
    edited = "results of a later version"
    grown = tmp_path / "grown"
    shutil.copytree(session, grown)
    tables = ("trialset/segments.parquet", "reduction/bands.parquet", "trialset/samples.parquet")
    for name in tables:
        table = pq.read_table(grown / name)
        for column, value in (("skipper", "Zebedee Marlowe"), ("start_lat_deg", 57.48123), ("track_x", 12.0)):
            table = table.append_column(column, pa.array([value] * table.num_rows))
        pq.write_table(table, grown / name)
    (grown / "reduction" / "manoeuvres.csv").write_text(
        "session_id,kind,start,direction,from,to,value,unit,u,conditions,claimed,reason,lat_deg,helm\n"
        "hollin,stop,2026-05-14T09:40:00.000Z,182,20 kn,2 kn,31.2,s,0.4,off Kestrel Yard,true,,57.48123,Ottoline\n"
        "hollin,turn off Brackwater,2026-05-14T09:41:00.000Z,5,Orrin Bank,2 kn,,kestrels,,,false,asked by Ottoline,,\n",
        encoding="utf-8",
    )
    summary = json.loads((grown / "reduction/summary.json").read_bytes())
    summary |= {"crew": ["Ottoline"], "track": [[57.48123, -4.22456]]}
    summary["top_speed"] |= {"seen_by": "Ottoline", "lat_deg": 57.48123, "where": ["Kestrel Yard"]}
    summary["measures"][0]["figures"] = [{"name": "track", "series": [{"x": [57.48123], "y": [4.22456]}]}]
    (grown / "reduction/summary.json").write_text(json.dumps(summary), encoding="utf-8")
    pack_session(grown, tmp_path / "bag", made_by="trialcapture 9.9.9", share=True, accept_damage=edited)
    for needle in (*NAMES, "57.48123", "4.22456"):
        assert is_in(needle, tmp_path / "bag") == [], needle
    for name in tables:
        names = set(pq.read_schema(tmp_path / "bag/data" / name).names)
        assert names & {"skipper", "start_lat_deg", "track_x"} == set(), name
    (first, second) = csv.DictReader((tmp_path / "bag/data/reduction/manoeuvres.csv").read_text().splitlines())
    assert (first["kind"], first["from"], first["to"], first["value"], first["unit"]) == (
        "stop",
        "20 kn",
        "2 kn",
        "31.2",
        "s",
    )
    assert (second["kind"], second["from"], second["unit"]) == ("", "", "")
