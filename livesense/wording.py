"""How numbers are worded for people: digits by their uncertainty, a real minus sign, one and several.

The command line and the page write by the same rules. What programs read (JSON, CSV) is not worded:
there numbers have an ASCII minus and all their digits.

The last digit shown is the one the uncertainty reaches; an uncertainty is rounded up, never down
(JCGM 100:2008, 7.2.6, allows at most two digits for it).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

COVERAGE_FACTOR = 2.0
"""Of every ± that people read: about 95 % for a normal distribution (JCGM 100:2008, G.6.6)."""

MINUS = "\u2212"


@dataclass(frozen=True, slots=True)
class Shown:
    """A figure as text: ``value`` and ``expanded`` have the same number of decimals.

    ``expanded`` is None where it is not known, and empty for an exact value.
    """

    value: str
    expanded: str | None
    unit: str


def decimals_for(expanded: float) -> int:
    """Decimals that show an expanded uncertainty with one digit, or two when it begins with 1 or 2.

    Negative for uncertainties of 30 and more: -1 rounds to tens.
    """
    if not (math.isfinite(expanded) and expanded > 0):
        raise ValueError(f"an uncertainty must be above 0 and finite, got {expanded!r}")
    exponent = math.floor(math.log10(expanded))
    leading = expanded / 10.0**exponent
    return -exponent + (1 if leading < 2.95 else 0)


def fixed(value: float, decimals: int) -> str:
    """Return a number with exactly so many decimals and a real minus sign; never "−0"."""
    text = f"{round(value, decimals):.{max(decimals, 0)}f}"
    if text.startswith("-"):
        text = text[1:] if not text.strip("-0.") else MINUS + text[1:]
    return text


def significant(value: float, digits: int = 6) -> str:
    """Return a number with at most so many significant digits and real minus signs."""
    return f"{value:.{digits}g}".replace("-", MINUS)


def plain(value: float, digits: int = 4) -> str:
    """Return a number rounded to so many significant digits, never with an exponent: 20000, −0.0123."""
    return f"{Decimal(f'{value:.{digits}g}'):f}".replace("-", MINUS)


def shown(quantity: Mapping[str, Any], decimals: int | None = None) -> Shown | None:
    """Return a quantity ``{"value", "u", "unit"}`` as text; None when it has no value.

    ``u`` is the standard uncertainty. A value without one (None) has four significant digits, an exact
    one (0) as many as it needs.
    """
    value, u, unit = quantity.get("value"), quantity.get("u"), str(quantity.get("unit") or "")
    if value is None or not math.isfinite(value):
        return None
    if u == 0 and decimals is None:
        return Shown(significant(value), "", unit)
    if not u or not math.isfinite(u):
        places = 3 if value == 0 else min(6, 3 - math.floor(math.log10(abs(value))))
        return Shown(fixed(value, places if decimals is None else decimals), None, unit)
    expanded = COVERAGE_FACTOR * u
    places = decimals_for(expanded) if decimals is None else decimals
    step = 10.0**-places
    return Shown(fixed(value, places), fixed(math.ceil(expanded / step - 1e-6) * step, places), unit)


def in_percent(percent: float) -> str:
    """Write a percentage with two digits, whole from ten up: ``0.42 %``, ``100 %``."""
    return f"{percent:.0f} %" if percent >= 9.95 else f"{percent:.2g} %"


def counted(count: int, one: str, several: str = "", write: Callable[[int], str] = str) -> str:
    """Write ``1 gap`` or ``2 gaps``; ``several`` is the plural where it is not ``one`` and an s."""
    return f"{write(count)} {one if count == 1 else several or one + 's'}"


def listed(names: Sequence[str]) -> str:
    """Write names as a list in words: "iu, iv and iw"."""
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def duration(seconds: float) -> str:
    """Write ``2 h 05 min``, ``3 min 20 s`` or ``4.2 s``."""
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours:02d} h"


def bounded(quantity: Mapping[str, Any], *, sign: bool = False) -> str:
    """Write what stands before a figure that is only a bound: ``at least``, ``at most``, or ``≥``, ``≤``."""
    for key, word, mark in (("at_least", "at least ", "≥ "), ("at_most", "at most ", "≤ ")):
        if quantity.get(key):
            return mark if sign else word
    return ""
