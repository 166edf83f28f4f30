"""What tests of the pages in a real browser share: patience, the height of letters, and axe-core, which finds
what shuts people out."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

LONG_MS = 180_000
"""A busy machine is slow and not wrong."""


def findings(page: Page, axe: str) -> list[str]:
    """Return what axe finds wrong, contrast of 7:1 asked for as well."""
    page.evaluate(axe)  # by the debugger's channel, which the page's own policy does not stop
    told = page.evaluate(
        """() => axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'],
                                     rules: { 'color-contrast-enhanced': { enabled: true } } })"""
    )
    return [
        f"{one['id']} ({one['impact']}): {node['target']} {json.dumps(node['any'][:1])[:300]}"
        for one in told["violations"]
        for node in one["nodes"]
    ]


def capital_px(page: Page, selector: str) -> float:
    """Return how high a capital H of an element really is [px]."""
    return float(
        page.evaluate(
            """s => { const c = document.createElement('canvas').getContext('2d');
                const f = getComputedStyle(document.querySelector(s));
                c.font = `${f.fontWeight} ${f.fontSize} ${f.fontFamily}`;
                return c.measureText('H').actualBoundingBoxAscent; }""",
            selector,
        )
    )
