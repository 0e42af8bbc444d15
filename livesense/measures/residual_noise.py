"""What a fit left: its noise near each harmonic, which is what disturbs that harmonic.

The residual of a real drive is not white (ripple, remainders of six-step currents, slow
modulation). A least-squares amplitude at ``f`` is disturbed by what the residual holds within a
few 1/window of ``f``, ripple elsewhere only by its leakage. Therefore the variance is taken from
the residual's periodogram (no taper: its leakage is that of the fit itself) averaged over bins
around the line. The fit has taken part of the noise out of those bins; that share is known
exactly (the leverage) and divided out, so that white noise gives its true variance. For the
frequency the same is done with the residual times ``t``, as the fit weighs it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.measures.kernel import ComplexArray, Gram
from livesense.samples import FloatArray

_FEWEST_BINS = 8
_MOST_BINS = 32
"""Bins on each side of a line: half way to the next harmonic, within these bounds."""

_NEAR_BINS = 4
_NEAR_ALLOWANCE = 1.2
"""The nearest bins count by themselves where they hold more than this times the mean of all:
noise that rises towards the line, or one foreign line close by, which pulls with all it has.
Around the mean, where noise usually rises, they count from the first."""

_Bins = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class LineNoise:
    """Noise around each order 0 to H of a fit.

    Attributes
    ----------
    density
        ``(k, H+1)`` the variance that white noise of the local level would have.
    typical
        ``(k,)`` the level around the fundamental by the median, which a line's own modulation
        cannot raise.
    """

    density: FloatArray
    typical: FloatArray
    _residual: FloatArray
    _gram: Gram
    _bins: _Bins
    _near: NDArray[np.bool_]

    @classmethod
    def around(cls, residual: FloatArray, gram: Gram) -> LineNoise:
        """Noise of ``residual`` ``(k, n)`` around the orders of a fit."""
        n = residual.shape[1]
        whole = np.fft.rfft(residual, axis=1)
        top = whole.shape[1] - 1
        cycles = gram.w * n / (2 * np.pi)
        side = int(min(max(cycles / 2, _FEWEST_BINS), _MOST_BINS, (top - 1) // 2))
        orders = np.arange(gram.order + 1) * cycles
        bins = _bins_around(orders, side, top)
        near = np.abs(bins - np.rint(orders)[:, None]) <= _NEAR_BINS
        left = _left(gram.leverage(_angles(bins, n))).reshape(bins.shape)
        allowance = np.where(orders == 0, 1.0, _NEAR_ALLOWANCE)
        density = _level(np.abs(whole[:, bins]) ** 2, n * left, near, allowance)
        wide = _bins_around(np.array([cycles]), int(min(4 * side, (top - 1) // 2)), top)[0]
        wide_left = _left(gram.leverage(_angles(wide, n)))
        ratio = np.abs(whole[:, wide]) ** 2 / (n * wide_left)
        typical = np.median(ratio[:, wide_left >= np.median(wide_left)], axis=1) / np.log(2)
        return cls(density, typical, residual, gram, bins, near)

    def score_ratio(self, weights: FloatArray, slopes: ComplexArray, white: FloatArray) -> float:
        """How much larger the frequency's variance is than white noise would make it.

        Noise that channels share counts with its sign: their combination is looked at, as the fit
        weighs it.

        Parameters
        ----------
        weights
            ``(k,)`` weights of the channels.
        slopes
            ``(k, H)`` change of each harmonic's phasor with the phase.
        white
            ``(k,)`` variance of each channel's residual.
        """
        n = self._gram.n
        # A channel that does not pull the frequency brings no noise into it.
        pulls = weights != 0
        timed = np.fft.rfft(self._residual[pulls] * (np.arange(n) - 0.5 * (n - 1)), axis=1)
        bins = self._bins[1:]
        x = np.einsum("kh,khm->hm", weights[pulls, None] * slopes[pulls].conj(), timed[:, bins])
        left = _left(self._gram.leverage_timed(_angles(bins, n))).reshape(bins.shape)
        measured = np.sum(
            _level(np.abs(x) ** 2, n * (n**2 - 1.0) / 12 * left, self._near[1:], _NEAR_ALLOWANCE)
        )
        expected = np.sum((weights[:, None] * np.abs(slopes)) ** 2 * white[:, None])
        return float(measured / expected) if expected > 0 else 1.0


def _level(
    power: FloatArray, expected: FloatArray, near: NDArray[np.bool_], allowance: FloatArray | float
) -> FloatArray:
    """Variance from ``power`` ``(…, h, m)`` where a variance of 1 is ``expected`` to give ``(h, m)``."""
    all_bins = np.sum(power, axis=-1) / np.sum(expected, axis=-1)
    close = np.sum(power * near, axis=-1) / np.sum(expected * near, axis=-1)
    return np.asarray(np.maximum(all_bins, close / allowance))


def _bins_around(cycles: FloatArray, side: int, top: int) -> _Bins:
    """Nearest ``2*side + 1`` bins of each place; the bin of the mean is left out."""
    start = np.clip(np.rint(cycles).astype(np.intp) - side, 1, max(1, top - 2 * side))
    return np.asarray(start[:, None] + np.arange(min(2 * side + 1, top)))


def _angles(bins: _Bins, n: int) -> FloatArray:
    return 2 * np.pi * bins.ravel() / n


def _left(leverage: FloatArray) -> FloatArray:
    return np.maximum(1.0 - leverage, 1e-3)
