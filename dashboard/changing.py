"""Whether a current changes while it is measured: then its figure is true of the stretch, not of now.

The two halves of the measured stretch are compared. Where U, V and W are all there, their squares are
summed first: that sum stands still while a machine turns evenly, however slowly.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.digits import COVERAGE_FACTOR, decimals_for, fixed
from livesense.samples import FloatArray

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LEAST_SHARE = 0.05
"""A change below this share of the value is no news; common practice, no source."""

Halves = tuple[float, float]


def rms_halves(values: Sequence[FloatArray]) -> Halves | None:
    """Rms of the first and of the second half of signals ``(n,)`` that are taken together."""
    squares = np.mean([np.square(v) for v in values], axis=0)
    return _halves(squares, root=True)


def mean_halves(values: FloatArray) -> Halves | None:
    """Mean of the first and of the second half of a signal ``(n,)``."""
    return _halves(values, root=False)


def _halves(values: FloatArray, root: bool) -> Halves | None:
    middle = len(values) // 2
    if not middle:
        return None
    means = float(np.mean(values[:middle])), float(np.mean(values[middle:]))
    if not all(map(math.isfinite, means)):
        return None
    return (math.sqrt(means[0]), math.sqrt(means[1])) if root else means


def _scaled(halves: Halves, value: float | None) -> Halves | None:
    """Give one phase's own halves, from those of all phases together."""
    whole = math.sqrt((halves[0] ** 2 + halves[1] ** 2) / 2)
    return None if value is None or not whole else (halves[0] * value / whole, halves[1] * value / whole)


def told(halves: Halves | None, quantity: Mapping[str, Any] | None) -> str | None:
    """Say from what to what a quantity changes; None where its uncertainty covers the change.

    At the stretch's end a steady change is off from the stretch's own value by the difference of the halves.
    """
    u = None if quantity is None else quantity.get("u")
    if halves is None or quantity is None or quantity.get("value") is None or not u:
        return None
    off = abs(halves[1] - halves[0])
    if off <= max(COVERAGE_FACTOR * u, LEAST_SHARE * max(map(abs, halves))):
        return None
    places = decimals_for(off)
    return f"{fixed(halves[0], places)} → {fixed(halves[1], places)}"


def changes(
    analysis: RunAnalysis, channels: Sequence[Mapping[str, Any]], measured: Mapping[str, Any]
) -> dict[str, str]:
    """Say of each tile, by its key, from what to what it changes; empty where only that it does is known."""
    from_s, to_s = measured.get("used_from_s"), measured.get("used_to_s")
    bus = [c.name for c in analysis.channels if c.phase == "bus" and c.quantity == "current"]
    names = [str(c["name"]) for c in channels]
    windows = analysis.window(from_s, to_s, list(dict.fromkeys([*names, *bus])))
    longest: dict[str, FloatArray] = {}
    for window in windows:
        for name, values in window.values.items():
            if len(values) > len(longest.get(name, ())):
                longest[name] = values
    figures = measured.get("channels") or {}
    found: dict[str, str | None] = {}
    phases = {c["phase"]: longest[c["name"]] for c in channels if c["name"] in longest}
    together = rms_halves(list(phases.values())) if {"U", "V", "W"} <= set(phases) else None
    for name in names:
        rms = (figures.get(name) or {}).get("rms")
        halves = together and _scaled(together, (rms or {}).get("value"))
        halves = halves or (rms_halves([longest[name]]) if name in longest else None)
        found[f"rms:{name}"] = told(halves, rms)
    power = measured.get("power") or {}
    if len(bus) == 1 and bus[0] in longest:
        halves = mean_halves(longest[bus[0]])
        found["power.bus_current"] = told(halves, power.get("bus_current"))
        if found["power.bus_current"] and power.get("input_power"):
            found["power.input_power"] = ""
    return {key: text for key, text in found.items() if text is not None}
