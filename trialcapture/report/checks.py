"""Checks that stand beside the result as text: standard errors found in two ways, and Froude numbers by band."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from trialcapture.report.answers import at
from trialcapture.report.format import DASH, band_label, column_decimals, fixed, general, number


def standard_error_rows(summary: Mapping[str, Any]) -> dict[str, Any]:
    """Return the standard error of the mean speed by effective sample size and by blocking, band by band.

    Returns:
        ``rows``, the last of them of all legs together, and ``factor``, beyond which the two count as different.
    """
    found = [e for e in at(summary, "statistics", "standard_errors", "bands") or [] if isinstance(e, Mapping)]
    together = at(summary, "statistics", "standard_errors", "all")
    named = [(band_label(e), e) for e in found]
    if isinstance(together, Mapping) and len(found) > 1:
        named.append(("all", together))
    kinds = ("n_eff_u_kn", "blocking_u_kn")
    decimals = max(column_decimals([number(e.get(kind)) for _, e in named], usual=3, most=3) for kind in kinds)
    return {
        "factor": general(at(summary, "statistics", "standard_errors", "factor"), 2),
        "rows": [
            {
                "band": name,
                "n_eff": fixed(e.get("n_eff_u_kn"), decimals),
                "blocking": fixed(e.get("blocking_u_kn"), decimals),
                "ratio": fixed(e.get("ratio"), 2),
                "blocks": fixed(e.get("blocks"), 0),
                "agree": DASH if e.get("agree") is None else "yes" if e.get("agree") else "no",
            }
            for name, e in named
        ],
    }


def regime_rows(summary: Mapping[str, Any]) -> list[dict[str, str]]:
    """Return the Froude numbers of each band and how it was judged; empty where no band has either number."""
    found = [e for e in at(summary, "regimes", "bands") or [] if isinstance(e, Mapping)]
    kinds = ("volumetric_froude", "length_froude")
    if not any(number(e.get(kind)) is not None for e in found for kind in kinds):
        return []
    return [
        {
            "band": band_label(e),
            "volumetric": fixed(e.get("volumetric_froude"), 2),
            "length": fixed(e.get("length_froude"), 2),
            "regime": str(e.get("regime") or DASH),
        }
        for e in found
    ]
