"""The line while the speed changes: one frequency that goes up or down evenly over the window.

Model, for channel ``c`` and harmonics ``h = 1 … H`` fitted together, time from the middle of the window::

    y_c(t) = m_c + sum over h of A_ch * cos(h * (w t + s t²/2) + phi_ch)

Least squares with the linear part solved exactly (variable projection, Golub & Pereyra 1973, from memory)
and Gauss-Newton steps in ``w`` and ``s``. The start comes from the angle of the current vector. Where the
frequency does not go evenly, or the amplitude changes with it, no line is given, as for a steady one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.measures.kernel import ComplexArray
from livesense.measures.sine_fit import FEWEST_CYCLES, FEWEST_SCANS, NoLine, SineFit
from livesense.measures.steadiness import AMPLITUDE_LIMIT, PHASE_LIMIT_RAD, WORST_LIMIT_RAD
from livesense.samples import Estimate, FloatArray

MOST_SCANS = 400_000
"""A longer window is none in which speed goes evenly; and the fit keeps its whole model in memory."""

SMOOTH_S = 2e-4
"""The vector is averaged over so long before its angle is taken."""

_STEPS = 12
_PIECES = 12
_FEWEST_BINS = 8
_LEAST_STRENGTH = 25.0


@dataclass(frozen=True, slots=True)
class _State:
    """The fit at one ``w`` and ``s``: what it leaves, and the step that would improve it."""

    basis: FloatArray
    inverse: FloatArray
    coefficients: FloatArray
    residual: FloatArray
    information: FloatArray
    step: FloatArray


def chirp_start(vector: ComplexArray, rate_hz: float) -> tuple[float, float]:
    """Find ``w`` (rad per scan, at the middle, with its sign) and ``s`` (rad per scan²) of a current vector.

    A parabola through its unwrapped angle, weighed by its length.
    """
    step = max(1, min(round(SMOOTH_S * rate_hz), vector.size // 64))
    steps = vector.size // step
    means = vector[: steps * step].reshape(steps, step).mean(axis=1)
    angle = np.unwrap(np.angle(means))
    at = (np.arange(steps) + 0.5) * step - 0.5 - 0.5 * (vector.size - 1)
    scale = 0.5 * vector.size
    bend, slope, _ = np.polyfit(at / scale, angle, 2, w=np.abs(means))
    return float(slope / scale), float(2 * bend / scale**2)


def fit_chirp(
    values: FloatArray, rate_hz: float, start: tuple[float, float], *, harmonics: int = 5, lead: int = 3
) -> SineFit | NoLine:
    """Fit a line whose frequency goes evenly.

    Parameters
    ----------
    values
        ``(n, k)``; the first ``lead`` columns are those that the frequency is taken from.
    rate_hz
        Scan rate.
    start
        As :func:`chirp_start` finds it.
    harmonics
        Highest order; orders that would reach half the scan rate are left out.

    Returns
    -------
    SineFit
        ``frequency_hz`` is the mean over the window, ``sweep_hz_per_s`` how fast it goes; phases are those at
        the window's first scan.
    """
    n = len(values)
    w, s = start if start[0] > 0 else (-start[0], -start[1])
    if not FEWEST_SCANS <= n <= MOST_SCANS:
        return NoLine(f"{n} scans: a changing speed is fitted within {FEWEST_SCANS} to {MOST_SCANS}")
    # At both ends: where the machine stands there is no line.
    slowest, fastest = w - abs(s) * n / 2, w + abs(s) * n / 2
    if w * n < 2 * math.pi * FEWEST_CYCLES or slowest <= 0:
        return NoLine(f"the window holds fewer than {FEWEST_CYCLES:g} cycles, or a standstill")
    orders = max(1, min(harmonics, math.floor(0.98 * math.pi / fastest)))
    t = np.arange(n, dtype=np.float64) - 0.5 * (n - 1)
    # By the fundamental first: harmonics that are only noise pull at random.
    for order, steps in ((1, _STEPS), (orders, _STEPS)):
        w, s, settled = _descend(values, t, w, s, order, lead, steps)
    if not settled:
        return NoLine("the fit does not settle on a line whose frequency goes evenly")
    return _result(t, w, s, _solved(values, t, w, s, orders, lead), rate_hz, lead)


def _descend(
    values: FloatArray, t: FloatArray, w: float, s: float, orders: int, lead: int, steps: int
) -> tuple[float, float, bool]:
    n = len(t)
    reach = np.array([math.pi / n, 8 * math.pi / n**2])
    for _ in range(steps):
        state = _solved(values, t, w, s, orders, lead)
        step = np.clip(state.step, -reach, reach)
        w, s = w + float(step[0]), s + float(step[1])
        if np.all(np.abs(step) <= 0.01 * np.sqrt(np.diag(np.linalg.inv(state.information))) + 1e-10 * reach):
            return w, s, True
    return w, s, False


def _turn(t: FloatArray, w: float, s: float) -> FloatArray:
    return np.asarray(w * t + 0.5 * s * t**2)


def _solved(values: FloatArray, t: FloatArray, w: float, s: float, orders: int, lead: int) -> _State:
    turn = np.outer(_turn(t, w, s), np.arange(1, orders + 1))
    cos, sin = np.cos(turn), np.sin(turn)
    basis = np.concatenate((np.ones((len(t), 1)), cos, sin), axis=1)
    inverse = np.linalg.inv(basis.T @ basis)
    coefficients = inverse @ (basis.T @ values)
    residual = values - basis @ coefficients
    h = np.arange(1, orders + 1)[:, None]
    slope = cos @ (h * coefficients[1 + orders :]) - sin @ (h * coefficients[1 : 1 + orders])
    information, pull = np.zeros((2, 2)), np.zeros(2)
    for column in range(lead):
        both = slope[:, column : column + 1] * np.stack((t, 0.5 * t**2), axis=1)
        both -= basis @ (inverse @ (basis.T @ both))
        variance = float(np.mean(residual[:, column] ** 2)) + 1e-300
        information += both.T @ both / variance
        pull += both.T @ residual[:, column] / variance
    step = np.asarray(np.linalg.solve(information, pull))
    return _State(
        basis, np.asarray(inverse), np.asarray(coefficients), residual, np.asarray(information), step
    )


def _result(t: FloatArray, w: float, s: float, state: _State, rate_hz: float, lead: int) -> SineFit | NoLine:
    n = len(t)
    orders = (state.basis.shape[1] - 1) // 2
    z = state.coefficients[1 : 1 + orders].T - 1j * state.coefficients[1 + orders :].T
    density = _density(state, w, abs(s) * n, orders)
    strength = np.sum(np.abs(z[:lead, 0]) ** 2 * n / (4 * density[:lead, 1] + 1e-300))
    if strength < _LEAST_STRENGTH + math.log(n):
        return NoLine("no line whose frequency goes evenly stands out")
    departure = _departure(state.residual[:, :lead], z[:lead, 0], t, w, s, density)
    phase_rad, worst_rad, amplitude, bent_rad = departure
    if phase_rad > PHASE_LIMIT_RAD or worst_rad > WORST_LIMIT_RAD:
        return NoLine("the frequency changes within the window, and not evenly")
    if amplitude > AMPLITUDE_LIMIT:
        return NoLine("frequency and amplitude change within the window")
    # Information holds white noise; what lies where the line is weighs.
    variance = np.mean(state.residual[:, :lead] ** 2, axis=0) + 1e-300
    colour = float(np.max(density[:lead, 1] / variance))
    covariance = np.linalg.inv(state.information) * max(colour, 1.0)
    u_w = math.hypot(math.sqrt(covariance[0, 0]), 2 * bent_rad / n)
    u_s = math.hypot(math.sqrt(covariance[1, 1]), 16 * phase_rad / n**2)
    h = np.arange(1, orders + 1)
    size = np.abs(z)
    cells = np.diag(state.inverse)
    var = 0.5 * density[:, 1:] * (cells[1 : 1 + orders] + cells[1 + orders :])
    lost = size * (h**2 * phase_rad**2 + amplitude**2) / 2
    first = h * _turn(t[:1], w, s)[0]
    per_radian = rate_hz / (2 * math.pi)
    ends = h * math.hypot(0.5 * n * u_w, n**2 / 8 * u_s)
    return SineFit(
        frequency_hz=Estimate(w * per_radian, u_random=u_w * per_radian, unit="Hz"),
        mean=state.coefficients[0],
        u_mean=np.sqrt(density[:, 0] * cells[0]),
        amplitude=size,
        phase_rad=np.angle(z * np.exp(1j * first)),
        u_amplitude=np.sqrt(var + lost**2),
        u_phase_rad=np.minimum(np.sqrt(var / np.maximum(size, 1e-300) ** 2 + ends**2), np.pi),
        u_quadrature=np.sqrt(var),
        residual=state.residual,
        residual_rms=np.sqrt(np.sum(state.residual**2, axis=0) / max(1, n - 2 * orders - 3)),
        noise_density=density,
        cycles=w * n / (2 * math.pi),
        phase_spread_rad=phase_rad,
        amplitude_spread=amplitude,
        sweep_hz_per_s=Estimate(s * per_radian * rate_hz, u_random=u_s * per_radian * rate_hz, unit="Hz/s"),
    )


def _density(state: _State, w: float, swept: float, orders: int) -> FloatArray:
    """Residual variance where the mean and each harmonic went along, ``(k, H + 1)``; white: the variance.

    What the fit took of white noise in these bins is known and divided out.
    """
    n = len(state.residual)
    power = np.abs(np.fft.rfft(state.residual, axis=0)) ** 2 / n
    basis = np.fft.rfft(state.basis, axis=0)
    left = np.maximum(1 - np.sum((basis @ state.inverse) * basis.conj(), axis=1).real / n, 1e-3)
    found = np.zeros((state.residual.shape[1], orders + 1))
    for h in range(orders + 1):
        middle, half = h * w * n / (2 * math.pi), h * swept * n / (4 * math.pi) + _FEWEST_BINS
        low = max(1, math.floor(middle - half))
        high = min(len(power), math.ceil(middle + half) + 1)
        found[:, h] = power[low:high].sum(axis=0) / left[low:high].sum()
    return found


def _departure(
    residual: FloatArray, phasor: ComplexArray, t: FloatArray, w: float, s: float, density: FloatArray
) -> tuple[float, float, float, float]:
    """Tell how far phase (rms, worst) and amplitude (relative) depart over pieces, noise taken off.

    The last one is how far a bend of third order (Legendre) takes the phase at the ends: so the mean of a
    speed that goes unevenly differs from the slope that fits it best.
    """
    n = len(t)
    pieces = max(1, min(_PIECES, int(w * n / (2 * math.pi))))
    edges = (np.arange(pieces) * n) // pieces
    length = np.diff(np.append(edges, n))
    turned = residual * np.exp(-1j * _turn(t, w, s))[:, None]
    off = 2 * np.add.reduceat(turned, edges, axis=0) / length[:, None]
    power = float(np.sum(np.abs(phasor) ** 2))
    relative = np.sum(phasor.conj() * off, axis=1) / power
    noise = float(np.sum(np.abs(phasor) ** 2 * density[: len(phasor), 1])) / power**2 * 2 * pieces / n
    at = (2 * (np.arange(pieces) + 0.5) / pieces) - 1
    bend = 2.5 * at**3 - 1.5 * at
    weight = float(bend @ bend) + 1e-300
    bent = abs(float(relative.imag @ bend)) / weight - math.sqrt(noise / weight)
    mean_square = noise * (1 + 3 * math.sqrt(2 / pieces))
    return (
        math.sqrt(max(float(np.mean(relative.imag**2)) - mean_square, 0.0)),
        max(float(np.max(np.abs(relative.imag))) - 4 * math.sqrt(noise), 0.0),
        math.sqrt(max(float(np.mean(relative.real**2)) - mean_square, 0.0)),
        max(bent, 0.0),
    )
