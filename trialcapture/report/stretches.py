"""Every stretch of a trial with its number and verdict, for an 80-column screen, complete without colour."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pyarrow as pa
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from trialcapture.report.columns import rows
from trialcapture.report.format import DASH, clock, degrees, duration, fixed, number
from trialcapture.report.terminal import RULED, plain_text


def stretches_view(segments: pa.Table) -> RenderableType:
    """Return the stretches in order of time: number, begin, length, engine speed, speed, course, verdict.

    Args:
        segments: With the review's columns.
    """
    if not segments.num_rows:
        return Text("No stretch was found.", style="bold")
    view = Table(box=RULED, padding=(0, 1, 0, 0), pad_edge=False, show_edge=False, header_style="bold")
    for head in ("No.", "Begun\nUTC", "Held\n", "Rpm\n", "Speed\nkn", "Course\ntrue"):
        view.add_column(head, justify="right", no_wrap=True)
    view.add_column("Verdict\n", overflow="fold")
    for r in sorted(rows(segments), key=lambda r: r["start"]):
        cells = (
            fixed(r.get("segment_id"), 0), clock(r.get("start")), duration(r.get("duration_s")),
            fixed(r.get("rpm_mean"), 0), fixed(r.get("sog_kn_mean"), 2), degrees(r.get("cog_true_deg_mean")),
        )  # fmt: skip
        used = bool(r.get("reviewed_accepted"))
        view.add_row(
            *(Text(plain_text(cell)) for cell in cells), Text(plain_text(_verdict(r)), style="bold" if used else "")
        )
    return view


def _verdict(r: Mapping[str, Any]) -> str:
    used, automatic = bool(r.get("reviewed_accepted")), bool(r.get("accepted"))
    refused = str(r.get("reason") or DASH).split(", ")[0]  # the limit itself stands in the report
    why = str(r.get("review_reason") or DASH)
    by = f" ({r['review_by']})" if r.get("review_by") else ""
    label = number(r.get("relabelled_rpm"))
    band = "" if label is None else f" in band {fixed(label, 0)}"
    if used != automatic:
        return (
            f"USED{band}, included: {why}{by}; else left out: {refused}" if used else f"left out, excluded: {why}{by}"
        )
    if used:
        return f"USED{band}: {why}{by}" if band else "USED"
    return f"left out: {refused}"
