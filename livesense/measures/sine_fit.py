"""The line that several channels share: one frequency, and each channel's mean and harmonics.

Model, for channel ``c`` and harmonics ``h = 1 … H`` fitted together::

    y_c(t) = m_c + sum over h of A_ch * cos(2*pi*h*f*t + phi_ch)

Least squares over all of it: the four-parameter fit of IEEE Std 1057 (from memory; clause to be
confirmed) with more harmonics and more channels. The frequency is found by Gauss-Newton steps in
which the linear parameters are solved exactly at each frequency. Recordings need not hold whole
cycles. In white noise the spread is that of the Cramér-Rao bound (Rife & Boorstyn 1974).

Random uncertainties come from the inverse of the information matrix of that very window, scaled by
the residual's spectrum near each harmonic (``residual_noise``), because drives leave coloured
residuals. A line whose frequency or amplitude is not constant over the window is refused.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livesense.measures.folding import folded_amplitude
from livesense.measures.kernel import Blocks, ComplexArray, Gram
from livesense.measures.line_start import find_start
from livesense.measures.line_state import LineState, descend
from livesense.measures.residual_noise import LineNoise
from livesense.measures.steadiness import Spread, spread_of, stands_out
from livesense.samples import Estimate, FloatArray
from livesense.turning import turning

FEWEST_SCANS = 16
FEWEST_CYCLES = 2.0
"""Below two cycles, mean, line and slow drift cannot be told apart."""

LOWEST_HZ = 0.1
HIGHEST_SHARE = 1 / 3
"""Lines are looked for up to this share of the scan rate."""

_MOST_STEPS = 25
_FOLD_PULL = 2.0
_FEW_CYCLES = 4.0
"""The frequency's variance is taken as larger by this over the number of cycles."""


@dataclass(frozen=True, slots=True)
class NoLine:
    """No line can be stood by, and why; ``quiet`` when nothing alternates, so that a plain mean holds."""

    reason: str
    quiet: bool = False


@dataclass(frozen=True, slots=True)
class SineFit:
    """A fitted line: ``k`` channels, harmonics 1 to ``H``.

    Attributes
    ----------
    frequency_hz
        With its random uncertainty; that of the scan rate is not in it.
    mean, u_mean
        ``(k,)`` mean of whole cycles.
    amplitude, phase_rad
        ``(k, H)`` peak values, and phases of ``A*cos(2*pi*h*f*t + phi)`` at the window's first scan.
    u_amplitude, u_phase_rad
        ``(k, H)`` standard random uncertainties; the phase's includes the frequency's share.
    u_quadrature
        ``(k, H)`` the same for one component of a harmonic's phasor (peak), frequency apart:
        for differences of phase between channels, which share the frequency.
    residual
        ``(n, k)`` what the fit leaves.
    residual_rms
        ``(k,)`` its rms, with the fit's degrees of freedom.
    noise_density
        ``(k, H+1)`` residual variance near the mean and each harmonic (white noise: the variance).
    cycles
        Cycles of the fundamental in the window.
    phase_spread_rad, amplitude_spread
        How far the line departs from a steady one across the window, noise taken off (rms).
    sweep_hz_per_s
        How fast the frequency goes, where it does (:mod:`livesense.measures.chirp_fit`); it is then the mean.
    """

    frequency_hz: Estimate
    mean: FloatArray
    u_mean: FloatArray
    amplitude: FloatArray
    phase_rad: FloatArray
    u_amplitude: FloatArray
    u_phase_rad: FloatArray
    u_quadrature: FloatArray
    residual: FloatArray
    residual_rms: FloatArray
    noise_density: FloatArray
    cycles: float
    phase_spread_rad: float
    amplitude_spread: float
    sweep_hz_per_s: Estimate | None = None

    @property
    def orders(self) -> int:
        """Highest harmonic that was fitted."""
        return int(self.amplitude.shape[1])

    def reordered(self, columns: NDArray[np.intp]) -> SineFit:
        """Return the same fit with its channels in another order."""
        changed = {
            name: getattr(self, name)[columns]
            for name in (
                "mean", "u_mean", "amplitude", "phase_rad", "u_amplitude", "u_phase_rad", "u_quadrature",
                "residual_rms", "noise_density",
            )
        }  # fmt: skip
        return replace(self, residual=self.residual[:, columns], **changed)

    def turned_rad(self, rate_hz: float) -> FloatArray:
        """Angle of the line ``(n,)`` since the middle of the window, radians."""
        t_s = (np.arange(len(self.residual)) - 0.5 * (len(self.residual) - 1)) / rate_hz
        sweep = 0.0 if self.sweep_hz_per_s is None else self.sweep_hz_per_s.value
        return np.asarray(2 * np.pi * (self.frequency_hz.value * t_s + 0.5 * sweep * t_s**2))

    def turning(self, rate_hz: float) -> ComplexArray:
        """Give ``exp(i a)`` of that angle ``a``, ``(n,)``."""
        if self.sweep_hz_per_s is not None:
            return np.asarray(np.exp(1j * self.turned_rad(rate_hz)))
        n, w = len(self.residual), 2 * np.pi * self.frequency_hz.value / rate_hz
        return turning(-0.5 * w * (n - 1), w, n)

    @property
    def phasor_rms(self) -> ComplexArray:
        """``(k, H)`` complex rms values at the window's first scan."""
        return np.asarray(self.amplitude * np.exp(1j * self.phase_rad) / math.sqrt(2), dtype=np.complex128)


def fit_sine(
    values: FloatArray,
    rate_hz: float,
    *,
    harmonics: int = 13,
    start_hz: float | None = None,
    frequency_hz: float | None = None,
    leading: Sequence[int] | None = None,
) -> SineFit | None:
    """Fit a line; None where there is none to be stood by. See :func:`fit_line` for all else."""
    fit = fit_line(
        values, rate_hz, harmonics=harmonics, start_hz=start_hz, frequency_hz=frequency_hz, leading=leading
    )
    return fit if isinstance(fit, SineFit) else None


def fit_line(
    values: FloatArray,
    rate_hz: float,
    *,
    harmonics: int = 13,
    start_hz: float | None = None,
    frequency_hz: float | None = None,
    leading: Sequence[int] | None = None,
) -> SineFit | NoLine:
    """Fit the line that channels share, with its harmonics, or say why there is none.

    Parameters
    ----------
    values
        ``(n,)`` or ``(n, k)``, equally spaced, finite.
    rate_hz
        Scan rate.
    harmonics
        Highest order; orders that would reach half the scan rate are left out.
    start_hz
        Where the line is expected, within a factor of 1.5; None looks everywhere.
    frequency_hz
        A known frequency: nothing is searched or refused, only amplitudes are fitted.
    leading
        Columns that the frequency is taken from; None: all of them.

    Raises
    ------
    ValueError
        When an argument is out of range or a value is not finite.
    """
    rows = _rows(values, rate_hz, harmonics)
    k, n = rows.shape
    lead = np.zeros(k, dtype=bool)
    lead[list(range(k)) if leading is None else list(leading)] = True
    if n < FEWEST_SCANS:
        return NoLine(f"{n} scans are too few for a fit: at least {FEWEST_SCANS} are needed")
    offset = rows.mean(axis=1)
    rows = rows - offset[:, None]
    blocks = Blocks(rows)
    energy = np.einsum("kn,kn->k", rows, rows)
    if frequency_hz is not None:
        w = 2 * np.pi * frequency_hz / rate_hz
        order = _highest_order(w, n, harmonics)
        return _assemble(LineState.at(blocks, energy, w, order, lead), blocks, rows, offset, rate_hz, None)
    if not np.any(energy[lead] > 0):
        return NoLine("the values are constant", quiet=True)
    start = _start(rows[lead], rate_hz, start_hz)
    if isinstance(start, NoLine):
        return start
    w = start
    # Steps by those alone that pull: the others are solved once, at the end.
    pulling = Blocks(rows[lead]) if not lead.all() else blocks
    all_pull = np.ones(int(np.count_nonzero(lead)), dtype=bool)
    for order, steps in ((1, 3), (3, 2), (harmonics, _MOST_STEPS)):
        state, settled = descend(pulling, energy[lead], w, _highest_order(start, n, order), all_pull, steps)
        w = state.w
    if not settled or not 0.5 * start < w < 2 * start:
        return NoLine("the fit does not settle on a line")
    if w * n < 2 * np.pi * FEWEST_CYCLES:
        return NoLine(f"the window holds fewer than {FEWEST_CYCLES:g} cycles")
    if pulling is not blocks:
        state = LineState.at(blocks, energy, w, state.gram.order, lead)
    return _assemble(state, blocks, rows, offset, rate_hz, lead)


def rough_line(values: FloatArray, rate_hz: float) -> float | None:
    """Find a frequency, Hz, by few steps with three harmonics: see :mod:`livesense.measures.live`."""
    rows = _rows(values, rate_hz, 1)
    rows = rows - rows.mean(axis=1, keepdims=True)
    n = rows.shape[1]
    if n < FEWEST_SCANS or not np.any(rows):
        return None
    w = _start(rows, rate_hz, None)
    if isinstance(w, NoLine):
        return None
    blocks, lead = Blocks(rows), np.ones(rows.shape[0], dtype=bool)
    state, _ = descend(blocks, np.sum(rows**2, axis=1), w, _highest_order(w, n, 3), lead, 4)
    return float(state.w * rate_hz / (2 * np.pi)) if 0.8 * w < state.w < 1.25 * w else None


def _rows(values: FloatArray, rate_hz: float, harmonics: int) -> FloatArray:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim not in (1, 2):
        raise ValueError(f"values: expected (n,) or (n, k), got {array.ndim} dimensions")
    if not rate_hz > 0:
        raise ValueError(f"rate_hz: expected more than 0, got {rate_hz}")
    if harmonics < 1:
        raise ValueError(f"harmonics: expected at least 1, got {harmonics}")
    if not np.all(np.isfinite(array)):
        raise ValueError("values: expected finite numbers only")
    return np.ascontiguousarray(array.reshape(array.shape[0], -1).T)


def _highest_order(w: float, n: int, harmonics: int) -> int:
    """Orders that stay at least one 1/window below half the scan rate."""
    return max(1, min(harmonics, math.floor((np.pi - 2 * np.pi / n) / w)))


def _start(rows: FloatArray, rate_hz: float, start_hz: float | None) -> float | NoLine:
    n = rows.shape[1]
    seconds = n / rate_hz
    low, high = LOWEST_HZ * seconds, HIGHEST_SHARE * n
    if start_hz is not None:
        low, high = max(low, start_hz * seconds / 1.5), min(high, start_hz * seconds * 1.5)
    cycles, clear = find_start(rows, low, high)
    if not clear:
        return NoLine("no alternating part stands out of the noise", quiet=True)
    if cycles < 0.9 * FEWEST_CYCLES:
        return NoLine(f"the window holds fewer than {FEWEST_CYCLES:g} cycles")
    return float(2 * math.pi * cycles / n)


def _assemble(
    state: LineState,
    blocks: Blocks,
    rows: FloatArray,
    offset: FloatArray,
    rate_hz: float,
    searched: NDArray[np.bool_] | None,
) -> SineFit | NoLine:
    n, gram, w = blocks.n, state.gram, state.w
    z = state.a.astype(np.complex128)
    z[:, 1:] -= 1j * state.b
    residual = rows - blocks.synthesise(w, z)
    noise = LineNoise.around(residual, gram)
    u_w, spread = 0.0, Spread()
    quadrature = _quadrature(noise, gram)
    fold = folded_amplitude(np.abs(z[:, 1:]), quadrature, 2 * np.pi / w, w * n / (2 * np.pi))
    if searched is not None:
        first = z[searched, 1]
        if not stands_out(first, noise.density[searched, 1], n):
            return NoLine("no steady line stands out")
        spread = spread_of(residual[searched], first, noise.typical[searched], w)
        if spread.changing is not None:
            return NoLine(f"the {spread.changing} changes within the window")
        h = np.arange(1, gram.order + 1)
        ratio = noise.score_ratio(state.weights, h * z[:, 1:], state.white)
        # With few cycles the fit leaves few bins from which the noise could be judged.
        ratio *= 1 + _FEW_CYCLES * 2 * np.pi / (w * n)
        bent = max(2 * spread.phase_rad, spread.ends_rad) / n
        u_w = math.hypot(
            state.u_white * math.sqrt(ratio),
            bent,
            _FOLD_PULL * float(np.linalg.norm(fold[searched]) / np.linalg.norm(first)) / n,
        )
    return _result(state, z, residual, offset, noise, rate_hz, fold, u_w, spread)


def _quadrature(noise: LineNoise, gram: Gram) -> FloatArray:
    """Uncertainty of one component of each harmonic, ``(k, H)``."""
    v_cos, v_sin = np.diag(np.linalg.inv(gram.cos))[1:], np.diag(np.linalg.inv(gram.sin))
    return np.asarray(np.sqrt(0.5 * noise.density[:, 1:] * (v_cos + v_sin)))


def _result(
    state: LineState,
    z: ComplexArray,
    residual: FloatArray,
    offset: FloatArray,
    noise: LineNoise,
    rate_hz: float,
    fold: FloatArray,
    u_w: float,
    spread: Spread,
) -> SineFit:
    n, gram, w = state.gram.n, state.gram, state.w
    h = np.arange(1, gram.order + 1)
    v_cos = np.diag(np.linalg.inv(gram.cos))
    v_sin = np.diag(np.linalg.inv(gram.sin))
    amplitude = np.abs(z[:, 1:])
    safe = np.where(amplitude > 0, amplitude, 1.0)
    c = np.where(amplitude > 0, state.a[:, 1:] / safe, 1.0)
    s = np.where(amplitude > 0, state.b / safe, 0.0)
    var_a, var_b = noise.density[:, 1:] * v_cos[1:], noise.density[:, 1:] * v_sin
    pull_along = c * state.pull_cos[:, 1:] + s * state.pull_sin
    pull_across = (s * state.pull_cos[:, 1:] - c * state.pull_sin) / safe
    half = fold[:, None] ** 2 / 2
    lost = amplitude * (h**2 * spread.phase_rad**2 + spread.amplitude**2) / 2
    u_amplitude = np.sqrt(c**2 * var_a + s**2 * var_b + (pull_along * u_w) ** 2 + lost**2 + half)
    middle = 0.5 * (n - 1)
    across = (s**2 * var_a + c**2 * var_b + half) / safe**2
    u_phase = np.sqrt(across + ((pull_across + h * middle) * u_w) ** 2)
    turn = np.angle(z[:, 1:]) - h * w * middle
    per_radian = rate_hz / (2 * np.pi)
    return SineFit(
        frequency_hz=Estimate(w * per_radian, u_random=u_w * per_radian, unit="Hz"),
        mean=offset + state.a[:, 0],
        u_mean=np.sqrt(noise.density[:, 0] * v_cos[0] + (state.pull_cos[:, 0] * u_w) ** 2 + half[:, 0]),
        amplitude=amplitude,
        phase_rad=np.angle(np.exp(1j * turn)),
        u_amplitude=u_amplitude,
        u_phase_rad=np.where(amplitude > 0, np.minimum(u_phase, np.pi), np.pi),
        u_quadrature=np.sqrt(0.5 * (var_a + var_b) + half),
        residual=residual.T,
        residual_rms=np.sqrt(np.sum(residual**2, axis=1) / max(1, n - 2 * gram.order - 2)),
        noise_density=noise.density,
        cycles=w * n / (2 * np.pi),
        phase_spread_rad=spread.phase_rad,
        amplitude_spread=spread.amplitude,
    )
