"""Sums over equally spaced samples, in closed form, and projections onto harmonics of one frequency.

Time is counted in samples from the middle of the window, ``t = n - (N - 1)/2``. There all
mixed sums of an even and an odd function vanish, so that cosines and sines separate.

With ``D(x) = sum over t of cos(x*t) = sin(N*x/2) / sin(x/2)``:

- ``sum cos(g*w*t) cos(h*w*t) = (D((g-h)w) + D((g+h)w)) / 2``
- ``sum sin(g*w*t) sin(h*w*t) = (D((g-h)w) - D((g+h)w)) / 2``
- ``sum t sin(x*t) = -D'(x)`` and ``sum t**2 cos(x*t) = -D''(x)``
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.samples import FloatArray

ComplexArray = NDArray[np.complex128]

BLOCK = 512
"""Samples per block of a projection: a basis of this length serves a window of any length."""


def dirichlet(x: NDArray[np.floating[Any]], n: int) -> FloatArray:
    """Sum of ``cos(x*t)`` over ``n`` samples centred on zero; ``x`` in radians per sample, any shape."""
    half = 0.5 * np.asarray(x, dtype=np.float64)
    s = np.sin(half)
    at_limit = np.abs(s) < 1e-13
    limit = n * np.cos(n * half) * np.cos(half)
    return np.where(at_limit, limit, np.sin(n * half) / np.where(at_limit, 1.0, s))


def _slopes(x: NDArray[np.floating[Any]], n: int) -> tuple[FloatArray, FloatArray]:
    """``D'`` and ``D''`` of the sum above.

    Closer to zero than 1e-4/n the limit is taken: the closed form loses its digits there.
    """
    half = 0.5 * x
    zero = np.abs(np.sin(half)) < 1e-4 / n
    s = np.where(zero, 1.0, np.sin(half))
    c = np.cos(half)
    big_s, big_c = np.sin(n * half), np.cos(n * half)
    first = n * big_c / (2 * s) - big_s * c / (2 * s**2)
    second = (
        -(n**2) * big_s / (4 * s) - n * big_c * c / (2 * s**2) + big_s / (4 * s) + big_s * c**2 / (2 * s**3)
    )
    return np.where(zero, 0.0, first), np.where(zero, -n * (n**2 - 1.0) / 12, second)


@dataclass(frozen=True, slots=True)
class Gram:
    """Sums of products of the model's columns at one frequency.

    ``cos`` is ``(H+1, H+1)`` (row 0: the mean), ``sin`` is ``(H, H)``, for orders 1 to H.
    """

    w: float
    n: int
    order: int
    cos: FloatArray
    sin: FloatArray

    @classmethod
    def at(cls, w: float, n: int, order: int) -> Gram:
        """Gram matrices at ``w`` radians per sample for ``n`` samples and ``order`` harmonics."""
        h = np.arange(order + 1)
        plus = dirichlet((h[:, None] + h) * w, n)
        minus = dirichlet((h[:, None] - h) * w, n)
        return cls(w, n, order, 0.5 * (minus + plus), 0.5 * (minus - plus)[1:, 1:])

    def leverage(self, x: FloatArray) -> FloatArray:
        """Share of a line at ``x`` rad/sample, ``(m,)``, that the model takes up: 0 none, 1 all.

        It is the diagonal of the hat matrix in the frequency domain: of white noise, the
        share ``1 - leverage`` is left in the residual.
        """
        h = np.arange(self.order + 1) * self.w
        plus = dirichlet(x[:, None] + h, self.n)
        minus = dirichlet(x[:, None] - h, self.n)
        even, odd = 0.5 * (minus + plus), 0.5 * (minus - plus)[:, 1:]
        taken = np.sum(even * np.linalg.solve(self.cos, even.T).T, axis=1)
        taken += np.sum(odd * np.linalg.solve(self.sin, odd.T).T, axis=1)
        return np.asarray(np.clip(taken / self.n, 0.0, 1.0))

    def leverage_timed(self, x: FloatArray) -> FloatArray:
        """Return the same share for a line times ``t``, whose square sums to ``n(n²-1)/12``."""
        h = np.arange(self.order + 1) * self.w
        plus, _ = _slopes(x[:, None] + h, self.n)
        minus, _ = _slopes(x[:, None] - h, self.n)
        with_cos, with_sin = 0.5 * (minus + plus), 0.5 * (minus - plus)[:, 1:]
        taken = np.sum(with_cos * np.linalg.solve(self.cos, with_cos.T).T, axis=1)
        taken += np.sum(with_sin * np.linalg.solve(self.sin, with_sin.T).T, axis=1)
        return np.asarray(np.clip(12 * taken / (self.n * (self.n**2 - 1.0)), 0.0, 1.0))

    def derivative(
        self, a: NDArray[np.floating[Any]], b: NDArray[np.floating[Any]]
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Products of the model's derivative with respect to ``w`` with the columns and itself.

        Parameters
        ----------
        a, b
            Cosine ``(k, H+1)`` and sine ``(k, H)`` amplitudes.

        Returns
        -------
        cos, sin, square
            ``(k, H+1)``, ``(k, H)`` and ``(k,)``.
        """
        h = np.arange(self.order + 1)
        first_plus, second_plus = _slopes((h[:, None] + h) * self.w, self.n)
        first_minus, second_minus = _slopes((h[:, None] - h) * self.w, self.n)
        odd = -0.5 * (first_plus + first_minus)  # [h, g]: sum t sin(h) cos(g)
        ha, hb = (h * a)[:, 1:], h[1:] * b
        with_cos = -ha @ odd[1:, :]
        with_sin = hb @ odd[1:, 1:].T
        t2_cos = -0.5 * (second_minus + second_plus)[1:, 1:]
        t2_sin = -0.5 * (second_minus - second_plus)[1:, 1:]
        square = np.einsum("kh,hg,kg->k", ha, t2_sin, ha) + np.einsum("kh,hg,kg->k", hb, t2_cos, hb)
        return with_cos, with_sin, square


class Blocks:
    """Channels cut into short blocks, so that projecting needs no basis as long as the window.

    A block's projection is a matrix product with a basis of ``BLOCK`` samples; a turn by the
    phase at the block's start then puts the blocks together.
    """

    def __init__(self, rows: FloatArray) -> None:
        """Take ``rows`` ``(k, n)``, one channel each."""
        self.k, self.n = rows.shape
        self.count = -(-self.n // BLOCK)
        padded = np.zeros((self.k, self.count * BLOCK))
        padded[:, : self.n] = rows
        self._blocks = padded.reshape(self.k * self.count, BLOCK)
        self._start = np.arange(self.count) * float(BLOCK) - 0.5 * (self.n - 1)

    def project(self, w: float, order: int) -> tuple[ComplexArray, ComplexArray]:
        """Return the sums of ``y*exp(-i*h*w*t)`` and ``t*y*exp(-i*h*w*t)``, each ``(k, order+1)``."""
        h = np.arange(order + 1)
        step = np.arange(BLOCK, dtype=np.float64)
        angle = np.outer(step, h * w)
        base = np.concatenate((np.cos(angle), np.sin(angle)), axis=1)
        both = self._blocks @ np.concatenate((base, step[:, None] * base), axis=1)
        both = both.reshape(self.k, self.count, 4, order + 1)
        plain = both[:, :, 0] - 1j * both[:, :, 1]
        timed = both[:, :, 2] - 1j * both[:, :, 3]
        turn = np.exp(-1j * np.outer(self._start, h * w))
        return (
            np.einsum("kjh,jh->kh", plain, turn),
            np.einsum("kjh,jh->kh", timed + self._start[:, None] * plain, turn),
        )

    def synthesise(self, w: float, z: ComplexArray) -> FloatArray:
        """Real part of ``sum over h of z[h]*exp(i*h*w*t)``: ``(k, n)`` for ``z`` ``(k, H+1)``."""
        h = np.arange(z.shape[1])
        angle = np.outer(h * w, np.arange(BLOCK))
        turned = (z[:, None, :] * np.exp(1j * np.outer(self._start, h * w))).reshape(self.k * self.count, -1)
        # One product: sums of two would go through memory once more.
        parts = np.concatenate((turned.real, -turned.imag), axis=1)
        rows = parts @ np.concatenate((np.cos(angle), np.sin(angle)))
        return np.asarray(rows.reshape(self.k, self.count * BLOCK)[:, : self.n])
