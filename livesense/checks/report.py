"""All detectors, in the order in which they need each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livesense.checks.bus import bus_power, bus_ripple, pairs
from livesense.checks.dead import dead_channels
from livesense.checks.evidence import PHASES, Evidence
from livesense.checks.findings import Finding, Kind
from livesense.checks.kirchhoff import BALANCE, SelfCheck, self_check
from livesense.checks.line import code_range, link, rates, wrong_bits
from livesense.checks.looks import Look, Motion, looks_of
from livesense.checks.noise import aliasing, noisy
from livesense.checks.plan import bandwidths, declared_references, link_load, ranges
from livesense.checks.unproven import Unproven, unproven, walk_with
from livesense.checks.wiring import FREE_BALANCE, prior_of, swapped, verdicts, wiring
from livesense.checks.zero import clipped, direct_reversed, drift, flat_tops, reference_setup, zero_off
from livesense.samples import Estimate

_ORDER = {kind: number for number, kind in enumerate(Kind)}
_SPOILS = (Kind.SCALE, Kind.REVERSED, Kind.SKEW, Kind.BANDWIDTH, Kind.ZERO_OFF, Kind.DRIFT, Kind.CLIPPED)


FINE = 12
"""Scans of a cycle below which its shape is not seen: harmonics of a six-step current pass for noise."""


@dataclass(frozen=True, slots=True)
class Report:
    """What a check says; ``kirchhoff`` is None where no steady stretch holds three measured phases.

    ``open`` is what it does not prove, ``walk_with`` what the known-current walk takes, in words.
    """

    findings: tuple[Finding, ...]
    open: tuple[Unproven, ...]
    kirchhoff: SelfCheck | None
    looked_at: str

    walk_with: str = ""

    @property
    def unproven(self) -> tuple[str, ...]:
        """What is not proven, a sentence each."""
        return tuple(map(str, self.open))

    @property
    def ok(self) -> bool:
        """Whether nothing is alarming."""
        return not any(finding.alarm for finding in self.findings)

    def as_json(self) -> dict[str, Any]:
        """Write it as the scripting contract has it."""
        return {
            "ok": self.ok,
            "findings": [finding.as_json() for finding in self.findings],
            "unproven": list(self.unproven),
            "kirchhoff": None if self.kirchhoff is None else self.kirchhoff.as_json(),
            "looked_at": self.looked_at,
        }


def check(evidence: Evidence) -> Report:
    """Run every detector.

    A channel that is dead, or whose zero lies elsewhere altogether, is said once: what follows from that
    in other detectors is left out.
    """
    if widths := wrong_bits(evidence):
        # Whatever values would tell now is that mistake again, in many words.
        others = [*rates(evidence), *link(evidence), *link_load(evidence)]
        return Report(
            tuple(sorted([*widths, *others], key=lambda f: (not f.alarm, _ORDER[f.kind]))),
            (Unproven("All that values tell", "mend the bits first, then check again"),),
            None,
            _looked_at([]) if not evidence.stretches else "the codes alone",
        )
    looks = looks_of(evidence, [s for s in evidence.stretches if s.group == evidence.lead and s.scans >= 16])
    dead = dead_channels(evidence, looks)
    setup = reference_setup(evidence, looks, dead)
    gone = {**dead, **setup}
    fine = [one for one in looks if one.motion is not Motion.STEADY or _scans_a_cycle(one) >= FINE]
    flat = flat_tops(evidence, fine, gone)
    judged = verdicts(evidence, looks, gone, flat)
    wired = wiring(evidence, judged)
    if not any(f.kind is Kind.REVERSED for f in wired):
        wired += direct_reversed(evidence, looks, gone).values()
    moved = drift(evidence, looks, {**gone, **flat})
    turned = any(f.kind is Kind.REVERSED for f in wired)
    zeros = {
        name: f
        for name, f in zero_off(evidence, looks, {**gone, **flat, **moved}).items()
        # With a sign that is wrong the sum of the three says nothing of zeros.
        if not (turned and name is None)
    }
    factors = {f.channel: f.numbers["factor"] for f in wired if f.kind is Kind.SCALE}
    # What reads too much reads its offset too large as well.
    zeros = {
        n: f for n, f in zeros.items() if abs(f.numbers["offset"]) > factors.get(n, 0.0) * f.numbers["limit"]
    }
    clips = [*clipped(evidence, looks, gone), *flat.values()]
    odd = {
        f.channel: f
        for f in (*wired, *moved.values(), *zeros.values(), *clips)
        if f.channel and f.kind in _SPOILS
    }
    found = [
        *gone.values(),
        *wired,
        *swapped(evidence, looks, judged),
        *zeros.values(),
        *clips,
        *noisy(evidence, fine, gone),
        *moved.values(),
        *aliasing(evidence, looks),
        *pairs(evidence, looks, {**gone, **_first_of_pairs(evidence, odd)}),
        *bus_power(evidence, looks, gone),
        *bus_ripple(evidence, looks),
        # A reference that is not as declared is said once, with what it really is.
        *(f for f in declared_references(evidence) if f.channel not in setup),
        *ranges(evidence, looks, {**gone, **odd}),
        *bandwidths(evidence, looks),
        *rates(evidence),
        *link(evidence),
        *code_range(evidence),
        *link_load(evidence),
    ]
    # The idle current of a channel whose sign is wrong is no zero either.
    reversed_names = {f.channel for f in found if f.kind is Kind.REVERSED}
    found = [f for f in found if not (f.kind is Kind.ZERO_OFF and f.channel in reversed_names)]
    return Report(
        tuple(sorted(found, key=lambda f: (not f.alarm, _ORDER[f.kind]))),
        tuple(unproven(evidence, looks)),
        kirchhoff(evidence, looks, gone),
        _looked_at(looks),
        walk_with(evidence),
    )


def _scans_a_cycle(one: Look) -> float:
    return one.stretch.rate_hz / one.frequency_hz if one.frequency_hz else math.inf


def _first_of_pairs(evidence: Evidence, odd: dict[str, Finding]) -> dict[str, Finding]:
    """Channels of the preferred place that have a finding of their own: the other chain is not to blame."""
    places = list(evidence.places().values())
    first = {c.name for c in places[0].values()} if places else set()
    return {name: finding for name, finding in odd.items() if name in first}


def kirchhoff(evidence: Evidence, looks: Sequence[Look], left_out: dict[str, Finding]) -> SelfCheck | None:
    """Do the self-check of the longest steady stretch of the preferred place."""
    for place in evidence.places().values():
        three = [
            place[p] for p in PHASES if p in place and place[p].measured and place[p].name not in left_out
        ]
        steady = [
            one for one in looks if one.motion is Motion.STEADY and all(c.name in one.seen for c in three)
        ]
        if len(three) < 3 or not steady:
            continue
        one = max(steady, key=lambda s: abs(s.seen[three[0].name].phasor) * math.sqrt(s.stretch.scans))
        balance = FREE_BALANCE if any(c.settings.in_loop for c in three) else BALANCE
        return self_check(
            np.array([one.seen[c.name].phasor for c in three]),
            [Estimate(one.seen[c.name].mean, one.seen[c.name].u_mean, c.u_zero) for c in three],
            np.stack([one.residual(c.name) for c in three], axis=1),
            [c.lsb / math.sqrt(12) for c in three],
            prior_of(one, three, balance),
            three[0].chain.unit,
        )
    return None


def _looked_at(looks: Sequence[Look]) -> str:
    """Say in words what data there were."""
    if not looks:
        return "the bench file alone"
    whole = {one.stretch.start_s: one.stretch for one in reversed(looks)}
    ends = [s.start_s + s.scans / s.rate_hz for s in whole.values()]
    seconds = max(ends) - min(whole)
    steady = [one.frequency_hz for one in looks if one.motion is Motion.STEADY]
    if not steady:
        still = all(one.motion is Motion.STILL for one in looks)
        return f"{seconds:.3g} s, " + ("no alternating current" if still else "no steady line")
    low, high = min(steady), max(steady)
    at = f"{low:.4g} Hz" if high - low < 0.02 * high else f"{low:.4g} to {high:.4g} Hz"
    return f"{seconds:.3g} s, phases steady at {at} in {len(steady)} of {len(looks)} stretches"
