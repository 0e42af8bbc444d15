"""Phasors and the path of the current vector: small pictures beside the waveform, each with its words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.digits import decimals_for, fixed, written
from dashboard.tiles import withheld_reason
from livesense.samples import FloatArray

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

PHASES = ("U", "V", "W")
TURNS = 2.0
"""So many turns of the vector are drawn: enough to see whether they lie on one another."""
MOST_POINTS = 240
LONGEST_S = 0.5

_NEEDS = "needs a current for each of the phases U, V and W"


def clarke(u: FloatArray, v: FloatArray, w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the current vector of three currents ``(n,)``: α and β, each ``(n,)``.

    Clarke's transformation, amplitude-invariant: the length of a balanced vector is the peak of a phase.
    """
    return (2.0 * u - v - w) / 3.0, (v - w) / math.sqrt(3.0)


def phasors(channels: Sequence[Mapping[str, Any]], measured: Mapping[str, Any]) -> dict[str, Any]:
    """Fundamentals as arrows: ``rows`` of ``{"phase", "look", "rms", "angle_deg", "text"}``, or ``why`` not.

    Angles are against phase U; a later phase is negative.
    """
    of_phase = {str(c["phase"]): c for c in channels if c["phase"] in PHASES}
    if len(of_phase) < len(PHASES):
        return {"rows": [], "unit": "", "text": "", "why": _NEEDS}
    angles = (measured.get("three_phase") or {}).get("angles_deg") or {}
    rows = []
    for phase in PHASES:
        channel = of_phase[phase]
        name = str(channel["name"])
        rms = ((measured.get("channels") or {}).get(name) or {}).get("fundamental_rms") or {}
        angle = angles.get(phase) or {}
        if rms.get("value") is None:
            why = withheld_reason(measured, "channels", name, "fundamental_rms")
            return {"rows": [], "unit": "", "text": "", "why": f"{name}: {why}"}
        if angle.get("value") is None:
            why = withheld_reason(measured, "three_phase", "angles_deg")
            return {"rows": [], "unit": "", "text": "", "why": why}
        at = "0°" if phase == "U" else written(angle["value"], angle.get("u") or 0.0, "°").replace(" °", "°")
        rows.append(
            {
                "phase": phase,
                "look": channel["look"],
                "rms": float(rms["value"]),
                "angle_deg": float(angle["value"]),
                "text": f"{phase} {at}",
            }
        )
    return {"rows": rows, "unit": "A rms", "text": ", ".join(row["text"] for row in rows), "why": ""}


def locus(
    values: Mapping[str, FloatArray], rate_hz: float, frequency_hz: float | None, u_a: float | None
) -> dict[str, Any]:
    """Give the path of the vector of currents ``(n,)`` by phase, in at most ``MOST_POINTS`` points.

    ``u_a`` is the standard uncertainty of a length, for the digits of the words.
    """
    if not set(PHASES) <= set(values):
        return {"alpha": [], "beta": [], "text": "", "why": _NEEDS}
    count = len(values["U"])
    if frequency_hz:
        count = min(count, math.ceil(TURNS * rate_hz / frequency_hz) + 1)
    parts = [values[phase][-count:] for phase in PHASES]
    alpha, beta = clarke(*parts)
    known = np.isfinite(alpha) & np.isfinite(beta)
    alpha, beta = alpha[known], beta[known]
    if not len(alpha):
        return {"alpha": [], "beta": [], "text": "", "why": "no scans"}
    length = np.hypot(alpha, beta)
    places = decimals_for(2 * u_a) if u_a else 2
    low, high = fixed(float(length.min()), places), fixed(float(length.max()), places)
    text = f"{high} A long" if low == high else f"{low} to {high} A long"
    step = max(1, math.ceil(len(alpha) / MOST_POINTS))
    return {
        "alpha": [round(v, 4) for v in alpha[::step].tolist()],
        "beta": [round(v, 4) for v in beta[::step].tolist()],
        "text": text,
        "why": "",
    }


def vectors(
    analysis: RunAnalysis,
    channels: Sequence[Mapping[str, Any]],
    measured: Mapping[str, Any],
    to_s: float,
    from_s: float = 0.0,
) -> dict[str, Any]:
    """Phasors of what was measured, and the path that led to ``to_s``, not from before ``from_s``."""
    names = {str(c["phase"]): str(c["name"]) for c in channels if c["phase"] in PHASES}
    frequency = ((measured.get("speed") or {}).get("electrical_hz") or {}).get("value")
    seconds = LONGEST_S if not frequency else min(LONGEST_S, 1.2 * TURNS / frequency)
    for group in {c.group for c in analysis.channels if c.name in names.values()}:
        # A slower group may have scans that begin later: the path ends where the currents do.
        first, stop = analysis.run.extent(group)
        if stop > first:
            to_s = min(to_s, analysis.run.time_axis(group).end_s(stop - 1))
    windows = analysis.window(max(from_s, to_s - seconds), to_s, list(names.values())) if names else []
    # Where all phases are there, only their scans can be missing.
    path = locus({phase: np.empty(0) for phase in names}, 1.0, None, None)
    if windows:
        last = windows[-1]
        figures = measured.get("channels") or {}
        us = [((figures.get(name) or {}).get("max") or {}).get("u") for name in names.values()]
        path = locus(
            {phase: last.values[name] for phase, name in names.items() if name in last.values},
            last.rate_hz,
            frequency,
            max((u for u in us if u), default=None),
        )
    return {"phasors": phasors(channels, measured), "locus": path}
