"""The track as files that charts and maps read: GPX 1.1 and GeoJSON (RFC 7946).

Both hold the whole track, broken where positions are missing, and every leg by itself with what it was: band, speed
and heading. GeoJSON also holds the refused stretches with the limit that refused them. There is at most one position a
second, and none where the position is unknown. A track that crosses the 180th meridian is cut there, with a position
on it at the end of each piece: RFC 7946 (section 3.1.9) wants that, and programs that draw GPX would otherwise lay a
line round the world.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from xml.sax.saxutils import escape

import numpy as np
import pyarrow as pa

from trialcapture.reduce.tables import iso_utc
from trialcapture.report.format import Floats, Ints, floats, rows, times_ns

_DECIMALS = 7
"""Of a degree: a centimetre, far below what any receiver of a trial resolves (our choice)."""
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 cannot hold (its production 2, Char)."""
_HALF_TURN_DEG = 180.0


@dataclass(frozen=True, slots=True)
class TrackPiece:
    """A stretch of the track; as `track_pieces` returns it without a hole, and on one side of the 180th meridian.

    Attributes:
        t_ns: Times of the positions [ns since 1970 UTC], ascending, shape (N,).
        lat_deg, lon_deg: WGS 84, north and east positive, shape (N,).
    """

    t_ns: Ints
    lat_deg: Floats
    lon_deg: Floats


def track_of(samples: pa.Table) -> TrackPiece:
    """Return the positions of a trial as they are, holes and all.

    Args:
        samples: Rows on a uniform grid with ``t``, ``lat_deg`` and ``lon_deg``; unknown positions are null.
    """
    return TrackPiece(times_ns(samples, "t"), floats(samples, "lat_deg"), floats(samples, "lon_deg"))


def track_pieces(whole: TrackPiece, start_ns: int | None = None, stop_ns: int | None = None) -> list[TrackPiece]:
    """Return the track of a trial, or of a stretch of it, in pieces without holes.

    Args:
        whole: As `track_of` returns it.
        start_ns, stop_ns: The stretch [ns since 1970 UTC], half-open; the whole where not given.
    """
    t_ns, lat, lon = whole.t_ns, whole.lat_deg, whole.lon_deg
    low, high = (np.searchsorted(t_ns, end) if end is not None else None for end in (start_ns, stop_ns))
    t_ns, lat, lon = t_ns[low:high], lat[low:high], lon[low:high]
    kept = _a_second_apart(t_ns)
    t_ns, lat, lon = t_ns[kept], lat[kept], lon[kept]
    is_known = np.isfinite(lat) & np.isfinite(lon) & (np.abs(lat) <= 90) & (np.abs(lon) <= _HALF_TURN_DEG)
    place = np.flatnonzero(is_known)
    if not len(place):
        return []
    longest_ns = 1.5 * float(np.median(np.diff(t_ns))) if len(t_ns) > 1 else 0.0
    is_broken = (np.diff(place) > 1) | (np.diff(t_ns[place]) > longest_ns)
    pieces = []
    for part in np.split(place, np.flatnonzero(is_broken) + 1):
        pieces += _cut_at_meridian(t_ns[part], lat[part], lon[part])
    return pieces


def _a_second_apart(t_ns: Ints) -> Ints:
    """Return which rows to keep so that none comes within a second after the one before."""
    if len(t_ns) < 2 or float(np.diff(t_ns).min()) >= 1e9:
        return np.arange(len(t_ns))
    kept, last = [], None
    for row, t in enumerate(t_ns.tolist()):
        if last is None or t - last >= 1_000_000_000:
            kept.append(row)
            last = t
    return np.array(kept)


def _cut_at_meridian(t_ns: Ints, lat_deg: Floats, lon_deg: Floats) -> list[TrackPiece]:
    """Return a piece of the track cut where it crosses the 180th meridian, with a position there on both sides."""
    crossings = (np.flatnonzero(np.abs(np.diff(lon_deg)) > _HALF_TURN_DEG) + 1).tolist()
    if not crossings:
        return [TrackPiece(t_ns, lat_deg, lon_deg)]
    seen = list(zip(t_ns.tolist(), lat_deg.tolist(), lon_deg.tolist(), strict=True))
    pieces = []
    for first, end in zip([0, *crossings], [*crossings, len(seen)], strict=True):
        before = _on_meridian(seen[first - 1], seen[first], seen[first]) if first > 0 else []
        after = _on_meridian(seen[end - 1], seen[end], seen[end - 1]) if end < len(seen) else []
        t, lat, lon = zip(*before, *seen[first:end], *after, strict=True)
        pieces.append(TrackPiece(np.array(t, np.int64), np.array(lat, float), np.array(lon, float)))
    return pieces


_Place = tuple[int, float, float]
"""Time [ns], latitude and longitude [deg]."""


def _on_meridian(before: _Place, after: _Place, side: _Place) -> list[_Place]:
    """Return the position at which a straight step crosses the 180th meridian, seen from one side of it.

    Nothing where that side lies on the meridian already.
    """
    step = 2 * _HALF_TURN_DEG - abs(after[2] - before[2])
    if abs(side[2]) >= _HALF_TURN_DEG or step <= 0:
        return []
    share = (_HALF_TURN_DEG - abs(before[2])) / step
    t_ns = before[0] + round(share * (after[0] - before[0]))
    return [(t_ns, before[1] + share * (after[1] - before[1]), math.copysign(_HALF_TURN_DEG, side[2]))]


# ------------------------------------------------------------------------------
# What the stretches are called.
# ------------------------------------------------------------------------------


def _leg_facts(leg: Mapping[str, Any]) -> dict[str, Any]:
    """Return what a leg was, as GeoJSON holds it; what is unknown is null."""
    return {
        "kind": "leg",
        "name": _leg_name(leg),
        "segment_id": leg["segment_id"],
        "band_rpm": _rounded(leg["band_rpm"], 0),
        "rpm_mean": _rounded(leg["rpm_mean"], 1),
        "run": leg["run"],
        "sequence": leg["sequence"],
        "way": leg["way"],
        "speed_over_ground_kn": _rounded(leg["sog_kn_mean"], 3),
        "speed_through_water_kn": _rounded(leg["through_water_kn"], 3),
        "heading_true_deg": _rounded(leg["heading_true_deg_mean"], 1),
        "course_true_deg": _rounded(leg["cog_true_deg_mean"], 1),
        "fuel_l_per_h": _rounded(leg["fuel_l_per_h_mean"], 2),
    }


def _leg_name(leg: Mapping[str, Any]) -> str:
    return f"{leg['band_name'] or 'band without a name'}, leg {leg['segment_id']}"


def _leg_words(leg: Mapping[str, Any]) -> str:
    """Return what a leg was, in words."""
    speed, fuel = _rounded(leg["sog_kn_mean"], 2), _rounded(leg["fuel_l_per_h_mean"], 1)
    heading, course = (_rounded(leg[name], 0) for name in ("heading_true_deg_mean", "cog_true_deg_mean"))
    said = [] if speed is None else [f"{speed:.2f} kn over ground"]
    if heading is not None:
        said.append(f"heading {heading % 360:03d}° true")
    elif course is not None:
        said.append(f"course {course % 360:03d}° true")
    if fuel is not None:
        said.append(f"{fuel:.1f} L/h")
    return ", ".join(said)


def _rounded(value: float | None, decimals: int) -> float | int | None:
    if value is None or not np.isfinite(value):
        return None
    return round(value, decimals) if decimals else round(value)


def _times(t_ns: Ints) -> list[str]:
    """Return times as `iso_utc` writes them."""
    texts = np.datetime_as_string(((t_ns + 500_000) // 1_000_000).astype("datetime64[ms]"), unit="ms")
    return [f"{text}Z" for text in texts.tolist()]


def _span_ns(table: pa.Table) -> list[tuple[int, int]]:
    starts, stops = (times_ns(table, name) for name in ("start", "stop"))
    return list(zip(starts.tolist(), stops.tolist(), strict=True))


# ------------------------------------------------------------------------------
# GeoJSON: RFC 7946.
# ------------------------------------------------------------------------------


def track_geojson(samples: pa.Table, legs: pa.Table, segments: pa.Table, session_id: str) -> bytes:
    """Return the track as a GeoJSON feature collection: the whole, then legs and refused stretches in order of time.

    Times of the positions are in ``coordTimes`` (common practice, no source), parallel to the coordinates.

    Args:
        samples: A row a second or less often, as `track_of` takes them.
        legs: One row a leg.
        segments: Every stretch found.
        session_id: What the trial is called.
    """
    whole = track_of(samples)
    features = _features(track_pieces(whole), {"kind": "track", "name": session_id})
    stretches = [(span, _leg_facts(leg)) for span, leg in zip(_span_ns(legs), rows(legs), strict=True)]
    used = {facts["segment_id"] for _, facts in stretches}
    for span, segment in zip(_span_ns(segments), rows(segments), strict=True):
        if segment["segment_id"] not in used:
            why = segment["reason"] or segment.get("review_reason") or "belongs to no band"
            facts = {"kind": "refused", "name": f"stretch {segment['segment_id']}, not used"}
            stretches.append((span, facts | {"segment_id": segment["segment_id"], "reason": why}))
    for (start_ns, stop_ns), facts in sorted(stretches, key=lambda one: one[0]):
        told = {**facts, "start": iso_utc(start_ns), "stop": iso_utc(stop_ns)}
        features += _features(track_pieces(whole, start_ns, stop_ns), told)
    head = {"type": "FeatureCollection", "name": session_id}
    text = json.dumps(head, ensure_ascii=False)[:-1]
    # a feature a line, so that a file of a whole day can be looked at and compared
    lines = ",\n".join(json.dumps(f, ensure_ascii=False, allow_nan=False, separators=(",", ":")) for f in features)
    return f'{text}, "features": [\n{lines}\n]}}\n'.encode("utf-8", "replace")


def _features(pieces: Sequence[TrackPiece], facts: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return a line for all that can be joined, and points for what stands alone or never left its place.

    A line between equal places has no length, which many programs refuse (OGC Simple Features, from memory).
    """
    lines: list[tuple[list[tuple[float, float]], list[str]]] = []
    points: list[tuple[tuple[float, float], str]] = []
    for piece in pieces:
        places, times = _coordinates(piece), _times(piece.t_ns)
        if any(place != places[0] for place in places):
            lines.append((places, times))
        else:
            points.append((places[0], times[0]))
    features = []
    for kind, parts in (("LineString", lines), ("Point", points)):
        if parts:
            places, times = (list(column) for column in zip(*parts, strict=True))
            is_one = len(parts) == 1
            geometry = {"type": kind if is_one else f"Multi{kind}", "coordinates": places[0] if is_one else places}
            told = {**facts, "coordTimes": times[0] if is_one else times}
            features.append({"type": "Feature", "properties": told, "geometry": geometry})
    return features


def _coordinates(piece: TrackPiece) -> list[tuple[float, float]]:
    lon, lat = ((np.round(x, _DECIMALS) + 0.0).tolist() for x in (piece.lon_deg, piece.lat_deg))
    return list(zip(lon, lat, strict=True))


# ------------------------------------------------------------------------------
# GPX 1.1: https://www.topografix.com/GPX/1/1/
# ------------------------------------------------------------------------------


def track_gpx(samples: pa.Table, legs: pa.Table, session_id: str, made_by: str) -> bytes:
    """Return the track as GPX 1.1: one ``trk`` for the whole, then one a leg.

    Args:
        samples: A row a second or less often, as `track_of` takes them.
        legs: One row a leg.
        session_id: What the trial is called.
        made_by: Program and version.
    """
    whole = track_of(samples)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<gpx version="1.1" creator="{_xml(made_by)}" xmlns="http://www.topografix.com/GPX/1/1" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:schemaLocation='
        '"http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd">',
        f"<metadata><name>{_xml(session_id)}</name></metadata>",
    ]
    lines += _trk(track_pieces(whole), session_id, "whole track of the trial", "track")
    for (start_ns, stop_ns), leg in zip(_span_ns(legs), rows(legs), strict=True):
        lines += _trk(track_pieces(whole, start_ns, stop_ns), _leg_name(leg), _leg_words(leg), "leg")
    return ("\n".join([*lines, "</gpx>"]) + "\n").encode("utf-8", "replace")


def _trk(pieces: Sequence[TrackPiece], name: str, words: str, kind: str) -> list[str]:
    if not pieces:
        return []
    lines = [f"<trk><name>{_xml(name)}</name><desc>{_xml(words)}</desc><type>{kind}</type>"]
    for piece in pieces:
        # longitudes end short of 180 in the schema; -180 is the same meridian, but the other end of most maps
        lon = np.minimum(piece.lon_deg, _HALF_TURN_DEG - 10.0**-_DECIMALS)
        lines.append("<trkseg>")
        north, east = (np.round(x, _DECIMALS) + 0.0 for x in (piece.lat_deg, lon))  # no minus before a zero
        for y, x, t in zip(north.tolist(), east.tolist(), _times(piece.t_ns), strict=True):
            lines.append(f'<trkpt lat="{y:.7f}" lon="{x:.7f}"><time>{t}</time></trkpt>')
        lines.append("</trkseg>")
    return [*lines, "</trk>"]


def _xml(text: str) -> str:
    return escape(_NOT_XML.sub("\ufffd", text), {'"': "&quot;"})
