"""What people write into fields of the page: decimal commas, bare numbers, texts that are not too long."""

from __future__ import annotations

import re
from typing import Any

from livesense.errors import UsageError

LONGEST_TEXT = 80

_COMMA = re.compile(r"[^,.]*\d,\d[^,.]*")
_BARE = re.compile(r"[+\-\u2212]?[\d.]+")


def plain(text: str, unit: str = "") -> str:
    """Read a decimal comma as a point, and a bare number in the field's own unit."""
    text = text.strip()
    if _COMMA.fullmatch(text):
        text = text.replace(",", ".")
    return f"{text} {unit}" if unit and _BARE.fullmatch(text) else text


def limits(text: str) -> list[str]:
    """Take limits of error apart that a plus joins: those of a meter's reading and of its range add up."""
    return [plain(part) for part in re.split(r"\s\+\s", text)]


def short_text(text: Any) -> str:
    """Take a field's text, empty where there is none; UsageError where it is none or too long."""
    if text is None:
        return ""
    if not isinstance(text, str) or len(text) > LONGEST_TEXT:
        raise UsageError(f"expected texts of at most {LONGEST_TEXT} characters")
    return text
