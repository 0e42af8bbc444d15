"""What a run tells of the windings: time constants where currents go, resistance where they stand."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.chain import ChannelChain
from livesense.errors import UsageError
from livesense.measures.power import u_product
from livesense.measures.winding import Exponential, direct_resistance, fit_exponential
from livesense.samples import Estimate, FloatArray
from livesense.stretch_facts import no_current_below, phase_channels, pieces
from livesense.timetext import run_seconds

ASSUMES = (
    "a constant voltage or a short across the windings, no controller in between, and a rotor that stands; "
    "R is all that the current goes through"
)

BEFORE_S = 0.06
AFTER_S = 0.3
"""Around the border of two stretches a step of the current is looked for, and followed for so long."""

MOST_BORDERS = 50


def winding_facts(analysis: RunAnalysis, from_s: float | None, to_s: float | None) -> dict[str, Any]:
    """Tell time constants, resistance and inductance; the keys are those of docs/scripting.md.

    With a window, currents are fitted from its beginning to its end. Without one, the borders of standstill
    and align are looked at for currents that go out: one that comes may be shaped by a controller.

    Raises
    ------
    UsageError
        when the bench has no current for each of the phases, or the window holds no scans.
    """
    channels = phase_channels(analysis)
    if from_s is not None or to_s is not None:
        rows = [_fitted(analysis, channels, *_window(analysis, from_s, to_s), onset=False)]
    else:
        around = [
            _fitted(analysis, channels, t - BEFORE_S, t + AFTER_S, onset=True)
            for t in _borders(analysis, channels)
        ]
        gone = [
            row
            for row in around
            if row["reason"] is None and _goes_out(row, no_current_below(analysis, channels))
        ]
        # Two borders may lie around one step.
        rows = [r for n, r in enumerate(gone) if not n or r["from_s"] - gone[n - 1]["from_s"] > AFTER_S]
    resistance = _standing(analysis, channels, from_s, to_s)
    motor = analysis.bench.motor
    stated = None
    if motor is not None and motor.resistance_ohm is not None:
        limit = motor.resistance_tolerance
        u = 0.0 if limit is None else motor.resistance_ohm * limit.value / (limit.k or math.sqrt(3))
        stated = Estimate(motor.resistance_ohm, 0.0, u, "Ω")
    used = stated if stated is not None else resistance
    for row in rows:
        tau = row.pop("tau")
        row["inductance"] = None if tau is None or used is None else _times(tau, used).as_json()
    return {
        "run": analysis.run.row.number,
        "channels": [c.name for c in channels],
        "steps": rows,
        "resistance": None if resistance is None else resistance.as_json(),
        "resistance_of": None if used is None else "bench file" if stated is not None else "standstill",
        "assumes": ASSUMES,
    }


def _goes_out(row: Mapping[str, Any], still: float) -> bool:
    """Tell whether a current ends at none: where one comes, or stays, a controller may well shape it."""
    ends, starts = (max(abs(v) for v in row[key].values()) for key in ("end", "start"))
    return bool(ends < still and starts > 5 * still)


def _times(tau: Estimate, ohm: Estimate) -> Estimate:
    value = tau.value * ohm.value
    random = math.hypot(tau.u_random * ohm.value, tau.value * ohm.u_random)
    return Estimate(value, random, tau.value * ohm.u_systematic, "H")


def _window(analysis: RunAnalysis, from_s: float | None, to_s: float | None) -> tuple[float, float]:
    begin_s, end_s = analysis.extent_s()
    return begin_s if from_s is None else from_s, end_s if to_s is None else to_s


def _borders(analysis: RunAnalysis, channels: Sequence[ChannelChain]) -> list[float]:
    found: list[float] = []
    still_a = no_current_below(analysis, channels)
    for piece in pieces(analysis, channels, None, None, still_a):
        for one, other in itertools.pairwise(piece.found):
            if {one.kind, other.kind} & {"standstill", "align"}:
                found.append(piece.from_s(other))
    return found[:MOST_BORDERS]


def _values(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], from_s: float, to_s: float
) -> tuple[float, float, FloatArray]:
    """Longest whole piece of three currents: its start, its rate, and ``(n, 3)`` values."""
    windows = analysis.window(from_s, to_s, [c.name for c in channels])
    if not windows:
        raise UsageError(f"no scans between {from_s:g} s and {to_s:g} s")
    longest = max(windows, key=lambda w: len(w.time_s))
    values = np.stack([longest.values[c.name] for c in channels], axis=1)
    return float(longest.time_s[0]), longest.rate_hz, values


def _fitted(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], from_s: float, to_s: float, *, onset: bool
) -> dict[str, Any]:
    start_s, rate_hz, values = _values(analysis, channels, max(0.0, from_s), to_s)
    if onset:
        # The steepest place is where the voltage changed; a few scans are left to the amplifier.
        step = max(1, round(2e-4 * rate_hz))
        steep = np.linalg.norm(values[step:] - values[:-step], axis=1)
        begin = int(steep.argmax()) + step if steep.size else 0
        values, start_s = values[begin:], start_s + begin / rate_hz
        # So far as something still changes.
        found = fit_exponential(values, rate_hz)
        for _ in range(4):
            if isinstance(found, Exponential):
                tau = found.time_constant_s.value
                if len(values) <= 10 * tau * rate_hz:
                    break
                values = values[: max(64, math.ceil(8 * tau * rate_hz))]
            else:
                values = values[: len(values) // 3]
            found = fit_exponential(values, rate_hz)
    else:
        found = fit_exponential(values, rate_hz)
    fits = isinstance(found, Exponential)
    return {
        "from_s": run_seconds(start_s),
        "to_s": run_seconds(start_s + len(values) / rate_hz),
        "time_constant": found.time_constant_s.as_json() if isinstance(found, Exponential) else None,
        "start": dict(zip([c.name for c in channels], found.start.tolist(), strict=True))
        if isinstance(found, Exponential)
        else None,
        "end": dict(zip([c.name for c in channels], found.end.tolist(), strict=True))
        if isinstance(found, Exponential)
        else None,
        "reason": None if fits else getattr(found, "reason", None),
        "tau": found.time_constant_s if isinstance(found, Exponential) else None,
    }


def _standing(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], from_s: float | None, to_s: float | None
) -> Estimate | None:
    """Resistance from the longest align stretch, where the bus's power is known and not chopped."""
    bus = {c.quantity: c for c in reversed(analysis.channels) if c.phase == "bus"}
    v, i = bus.get("voltage"), bus.get("current")
    chopped = {c.name for c in analysis.bench.channels if c.sampled_at in ("low-on", "high-on")}
    if v is None or i is None or i.name in chopped or v.group != channels[0].group or i.group != v.group:
        return None
    still_a = no_current_below(analysis, channels)
    spans = [
        (piece.from_s(s), piece.to_s(s))
        for piece in pieces(analysis, channels, from_s, to_s, still_a)
        for s in piece.found
        if s.kind == "align"
    ]
    if not spans:
        return None
    begin_s, end_s = max(spans, key=lambda span: span[1] - span[0])
    # The first third is left to the step itself.
    begin_s, end_s = begin_s + (end_s - begin_s) / 3, end_s - min(0.04, (end_s - begin_s) / 10)
    windows = analysis.window(begin_s, end_s, [*(c.name for c in channels), v.name, i.name])
    longest = max(windows, key=lambda w: len(w.time_s))
    volts, amperes = longest.values[v.name], longest.values[i.name]
    power = float(np.mean(volts * amperes))
    u = u_product(
        power, float(volts.mean()), float(amperes.mean()), (v.u_scale, i.u_scale), (v.u_offset, i.u_offset),
        (v.u_common, i.u_common),
    )  # fmt: skip
    currents = np.array([float(longest.values[c.name].mean()) for c in channels])
    return direct_resistance(
        Estimate(power, 0.0, u, "W"),
        currents,
        max(c.u_scale for c in channels),
        max(c.u_offset for c in channels),
    )
