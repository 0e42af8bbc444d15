"""Cuts three phase currents into whole electrical cycles, with both sequences of each; any block borders.

The currents are one vector (Clarke, amplitude form): a = (2 iu − iv − iw)/3 + j (iv − iw)/√3. Over whole
cycles its fundamental has a part that turns in the order U, V, W and one that turns backwards: the positive
and the conjugate of the negative sequence component (Fortescue). Mean and harmonics drop out.

A cycle begins where (iu − iw)/√3 rises through zero: at the first scan above a level after one below minus
that level. No single open phase takes that difference away, as it would a phase's own current.
"""

from __future__ import annotations

import cmath
from dataclasses import dataclass, field
from functools import lru_cache
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from livesense.samples import BoolArray, FloatArray

Complex = NDArray[np.complex128]

PHASES = ("U", "V", "W")

DIGITS = 9
"""Decimals of what is handed on: the last ones depend on how numpy adds up."""


def _none() -> Complex:
    return np.empty(0, dtype=np.complex128)


@dataclass(frozen=True, slots=True)
class Turns:
    """Whole cycles in a row: scans ``start`` to ``stop`` (not included), ``cycles`` of them.

    ``positive`` and ``negative`` are the phasors (peak, A) of the parts that turn in the order U, V, W and
    against it; ``vector`` holds the scans themselves.
    """

    start: int
    stop: int
    cycles: int
    positive: complex
    negative: complex
    clipped: bool
    vector: Complex = field(default_factory=_none, repr=False, compare=False)

    def quiet_from(self, phase: str, level: float) -> int:
        """Find the scan from which a phase stays within a level until the end; ``stop`` where it does not."""
        axis = np.exp(-2j * np.pi / 3 * PHASES.index(phase))
        loud = np.flatnonzero(np.abs((self.vector * axis).real) > level)
        return self.start + (int(loud[-1]) + 1 if loud.size else 0)

    @property
    def forward(self) -> float:
        """Peak current of the part that turns in the order U, V, W, A."""
        return round(abs(self.positive), DIGITS)

    @property
    def backward(self) -> float:
        """Peak current of the part that turns against it, A."""
        return round(abs(self.negative), DIGITS)

    @property
    def sizes(self) -> tuple[float, float, float]:
        """Peaks of the fundamentals of U, V and W, without what the three have in common, A."""
        u, v, w = (
            round(abs(self.positive * axis + (self.negative * axis).conjugate()), DIGITS)
            for axis in (cmath.exp(-2j * cmath.pi / 3 * number) for number in range(3))
        )
        return u, v, w

    @property
    def weakest(self) -> str:
        """Name the phase with the smallest fundamental."""
        return PHASES[self.sizes.index(min(self.sizes))]

    @property
    def ratio(self) -> float:
        """Smaller over larger sequence, in per cent."""
        larger = max(self.forward, self.backward)
        return round(100.0 * min(self.forward, self.backward) / larger, DIGITS) if larger > 0 else 0.0

    @property
    def rms(self) -> float:
        """Root-mean-square of the three phases' fundamentals, A."""
        return round(sqrt((self.forward**2 + self.backward**2) / 2), DIGITS)


def vector(values: FloatArray) -> Complex:
    """Make the vector ``(n,)`` of currents ``(n, 3)`` in the order U, V, W; NaN counts as no current."""
    if not np.isfinite(values.sum()):
        values = np.nan_to_num(values, posinf=0.0, neginf=0.0)
    u, v, w = values.T
    made = np.empty(len(values), dtype=np.complex128)
    made.real = (2.0 * u - v - w) / 3.0
    made.imag = (v - w) / sqrt(3.0)
    return made


class TurnCutter:
    """Cuts one triple of currents, block by block.

    Parameters
    ----------
    level
        Current, A: the difference must pass it both ways.
    longest
        Most scans of a cycle; a slower one tells nothing.
    span
        Scans that are taken together, at least: as many whole cycles as reach it.
    """

    def __init__(self, level: float, longest: int, span: int) -> None:
        self._level = level
        self._longest = longest
        self._span = span
        self.forget()

    def forget(self) -> None:
        """Note that what comes is no neighbour of what was."""
        self._vector: Complex = np.empty(0, dtype=np.complex128)
        self._clipped: BoolArray = np.empty(0, dtype=np.bool_)
        self._begin: int | None = None
        self._mark = 0
        self._cycles = 0
        self._sign = 0

    def feed(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Turns]:
        """Take ``(n, 3)`` currents, at least one scan, and ``(n,)``; hand back the cycles that are over."""
        stop = first + len(values)
        rises = self._rises(first, values)
        if self._begin is None and not rises:
            return []
        held = first if self._begin is None else self._begin
        self._vector = np.concatenate([self._vector, vector(values)])
        self._clipped = np.concatenate([self._clipped, clipped])
        found = []
        for rise in rises:
            if self._begin is not None and rise - self._mark <= self._longest:
                self._cycles += 1
                if rise - self._begin >= self._span:
                    found.append(self._turns(held, rise))
                    self._begin, self._cycles = rise, 0
            else:
                self._begin, self._cycles = rise, 0
            self._mark = rise
        if stop - self._mark > self._longest:
            self._begin = None
        keep = stop if self._begin is None else self._begin
        self._vector, self._clipped = self._vector[keep - held :], self._clipped[keep - held :]
        return found

    def _rises(self, first: int, values: FloatArray) -> list[int]:
        difference = (values[:, 0] - values[:, 2]) / sqrt(3.0)
        sides = (difference > self._level).astype(np.int8) - (difference < -self._level)
        at = np.flatnonzero(sides)
        if at.size == 0:
            return []
        seen = sides[at]
        before = np.concatenate(([self._sign], seen[:-1]))
        self._sign = int(seen[-1])
        return [first + int(scan) for scan in at[(seen == 1) & (before == -1)]]

    def _turns(self, held: int, stop: int) -> Turns:
        assert self._begin is not None
        part = slice(self._begin - held, stop - held)
        piece, count = self._vector[part], stop - self._begin
        back = _turning(count, self._cycles)
        return Turns(
            self._begin,
            stop,
            self._cycles,
            complex((piece * back).sum()) / count,
            complex((piece * back.conj()).sum()) / count,
            bool(self._clipped[part].any()),
            piece,
        )


@lru_cache(maxsize=64)
def _turning(count: int, cycles: int) -> Complex:
    """Make the unit vector that turns back so many whole times over ``count`` scans."""
    turning: Complex = np.exp(-2j * np.pi * cycles / count * np.arange(count))
    turning.flags.writeable = False
    return turning
