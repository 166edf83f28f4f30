"""A processed session as pandas frames, for notebooks: see `trialcapture.load`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd
import pyarrow as pa
from pyarrow import csv

from trialcapture.archive.notes import DAMAGED, read_notes
from trialcapture.archive.parquet import read_parquet
from trialcapture.archive.session import Session, open_session
from trialcapture.errors import TrialCaptureError
from trialcapture.prepare.channels.grid import samples_schema
from trialcapture.prepare.steady.segments import SEGMENT_ENGINES_SCHEMA, segments_schema
from trialcapture.reduce.summary import Summary, parse_summary
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
        table = read_parquet(self.session.folder / name, schema)
        frame: pd.DataFrame = table.replace_schema_metadata(None).to_pandas()
        frame.attrs["units"] = _units(table.schema)
        frame.attrs["provenance"] = _texts(table.schema.metadata)
        return frame

    def _csv(self, name: str, schema: pa.Schema) -> pd.DataFrame:
        types = csv.ConvertOptions(
            column_types=schema, null_values=[""], strings_can_be_null=True, timestamp_parsers=[csv.ISO8601]
        )
        path = self.session.folder / name
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


def load_frames(folder: Path) -> TrialFrames:
    """Return the results of a processed session.

    Args:
        folder: The session.

    Raises:
        TrialCaptureError: There is no session, or it was not processed.
    """
    session = open_session(folder)
    missing = [name for name in _DERIVED if not is_plain_file(folder / name)]
    if missing:
        raise TrialCaptureError(
            "this session was not processed, so there is nothing to load",
            seen=f"no {missing[0]}",
            where=str(folder),
            expected=f"process it first: trialcapture process {folder}",
        )
    return TrialFrames(session)


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
