"""A log that is held whole, given its UTC as one that is read block by block."""

from __future__ import annotations

from collections.abc import Mapping

import pyarrow as pa

from trialcapture.prepare.clocks.downsampled_index import index_block, join_indexes
from trialcapture.prepare.clocks.lower_envelope import ClockFit
from trialcapture.prepare.clocks.receiver_clocks import ClockRow
from trialcapture.prepare.clocks.utc_assignment import assign_utc, find_utc_assignment


def assign_utc_to_log(
    sentences: Mapping[str, pa.Table], latency_s: Mapping[str, float]
) -> tuple[dict[str, pa.Table], list[ClockRow], list[str], ClockFit | None]:
    """Return the tables of one log with UTC, the clock evidence, the warnings and the fit of the monotonic clock."""
    assignment, rows, warnings, fit = find_utc_assignment(join_indexes([index_block(sentences)]), latency_s)
    return assign_utc(sentences, assignment, 0), rows, warnings, fit
