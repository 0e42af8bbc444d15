"""Differences of two chains' figures, with the errors that both of them have left out.

An error that is one and the same in both figures is in their difference only as far as its sensitivities
differ; all others add as squares (JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from livesense.chain import ChannelChain
from livesense.chain.budget import Term
from livesense.samples import Estimate

SameError = Callable[[Term], bool]
"""Whether a term that both chains have alike is one and the same error in both."""

TEMPERATURES = ("shunt_tempco", "gain_drift", "offset_drift")
"""Errors that another day's temperature makes anew."""

SHUNT_KEYS = ("shunt_tolerance", "shunt_tempco", "shunt_heating", "sense_copper")


@dataclass(frozen=True, slots=True)
class Difference:
    """Second less first, and whether the two differ by more than is known of them (k = 2)."""

    value: float
    u: float
    unit: str

    @property
    def differs(self) -> bool:
        """Whether the difference is beyond its expanded uncertainty."""
        return abs(self.value) > 2 * self.u


def difference(
    first: tuple[ChannelChain, Estimate],
    second: tuple[ChannelChain, Estimate],
    same: SameError,
    *,
    alternating: bool,
) -> Difference:
    """Difference of two figures of one quantity.

    Parameters
    ----------
    first, second
        The chain, and the figure with its random and systematic part.
    same
        Tells which errors both chains share.
    alternating
        Whether it is a figure of the alternating part, into which offsets do not enter.
    """
    a, b = (_parts(chain, figure.value, alternating) for chain, figure in (first, second))
    random = math.hypot(first[1].u_random, second[1].u_random)
    value = second[1].value - first[1].value
    return Difference(value, math.hypot(random, math.sqrt(_square(a, b, same))), first[1].unit)


def heat(shunt_ohm: float, chain: ChannelChain, rms: Estimate) -> Estimate:
    """Power in a shunt at a measured current: ``R I²``, W.

    The current counts twice, but an error of the resistance once: with the voltage measured it is ``V²/R``.
    """
    parts = _heat_parts(shunt_ohm, chain, rms)
    random = 2 * shunt_ohm * rms.value * rms.u_random
    return Estimate(
        shunt_ohm * rms.value**2, random, math.sqrt(sum(part**2 for _, part in parts.values())), "W"
    )


def heat_difference(
    first: tuple[float, ChannelChain, Estimate], second: tuple[float, ChannelChain, Estimate], same: SameError
) -> Difference:
    """Difference of the power in two shunts; of each the resistance, the chain, and the current (rms)."""
    one, other = heat(*first), heat(*second)
    square = _square(_heat_parts(*first), _heat_parts(*second), same)
    u = math.hypot(one.u_random, other.u_random, math.sqrt(square))
    return Difference(other.value - one.value, u, one.unit)


_Parts = dict[str, tuple[Term, float]]


def _heat_parts(shunt_ohm: float, chain: ChannelChain, rms: Estimate) -> _Parts:
    return {
        key: (term, (1 if term.key in SHUNT_KEYS else 2) * shunt_ohm * rms.value * part)
        for key, (term, part) in _parts(chain, rms.value, alternating=True).items()
    }


def _square(a: _Parts, b: _Parts, same: SameError) -> float:
    """Square of what the errors of both sides leave in a difference."""
    square = 0.0
    for key in a.keys() | b.keys():
        left, right = a.get(key), b.get(key)
        if left is not None and right is not None and left[0].u > 0 and same(left[0]) and same(right[0]):
            square += (left[1] - right[1]) ** 2
        else:
            square += sum(part[1] ** 2 for part in (left, right) if part is not None)
    return square


def _parts(chain: ChannelChain, value: float, alternating: bool) -> _Parts:
    """Signed contributions of each error, by key and what it does."""
    found: _Parts = {}
    for number, (term, slope) in enumerate(chain.budget.slopes(value, alternating=alternating)):
        key = f"{term.key} {term.acts}"
        # Two terms of one key (a computed channel's sources) are errors of their own.
        found[key if key not in found else f"{key} {number}"] = term, slope * term.sign * term.u
    return found


def of_one_run(one_shunt: bool) -> SameError:
    """Two chains of one run share errors with a name, and those of the shunt if there is but one."""
    return lambda term: bool(term.shared) or (one_shunt and term.key in SHUNT_KEYS)


def of_two_runs(first: ChannelChain, second: ChannelChain, unchanged: bool) -> SameError:
    """Take for the same, in another run of a channel that nobody changed, all errors but temperatures."""
    alike = {(t.key, t.acts, t.u) for t in first.budget.terms} & {
        (t.key, t.acts, t.u) for t in second.budget.terms
    }
    return lambda term: unchanged and term.key not in TEMPERATURES and (term.key, term.acts, term.u) in alike
