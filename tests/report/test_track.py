"""The track as GPX 1.1 and GeoJSON, read back by others' libraries.

GPX: https://www.topografix.com/GPX/1/1/ (order of elements and range of longitudes from memory), read by gpxpy.
GeoJSON: RFC 7946, read by geojson and shapely.
"""

from __future__ import annotations

import itertools
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import geojson
import gpxpy
import gpxpy.gpx
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiLineString, shape

from tests.made_once import simulated
from tests.numbers import process_numbers
from trialcapture.reduce.tables import LEGS_SCHEMA
from trialcapture.rehearse.scenarios import DEFAULT, SCENARIOS
from trialcapture.rehearse.simulate import simulate
from trialcapture.rehearse.write import write_session
from trialcapture.report.track import track_geojson, track_gpx, track_of, track_pieces

START = datetime(2026, 5, 14, 8, 0, 0, tzinfo=UTC)
SECOND = 1_000_000_000
START_NS = int(START.timestamp()) * SECOND


def grid(lat: Any, lon: Any, step_s: float = 1.0) -> pa.Table:
    t = START_NS + np.round(np.arange(len(lat)) * step_s * SECOND).astype(np.int64)
    return pa.table(
        {
            "t": pa.array(t, pa.timestamp("ns", "UTC")),
            "lat_deg": pa.array(lat, pa.float64(), from_pandas=True),
            "lon_deg": pa.array(lon, pa.float64(), from_pandas=True),
        }
    )


def line(n: int = 60) -> tuple[Any, Any]:
    return 48.3 + np.arange(n) * 1e-5, -7.9 + np.arange(n) * 2e-5


def legs_of(*spans: tuple[int, int], **facts: Any) -> pa.Table:
    rows = []
    for number, (start, stop) in enumerate(spans, 1):
        row: dict[str, Any] = dict.fromkeys(LEGS_SCHEMA.names)
        row |= {
            "segment_id": number, "start": START_NS + start * SECOND, "stop": START_NS + stop * SECOND,
            "band_name": "1800 rpm", "band_rpm": 1800.0, "rpm_mean": 1801.26, "run": 1, "sequence": 1, "way": 1,
            "sog_kn_mean": 18.4567, "heading_true_deg_mean": 74.96, "cog_true_deg_mean": 76.2,
            "fuel_l_per_h_mean": 88.44, "through_water_kn": 18.1,
        }  # fmt: skip
        rows.append(row | facts)
    return pa.Table.from_pylist(rows, LEGS_SCHEMA)


def segments_of(*rows: dict[str, Any]) -> pa.Table:
    stamp = pa.timestamp("ns", "UTC")
    schema = pa.schema(
        [
            ("segment_id", pa.int32()), ("start", stamp), ("stop", stamp), ("reason", pa.string()),
            ("review_reason", pa.string()),
        ]
    )  # fmt: skip
    return pa.Table.from_pylist(list(rows), schema)


NO_LEGS, NO_SEGMENTS = legs_of(), segments_of()


def gpx_of(samples: pa.Table, legs: pa.Table = NO_LEGS, session_id: str = "day one") -> gpxpy.gpx.GPX:
    return gpxpy.parse(track_gpx(samples, legs, session_id, "trialcapture 9.9.9").decode())


def geojson_of(samples: pa.Table, legs: pa.Table = NO_LEGS, segments: pa.Table = NO_SEGMENTS) -> Any:
    collection = geojson.loads(track_geojson(samples, legs, segments, "day one").decode())
    assert collection.is_valid, collection.errors()
    for feature in collection["features"]:
        assert shape(feature["geometry"]).is_valid
    return collection


def coordinates(geometry: Any) -> list[Any]:
    """Lines of a geometry, be it one or several."""
    return [geometry["coordinates"]] if geometry["type"] == "LineString" else geometry["coordinates"]


def test_an_unbroken_track_is_one_line_with_its_times() -> None:
    lat, lon = line()
    gpx = gpx_of(grid(lat, lon))
    (track,) = gpx.tracks
    (segment,) = track.segments
    read = [(p.latitude, p.longitude) for p in segment.points]
    assert np.allclose(read, np.column_stack([lat, lon]), rtol=0, atol=1e-7)
    assert [p.time for p in segment.points] == [START + timedelta(seconds=k) for k in range(60)]
    assert (gpx.version, gpx.creator, gpx.name, track.name) == ("1.1", "trialcapture 9.9.9", "day one", "day one")
    (feature,) = geojson_of(grid(lat, lon))["features"]
    assert feature["geometry"]["type"] == "LineString"
    assert np.allclose(feature["geometry"]["coordinates"], np.column_stack([lon, lat]), atol=1e-7)
    assert feature["properties"]["coordTimes"][:2] == ["2026-05-14T08:00:00.000Z", "2026-05-14T08:00:01.000Z"]
    assert len(feature["properties"]["coordTimes"]) == 60
    assert isinstance(shape(feature["geometry"]), LineString)


def test_the_track_breaks_where_positions_are_missing() -> None:
    lat, lon = line()
    lat[20:25] = np.nan
    lon[40] = np.nan  # half a position is none
    parts = [(0, 20), (25, 40), (41, 60)]
    (track,) = gpx_of(grid(lat, lon)).tracks
    assert [len(s.points) for s in track.segments] == [b - a for a, b in parts]
    (feature,) = geojson_of(grid(lat, lon))["features"]
    assert [len(c) for c in coordinates(feature["geometry"])] == [b - a for a, b in parts]
    assert [len(t) for t in feature["properties"]["coordTimes"]] == [b - a for a, b in parts]
    assert isinstance(shape(feature["geometry"]), MultiLineString)


def test_rows_that_are_missing_altogether_break_it_too() -> None:
    lat, lon = line()
    samples = grid(lat, lon)
    torn = pa.concat_tables([samples.slice(0, 30), samples.slice(33)])
    assert [len(piece.t_ns) for piece in track_pieces(track_of(torn))] == [30, 27]


def test_a_position_that_stands_alone_is_a_point() -> None:
    lat, lon = line(9)
    lat[[3, 5]] = np.nan
    line_, point = geojson_of(grid(lat, lon))["features"]
    assert (line_["geometry"]["type"], point["geometry"]["type"]) == ("MultiLineString", "Point")
    assert point["geometry"]["coordinates"] == pytest.approx([lon[4], lat[4]], abs=1e-7)
    assert point["properties"]["coordTimes"] == "2026-05-14T08:00:04.000Z"
    (track,) = gpx_of(grid(lat, lon)).tracks
    assert [len(s.points) for s in track.segments] == [3, 1, 3]


def test_what_never_left_its_place_is_a_point() -> None:
    """A line of no length is none to OGC Simple Features, which shapely follows."""
    lat, lon = np.full(5, 48.3), np.full(5, -7.9)
    (point,) = geojson_of(grid(lat, lon))["features"]
    assert (point["geometry"]["type"], point["geometry"]["coordinates"]) == ("Point", [-7.9, 48.3])
    assert len(gpx_of(grid(lat, lon)).tracks[0].segments[0].points) == 5


def test_impossible_positions_are_not_in_it() -> None:
    lat, lon = line(9)
    lat[2], lon[5], lat[7] = 91.0, 181.0, np.inf
    assert [len(piece.t_ns) for piece in track_pieces(track_of(grid(lat, lon)))] == [2, 2, 1, 1]


def test_without_any_position_both_files_are_valid_and_empty() -> None:
    nothing = grid(np.full(9, np.nan), np.full(9, np.nan))
    for samples in (nothing, nothing.slice(0, 0)):
        assert gpx_of(samples, legs_of((0, 5))).tracks == []
        assert geojson_of(samples, legs_of((0, 5)))["features"] == []


@pytest.mark.parametrize(("step_s", "every"), [(0.1, 10), (0.4, 3), (0.7, 2), (1.0, 1), (5.0, 1)])
def test_there_is_at_most_one_position_a_second(step_s: float, every: int) -> None:
    lat, lon = line(200)
    (piece,) = track_pieces(track_of(grid(lat, lon, step_s)))
    assert np.diff(piece.t_ns).min() >= SECOND
    assert piece.lat_deg.tolist() == lat[::every].tolist()


def test_legs_are_tracks_of_their_own() -> None:
    lat, lon = line()
    lat[25:28] = np.nan
    legs = legs_of((5, 15), (20, 35))
    whole, first, second = gpx_of(grid(lat, lon), legs).tracks
    assert len(whole.segments) == 2
    assert (first.name, first.type) == ("1800 rpm, leg 1", "leg")
    assert first.description == "18.46 kn over ground, heading 075° true, 88.4 L/h"
    assert [p.time for p in first.segments[0].points] == [START + timedelta(seconds=k) for k in range(5, 15)]
    assert [len(s.points) for s in second.segments] == [5, 7]
    _, leg, broken = geojson_of(grid(lat, lon), legs)["features"]
    told = leg["properties"]
    assert {k: told[k] for k in ("kind", "name", "segment_id", "band_rpm", "run", "sequence", "way")} == {
        "kind": "leg", "name": "1800 rpm, leg 1", "segment_id": 1, "band_rpm": 1800, "run": 1, "sequence": 1, "way": 1,
    }  # fmt: skip
    assert (told["speed_over_ground_kn"], told["speed_through_water_kn"]) == (18.457, 18.1)
    assert (told["heading_true_deg"], told["course_true_deg"], told["fuel_l_per_h"]) == (75.0, 76.2, 88.44)
    assert (told["start"], told["stop"]) == ("2026-05-14T08:00:05.000Z", "2026-05-14T08:00:15.000Z")
    assert [len(c) for c in coordinates(broken["geometry"])] == [5, 7]


def test_what_is_unknown_of_a_leg_is_not_said() -> None:
    unknown = dict.fromkeys(("heading_true_deg_mean", "fuel_l_per_h_mean", "band_rpm", "through_water_kn"))
    legs = legs_of((5, 15), cog_true_deg_mean=359.7, sog_kn_mean=float("nan"), **unknown)
    _, leg = gpx_of(grid(*line()), legs).tracks
    assert leg.description == "course 000° true"
    told = geojson_of(grid(*line()), legs)["features"][1]["properties"]
    assert [told[k] for k in ("band_rpm", "heading_true_deg", "fuel_l_per_h", "speed_over_ground_kn")] == [None] * 4


def test_refused_stretches_stand_in_geojson_with_what_refused_them() -> None:
    at = {"start": START_NS + 30 * SECOND, "stop": START_NS + 40 * SECOND}
    segments = segments_of(
        {"segment_id": 1, "start": START_NS + 5 * SECOND, "stop": START_NS + 15 * SECOND, "reason": ""},
        {"segment_id": 2, **at, "reason": "turning"},
        {"segment_id": 3, **at, "reason": "", "review_reason": 'wash of "a ferry" <b>'},
        {"segment_id": 4, **at, "reason": ""},
    )
    told = [f["properties"] for f in geojson_of(grid(*line()), legs_of((5, 15)), segments)["features"]]
    assert [(t["kind"], t.get("reason")) for t in told] == [
        ("track", None), ("leg", None), ("refused", "turning"), ("refused", 'wash of "a ferry" <b>'),
        ("refused", "belongs to no band"),
    ]  # fmt: skip


# ------------------------------------------------------------------------------
# The 180th meridian: RFC 7946, section 3.1.9.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize("eastward", [True, False])
def test_a_track_across_the_180th_meridian_is_cut_there(eastward: bool) -> None:
    east = 179.9997 + np.arange(8) * 1e-4  # crosses midway between the fourth and the fifth
    lon = (east + 180.0) % 360.0 - 180.0
    lat = -17.0 + np.arange(8) * 1e-4
    lon = lon if eastward else lon[::-1]
    (feature,) = geojson_of(grid(lat, lon + 0.0))["features"]
    before, after = coordinates(feature["geometry"])
    ends = (180.0, -180.0) if eastward else (-180.0, 180.0)
    assert (before[-1][0], after[0][0]) == ends
    assert before[-1][1] == after[0][1]
    assert len(before) + len(after) in (9, 10)
    for part in (before, after):
        assert np.abs(np.diff([x for x, _ in part])).max() < 1e-3
    # the meridian lies on the straight line between its neighbours
    turned = [x % 360.0 for x in lon]
    share = (180.0 - turned[3]) / (turned[4] - turned[3])
    if len(before) + len(after) == 10:
        assert before[-1][1] == pytest.approx(lat[3] + share * 1e-4, abs=2e-7)
    (track,) = gpx_of(grid(lat, lon)).tracks
    assert len(track.segments) == 2
    for part in track.segments:
        x = np.array([p.longitude for p in part.points])
        assert np.abs(np.diff(x)).max() < 1e-3
        assert x.min() >= -180.0
        assert x.max() < 180.0  # longitudeType of the schema ends short of 180


@given(
    st.lists(
        st.one_of(
            st.tuples(st.floats(-90, 90), st.floats(-180, 180)),
            st.tuples(st.floats(-1, 1), st.floats(179.999, 180)),
            st.tuples(st.floats(-1, 1), st.floats(-180, -179.999)),
            st.just((float("nan"), float("nan"))),
        ),
        max_size=25,
    )
)
def test_no_line_runs_more_than_half_round_the_world(places: list[tuple[float, float]]) -> None:
    lat, lon = np.array(places, float).reshape(-1, 2).T
    samples = grid(lat, lon)
    for feature in geojson_of(samples)["features"] if len(places) else []:
        if "LineString" in feature["geometry"]["type"]:
            for part in coordinates(feature["geometry"]):
                assert np.abs(np.diff([x for x, _ in part])).max() <= 180.0
        times = feature["properties"]["coordTimes"]
        flat = (
            [t for part in times for t in (part if isinstance(part, list) else [part])]
            if isinstance(times, list)
            else [times]
        )
        assert all(t.startswith("2026-05-14T08:00:") for t in flat)
    known = np.isfinite(lat) & np.isfinite(lon)
    seen = {(round(float(a), 7) + 0.0, abs(round(float(b), 7))) for a, b in zip(lat[known], lon[known], strict=True)}
    points = [p for t in gpx_of(samples).tracks for s in t.segments for p in s.points]
    written = {(p.latitude, abs(p.longitude)) for p in points}
    assert all(any(abs(a - x) < 2e-7 and abs(b - y) < 2e-7 for x, y in written) for a, b in seen)
    assert all(-180 <= p.longitude < 180 for p in points)


# ------------------------------------------------------------------------------
# Whatever a session is called, and what `process` writes.
# ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["<day> & \"night\" 'x'", "]]>", "Ärö \U0001f6a4", "bell\x07 nul\x00 \ud800 end", "a\nb"]
)
def test_any_name_gives_valid_files(name: str) -> None:
    text = track_gpx(grid(*line()), legs_of((5, 15), band_name="1800 <rpm> & more"), name, 'pro"gram <1>').decode()
    gpx = gpxpy.parse(text)
    shown = "".join("\ufffd" if c in "\x07\x00\ud800" else c for c in name)
    assert gpx.tracks[0].name == shown
    assert gpx.creator == 'pro"gram <1>'
    assert gpx.tracks[1].name == "1800 <rpm> & more, leg 1"
    collection = json.loads(track_geojson(grid(*line()), NO_LEGS, NO_SEGMENTS, name))
    assert collection["name"] == name.replace("\ud800", "?")


def test_elements_of_a_track_come_in_the_order_of_the_schema() -> None:
    """GPX 1.1, trkType: name, cmt, desc, src, link, number, type, extensions, trkseg (from memory)."""
    text = track_gpx(grid(*line()), legs_of((5, 15)), "day", "p").decode()
    for track in text.split("<trk>")[1:]:
        places = [track.index(f"<{name}>") for name in ("name", "desc", "type", "trkseg")]
        assert places == sorted(places)


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("track") / "session"
    write_session(simulated(DEFAULT, 3, short=True), folder)
    process_numbers(folder)
    return folder


def test_a_whole_trial_across_the_180th_meridian(tmp_path: Path) -> None:
    scenario = SCENARIOS[DEFAULT]
    scenario = replace(scenario, sea=replace(scenario.sea, longitude_deg=179.99))
    write_session(simulate(scenario, 3, short=True), tmp_path / "session")
    process_numbers(tmp_path / "session")
    reduction = tmp_path / "session" / "reduction"
    collection = geojson.loads((reduction / "track.geojson").read_text(encoding="utf-8"))
    assert collection.is_valid
    whole = coordinates(collection["features"][0]["geometry"])
    assert len(whole) > 1
    for before, after in itertools.pairwise(whole):
        assert (before[-1][0], before[-1][1]) == (-after[0][0], after[0][1])
        assert abs(before[-1][0]) == 180.0
    for feature in collection["features"]:
        for part in coordinates(feature["geometry"]) if "Line" in feature["geometry"]["type"] else []:
            assert np.abs(np.diff([x for x, _ in part])).max() < 0.01
    gpx = gpxpy.parse((reduction / "track.gpx").read_text(encoding="utf-8"))
    assert len(gpx.tracks[0].segments) == len(whole)
    longest = max(s.length_2d() for t in gpx.tracks for s in t.segments)
    assert 100 < longest < 20_000  # metres; a line round the world would be 26 million


def test_process_writes_a_track_that_others_read_and_that_agrees_with_the_samples(session: Path) -> None:
    samples = pq.read_table(session / "trialset/samples.parquet", columns=["t", "lat_deg", "lon_deg"]).to_pandas()
    legs = pyarrow.csv.read_csv(session / "reduction/legs.csv").to_pandas()
    gpx = gpxpy.parse((session / "reduction/track.gpx").read_text(encoding="utf-8"))
    assert [t.type for t in gpx.tracks] == ["track"] + ["leg"] * len(legs)
    assert sorted(t.name for t in gpx.tracks[1:]) == sorted(
        f"{n}, leg {k}" for n, k in zip(legs.band_name, legs.segment_id, strict=True)
    )
    known = samples.dropna().set_index("t")
    points = [p for s in gpx.tracks[0].segments for p in s.points]
    assert len(points) > 500
    times = [p.time.astimezone(UTC) for p in points if p.time is not None]
    nearest = known.reindex(pd.DatetimeIndex(times), method="nearest")
    assert np.abs(nearest.lat_deg.to_numpy() - [p.latitude for p in points]).max() < 1e-6
    assert np.abs(nearest.lon_deg.to_numpy() - [p.longitude for p in points]).max() < 1e-6
    collection = geojson.loads((session / "reduction/track.geojson").read_text(encoding="utf-8"))
    assert collection.is_valid
    of_legs = [f for f in collection["features"] if f["properties"]["kind"] == "leg"]
    by_id = legs.set_index("segment_id")
    assert {f["properties"]["segment_id"] for f in of_legs} == set(legs.segment_id)
    for feature in of_legs:
        row = by_id.loc[feature["properties"]["segment_id"]]
        told = feature["properties"]
        assert told["speed_over_ground_kn"] == pytest.approx(row.sog_kn_mean, abs=6e-4)
        assert told["band_rpm"] == row.band_rpm
        # the distance along the line is speed times time, to what the ends leave out
        parts = coordinates(feature["geometry"])
        metres = sum(gpxpy.geo.length([gpxpy.geo.Location(y, x) for x, y in part]) for part in parts)
        seconds = row.duration_s
        assert metres == pytest.approx(row.sog_kn_mean * 1852 / 3600 * seconds, rel=0.02, abs=2.2 * row.sog_kn_mean)
