"""Slow, plain twins of what the watch does on cycles: one scan after the other, as docs/measures.md reads.

Nothing here is shared with the code under test.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

CURVES = {"A": (0.14, 0.02), "B": (13.5, 1.0), "C": (80.0, 2.0)}
TINY = 1e-9


@dataclass
class SlowCycle:
    scans: list = field(default_factory=list)  # (scan, value, clipped)
    whole: bool = False

    @property
    def mean_square(self) -> float:
        return sum(0.0 if math.isnan(v) else v * v for _, v, _ in self.scans) / len(self.scans)

    @property
    def rms(self) -> float:
        return math.sqrt(self.mean_square)


def slow_cycles(first, values, clipped, reference, longest):
    """Cut one stretch of neighbours into cycles."""
    cycles, current = [], SlowCycle()
    begun, sign, last_loud = False, 0, first - 1
    for scan, (value, is_clipped) in enumerate(zip(values, clipped, strict=True), start=first):
        loud = abs(value) > reference / 2
        mark = loud and ((value > 0 and sign < 0) or sign == 0 or scan - last_loud > longest)
        if current.scans and (mark or len(current.scans) == longest):
            current.whole = begun or len(current.scans) == longest
            cycles.append(current)
            current, begun = SlowCycle(), True
        current.scans.append((scan, value, is_clipped))
        if loud:
            last_loud, sign = scan, 1 if value > 0 else -1
    current.whole = len(current.scans) == longest
    return [*cycles, current]


def biggest(scans):
    """Value and scan of the largest magnitude, the first of equal ones."""
    numbers = [s for s in scans if not math.isnan(s[1])]
    best = max(numbers, key=lambda s: (abs(s[1]), -s[0]))
    return best[1], best[0]


class SlowLaw:
    """Sums scan by scan: kind "inverse-time", "thermal" or "i2t"."""

    def __init__(self, rule, rate_hz):
        self.rule, self.dt = rule, 1 / rate_hz
        self.state = 0.0

    def step(self, rms):
        """Whether it has tripped after one more scan at this rms."""
        rule, over = self.rule, rms > self.rule.limit * (1 + TINY)
        if rule.kind == "thermal":
            target = (rms / rule.limit) ** 2
            self.state = target + (self.state - target) * math.exp(-self.dt / rule.tau_s)
        elif over and rule.kind == "i2t":
            self.state += rms * rms * self.dt / rule.i2t
        elif over:
            k, alpha = CURVES[rule.curve]
            self.state += self.dt / (rule.tms * k / ((rms / rule.limit) ** alpha - 1))
        return over and self.state >= 1 - 1e-9

    def dropped(self):
        if self.rule.kind != "thermal":
            self.state = 0.0

    def lost(self, count):
        if self.rule.kind == "thermal":
            self.state *= math.exp(-self.dt / self.rule.tau_s) ** count


def slow_stays(rule, rate_hz, stretches):
    """Find the events of a rule with a pick-up: start, end, trip, peak, its scan, clipped, lost, cut."""
    longest = max(1, math.ceil(rule.longest_cycle_s * rate_hz - TINY))
    law, found = SlowLaw(rule, rate_hz), []
    stay = None  # scans so far, end, trip, sure
    after = None

    def finish(end, cut):
        nonlocal stay
        if stay["trip"] is not None:
            inside = [s for s in stay["scans"] if s[0] <= end]
            lost = end - inside[0][0] + 1 - len(inside)
            peak = biggest(inside)
            clipped = any(s[2] for s in inside)
            found.append((inside[0][0], end, stay["trip"], *peak, clipped, lost, cut))
        stay = None

    for first, values, clipped in stretches:
        if after is not None:
            law.lost(first - after)
        after = first + len(values)
        for cycle in slow_cycles(first, values, clipped, rule.limit, longest):
            over, held = cycle.rms > rule.limit * (1 + TINY), cycle.rms > 0.95 * rule.limit * (1 + TINY)
            trips = [scan for scan, _, _ in cycle.scans if law.step(cycle.rms)]
            if stay is None and not over:
                continue
            if stay is not None and cycle.whole and not (held if stay["sure"] else over):
                finish(stay["end"], False)
                law.dropped()
                continue
            if stay is None:
                stay = {"scans": [], "trip": None, "sure": cycle.whole, "end": None}
            stay["scans"] += cycle.scans
            if held:
                stay["end"] = cycle.scans[-1][0]
                stay["sure"] = stay["sure"] or (cycle.whole and over)
                if trips and stay["trip"] is None:
                    stay["trip"] = trips[0]
    if stay is not None:
        finish(after - 1, True)
    return found


def expanded(stretches, reference, longest):
    """Each stretch with the rms of its cycle for each scan; None where it is a part of a cycle."""
    out = []
    for first, values, clipped in stretches:
        row = []
        for cycle in slow_cycles(first, values, clipped, reference, longest):
            any_clipped = any(s[2] for s in cycle.scans)
            row += [(cycle.rms if cycle.whole else None, any_clipped)] * len(cycle.scans)
        out.append((first, [r for r, _ in row], [c for _, c in row]))
    return out
