"""Whether a fitted line stands out, and whether it holds still over the window."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.measures.kernel import ComplexArray
from livesense.samples import FloatArray
from livesense.turning import turning

PHASE_LIMIT_RAD = 0.1
"""Root-mean-square departure of the phase from a steady line's that is still taken as steady:
an amplitude is then low by 0.5 % at most, which its uncertainty carries."""

WORST_LIMIT_RAD = 0.2
"""The same for a single piece: a drive that begins to slow down at the window's end."""

WORST_LIMIT = 0.5
"""The same for a single piece's phasor, relative: a piece that runs at another speed altogether
has no phase to be seen, only no amplitude."""

AMPLITUDE_LIMIT = 0.25
"""The same for the relative departure of the amplitude (rms)."""

_MOST_PIECES = 16
_END = 64


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


@dataclass(frozen=True, slots=True)
class Spread:
    """How a line departs from a steady one across the window, beyond what noise makes.

    ``phase_rad`` and ``amplitude`` (relative) are rms values over pieces; ``worst_rad`` and ``worst``
    are the largest departures of one piece, of its phase and (relative) of its whole phasor;
    ``ends_rad`` is how far the phase may be off at the window's ends.
    """

    phase_rad: float = 0.0
    amplitude: float = 0.0
    worst_rad: float = 0.0
    worst: float = 0.0
    ends_rad: float = 0.0

    @property
    def changing(self) -> str | None:
        """What of the line changes by too much to be called steady, if anything."""
        if self.phase_rad > PHASE_LIMIT_RAD or self.worst_rad > WORST_LIMIT_RAD:
            return "frequency"
        if self.amplitude > AMPLITUDE_LIMIT:
            return "amplitude"
        return "frequency or amplitude" if self.worst > WORST_LIMIT else None


def spread_of(residual: FloatArray, phasor: ComplexArray, noise: FloatArray, w: float) -> Spread:
    """Compare pieces of the window, up to 16, each of at least one cycle.

    A frequency that changes bends the phase, a load that changes moves the amplitude; noise does
    both by an amount that is known and taken off.

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
    turned = residual * turning(0.5 * w * (n - 1), -w, n)
    pieces_off = 2 * np.add.reduceat(turned, edges, axis=1) / length
    power = float(np.sum(np.abs(phasor) ** 2))
    off = np.sum(phasor.conj()[:, None] * pieces_off, axis=0) / power
    by_noise = float(np.sum(np.abs(phasor) ** 2 * noise)) / power**2 * 2 * pieces / n
    mean_square = by_noise * (1 + 3 * math.sqrt(2 / pieces))
    single = 4 * math.sqrt(by_noise)
    return Spread(
        math.sqrt(max(float(np.mean(off.imag**2)) - mean_square, 0.0)),
        math.sqrt(max(float(np.mean(off.real**2)) - mean_square, 0.0)),
        max(float(np.max(np.abs(off.imag))) - single, 0.0),
        max(float(np.max(np.abs(off))) - single, 0.0),
        _at_the_ends(turned, phasor, by_noise * n / pieces, max(n // _END, math.ceil(2 * np.pi / w))),
    )


def _at_the_ends(turned: ComplexArray, phasor: ComplexArray, noise: float, length: int) -> float:
    """Return how far the phase may be off at either end, from short pieces there.

    A change that begins within such a piece has bent its end by three times the piece's mean.
    """
    power = float(np.sum(np.abs(phasor) ** 2))
    means = np.array([turned[:, :length].mean(axis=1), turned[:, -length:].mean(axis=1)])
    off = np.abs(np.imag(2 * means @ phasor.conj() / power))
    return 3 * max(float(np.max(off)) - 3 * math.sqrt(noise / length), 0.0)
