"""A winding's time constant from the way its current comes or goes, and its resistance from direct current.

A winding at a constant voltage, or shorted, with nothing that turns and nobody who controls it::

    i_k(t) = c_k + a_k * exp(-t / tau),     tau = L / R

is fitted to all phases with one ``tau`` (least squares, the linear part solved exactly). R is then all that
the current goes through: winding, transistors, shunts, leads. With direct current at standstill all power
becomes heat, ``R = P / (iu**2 + iv**2 + iw**2)``; what the drive itself takes makes it larger.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.samples import Estimate, FloatArray

FEWEST_SCANS = 24
_GRID = 40
_STEPS = 30
_PIECES = 12
LONG_ENOUGH = 1.5
"""A window of so many time constants tells end from slope."""

WORST = 0.02
"""Departure from the exponential, relative to its size, that still passes for one."""


@dataclass(frozen=True, slots=True)
class NoExponential:
    """Why no time constant is told."""

    reason: str


@dataclass(frozen=True, slots=True)
class Exponential:
    """A fit: ``start`` and ``end`` are ``(k,)`` currents, at the first scan and at last."""

    time_constant_s: Estimate
    start: FloatArray
    end: FloatArray
    residual: FloatArray


def fit_exponential(values: FloatArray, rate_hz: float) -> Exponential | NoExponential:
    """Fit ``(n, k)`` currents from the moment on at which the voltage changed.

    Raises
    ------
    ValueError
        When values are not finite.
    """
    values = np.asarray(values, dtype=np.float64)
    if not np.all(np.isfinite(values)):
        raise ValueError("values: expected finite numbers only")
    n = len(values)
    if n < FEWEST_SCANS:
        return NoExponential(f"{n} scans are too few: at least {FEWEST_SCANS} are needed")
    t = np.arange(n, dtype=np.float64)
    grid = np.geomspace(1.0, 2.0 * n, _GRID)
    tau = float(grid[int(np.argmin([_solved(values, t, tau)[2] for tau in grid]))])
    for _ in range(_STEPS):
        coefficients, residual, _ = _solved(values, t, tau)
        slope, information = _slope(coefficients, t, tau)
        step = float(np.clip(np.sum(slope * residual) / information, -0.5, 0.5)) if information > 0 else 0.0
        tau *= math.exp(step)
        if abs(step) < 1e-9:
            break
    coefficients, residual, _ = _solved(values, t, tau)
    size = float(np.linalg.norm(coefficients[1]))
    if not 2.0 <= tau * LONG_ENOUGH <= n:
        return NoExponential(
            "the window is too short, or too long, for a time constant of what changes in it"
        )
    # Slow departures weigh: those of pieces, not of scans.
    length = n // _PIECES
    pieces = residual[: length * _PIECES].reshape(_PIECES, length, -1).mean(axis=1)
    noise = float(np.sqrt(np.mean(residual**2)))
    worst = float(np.max(np.linalg.norm(pieces, axis=1)))
    if size < 10 * noise / math.sqrt(tau) or size == 0:
        return NoExponential("nothing changes in the window that stands out of the noise")
    if worst > WORST * size + 4 * noise / math.sqrt(length):
        return NoExponential(
            "what changes in the window is no exponential: a controller, diodes or rotation shape it"
        )
    colour = max(1.0, float(np.mean(pieces**2)) * length / max(noise**2, 1e-300))
    _, information = _slope(coefficients, t, tau)
    u_log = noise * math.sqrt(colour / information) if information > 0 else math.inf
    u_shape = worst / size
    return Exponential(
        Estimate(tau / rate_hz, tau / rate_hz * math.hypot(u_log, u_shape), unit="s"),
        coefficients[0] + coefficients[1],
        coefficients[0],
        residual,
    )


def _solved(values: FloatArray, t: FloatArray, tau: float) -> tuple[FloatArray, FloatArray, float]:
    basis = np.stack((np.ones(t.size), np.exp(-t / tau)), axis=1)
    coefficients = np.linalg.lstsq(basis, values, rcond=None)[0]
    residual = values - basis @ coefficients
    return np.asarray(coefficients), residual, float(np.sum(residual**2))


def _slope(coefficients: FloatArray, t: FloatArray, tau: float) -> tuple[FloatArray, float]:
    """Change of the model with ln tau, less what the linear part takes up; and its sum of squares."""
    decay = np.exp(-t / tau)
    basis = np.stack((np.ones(t.size), decay), axis=1)
    raw = np.outer(decay * t / tau, coefficients[1])
    slope = raw - basis @ np.linalg.lstsq(basis, raw, rcond=None)[0]
    return slope, float(np.sum(slope**2))


def direct_resistance(power: Estimate, currents: FloatArray, u_relative: float, u_offset: float) -> Estimate:
    """Resistance of one phase of a star, ohm, from power and mean currents ``(3,)`` at standstill.

    Parameters
    ----------
    u_relative, u_offset
        Standard uncertainty of the currents, relative and in A.

    Raises
    ------
    ValueError
        When no current flows.
    """
    square = float(np.sum(currents**2))
    if not square > 0:
        raise ValueError("currents: expected some, got none")
    value = power.value / square
    by_current = 2 * value * math.hypot(u_relative, u_offset / math.sqrt(square))
    return Estimate(value, power.u_random / square, math.hypot(power.u_systematic / square, by_current), "Ω")
