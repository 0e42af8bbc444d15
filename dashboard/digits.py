"""Numbers as the page shows them: value ± expanded uncertainty (k = 2), and no digit too many.

The last digit shown is the one the uncertainty reaches; an uncertainty is rounded up, never down
(JCGM 100:2008, 7.2.6, allows at most two digits for it).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

COVERAGE_FACTOR = 2.0
MINUS = "\u2212"
PATIENCE = 4
"""Refreshes that must agree before a figure changes its number of decimals: two seconds at 2 Hz."""


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


def shown(quantity: Mapping[str, Any], decimals: int | None = None) -> Shown | None:
    """Return a quantity ``{"value", "u", "unit"}`` as text; None when it has no value.

    ``u`` is the standard uncertainty. A value without one (None) has four significant digits, an exact
    one (0) as many as it needs.
    """
    value, u, unit = quantity.get("value"), quantity.get("u"), str(quantity.get("unit") or "")
    if value is None or not math.isfinite(value):
        return None
    if u == 0 and decimals is None:
        return Shown(f"{value:.6g}".replace("-", MINUS), "", unit)
    if not u or not math.isfinite(u):
        places = 3 if value == 0 else min(6, 3 - math.floor(math.log10(abs(value))))
        return Shown(fixed(value, places if decimals is None else decimals), None, unit)
    expanded = COVERAGE_FACTOR * u
    places = decimals_for(expanded) if decimals is None else decimals
    step = 10.0**-places
    return Shown(fixed(value, places), fixed(math.ceil(expanded / step - 1e-6) * step, places), unit)


class SteadyDigits:
    """Keeps the number of decimals of each figure until a change has lasted.

    An uncertainty that hovers at 0.1 would else add and drop a digit at every refresh.
    """

    def __init__(self) -> None:
        self._kept: dict[str, int] = {}
        self._wish: dict[str, tuple[int, int]] = {}

    def shown(self, key: str, quantity: Mapping[str, Any]) -> Shown | None:
        """Like :func:`shown`, with the decimals that this key has had so far."""
        u = quantity.get("u")
        if quantity.get("value") is None or not u or not math.isfinite(u):
            return shown(quantity)
        wanted = decimals_for(COVERAGE_FACTOR * u)
        kept = self._kept.setdefault(key, wanted)
        if wanted == kept:
            self._wish.pop(key, None)
        else:
            wish, times = self._wish.get(key, (wanted, 0))
            times = times + 1 if wish == wanted else 1
            self._wish[key] = (wanted, times)
            # Two digits too many or too few mislead: those go at once.
            if times >= PATIENCE or abs(wanted - kept) > 1:
                self._kept[key] = kept = wanted
                del self._wish[key]
        return shown(quantity, kept)


def lasting(seconds: float) -> str:
    """Return a length of time, short enough for a table: "0.30 s", "3 min 05 s", "2 h 10 min"."""
    if seconds < 0.0995:
        return f"{seconds * 1e3:.3g} ms"
    if seconds < 9.95:
        return f"{seconds:.2g} s" if seconds >= 1 else f"{seconds:.2f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest:02d} s"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h"


def grouped(count: int) -> str:
    """Return a count with thin spaces between groups of three digits."""
    return f"{count:,}".replace(",", "\u202f")
