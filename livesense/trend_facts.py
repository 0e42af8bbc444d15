"""Trends of a run, hours and days at a time: what `measure --trend` tells and the page draws."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.chain import ChannelChain
from livesense.errors import UsageError
from livesense.measures.three_phase import ALIKE, PHASES
from livesense.samples import FloatArray
from livesense.trend_rows import LEVELS_S, TrendRows
from livesense.trending import lowest_level, rows_between

RESOLUTIONS = {"200ms": 0, "3s": 1, "1min": 2, "10min": 3}
"""Names of the levels, as `--trend` takes them."""

MOST_ROWS = 1000
"""`auto` takes the finest level that makes no more rows than this."""

_TURN = np.exp(2j * np.pi / 3)


def trends(
    analysis: RunAnalysis, from_s: float | None = None, to_s: float | None = None, resolution: str = "auto"
) -> dict[str, Any]:
    """Tell how figures went between two instants; the keys are those of docs/scripting.md.

    Parameters
    ----------
    resolution
        One of :data:`RESOLUTIONS`, or "auto": the finest with at most a thousand rows.

    Raises
    ------
    UsageError
        for another resolution.
    """
    begin_s, end_s = analysis.extent_s()
    from_s = begin_s if from_s is None else from_s
    to_s = end_s if to_s is None else to_s
    name = _chosen(to_s - from_s) if resolution == "auto" else resolution
    if name not in RESOLUTIONS:
        raise UsageError(f"expected a trend of auto, {', '.join(RESOLUTIONS)}, got {resolution!r}")
    groups = [
        _group(analysis, group, from_s, to_s, RESOLUTIONS[name]) for group in range(len(analysis.run.groups))
    ]
    return {
        "run": analysis.run.row.number,
        "revision": analysis.revision,
        "from_s": from_s,
        "to_s": to_s,
        "resolution": name,
        "resolution_s": LEVELS_S[RESOLUTIONS[name]],
        "groups": [group for group in groups if group["channels"]],
    }


def _chosen(seconds: float) -> str:
    return next((n for n, level in RESOLUTIONS.items() if seconds <= MOST_ROWS * LEVELS_S[level]), "10min")


def _group(analysis: RunAnalysis, group: int, from_s: float, to_s: float, level: int) -> dict[str, Any]:
    first, stop = analysis.scans_between(group, from_s, to_s)
    rate = analysis.believed_rate_hz(group, first)
    level = max(level, lowest_level(analysis.rate_at(group, first)))
    channels = analysis.chain.group_channels(group)
    rows = rows_between(analysis.run, analysis.chain, group, first, stop, level)
    axis = analysis.run.time_axis(group)
    turns = rows.turning > 0
    hz = np.where(turns, rows.cycles / np.maximum(rows.turning, 1) * rate.value, np.nan)
    motor = analysis.bench.motor
    facts: dict[str, Any] = {
        "group": group,
        "from_s": axis.time_s(rows.first).tolist(),
        "seconds": (rows.scans / _rates(analysis, group, rows)).tolist(),
        "scans": rows.scans.tolist(),
        "used": rows.used.tolist(),
        "cycles": rows.cycles.tolist(),
        "electrical_hz": _listed(hz),
        "rpm": _listed(60 * hz / motor.pole_pairs) if motor and motor.pole_pairs else None,
        "channels": {c.name: _channel(analysis, c, rows, hz) for c in channels if c.quantity != "state"},
        "three_phase": _three_phase(analysis, channels, rows, hz),
        "power": _power(analysis, channels, rows),
    }
    return facts


def _rates(analysis: RunAnalysis, group: int, rows: TrendRows) -> FloatArray:
    """Nominal scan rate at each row, ``(n,)``."""
    segments = analysis.run.time_axis(group).segments
    at = np.searchsorted([s.first for s in segments], rows.first, "right") - 1
    return np.array([s.rate_hz or analysis.rate_hz(group) for s in segments])[np.maximum(at, 0)]


def _listed(values: FloatArray) -> list[float | None]:
    """Write values as JSON has them: what is no number is null."""
    return [value if math.isfinite(value) else None for value in np.asarray(values, dtype=float).tolist()]


def _weights(analysis: RunAnalysis, channel: ChannelChain) -> FloatArray | None:
    """Units per code of each column, ``(k,)``; None where a channel is not linear."""
    columns = len(analysis.run.groups[channel.group].channels)
    if channel.thermometer is not None:
        return None
    weights = np.zeros(columns)
    if channel.computed:
        parts = [_weights(analysis, analysis.chain.channels[name]) for name in channel.source]
        return None if any(p is None for p in parts) else -np.sum([p for p in parts if p is not None], axis=0)
    at = channel.values(np.array([0.0, 1.0]))
    weights[analysis.chain.column(channel.name)] = at[1] - at[0]
    return weights


def _means(analysis: RunAnalysis, channel: ChannelChain, rows: TrendRows) -> FloatArray:
    values = analysis.chain.value(channel.name, rows.mean)
    return np.where(rows.used > 0, values, np.nan)


def _channel(analysis: RunAnalysis, channel: ChannelChain, rows: TrendRows, hz: FloatArray) -> dict[str, Any]:
    mean = _means(analysis, channel, rows)
    facts: dict[str, Any] = {
        "unit": channel.unit,
        "u_relative": channel.u_scale,
        "u_offset": channel.u_offset,
        "u_excludes": list(channel.u_excludes),
        "mean": _listed(mean),
    }
    if not channel.computed:
        column = analysis.chain.column(channel.name)
        ends = channel.values(rows.low[:, column]), channel.values(rows.high[:, column])
        facts |= {"min": _listed(np.fmin(*ends)), "max": _listed(np.fmax(*ends))}
    weights = _weights(analysis, channel)
    if weights is None:
        return facts
    square = np.maximum(np.einsum("j,njk,k->n", weights, rows.square, weights), 0.0)
    square = np.where(rows.used > 0, square, np.nan)
    facts |= {"rms": _listed(np.sqrt(square + mean**2)), "ac_rms": _listed(np.sqrt(square))}
    line = np.sqrt(np.maximum(np.einsum("j,njk,k->n", weights, rows.cross.real, weights), 0.0))
    line = np.where(rows.lined > 0, line, np.nan)
    facts["fundamental_rms"] = _listed(line * np.abs(_corrections(channel, hz)))
    return facts


def _corrections(channel: ChannelChain, hz: FloatArray) -> np.ndarray:
    """Corrections of a channel's fundamental, ``(n,)``; NaN where nothing turned."""
    return np.array(
        [channel.correction(f) if math.isfinite(f) else complex("nan") for f in hz.tolist()],
        dtype=np.complex128,
    )


def _three_phase(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], rows: TrendRows, hz: FloatArray
) -> dict[str, Any] | None:
    phases = {p: _of_phase(channels, p, "current") for p in PHASES}
    weights = {p: None if c is None else _weights(analysis, c) for p, c in phases.items()}
    if any(w is None for w in weights.values()):
        return None
    turned = [
        np.outer(_corrections(c, hz), w)
        for c, w in zip(phases.values(), weights.values(), strict=True)
        if c is not None and w is not None
    ]
    size = {}
    for name, turn in (("positive_rms", _TURN), ("negative_rms", _TURN.conjugate())):
        one = (turned[0] + turn * turned[1] + turn**2 * turned[2]) / 3
        square = np.einsum("nj,njk,nk->n", one, rows.cross, one.conj()).real
        size[name] = np.where(rows.lined > 0, np.sqrt(np.maximum(square, 0.0)), np.nan)
    low, high = np.fmin(*size.values()), np.fmax(*size.values())
    share = np.divide(low, high, out=np.full(len(rows), np.nan), where=high > 0)
    forward = size["positive_rms"] > size["negative_rms"]
    return {
        "positive_rms": _listed(size["positive_rms"]),
        "negative_rms": _listed(size["negative_rms"]),
        "unbalance_percent": _listed(100 * share),
        "sequence": [
            None if not s <= ALIKE else "UVW" if f else "UWV"
            for s, f in zip(share.tolist(), forward.tolist(), strict=True)
        ],
    }


def _of_phase(channels: Sequence[ChannelChain], phase: str, quantity: str) -> ChannelChain | None:
    having = [c for c in channels if c.phase == phase and c.quantity == quantity]
    return min(having, key=lambda c: c.computed, default=None)


def _power(analysis: RunAnalysis, channels: Sequence[ChannelChain], rows: TrendRows) -> dict[str, Any] | None:
    """Mean products of voltage and current: of the bus, and of the phases where each has both."""
    chopped = {c.name for c in analysis.bench.channels if c.sampled_at in ("low-on", "high-on")}
    found: dict[str, Any] = {}
    for key, phases in (("input_power", ("bus",)), ("phase_power", PHASES)):
        pairs = [(_of_phase(channels, p, "voltage"), _of_phase(channels, p, "current")) for p in phases]
        total = np.zeros(len(rows))
        for v, i in pairs:
            part = None if v is None or i is None or i.name in chopped else _product(analysis, v, i, rows)
            total = total * np.nan if part is None else total + part
        if np.isfinite(total).any():
            found[key] = _listed(total)
    return found or None


def _product(analysis: RunAnalysis, v: ChannelChain, i: ChannelChain, rows: TrendRows) -> FloatArray | None:
    volts, amperes = _weights(analysis, v), _weights(analysis, i)
    if volts is None or amperes is None:
        return None
    together = np.einsum("j,njk,k->n", volts, rows.square, amperes)
    return np.asarray(together + _means(analysis, v, rows) * _means(analysis, i, rows))


def row_texts(facts: Mapping[str, Any]) -> list[tuple[list[str], list[list[str]]]]:
    """Write each group's rows as head and lines of text."""
    tables = []
    for group in facts["groups"]:
        channels: dict[str, Any] = group["channels"]
        shown = {n: "rms" if "rms" in c and c["unit"] == "A" else "mean" for n, c in channels.items()}
        head = [
            "from s",
            "seconds",
            "Hz",
            *(f"{n} {what} {channels[n]['unit']}" for n, what in shown.items()),
        ]
        extra = [("unbalance %", (group["three_phase"] or {}).get("unbalance_percent"))]
        extra += [("input W", (group["power"] or {}).get("input_power"))]
        extra = [(name, values) for name, values in extra if values]
        lines = []
        for at in range(len(group["from_s"])):
            numbers = [group["electrical_hz"][at]]
            numbers += [channels[n][what][at] for n, what in shown.items()]
            numbers += [values[at] for _, values in extra if values]
            cells = ["-" if value is None else f"{value:.4g}" for value in numbers]
            lines.append([f"{group['from_s'][at]:.6g}", f"{group['seconds'][at]:.4g}", *cells])
        tables.append((head + [name for name, _ in extra], lines))
    return tables
