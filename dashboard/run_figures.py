"""Figures of a stretch of a run, and which part of it they are worked out for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.captions import caption
from dashboard.channels import described, picture_channels
from dashboard.digits import shown
from dashboard.tiles import withheld_reason
from dashboard.vectors import vectors
from livesense.reach import reach
from livesense.retained import newest_kept_s
from livesense.samples import FloatArray
from livesense.wording import bounded

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LONGEST_MEASURED_S = 20.0
"""Figures of longer stretches would keep the page waiting; the command line has no such limit."""
CHOSEN_S = 5.0
"""How much of a steady stretch is measured when the page chooses: enough cycles, at once."""
STEADY_S = 1.0
"""Shorter than this, a steady stretch is no state of the machine."""
PARTS = 400
FINE_PART_S = 0.25
ALIKE = 0.1
"""Swings that differ by less are called steady."""
AT_REST = 0.02
"""Share of a channel's range below which its swing is noise."""

COLUMNS: tuple[tuple[str, str], ...] = (
    ("mean", "Mean"),
    ("rms", "RMS"),
    ("min", "Lowest"),
    ("max", "Highest"),
    ("frequency_hz", "Frequency"),
    ("fundamental_rms", "Fundamental"),
    ("thd_percent", "THD"),
)
TOGETHER: tuple[tuple[str, str], ...] = (
    ("speed.rpm", "Speed"),
    ("power.input_power", "Input power"),
    ("power.bus_voltage", "Bus voltage"),
    ("power.bus_current", "Bus current"),
    ("power.energy_Wh", "Energy"),
    ("power.charge_Ah", "Charge"),
    ("three_phase.unbalance_percent", "Unbalance"),
    ("three_phase.residual_rms", "Sum of the phases"),
)


def figures(analysis: RunAnalysis, from_s: float, to_s: float) -> dict[str, Any]:
    """Figures of a stretch as text for the table below the plot; ``of`` says what they belong to.

    A figure that is withheld has the ``mark`` of its reason in ``notes``.
    """
    from_s, to_s, of = measured_stretch(analysis, from_s, to_s)
    measured = analysis.measure(from_s, to_s)
    used_from_s, used_to_s = measured.get("used_from_s", from_s), measured.get("used_to_s", to_s)
    if used_to_s - used_from_s < 0.98 * (to_s - from_s):
        of += ", without the interruptions: its longest whole part"
    notes = _Notes()
    rows = []
    # A word of the drive's has no mean and no rms.
    words = {c.name for c in analysis.channels if c.quantity == "state"}
    for name, figures_of in (measured.get("channels") or {}).items():
        if name in words:
            continue
        cells = [
            _cell(figures_of.get(key), withheld_reason(measured, "channels", name, key), notes)
            for key, _ in COLUMNS
        ]
        rows.append({"name": name, "cells": cells})
    together = []
    for path, label in TOGETHER:
        part, key = path.split(".")
        node = measured.get(part)
        quantity = node.get(key) if isinstance(node, Mapping) else None
        together.append({"label": label} | _cell(quantity, withheld_reason(measured, part, key), notes))
    return {
        "of": of,
        "from_s": used_from_s,
        "to_s": used_to_s,
        "columns": [label for _, label in COLUMNS],
        "rows": rows,
        "together": together,
        "notes": [{"mark": mark, "why": why} for why, mark in notes.marks.items()],
        "caption": caption(analysis, measured),
        "vectors": vectors(
            analysis, described(picture_channels(analysis.channels)), measured, used_to_s, used_from_s
        ),
    }


def measured_stretch(analysis: RunAnalysis, from_s: float, to_s: float) -> tuple[float, float, str]:
    """Choose what to measure of a visible stretch, and say what it is.

    A stretch that somebody zoomed into is taken as it is. A whole run, or more than
    ``LONGEST_MEASURED_S`` of it, begins and ends with the machine at rest more often than not:
    figures over all of it would describe no state it was in, so the first steady part is taken.
    """
    first_s, last_s = analysis.extent_s()
    whole = to_s - from_s > 0.999 * (last_s - first_s)
    if not whole and to_s - from_s <= LONGEST_MEASURED_S:
        return from_s, to_s, "the stretch shown above"
    within = "of this run" if whole else "of the stretch shown above"
    begins_s = newest_kept_s(analysis)
    if from_s < begins_s < to_s:
        # Figures want raw samples: those before were dropped by retention.
        from_s = begins_s
        within = f"of the raw samples kept {within}"
    steady = steady_part(analysis, from_s, to_s)
    if steady is not None:
        return *steady, f"the first steady part {within}"
    if to_s - from_s <= LONGEST_MEASURED_S:
        return from_s, to_s, "the whole run, no part of which is steady"
    return from_s, from_s + LONGEST_MEASURED_S, f"the first {LONGEST_MEASURED_S:.0f} s {within}"


def steady_part(analysis: RunAnalysis, from_s: float, to_s: float) -> tuple[float, float] | None:
    """Find the first part where the currents swing alike, at most ``CHOSEN_S`` long; None without one."""
    drawn = [c for c in picture_channels(analysis.channels) if c.quantity == "current"]
    if not drawn:
        return None
    rest = AT_REST * reach(analysis, drawn)
    # The beginning closely, then everything as closely as so many parts allow.
    near_s = min(to_s, from_s + PARTS * FINE_PART_S)
    for end_s in (near_s, to_s) if near_s < to_s else (to_s,):
        parts = int(min(PARTS, max(8, (end_s - from_s) / FINE_PART_S)))
        bands = [analysis.envelope(c.name, from_s, end_s, parts) for c in drawn]
        length = min(len(band.low) for band in bands)
        swing = np.max([band.high[:length] - band.low[:length] for band in bands], axis=0, initial=0.0)
        part_s = (end_s - from_s) / max(length, 1)
        found = _alike(swing, max(rest, 0.0), max(3, int(np.ceil(STEADY_S / part_s)) + 2))
        if found is not None:
            # The parts at both ends may hold the change itself.
            begin_s, stop_s = from_s + (found[0] + 1) * part_s, from_s + (found[1] - 1) * part_s
            return begin_s, min(stop_s, begin_s + CHOSEN_S)
    return None


def _alike(swing: FloatArray, rest: float, fewest: int) -> tuple[int, int] | None:
    """Find the first ``[begin, end)`` of at least so many neighbours within ``ALIKE`` of one another."""
    begin, low, high = 0, np.inf, -np.inf
    for at, value in enumerate([*swing.tolist(), np.nan]):
        if value > rest and max(high, value) <= (1 + ALIKE) * min(low, value):
            low, high = min(low, value), max(high, value)
            continue
        if at - begin >= fewest:
            return begin, at
        begin, low, high = (at, value, value) if value > rest else (at + 1, np.inf, -np.inf)
    return None


class _Notes:
    """Letters for the reasons of what is withheld: a reason stands once, below the table."""

    def __init__(self) -> None:
        self.marks: dict[str, str] = {}

    def mark(self, why: str) -> str:
        turn, letter = divmod(len(self.marks), 26)
        return self.marks.setdefault(why, chr(ord("a") + letter) * (turn + 1))


def _cell(quantity: Mapping[str, Any] | None, reason: str, notes: _Notes) -> dict[str, Any]:
    figure = shown(quantity) if isinstance(quantity, Mapping) else None
    if quantity is None or figure is None:
        return {"value": None, "mark": notes.mark(reason)}
    return {
        "value": bounded(quantity, sign=True) + figure.value,
        "expanded": figure.expanded,
        "unit": figure.unit,
    }
