"""How small the print of a trial sheet has to be so that it fits one page, estimated from its letters and lines.

Fonts differ from computer to computer. The estimate is of a wide one (DejaVu Sans), so that others leave air, which the
figure takes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Paper = Literal["A4", "letter"]
PAGE_PT: dict[Paper, tuple[float, float]] = {"A4": (538.0, 782.0), "letter": (555.0, 732.0)}
"""Width and height inside the margins [pt]."""
LETTER_EM = 0.56
"""Mean width of a letter of running text over the size of the font (measured in DejaVu Sans)."""
SIZES_PT = ((7.7, 1.28), (7.15, 1.25), (6.5, 1.2), (5.9, 1.17), (5.3, 1.15))
"""Sizes of print and their line spacing, those of ``sheet.css``."""
SPARE = 0.97
"""Part of the height that is filled by the estimate."""


@dataclass(frozen=True, slots=True)
class SheetTexts:
    """What stands on a sheet as plain text.

    Attributes:
        boat: Her name.
        answers: The lines of each of the first answers.
        others: Those of each of the others.
        facts: The lines of the particulars and of the weight.
        conditions: Those beside them.
        rows: How many bands.
        words: The sentences.
        limits: One line each.
        foot: Seal and foot.
    """

    boat: str
    answers: Sequence[Sequence[str]]
    others: Sequence[Sequence[str]]
    facts: Sequence[str]
    conditions: Sequence[str]
    rows: int
    words: Sequence[str]
    limits: Sequence[str]
    foot: Sequence[str]


def crowding_of(texts: SheetTexts, paper: Paper) -> int:
    """Return the largest size of print that fits one page, by its place in `SIZES_PT`; the smallest where none does."""
    width, height = PAGE_PT[paper]
    fits = (n for n, (size, spacing) in enumerate(SIZES_PT) if _height_pt(texts, width, size, spacing) < SPARE * height)
    return next(fits, len(SIZES_PT) - 1)


def _height_pt(texts: SheetTexts, width: float, size: float, spacing: float) -> float:
    def lines(text: str, share: float, less_em: float = 0.0, scale: float = 1.0) -> int:
        room = (share * width - less_em * size) / (LETTER_EM * size * scale)
        return max(1, math.ceil(len(text) / max(room, 1.0)))

    def tallest(answers: Sequence[Sequence[str]], shares: Sequence[float]) -> int:
        return max(
            (sum(lines(t, s, 2.0) for t in texts_of) for texts_of, s in zip(answers, shares, strict=True)), default=0
        )

    count = max(len(texts.answers), 1)
    first = tallest(texts.answers, [1.0 / count] * count) + 1.6
    others = tallest(texts.others, [0.286, *[0.179] * (len(texts.others) - 1)]) + 1.0
    facts = sum(lines(t, 0.40, 8.2) for t in texts.facts) + 3.4
    beside = lines("; ".join(texts.conditions), 0.57) + 16.0
    limits = sum(lines(t, 0.47, 1.5) for t in texts.limits) / 2.0 + 2.2
    in_lines = first + others + max(facts, beside) + limits
    in_lines += 1.3 * lines(" ".join(texts.words), 1.0, 0.0, 0.92) + 1.5
    in_lines += 0.95 * sum(lines(t, 1.0, 0.0, 0.95) for t in texts.foot) + 0.8
    in_lines += 2.3 * lines(texts.boat, 0.48, 0.0, 2.2) + 1.8
    # rows of the table and facts have air of their own, sections a gap between them
    own_air = texts.rows * 0.42 + 2.0 + len(texts.facts) * 0.24
    return size * spacing * (in_lines + texts.rows + 2.4) + size * own_air + 8 * 3.0
