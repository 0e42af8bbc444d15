"""Digits on the page: those of :mod:`livesense.wording`, kept steady, and lengths and counts for tables."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from livesense.wording import COVERAGE_FACTOR, MINUS, Shown, decimals_for, fixed, shown, significant

__all__ = [
    "COVERAGE_FACTOR",
    "MINUS",
    "PATIENCE",
    "Shown",
    "SteadyDigits",
    "decimals_for",
    "fixed",
    "grouped",
    "lasting",
    "shown",
    "significant",
    "written",
]

PATIENCE = 4
"""Refreshes that must agree before a figure changes its number of decimals: two seconds at 2 Hz."""


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


def written(value: float, u: float, unit: str) -> str:
    """Write ``1.000 ± 0.002 A`` with the expanded uncertainty, ``not known`` where there is no value."""
    figure = shown({"value": value, "u": u, "unit": unit})
    if figure is None:
        return "not known"
    text = f"{figure.value} ± {figure.expanded}" if figure.expanded else figure.value
    return f"{text} {unit}".rstrip()
