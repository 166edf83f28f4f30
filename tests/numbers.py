"""Results without the pages that people read, for tests that look at numbers alone: drawing is half of the work."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from unittest.mock import patch

from trialcapture import pipeline


@contextmanager
def pages_left_out() -> Iterator[None]:
    """Have report, sheet and workbook empty files in this process."""
    with (
        patch.object(pipeline, "render_report", lambda **_: ""),
        patch.object(pipeline, "render_sheet", lambda *_: ""),
        patch.object(pipeline, "trial_xlsx", lambda *_: b""),
    ):
        yield


def process_numbers(folder: Path, config_text: str | None = None) -> dict[str, Any]:
    """Do what `trialcapture.pipeline.process` does, with empty report, sheet and workbook."""
    with pages_left_out():
        return pipeline.process(folder, config_text)
