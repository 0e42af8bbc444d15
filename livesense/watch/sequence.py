"""Phase loss, unbalance, reversed rotation: by the sequences of whole electrical cycles.

*Phase loss*: the smaller sequence is above ``limit`` (50 %) of the larger in ``cycles`` (3) cycles in a row
whose current is above ``above``; an open phase makes both equal (100 %). So does whatever swings along one
line without turning, as of a drive that looks for its rotor at rest: an open phase is known by carrying
next to no current, so that a line on which all three carry some is none. *Unbalance*: over whole cycles of
at least 200 ms it is above ``note`` for ``hold``; above ``limit`` for as long, it is an alarm. *Reversed*:
the part that turns against the expected order is the larger in ``cycles`` cycles in a row.

An event begins with the first scan of the first such cycle; a phase loss with the scan from which the phase
with the least current carries next to none, there or in the cycle before. Cycles slower than
``longest_cycle`` and parts of a cycle, beside a gap or at either end, tell nothing. Counted gaps of up to
0.1 s are bridged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livesense.bench import Watch
from livesense.samples import BoolArray, FloatArray
from livesense.watch.excess import scans_for
from livesense.watch.faults import TripleWatch
from livesense.watch.rows import Fault, Row
from livesense.watch.turns import PHASES, TurnCutter, Turns
from livesense.watch.words import duration, figure

TOGETHER_S = 0.2
"""Time over which unbalance is taken: sub-scan errors of where a cycle begins drop out."""

OPEN_PERCENT = 50.0
"""A ratio above this is an open phase, which is told as such and not as unbalance."""

PASSED = 0.3
"""Share of the peak of ``above`` that the currents' difference must pass: an open phase leaves twice that."""


STILL_ABOVE = 0.9
"""Share of ``above`` above which what has begun goes on: noise about that current ends nothing."""

NEXT_TO_NONE = 0.08
"""Share of the line current below which a phase carries none: above noise, and 0.08 rad of a sine."""

LINE_PERCENT = 90.0
"""A ratio above this is a line and no ellipse: its shorter axis is below a twentieth of the longer.

A joint that still passes a share of its current keeps that current's own angle; at a share above
``NEXT_TO_NONE`` it leaves an ellipse, with a ratio below 87 %, which turns: that is told.
"""


def _is_open(turns: Turns, number: int) -> bool:
    """Tell whether of a cycle along one line one phase is open or nearly so.

    Two phases of an open line carry 0.87 of the vector's longer half axis, the third none of it.
    """
    line = 3**0.5 / 2 * float(turns.forward[number] + turns.backward[number])
    return min(turns.sizes(number)) <= NEXT_TO_NONE * line


def _onset(turns: Turns, number: int, before: Turns | None, phase: str) -> int:
    """Find the scan from which a phase carries next to no current, in this cycle or the one before it."""
    # With one line open the other two carry √3 times the rms of the three phases' fundamentals.
    level = NEXT_TO_NONE * 3**0.5 * float(turns.rms[number])
    start, stop = int(turns.start[number]), int(turns.stop[number])
    onset = turns.quiet_from(number, phase, level)
    if number:
        before, last = turns, number - 1
    else:
        last = -1
    if onset == start and before is not None and before.stop[last] == start:
        onset = before.quiet_from(last, phase, level)
    # Where it carries some to the very end something else swings along one line: the cycle counts as a whole.
    return onset if onset < stop else start


@dataclass(frozen=True, slots=True)
class _Judged:
    """What a rule says of cycles, ``(k,)``: the level, whether it is beyond, held, or that of an alarm."""

    level: FloatArray
    beyond: BoolArray
    held: BoolArray
    high: BoolArray | None = None


class SequenceWatch(TripleWatch):
    """One rule on the sequence of three phase currents; see :class:`RuleWatch`."""

    KINDS = ("phase-loss", "unbalance", "reversed")

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        super().__init__(rule, rule_number, channels, rate_hz, group)
        span = scans_for(TOGETHER_S, rate_hz) if rule.kind == "unbalance" else 1
        self._cutter = TurnCutter(
            PASSED * 2**0.5 * rule.above, scans_for(rule.longest_cycle_s, rate_hz), span
        )
        self._before: Turns | None = None
        self._judge = {"phase-loss": self._loss, "unbalance": self._unbalance, "reversed": self._reversed}[
            rule.kind
        ]

    def _rows(self, first: int, values: FloatArray, clipped: BoolArray) -> list[Row]:
        turns = self._cutter.feed(first, values, clipped)
        if turns is None:
            return []
        judged = self._judge(turns)
        before, self._before = self._before, turns.last()
        begin = 0
        if self._tracker.open is None:
            # Of calm rows while nothing lasts one tells as much as all: nearly always that is all there is.
            beyond = np.flatnonzero(judged.beyond)
            begin = max(0, int(beyond[0]) - 1 if beyond.size else len(turns) - 1)
        return [self._row(turns, number, judged, before) for number in range(begin, len(turns))]

    def _row(self, turns: Turns, number: int, judged: _Judged, before: Turns | None) -> Row:
        beyond = bool(judged.beyond[number])
        which, onset = "", None
        if beyond and self._rule.kind == "phase-loss":
            weakest = turns.weakest(number)
            which = self._phases[PHASES.index(weakest)]
            onset = _onset(turns, number, before, weakest)
        return Row(
            int(turns.start[number]),
            int(turns.stop[number]),
            float(judged.level[number]),
            beyond=beyond,
            held=bool(judged.held[number]),
            high=judged.high is None or bool(judged.high[number]),
            clipped=bool(turns.clipped[number]),
            which=which,
            onset=onset,
        )

    def _parted(self) -> None:
        self._cutter.forget()
        self._before = None

    def _loss(self, turns: Turns) -> _Judged:
        rule, ratio, flows = self._rule, turns.ratio, turns.rms > self._rule.above
        beyond = flows & (ratio > rule.limit)
        for number in np.flatnonzero(beyond & (ratio > LINE_PERCENT)).tolist():
            beyond[number] = _is_open(turns, number)
        return _Judged(ratio, beyond, self._goes_on(turns) & (ratio > rule.release))

    def _goes_on(self, turns: Turns) -> BoolArray:
        return np.asarray(turns.rms > STILL_ABOVE * self._rule.above)

    def _unbalance(self, turns: Turns) -> _Judged:
        rule, ratio, flows = self._rule, turns.ratio, turns.rms > self._rule.above
        return _Judged(
            ratio,
            flows & (rule.note < ratio) & (ratio <= OPEN_PERCENT),
            self._goes_on(turns) & (ratio > rule.release),
            ratio > rule.limit,
        )

    def _reversed(self, turns: Turns) -> _Judged:
        rule, rms = self._rule, turns.rms
        forward = turns.forward > turns.backward
        # Where both are about alike (an open phase) there is no direction.
        against = (forward != (rule.sequence == "UVW")) & (turns.ratio < OPEN_PERCENT)
        return _Judged(rms, against & (rms > rule.above), against & (rms > rule.release))

    def _severity(self, fault: Fault) -> str:
        if self._rule.kind == "unbalance":
            return "alarm" if fault.alarm else "note"
        return self._rule.severity

    def _limit_of(self, fault: Fault) -> float:
        rule = self._rule
        return rule.note if rule.note and not fault.alarm else rule.limit

    def _text(self, fault: Fault) -> str:
        rule, names = self._rule, self._names[0]
        lasts = fault.end is None
        end = fault.start if fault.end is None else fault.end
        lasted = "so far" if lasts else f"over {duration((end - fault.start + 1) / self._rate_hz)}"
        up_to = f"up to {figure(fault.peak)} {rule.unit}"
        if rule.kind == "phase-loss":
            return (
                f"{names}: negative over positive sequence {up_to}, limit {figure(rule.limit)} %, {lasted}; "
                f"least current in {fault.which}: an open phase makes 100 %"
            )
        if rule.kind == "unbalance":
            level = (
                f"alarm above {figure(rule.limit)} %" if fault.alarm else f"note above {figure(rule.note)} %"
            )
            return f"{names}: unbalance of the currents {up_to}, {level}, {lasted}"
        other = "UWV" if rule.sequence == "UVW" else "UVW"
        return f"{names}: turns in the order {other}, {rule.sequence} is expected; {up_to} rms, {lasted}"
