"""Where the line of a recording roughly is: the start for a fit, good to a fraction of 1/window."""

from __future__ import annotations

import math

import numpy as np

from livesense.measures.kernel import dirichlet
from livesense.samples import FloatArray
from livesense.turning import turning

_NEAR_CYCLES = 5.0
"""Below so many cycles the mean and the line's mirror image disturb the spectrum: search by fits."""

_LOWEST_CYCLES = 0.7
_GRID_STEP = 0.04
_COARSE = 512

_FIRST_AMONG = 0.1
"""The lowest peak with this share of the strongest one's power is taken: ripple of a lightly
loaded drive can be stronger than the current's fundamental, but lies above it."""

_CLEAR = 25.0
"""A peak lower than the strongest one must also stand so far above the middle of the spectrum."""

_SURELY = 12.0
"""Chance that noise alone passes for a line: about exp(-12) per window."""


def find_start(rows: FloatArray, low_cycles: float, high_cycles: float) -> tuple[float, bool]:
    """Cycles per window of the lowest strong line that channels share.

    Parameters
    ----------
    rows
        ``(k, n)``, one channel each, without their means.
    low_cycles, high_cycles
        Where to look, in cycles per window.

    Returns
    -------
    cycles, clear
        The line's place, and whether it stands clear of the noise.
    """
    n = rows.shape[1]
    padded = _smooth_length(n)
    spectrum = np.fft.rfft(rows * hann(n), padded, axis=1)
    power = np.sum(spectrum.real**2 + spectrum.imag**2, axis=0)
    scale = n / padded
    first = max(1, math.ceil(low_cycles / scale))
    last = min(power.size - 2, math.floor(high_cycles / scale))
    if last <= first:
        return 0.5 * (low_cycles + high_cycles), False
    band = power[first : last + 1]
    middle = float(np.median(power[1:]))
    peak = first + _lowest_peak(band, middle)
    clear = bool(power[peak] > (math.log(n) + _SURELY) * middle / math.log(2))
    if peak * scale < _NEAR_CYCLES:
        return _near_start(rows, low_cycles), clear
    left, here, right = np.log(power[peak - 1 : peak + 2] + 1e-300)
    bend = left - 2 * here + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((peak + np.clip(shift, -0.5, 0.5)) * scale), clear


def hann(n: int) -> FloatArray:
    """Hann window ``(n,)``: a strong line leaks little to where weaker ones may be (Harris 1978)."""
    return np.asarray(0.5 - 0.5 * turning(np.pi / n, 2 * np.pi / n, n).real)


def _lowest_peak(band: FloatArray, middle: float) -> int:
    strongest = int(np.argmax(band))
    enough = max(_FIRST_AMONG * float(band[strongest]), _CLEAR * middle)
    inner = band[1:-1]
    peaks = np.flatnonzero((inner >= band[:-2]) & (inner > band[2:]) & (inner >= enough)) + 1
    return min(int(peaks[0]), strongest) if peaks.size else strongest


def _near_start(rows: FloatArray, low_cycles: float) -> float:
    """Best single line with a mean beside it, on a grid of few cycles, from thinned values."""
    thin = max(1, rows.shape[1] // _COARSE)
    kept = rows.shape[1] // thin
    coarse = rows[:, : kept * thin].reshape(rows.shape[0], kept, thin).mean(axis=2)
    coarse = coarse - coarse.mean(axis=1, keepdims=True)
    cycles = np.arange(max(_LOWEST_CYCLES, low_cycles), _NEAR_CYCLES + 1.5, _GRID_STEP)
    w = 2 * np.pi * cycles / kept
    angle = np.outer(np.arange(kept) - 0.5 * (kept - 1), w)
    even, odd = coarse @ np.cos(angle), coarse @ np.sin(angle)
    d1, d2 = dirichlet(w, kept), dirichlet(2 * w, kept)
    explained = even**2 / (0.5 * (kept + d2) - d1**2 / kept) + odd**2 / (0.5 * (kept - d2))
    return float(cycles[np.argmax(explained.sum(axis=0))] * rows.shape[1] / (kept * thin))


def _smooth_length(n: int) -> int:
    """Next length of the form m·2^j with 8 ≤ m ≤ 16: transforms of prime lengths are slow."""
    step = 1 << max(0, n.bit_length() - 4)
    return -(-n // step) * step
