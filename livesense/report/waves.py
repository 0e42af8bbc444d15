"""Pictures of a run's waveforms, from the reading composer to plots."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.measures.sine_fit import SineFit, fit_line
from livesense.report.plots import Plot, Trace, harmonics, phasors, plot
from livesense.report.shapes import Picture
from livesense.wording import significant

COLUMNS = 440
"""Columns of a band: about one a point of the picture's width."""

MOST_POINTS = 1600
"""Scans of a line; more are drawn as a band."""

LONGEST_FIT_S = 2.0
HARMONICS_WIDTH = 342.0
"""Leaves room for phasors beside them."""
ORDERS = range(2, 14)


def waveform(
    analysis: RunAnalysis,
    names: Sequence[str],
    from_s: float,
    to_s: float,
    *,
    about: str,
    together: bool = True,
    spans: Sequence[tuple[float, float, str]] = (),
    marks: Sequence[tuple[float, str]] = (),
    limits: Sequence[tuple[float, str]] = (),
) -> Picture | None:
    """Draw channels of one unit between two instants; None where no scan of them is stored there.

    ``together`` puts lines into one panel; bands, which would hide one another, have one each.
    """
    rate_hz = max(analysis.rate_hz(analysis.chain.channels[name].group) for name in names)
    lines = (to_s - from_s) * rate_hz <= MOST_POINTS
    traces = [
        _line(analysis, name, from_s, to_s, style) if lines else _band(analysis, name, from_s, to_s, style)
        for style, name in enumerate(names)
    ]
    if not any(trace.x.size and np.isfinite(trace.y).any() for trace in traces):
        return None
    panels = (tuple(traces),) if lines and together else tuple((trace,) for trace in traces)
    unit = analysis.chain.channels[names[0]].unit
    return plot(
        Plot(
            about,
            "time in the run, s",
            unit,
            panels,
            tuple(spans),
            tuple(marks),
            tuple(limits),
            150.0 if len(panels) == 1 else 62.0,
        )
    )


def _line(analysis: RunAnalysis, name: str, from_s: float, to_s: float, style: int) -> Trace:
    times, values = [np.zeros(0)], [np.zeros(0)]
    for window in analysis.window(from_s, to_s, [name]):
        if not window.time_s.size:
            continue
        if times[-1].size:
            # A missing value between two stretches: no line is drawn across what was lost.
            times.append(np.array([window.time_s[0]]))
            values.append(np.array([np.nan]))
        times.append(window.time_s)
        values.append(window.values[name])
    return Trace(name, np.concatenate(times), np.concatenate(values), style=style)


def _band(analysis: RunAnalysis, name: str, from_s: float, to_s: float, style: int) -> Trace:
    band = analysis.envelope(name, from_s, to_s, COLUMNS)
    return Trace(name, band.time_s, band.mean, band.low, band.high, style)


def phasor_picture(measures: Mapping[str, Any], names: Mapping[str, str]) -> Picture | None:
    """Draw the phases' fundamentals by their rms and angle; None where an angle is withheld."""
    angles = ((measures.get("three_phase") or {}).get("angles_deg")) or {}
    vectors = []
    for name, phase in names.items():
        angle, rms = angles.get(phase), (measures["channels"].get(name) or {}).get("fundamental_rms")
        if angle is None or rms is None or angle["value"] is None or rms["value"] is None:
            return None
        vectors.append((name, float(rms["value"]), float(angle["value"])))
    if not vectors:
        return None
    said = ", ".join(f"{n} {significant(r, 4)} A at {significant(a, 4)}°" for n, r, a in vectors)
    return phasors(vectors, "A", f"Phasors of the fundamentals: {said}")


def harmonic_percents(
    analysis: RunAnalysis, names: Sequence[str], from_s: float, to_s: float
) -> tuple[list[int], dict[str, list[float]]] | None:
    """Fit harmonics to the beginning of a steady part: orders, and each channel's in % of its fundamental.

    Not corrected for the chain's bandwidth. None where there is no line.
    """
    to_s = min(to_s, from_s + LONGEST_FIT_S)
    windows = analysis.window(from_s, to_s, list(names))
    if not windows:
        return None
    window = max(windows, key=lambda w: w.time_s.size)
    if any(name not in window.values for name in names):
        return None
    values = np.stack([window.values[name] for name in names], axis=1)
    if values.shape[0] < MOST_POINTS // 4 or not np.isfinite(values).all():
        return None
    fit = fit_line(values, window.rate_hz, harmonics=ORDERS[-1])
    if not isinstance(fit, SineFit) or not (fit.amplitude[:, 0] > 0).all():
        return None
    orders = [order for order in ORDERS if order <= fit.orders]
    share = 100 * fit.amplitude / fit.amplitude[:, :1]
    return orders, {name: [float(share[k, order - 1]) for order in orders] for k, name in enumerate(names)}


def harmonic_picture(orders: Sequence[int], percents: Mapping[str, Sequence[float]]) -> Picture:
    """Draw harmonics."""
    largest = max(((v, o, n) for n, vs in percents.items() for v, o in zip(vs, orders, strict=True)))
    about = (
        f"Harmonics in % of the fundamental; the largest is order {largest[1]} of {largest[2]} with "
        f"{significant(largest[0], 2)} %"
    )
    return harmonics(orders, [(name, values) for name, values in percents.items()], about, HARMONICS_WIDTH)
