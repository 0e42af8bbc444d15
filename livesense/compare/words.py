"""What the rows of a comparison are called, and how they are judged, in words: terminal and page alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from livesense.wording import significant

LABELS = {
    "range_low": "lowest that is read",
    "range_high": "highest that is read",
    "per_code": "one code",
    "error_full": "error at full load",
    "error_small": "error at a tenth of it",
    "noise": "noise in the band, rms",
    "mean": "mean",
    "rms": "rms",
    "fundamental_rms": "fundamental, rms",
    "dissipation": "in the shunt",
}


def row_label(row: Mapping[str, Any]) -> str:
    """Name a row, with the reading that it is for."""
    label = LABELS[row["figure"]]
    return f"{label} ({significant(row['at']['value'], 3)} {row['at']['unit']})" if "at" in row else label


def is_exact(row: Mapping[str, Any]) -> bool:
    """Tell whether a row follows from what is written alone: its difference has no uncertainty."""
    return row["difference"] is not None and row["difference"]["u"] == 0


def verdict(row: Mapping[str, Any]) -> str:
    """Say whether the two differ by more than is known of them; empty where that is no question."""
    if is_exact(row) or row["differs"] is None:
        return ""
    return "differs" if row["differs"] else "alike within ±"
