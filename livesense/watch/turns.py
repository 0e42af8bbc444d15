"""Cuts three phase currents into whole electrical cycles, with both sequences of each; any block borders.

The currents are one vector (Clarke, amplitude form): a = (2 iu − iv − iw)/3 + j (iv − iw)/√3. Over whole
cycles its fundamental has a part that turns in the order U, V, W and one that turns backwards: the positive
and the conjugate of the negative sequence component (Fortescue). Mean and harmonics drop out.

A cycle begins where (iu − iw)/√3 rises through zero, as :mod:`livesense.watch.rises` tells. No single open
phase takes that difference away, as it would a phase's own current.
"""

from __future__ import annotations

import cmath
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.samples import BoolArray, FloatArray
from livesense.turning import turning
from livesense.watch.rises import RiseFinder

Complex = NDArray[np.complex128]
Integers = NDArray[np.int64]

PHASES = ("U", "V", "W")

DIGITS = 9
"""Decimals of what is handed on: the last ones depend on how numpy adds up."""

PIECE = 32768
"""Scans of products that are summed at once."""

SHORT = 4096
"""Scans of a cycle whose turning is kept for the next one like it; a longer one is made as fast as read."""


@dataclass(frozen=True, slots=True)
class Turns:
    """Whole cycles, ``(k,)`` times one or several in a row: scans ``start`` to ``stop`` (not included).

    ``positive`` and ``negative`` are the phasors (peak, A) of the parts that turn in the order U, V, W and
    against it, ``forward`` and ``backward`` their sizes; ``ratio`` is the smaller over the larger one in
    per cent, ``rms`` the root-mean-square of the three phases' fundamentals, A. ``vector`` ``(2, n)`` holds
    the scans from ``first`` on, as :func:`vector` gives them.
    """

    start: Integers
    stop: Integers
    positive: Complex
    negative: Complex
    forward: FloatArray
    backward: FloatArray
    ratio: FloatArray
    rms: FloatArray
    clipped: BoolArray
    first: int
    vector: FloatArray

    def __len__(self) -> int:
        return self.start.size

    def quiet_from(self, number: int, phase: str, level: float) -> int:
        """Find the scan from which a phase stays within a level until a row's end, or that end."""
        start = int(self.start[number])
        x, y = self.vector[:, start - self.first : int(self.stop[number]) - self.first]
        angle = 2 * pi / 3 * PHASES.index(phase)
        loud = np.flatnonzero(np.abs(x * cos(angle) + y * sin(angle)) > level)
        return start + (int(loud[-1]) + 1 if loud.size else 0)

    def sizes(self, number: int) -> tuple[float, float, float]:
        """Peaks of a row's fundamentals of U, V and W, without what the three have in common, A."""
        positive, negative = complex(self.positive[number]), complex(self.negative[number])
        u, v, w = (
            round(abs(positive * axis + (negative * axis).conjugate()), DIGITS)
            for axis in (cmath.exp(-2j * cmath.pi / 3 * phase) for phase in range(3))
        )
        return u, v, w

    def weakest(self, number: int) -> str:
        """Name the phase with the smallest fundamental in a row."""
        sizes = self.sizes(number)
        return PHASES[sizes.index(min(sizes))]

    def last(self) -> Turns:
        """Take the last row by itself, with its scans."""
        begin = int(self.start[-1])
        return Turns(
            self.start[-1:],
            self.stop[-1:],
            self.positive[-1:],
            self.negative[-1:],
            self.forward[-1:],
            self.backward[-1:],
            self.ratio[-1:],
            self.rms[-1:],
            self.clipped[-1:],
            begin,
            self.vector[:, begin - self.first : int(self.stop[-1]) - self.first].copy(),
        )


def _rounded(values: NDArray[Any]) -> FloatArray:
    return np.asarray(np.round(values, DIGITS), dtype=np.float64)


def turns_of(
    start: Integers, stop: Integers, positive: Complex, negative: Complex, clipped: BoolArray, first: int,
    vector: FloatArray,
) -> Turns:  # fmt: skip
    """Make rows ``(k,)`` of their phasors, with what follows from them."""
    # Not numpy's abs of complex numbers: how that rounds depends on where in the array a number stands.
    forward = _rounded(np.hypot(positive.real, positive.imag))
    backward = _rounded(np.hypot(negative.real, negative.imag))
    larger = np.maximum(forward, backward)
    ratio = _rounded(100.0 * np.minimum(forward, backward) / np.where(larger > 0, larger, 1.0))
    rms = _rounded(np.sqrt((forward * forward + backward * backward) / 2))
    return Turns(start, stop, positive, negative, forward, backward, ratio, rms, clipped, first, vector)


def vector(values: FloatArray) -> FloatArray:
    """Make the vector's real and imaginary part ``(2, n)`` of currents ``(n, 3)`` in the order U, V, W.

    NaN counts as no current.
    """
    if not np.isfinite(values.sum()):
        values = np.nan_to_num(values, posinf=0.0, neginf=0.0)
    u, v, w = values.T
    made = np.empty((2, len(values)))
    x, y = made
    np.multiply(u, 2.0, out=x)
    x -= v
    x -= w
    x /= 3.0
    np.subtract(v, w, out=y)
    y /= sqrt(3.0)
    return made


class TurnCutter:
    """Cuts one triple of currents, block by block.

    Parameters
    ----------
    level
        Current, A: the difference must pass it both ways, whatever it was before.
    longest
        Most scans of a cycle; a slower one tells nothing.
    span
        Scans that are taken together, at least: as many whole cycles as reach it.
    """

    def __init__(self, level: float, longest: int, span: int) -> None:
        self._longest = longest
        self._span = span
        self._finder = RiseFinder(level, longest)
        self.forget()

    def forget(self) -> None:
        """Note that what comes is no neighbour of what was."""
        self._vectors: list[FloatArray] = []
        self._marked: list[BoolArray] = []
        self._held = 0
        """The scan with which the pieces that are kept begin."""
        self._begin: int | None = None
        self._mark = 0
        self._cycles = 0
        self._finder.forget()

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> Turns | None:
        """Take ``(n, 3)`` currents, at least one scan, and ``(n,)``; hand back the cycles that are over."""
        stop = first + len(values)
        rises = self._finder.find(first, (values[:, 0] - values[:, 2]) / sqrt(3.0))
        if self._begin is None and not rises and self._kept_from(stop) == stop:
            self._vectors, self._marked = [], []
            return None
        if not self._vectors:
            self._held = first
        self._vectors.append(vector(values))
        self._marked.append(clipped)
        spans: list[tuple[int, int, int]] = []
        for rise, lost in rises:
            if self._begin is not None and not lost and rise - self._mark <= self._longest:
                self._cycles += 1
                if rise - self._begin >= self._span:
                    spans.append((self._begin, rise, self._cycles))
                    self._begin, self._cycles = rise, 0
            else:
                self._begin, self._cycles = rise, 0
            self._mark = rise
        found = self._turns(spans) if spans else None
        if stop - self._mark > self._longest:
            self._begin = None
        self._drop(self._kept_from(stop))
        return found

    def _joined(self) -> tuple[FloatArray, BoolArray]:
        """Make one piece of those that are kept."""
        if len(self._vectors) > 1:
            self._vectors = [np.concatenate(self._vectors, axis=1)]
            self._marked = [np.concatenate(self._marked)]
        return self._vectors[0], self._marked[0]

    def _drop(self, begin: int) -> None:
        """Forget what comes before a scan; pieces are cut where there is but one, right after a cycle."""
        while self._marked and self._held + self._marked[0].size <= begin:
            self._held += self._marked.pop(0).size
            del self._vectors[0]
        drop = begin - self._held
        if len(self._marked) == 1 and drop > 0:
            self._vectors, self._marked = [self._vectors[0][:, drop:]], [self._marked[0][drop:]]
            self._held = begin

    def _kept_from(self, stop: int) -> int:
        """Tell from which scan on the vector is still needed: a cycle, or a rise that is not through yet."""
        begins = stop if self._finder.begun is None else self._finder.begun
        return max(begins, stop - self._longest) if self._begin is None else self._begin

    def _turns(self, spans: list[tuple[int, int, int]]) -> Turns:
        """Turn the scans of each span back and average them."""
        start, stop, _ = np.array(spans, dtype=np.int64).T
        pieces, clipped = self._joined()
        parts = [slice(begin - self._held, end - self._held) for begin, end, _ in spans]
        turned = [
            _products(pieces[:, part], _turning(part.stop - part.start, cycles))
            for part, (_, _, cycles) in zip(parts, spans, strict=True)
        ]
        # Each span by itself: how its sums round does not depend on what stands beside it.
        (xc, xs), (yc, ys) = (np.array(turned) / (stop - start)[:, None, None]).transpose(1, 2, 0)
        marked = np.array([bool(clipped[part].any()) for part in parts]) if clipped.any() else None
        return turns_of(
            start, stop, (xc - ys) + 1j * (xs + yc), (xc + ys) + 1j * (yc - xs),
            np.zeros(start.size, dtype=np.bool_) if marked is None else marked, self._held, pieces,
        )  # fmt: skip


def _products(one: FloatArray, other: FloatArray) -> FloatArray:
    """Multiply ``(2, n)`` with ``(n, 2)``, in pieces: longer ones would wake other threads."""
    total = np.zeros((2, 2))
    for at in range(0, one.shape[1], PIECE):
        total += one[:, at : at + PIECE] @ other[at : at + PIECE]
    return total


def _turning(count: int, cycles: int) -> FloatArray:
    """Make the unit vector that turns back so many whole times over ``count`` scans, ``(count, 2)``."""
    return _short_turning(count, cycles) if count <= SHORT else _turned(count, cycles)


@lru_cache(maxsize=64)
def _short_turning(count: int, cycles: int) -> FloatArray:
    parts = _turned(count, cycles)
    parts.flags.writeable = False
    return parts


def _turned(count: int, cycles: int) -> FloatArray:
    return turning(0.0, -2 * np.pi * cycles / count, count).view(np.float64).reshape(count, 2)
