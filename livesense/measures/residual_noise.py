"""What a fit left: its noise near each harmonic, which is what disturbs that harmonic.

The residual of a real drive is not white (ripple, remainders of six-step currents, slow
modulation). A least-squares amplitude at ``f`` is disturbed by what the residual holds within a
few 1/window of ``f``, ripple elsewhere only by its leakage. Therefore the variance is taken from
the residual's periodogram (no taper: its leakage is that of the fit itself) averaged over bins
around the line. The fit has taken part of the noise out of those bins; that share is known
exactly (the leverage) and divided out, so that white noise gives its true variance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from livesense.measures.kernel import ComplexArray, Gram
from livesense.samples import FloatArray

_FEWEST_BINS = 8
_MOST_BINS = 64
"""Bins on each side of a line: half way to the next harmonic, within these bounds."""


@dataclass(frozen=True, slots=True)
class LineNoise:
    """Noise around each order 0 to H.

    ``density`` ``(k, H+1)`` is the variance that white noise of the local level would have;
    ``typical`` ``(k,)`` is the level around the fundamental by the median, which a line's own
    modulation cannot raise; ``spectrum`` ``(k, H+1, m)`` and ``left`` ``(H+1, m)`` are the bins
    and the share of noise that the fit left in them.
    """

    density: FloatArray
    typical: FloatArray
    spectrum: ComplexArray
    left: FloatArray
    n: int

    @classmethod
    def around(cls, residual: FloatArray, gram: Gram) -> LineNoise:
        """Noise of ``residual`` ``(k, n)`` around the orders of a fit."""
        n = residual.shape[1]
        whole = np.fft.rfft(residual, axis=1)
        top = whole.shape[1] - 1
        cycles = gram.w * n / (2 * np.pi)
        side = int(min(max(cycles / 2, _FEWEST_BINS), _MOST_BINS, (top - 1) // 2))
        bins, left = _bins_around(np.arange(gram.order + 1) * cycles, side, top, gram)
        spectrum = whole[:, bins]
        density = np.sum(np.abs(spectrum) ** 2, axis=2) / (n * np.sum(left, axis=1))
        wide = int(min(4 * side, (top - 1) // 2))
        wide_bins, wide_left = _bins_around(np.array([cycles]), wide, top, gram)
        ratio = np.abs(whole[:, wide_bins[0]]) ** 2 / (n * np.maximum(wide_left[0], 0.1))
        typical = np.median(ratio[:, wide_left[0] > 0.3], axis=1) / np.log(2)
        return cls(density, typical, spectrum, left, n)

    def score_ratio(self, weights: FloatArray, slopes: ComplexArray, white: FloatArray) -> float:
        """How much larger the frequency's variance is than white noise ``white`` would make it.

        Parameters
        ----------
        weights
            ``(k,)`` weights of the channels.
        slopes
            ``(k, H)`` change of each harmonic's phasor with the phase.
        white
            ``(k,)`` variance of each channel's residual.
        """
        x = np.einsum("kh,khm->hm", weights[:, None] * slopes.conj(), self.spectrum[:, 1:])
        n_left = self.n * np.sum(self.left[1:], axis=1)
        measured = np.sum(np.sum(np.abs(x) ** 2, axis=1) / n_left)
        expected = np.sum((weights[:, None] * np.abs(slopes)) ** 2 * white[:, None])
        return float(measured / expected) if expected > 0 else 1.0


def _bins_around(cycles: FloatArray, side: int, top: int, gram: Gram) -> tuple[np.ndarray, FloatArray]:
    """Nearest ``2*side + 1`` bins (the mean's own bin left out) and the share of noise left in them."""
    start = np.clip(np.rint(cycles).astype(int) - side, 1, max(1, top - 2 * side))
    bins = start[:, None] + np.arange(min(2 * side + 1, top))
    x = 2 * np.pi * bins.ravel() / gram.n
    left = np.maximum(1.0 - gram.leverage(x), 1e-3)
    return bins, left.reshape(bins.shape)
