"""Resistances that shunts are sold in."""

from __future__ import annotations

_MILLIOHMS = (0.1, 0.2, 0.25, 0.3, 0.5, 1, 2, 3, 4, 5, 10, 15, 20, 25, 30, 40, 50, 100, 200, 300, 500, 1000)
"""Values that most makers of shunts keep (common practice, no source)."""

# Of IEC 60063, from memory.
_E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91)
_MANTISSAS = {"E6": _E24[::4], "E12": _E24[::2], "E24": _E24}

SERIES = ("usual", *_MANTISSAS)
"""Names of the lists: what is usual of shunts, and the preferred numbers of IEC 60063."""


def shunt_values(series: str) -> tuple[float, ...]:
    """List the resistances of a series from 0.1 mΩ to 1 Ω, in ohms, the smallest first.

    Raises
    ------
    ValueError
        for a name that is not in :data:`SERIES`.
    """
    if series == "usual":
        # Divided, so that 0.3 mΩ is the float that "0.0003" is.
        return tuple(value / 1000 for value in _MILLIOHMS)
    if series not in _MANTISSAS:
        raise ValueError(f"series must be one of {', '.join(SERIES)}, got {series!r}")
    decades = [m / 10**power for power in (5, 4, 3, 2) for m in _MANTISSAS[series]]
    return (*decades, 1.0)
