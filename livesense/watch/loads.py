"""Overload, stall, standing current: by the rms of the current vector in windows of scans.

Windows lie at whole multiples of their length on the scan index, so they are the same for any blocks. A
window of which more than half is missing tells nothing.

*Overload*: √(mean of (iu² + iv² + iw²)/3), the rms of a balanced current, stays above ``limit`` for
``hold``, in windows of 200 ms; it begins with the scan from which it is above. *Standing* and *stall*: in
windows of 20 ms the current is above ``limit`` and its vector stays within 30° of where it stood first, for
``hold``. For a stall a current that has stood since it began, out of none, is an alignment until it lasts for
3 s: only what comes from turning is told sooner. Where the rule names a state channel, its word at a window's
last scan knows better: what stands while the drive aligns is no stall, what stands while it runs is one at
once.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, isfinite, pi, sqrt
from typing import Any

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, FloatArray
from livesense.watch.columns import integrals
from livesense.watch.excess import scans_for
from livesense.watch.faults import TripleWatch
from livesense.watch.rows import Fault, Row
from livesense.watch.turns import DIGITS, vector
from livesense.watch.words import duration, figure

LOAD_S = 0.2
STAND_S = 0.02
STANDS_WITHIN = cos(pi / 6)
"""Cosine of 30°, by which a vector that stands may lean."""
ALIGN_S = 3.0
"""How long an alignment may take (common practice, no source: most take well under a second)."""
NO_CURRENT = 0.2
"""Share of the limit below which there is no current: what stands after that has not turned before."""


class LoadWatch(TripleWatch):
    """One rule on the rms of a current vector; see :class:`RuleWatch`."""

    KINDS = ("overload", "stall", "standing")

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        super().__init__(rule, rule_number, channels, rate_hz, group)
        seconds = LOAD_S if rule.kind == "overload" else STAND_S
        self._columns += bool(rule.state)
        self._says = dict(rule.says)
        self._window = max(1, round(seconds * rate_hz))
        self._align = scans_for(ALIGN_S, rate_hz) if rule.kind == "stall" else 0
        self._start = 0
        self._before: tuple[int, int] | None = None
        """Where the last window stopped, and from which scan on it was above the limit."""
        self._held: list[tuple[FloatArray, BoolArray]] = []
        self._forget()

    def _forget(self) -> None:
        self._anchor = 0j
        """Where the vector stood first; 0 where it does not."""
        self._stood = 0
        self._turned = False

    def _anew(self) -> None:
        self._parted()
        self._forget()

    def _parted(self) -> None:
        # A part of a window is judged by itself or not at all; the vector may have turned meanwhile.
        self._held = []
        self._before = None

    def _rows(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Row]:
        rows = []
        size, at = self._window, 0
        while at < len(values):
            scan = first + at
            take = min(len(values) - at, size - scan % size)
            if not self._held:
                self._start = scan
            self._held.append((values[at : at + take], clipped[at : at + take]))
            at += take
            if (scan + take) % size == 0:
                if scan + take - self._start > size // 2:
                    rows.append(self._row(scan + take))
                self._held = []
        return rows

    def _row(self, stop: int) -> Row:
        values, clipped = (np.concatenate(parts) for parts in zip(*self._held, strict=True))
        said = ""
        if self._rule.state:
            values, state = values[:, :3], values[-1, 3]
            said = self._says.get(int(state), "") if np.isfinite(state) else ""
        u, v, w = values.T
        squares = u * u + v * v + w * w
        total = float(squares.sum())
        if not isfinite(total):
            known = np.nan_to_num(values, posinf=0.0, neginf=0.0)
            squares = (known * known).sum(axis=1)
            total = float(squares.sum())
        mean_square = total / (3 * len(values))
        rms = round(sqrt(mean_square), DIGITS)
        rule, count = self._rule, stop - self._start
        beyond, held = rms > rule.limit * (1 + 1e-9), rms > rule.release * (1 + 1e-9)
        if rule.kind != "overload":
            stands = self._standing(complex(*vector(values).mean(axis=1)), rms, count, said)
            beyond, held = beyond and stands, held and stands
        onset = self._onset(squares, stop) if rule.kind == "overload" else None
        return Row(
            self._start,
            stop,
            rms,
            beyond,
            held,
            onset=onset,
            clipped=bool(clipped.any()),
            square=round(rms * rms * count, DIGITS),
            over=round(max(0.0, rms * rms - rule.limit**2) * count, DIGITS),
        )

    def _onset(self, squares: FloatArray, stop: int) -> int:
        """Find the scan from which each is above the limit until the window's end, here or in the one before.

        Where there is none (the phases are unlike, so that the squares swing) the window counts as a whole.
        """
        below = np.flatnonzero(squares <= 3 * self._rule.limit**2)
        quiet = self._start + (int(below[-1]) + 1 if below.size else 0)
        before, self._before = self._before, (stop, quiet)
        if quiet == self._start and before is not None and before[0] == self._start:
            return before[1]
        return quiet if quiet < stop else self._start

    def _standing(self, mean: complex, rms: float, count: int, said: str) -> bool:
        """Tell whether the vector stands where it did, and has not only been aligned."""
        if rms < NO_CURRENT * self._rule.limit:
            self._forget()
            return False
        length, anchor = abs(mean), self._anchor
        # The mean of a vector that turns within the window is shorter than its rms.
        whole = length > STANDS_WITHIN * sqrt(2.0) * rms
        if anchor and whole and (anchor * mean.conjugate()).real > STANDS_WITHIN * abs(anchor) * length:
            if said == "align":
                return False
            self._stood += count
            return said == "run" or self._turned or self._stood > self._align
        self._turned |= bool(anchor) or not whole
        self._anchor, self._stood = (mean if whole else 0j), count
        return False

    def _more(self, fault: Fault) -> dict[str, Any]:
        rate_hz = self._rate_hz
        return integrals(fault.square / rate_hz, fault.over / rate_hz, fault.beyond / rate_hz)

    def _text(self, fault: Fault) -> str:
        rule, names = self._rule, self._names[0]
        end = fault.start if fault.end is None else fault.end
        lasted = (
            "so far" if fault.end is None else f"over {duration((end - fault.start + 1) / self._rate_hz)}"
        )
        what = {
            "overload": "rms of the current vector",
            "stall": "current without turning: rms of the vector",
            "standing": "current stands still: rms of the vector",
        }[rule.kind]
        return f"{names}: {what} up to {figure(fault.peak)} A, limit {figure(rule.limit)} A, {lasted}"
