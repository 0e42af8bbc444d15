"""Whether a fitted line stands out, and whether it holds still over the window."""

from __future__ import annotations

import math

import numpy as np

from livesense.measures.kernel import ComplexArray
from livesense.samples import FloatArray

_MOST_PIECES = 16


def stands_out(phasor: ComplexArray, density: FloatArray, n: int) -> bool:
    """Tell whether a line stands clear of the noise around it, not only of the whole spectrum.

    In noise alone ``A**2 * n / (4 * density)`` is exponential with mean 1 per channel, and the
    strongest of about ``n`` places is picked; the chance is about exp(-12).

    Parameters
    ----------
    phasor, density
        ``(k,)`` fundamentals (peak) and noise around them.
    """
    power = np.abs(phasor) ** 2
    strength = float(np.sum(power * n / (4 * np.maximum(density, 1e-30 * power + 1e-300))))
    return strength >= math.log(n) + 12.0 + 2.0 * (phasor.size - 1)


def spread(residual: FloatArray, phasor: ComplexArray, noise: FloatArray, w: float) -> tuple[float, float]:
    """Compare pieces of the window: rms departure of phase and relative amplitude, noise taken off.

    The fundamental's phasor is looked at in up to 16 pieces of at least one cycle. A frequency that
    changes bends the phase, a load that changes moves the amplitude; noise does both by a known amount.

    Parameters
    ----------
    residual
        ``(k, n)`` what the fit left: a steady line leaves nothing at ``w``.
    phasor, noise
        ``(k,)`` fundamentals (peak) and typical noise around them.
    w
        Radians per sample.
    """
    n = residual.shape[1]
    pieces = int(min(_MOST_PIECES, w * n / (2 * np.pi)))
    edges = (np.arange(pieces) * n) // pieces
    length = np.diff(np.append(edges, n))
    turned = residual * np.exp(-1j * w * (np.arange(n) - 0.5 * (n - 1)))
    pieces_off = 2 * np.add.reduceat(turned, edges, axis=1) / length
    power = float(np.sum(np.abs(phasor) ** 2))
    off = np.sum(phasor.conj()[:, None] * pieces_off, axis=0) / power
    by_noise = np.sum(np.abs(phasor) ** 2 * noise) / power**2 * 2 * pieces / n
    allowed = by_noise * (1 + 3 * math.sqrt(2 / pieces))
    phase = math.sqrt(max(float(np.mean(off.imag**2)) - allowed, 0.0))
    amplitude = math.sqrt(max(float(np.mean(off.real**2)) - allowed, 0.0))
    return phase, amplitude
