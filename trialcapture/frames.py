"""A processed session as pandas frames, for notebooks: see `trialcapture.load`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd
import pyarrow as pa
from pyarrow import csv

from trialcapture.archive.notes import DAMAGED, read_notes
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.session import Session, is_combined, listed_sessions, open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.grid import samples_schema
from trialcapture.prepare.steady.segments import SEGMENT_ENGINES_SCHEMA, segments_schema
from trialcapture.reduce.combined_bands import CombinedTrial
from trialcapture.reduce.summary import Summary, parse_stored, parse_summary
from trialcapture.reduce.tables import BANDS_SCHEMA, LEGS_SCHEMA
from trialcapture.safe_text import from_spreadsheet
from trialcapture.system.session_files import is_plain_file, read_whole

_DERIVED = (
    "trialset/samples.parquet", "trialset/segments.parquet", "trialset/segment_engines.parquet",
    "reduction/bands.parquet", "reduction/legs.csv", "reduction/summary.json",
)  # fmt: skip
_MOST_BYTES = 256 << 20
"""Of a result that is read at once (our choice)."""
_MANOEUVRES = (
    "session_id", "kind", "start", "direction", "from", "to", "value", "unit", "u", "conditions", "claimed", "reason",
)  # fmt: skip


_NO_TEXT = {"start": pa.timestamp("ns", "UTC"), "value": pa.float64(), "u": pa.float64(), "claimed": pa.bool_()}
_MANOEUVRES_SCHEMA = pa.schema([(name, _NO_TEXT.get(name, pa.string())) for name in _MANOEUVRES])


@dataclass(frozen=True)
class TrialFrames:
    """The results of one session; each is read from its file when it is first asked for.

    Every frame has ``attrs["units"]``, the unit of each column that has one, and those of Parquet files
    ``attrs["provenance"]``, what the file says about its origin. Times are UTC. A missing value is NaN, NaT or None.

    Attributes:
        session: The session, with its settings.
    """

    session: Session

    @cached_property
    def samples(self) -> pd.DataFrame:
        """The uniform grid: a row an instant, a column a channel, with ages and QARTOD flags."""
        return self._parquet("trialset/samples.parquet", samples_schema(self.session.config))

    @cached_property
    def segments(self) -> pd.DataFrame:
        """Every steady candidate with its means, its verdict and what people decided about it."""
        return self._parquet("trialset/segments.parquet", segments_schema(self.session.config.engine_ids))

    @cached_property
    def segment_engines(self) -> pd.DataFrame:
        """What the segments say of each engine, in long form: a row a segment and engine."""
        return self._parquet("trialset/segment_engines.parquet", SEGMENT_ENGINES_SCHEMA)

    @cached_property
    def legs(self) -> pd.DataFrame:
        """The accepted segments that made each band."""
        return self._csv("reduction/legs.csv", LEGS_SCHEMA)

    @cached_property
    def bands(self) -> pd.DataFrame:
        """One row an RPM band."""
        return self._parquet("reduction/bands.parquet", BANDS_SCHEMA)

    @cached_property
    def manoeuvres(self) -> pd.DataFrame:
        """One row a value of an acceleration, a stop or a turn, its unit in the column ``unit``; may be empty."""
        if is_plain_file(self.session.folder / "reduction" / "manoeuvres.csv"):
            return self._csv("reduction/manoeuvres.csv", _MANOEUVRES_SCHEMA)
        frame = pd.DataFrame(columns=list(_MANOEUVRES))
        frame.attrs["units"] = {}
        return frame

    @cached_property
    def notes(self) -> pd.DataFrame:
        """What the recorder and people noted, a row an entry in the order of the file; fields of a kind are columns.

        A line that could not be read has the kind `trialcapture.archive.notes.DAMAGED` and no time.
        """
        rows = [
            {"t": pd.NaT if n.kind == DAMAGED else n.t_ns, "kind": n.kind, "value": n.value, "unit": n.unit, "by": n.by}
            | dict(n.more)
            for n in read_notes(self.session)
        ]
        frame = pd.DataFrame(rows, columns=None if rows else ["t", "kind", "value", "unit", "by"])
        frame["t"] = pd.to_datetime(frame["t"], unit="ns", utc=True)
        frame.attrs["units"] = {}
        return frame

    @cached_property
    def summary(self) -> Summary:
        """Top speed, economy, conditions, warnings and all else that is no table."""
        return parse_summary(_read(self.session.folder / "reduction" / "summary.json"))

    def _parquet(self, name: str, schema: pa.Schema) -> pd.DataFrame:
        return _parquet(self.session.folder / name, schema)

    def _csv(self, name: str, schema: pa.Schema) -> pd.DataFrame:
        return _csv(self.session.folder / name, schema)


@dataclass(frozen=True)
class CombinedFrames:
    """The results of a trial of several sessions, as `TrialFrames` gives those of one.

    Attributes:
        folder: Of the whole.
        sessions: Each session by itself, in their order.
    """

    folder: Path
    sessions: tuple[TrialFrames, ...]

    @cached_property
    def bands(self) -> pd.DataFrame:
        """One row a step, or a row for each session where they really differ; ``session_id`` names whose it is."""
        return _parquet(self.folder / "reduction" / "bands.parquet", BANDS_SCHEMA)

    @cached_property
    def summary(self) -> CombinedTrial:
        """Answers, each with its session, and load and conditions of each."""
        return parse_stored(_read(self.folder / "reduction" / "summary.json"), CombinedTrial)

    @cached_property
    def samples(self) -> pd.DataFrame:
        """The grids of all sessions; of this frame only, ``session_id`` is a category."""
        frame = self._all("samples")
        frame["session_id"] = frame["session_id"].astype("category")
        return frame

    @cached_property
    def segments(self) -> pd.DataFrame:
        """Every steady candidate; its number counts in its session."""
        return self._all("segments")

    @cached_property
    def segment_engines(self) -> pd.DataFrame:
        """What the segments say of each engine."""
        return self._all("segment_engines")

    @cached_property
    def legs(self) -> pd.DataFrame:
        """The accepted segments; number and band are those of their session."""
        return self._all("legs")

    @cached_property
    def manoeuvres(self) -> pd.DataFrame:
        """One row a value of an acceleration, a stop or a turn; may be empty."""
        return self._all("manoeuvres")

    @cached_property
    def notes(self) -> pd.DataFrame:
        """What was noted in each session."""
        return self._all("notes")

    def _all(self, name: str) -> pd.DataFrame:
        """Return the frames of all sessions one below the other, with whose each row is."""
        each = [(of, getattr(of, name)) for of in self.sessions]
        full = [frame.assign(session_id=of.session.id) for of, frame in each if len(frame)]
        frame: pd.DataFrame = pd.concat(full, ignore_index=True) if full else each[0][1].assign(session_id="")
        frame.attrs = {"units": {column: unit for _, own in each for column, unit in own.attrs["units"].items()}}
        return frame


def load_any(folder: Path) -> TrialFrames | CombinedFrames:
    """Return the results of a processed session, or of a trial of several.

    Args:
        folder: From ``process``.

    Raises:
        TrialCaptureError: There is no session, or it was not processed.
    """
    return load_combined(folder) if is_combined(folder) else load_frames(folder)


def load_combined(folder: Path) -> CombinedFrames:
    """Return the results of a trial of several sessions; see `load_any`."""
    sessions = tuple(load_frames(folder / name) for name in listed_sessions(folder))
    _refuse_unprocessed(folder, ("reduction/bands.parquet", "reduction/summary.json"))
    return CombinedFrames(folder, sessions)


def load_frames(folder: Path) -> TrialFrames:
    """Return the results of a processed session.

    Args:
        folder: The session.

    Raises:
        TrialCaptureError: There is no session, or it was not processed.
    """
    session = open_session(folder)
    _refuse_unprocessed(folder, _DERIVED)
    return TrialFrames(session)


def _parquet(path: Path, schema: pa.Schema) -> pd.DataFrame:
    table = read_parquet(path, schema)
    frame: pd.DataFrame = table.replace_schema_metadata(None).to_pandas()
    frame.attrs["units"] = _units(table.schema)
    frame.attrs["provenance"] = _texts(table.schema.metadata)
    return frame


def _csv(path: Path, schema: pa.Schema) -> pd.DataFrame:
    types = csv.ConvertOptions(
        column_types=schema, null_values=[""], strings_can_be_null=True, timestamp_parsers=[csv.ISO8601]
    )
    layout = csv.ParseOptions(newlines_in_values=True)
    try:
        table = csv.read_csv(pa.BufferReader(_read(path)), parse_options=layout, convert_options=types)
        frame: pd.DataFrame = table.to_pandas()
    except (pa.ArrowException, UnicodeDecodeError) as fault:
        raise TrialCaptureError(
            "a result is damaged, or none that this program made",
            seen=str(fault).splitlines()[0],
            where=str(path),
            expected="run 'trialcapture process' on the session again",
        ) from fault
    for field in table.schema:
        if pa.types.is_string(field.type):
            frame[field.name] = frame[field.name].map(from_spreadsheet, na_action="ignore")
    frame.attrs["units"] = {c: unit for c, unit in _units(schema).items() if c in frame.columns}
    return frame


def _refuse_unprocessed(folder: Path, names: Sequence[str]) -> None:
    missing = [name for name in names if not is_plain_file(folder / name)]
    if missing:
        raise TrialCaptureError(
            "this session was not processed, so there is nothing to load",
            seen=f"no {missing[0]}",
            where=str(folder),
            expected=f"process it first: trialcapture process {folder}",
        )


def _read(path: Path) -> bytes:
    try:
        return read_whole(path, _MOST_BYTES)
    except OSError as fault:
        raise TrialCaptureError(
            "a result cannot be read",
            seen=fault.strerror or str(fault),
            where=str(path),
            expected="run 'trialcapture process' on the session again",
        ) from fault


def _units(schema: pa.Schema) -> dict[str, str]:
    return {f.name: f.metadata[b"unit"].decode() for f in schema if b"unit" in (f.metadata or {})}


def _texts(metadata: Mapping[bytes, bytes] | None) -> dict[str, str]:
    return {key.decode(): value.decode() for key, value in (metadata or {}).items()}
