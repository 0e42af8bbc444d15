"""The systematic errors of one channel, each as a term of its uncertainty budget (JCGM 100:2008, 5.1 and 8).

A term is one error that the bench file states. With x the true value, the reading is

    x + sum(scale) * x + sum(pin) * (x + pin_zero) + sum(heating) * x**3 + sum(offset) + bow(x)

so that each kind knows its sensitivity. Terms that other channels share carry a name: errors of one
name are one and the same error, and add before they are squared (JCGM 100:2008, 5.2).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from livesense.chain.calibration import SCALE_KEYS, Scale
from livesense.samples import FloatArray

ADC_REFERENCE = "adc.reference"
"""Name of the error that all channels of one converter reference share."""


class Acts(StrEnum):
    """What an error does to a reading."""

    SCALE = "scale"
    PIN = "pin"
    HEATING = "heating"
    OFFSET = "offset"
    BOW = "bow"
    ALTERNATING = "alternating"


@dataclass(frozen=True, slots=True)
class Term:
    """One error.

    Attributes
    ----------
    key
        Bench key that states it, ``adc.`` before those of the converter.
    source
        The same in words.
    acts
        What it does. ``scale``: multiplies the value. ``pin``: multiplies the whole pin voltage, so that it
        moves the zero as well. ``heating``: multiplies the value, by as much as its square.
        ``offset``: adds. ``bow``: adds, another amount at each value. ``alternating``: adds an alternating
        part at the frequency of the currents.
    u
        Standard uncertainty: relative (scale, pin), in 1/unit² (heating), else in the channel's unit
        (rms for alternating).
    stated
        The value as stated, with its unit, and how it is taken.
    sign
        Which way an offset goes in this channel when the shared error goes up: +1 or -1.
    shared
        Name of an error that is the same one in other channels; empty where it is this channel's own.
    at_zero
        Whether a zero that is measured takes it away.
    """

    key: str
    source: str
    acts: Acts
    u: float
    stated: str = ""
    sign: int = 1
    shared: str = ""
    at_zero: bool = False


@dataclass(frozen=True, slots=True)
class Budget:
    """All terms of one channel.

    ``pin_zero`` is the value that the pin voltage at zero amounts to, in the channel's unit.
    """

    terms: tuple[Term, ...] = ()
    pin_zero: float = 0.0

    def total(self, *acts: Acts, shared: str | None = None) -> float:
        """Root of the sum of squares of the terms that act so, of one shared name where one is given."""
        return math.sqrt(
            sum(t.u**2 for t in self.terms if t.acts in acts and (shared is None or t.shared == shared))
        )

    @property
    def u_offset(self) -> float:
        """Standard uncertainty at a value of zero."""
        return math.hypot(self._added(), self.total(Acts.PIN) * self.pin_zero)

    def _added(self) -> float:
        """Sum up what adds to a value; offsets of one name are one error."""
        shared: dict[str, float] = {}
        own = self.total(Acts.BOW) ** 2 + self.total(Acts.OFFSET, shared="") ** 2
        for t in self.terms:
            if t.acts is Acts.OFFSET and t.shared:
                shared[t.shared] = shared.get(t.shared, 0.0) + t.sign * t.u
        return math.sqrt(own + sum(amount**2 for amount in shared.values()))

    def shared_offsets(self) -> dict[str, float]:
        """Signed standard uncertainties at zero by the errors that other channels share, by their names."""
        found: dict[str, float] = {}
        for t in self.terms:
            if t.shared and t.acts in (Acts.OFFSET, Acts.PIN):
                amount = t.sign * t.u if t.acts is Acts.OFFSET else t.u * self.pin_zero
                # Two terms of one name are one error.
                found[t.shared] = found.get(t.shared, 0.0) + amount
        return {name: amount for name, amount in found.items() if amount}

    def shared_scales(self) -> dict[str, float]:
        """Tell the relative uncertainties of the scale by errors that others share, by their names."""
        names = dict.fromkeys(t.shared for t in self.terms if t.shared and t.acts in (Acts.SCALE, Acts.PIN))
        return {name: self.total(Acts.SCALE, Acts.PIN, shared=name) for name in names}

    def u_at(self, values: ArrayLike) -> FloatArray:
        """Combine the standard uncertainties of single values that do not alternate; any shape."""
        values = np.asarray(values, dtype=np.float64)
        scale = self.total(Acts.SCALE) * values
        pin = self.total(Acts.PIN) * (values + self.pin_zero)
        heat = self.total(Acts.HEATING) * values**3
        return np.asarray(np.sqrt(scale**2 + pin**2 + heat**2 + self._added() ** 2))

    def slopes(self, value: float, *, alternating: bool = False) -> list[tuple[Term, float]]:
        """List the terms that count at a value, each with the reading's change per unit of the error.

        The sensitivities of JCGM 100:2008, 5.1.3. Of an alternating (rms) value offsets are no part, and an
        error of the pin scales it and moves nothing.
        """
        left_out = Acts.OFFSET if alternating else Acts.ALTERNATING
        by_act = {
            Acts.SCALE: value,
            Acts.PIN: value if alternating else value + self.pin_zero,
            Acts.HEATING: value**3,
        }
        return [(t, by_act.get(t.acts, 1.0)) for t in self.terms if t.acts is not left_out]

    def rows(self, value: float, *, alternating: bool = False) -> list[dict[str, Any]]:
        """Write the budget at a value as a table, the largest contribution first.

        Parameters
        ----------
        value
            Of the reading; an rms value where it alternates.
        alternating
            For an alternating value: offsets do not enter, alternating errors do.
        """
        slopes = self.slopes(value, alternating=alternating)
        parts = [abs(slope) * term.u for term, slope in slopes]
        whole = sum(part**2 for part in parts)
        rows = [
            {
                "key": term.key,
                "source": term.source,
                "acts": str(term.acts),
                "stated": term.stated,
                "u": term.u,
                "sensitivity": abs(slope) if term.u else 0.0,
                "contribution": part,
                "share_percent": 100 * part**2 / whole if whole else 0.0,
                "shared": term.shared or None,
            }
            for (term, slope), part in zip(slopes, parts, strict=True)
        ]
        return sorted(rows, key=lambda row: -row["contribution"])

    def with_zero(self, key: str, u: float) -> Budget:
        """Replace what acts at zero by the uncertainty of a zero that was measured, in the channel's unit."""
        kept = [t for t in self.terms if not t.at_zero]
        # With the zero measured, an error of the pin's scale acts on the current alone.
        kept = [replace(t, acts=Acts.SCALE) if t.acts is Acts.PIN else t for t in kept]
        # A later zero takes this one away as it took the offsets.
        measured = Term(key, "measured zero", Acts.OFFSET, u, "mean of a calibration", at_zero=True)
        return Budget((*kept, measured), 0.0)

    def with_scale(self, scale: Scale) -> Budget:
        """Replace what a measured line holds already, scale and zero, by the line's own uncertainty.

        Temperatures, heating, common mode and non-linearity stay. The line turns around its pivot: its
        slope's error does nothing there, as one of a pin's voltage does nothing at ``-pin_zero``.
        """
        kept = [t for t in self.terms if not t.at_zero and t.key not in SCALE_KEYS]
        text = "line through calibration points"
        measured = [
            Term("calibration", "measured scale", Acts.PIN, scale.u_relative, text),
            Term("calibration", "measured line", Acts.OFFSET, scale.u_pivot, text, at_zero=True),
        ]
        for m in scale.meters:
            source, shared = f"calibrated by: {m.meter}", f"meter {m.meter}"
            measured += [
                Term("calibration", source, Acts.SCALE, m.u_relative, "calibration", shared=shared),
                Term(
                    "calibration", source, Acts.OFFSET, m.u_offset, "calibration", shared=shared, at_zero=True
                ),
            ]
        return Budget((*kept, *(t for t in measured if t.u)), -scale.pivot)

    def with_terms(self, terms: Iterable[Term]) -> Budget:
        """Add terms."""
        return replace(self, terms=(*self.terms, *terms))

    def scaled(self, factor: float) -> Budget:
        """Take a channel that reads ``factor`` times as much: offsets follow, relative terms do not."""
        size = abs(factor)
        follows = {Acts.OFFSET, Acts.BOW, Acts.ALTERNATING}

        def moved(t: Term) -> Term:
            if t.acts in follows:
                return replace(t, u=t.u * size, sign=t.sign if factor > 0 else -t.sign)
            return replace(t, u=t.u / size**2) if t.acts is Acts.HEATING else t

        return Budget(tuple(map(moved, self.terms)), self.pin_zero * factor)


def minus_the_sum(budgets: Sequence[Budget]) -> Budget:
    """Budget of a channel that is minus the sum of others.

    Its scale takes the sources' own parts as if each source were as large as the computed value (so it
    is for balanced currents), and the part that they share once.
    """
    terms: list[Term] = []
    once: dict[tuple[str, str, Acts], Term] = {}
    for budget in budgets:
        for t in budget.scaled(-1).terms:
            if t.shared and t.acts in (Acts.SCALE, Acts.PIN):
                same = once.get((t.key, t.shared, t.acts))
                once[t.key, t.shared, t.acts] = t if same is None or t.u > same.u else same
            elif t.acts is Acts.PIN:
                # Each source has a zero of its own, which its own error moves.
                terms.append(replace(t, acts=Acts.SCALE))
                terms.append(replace(t, acts=Acts.OFFSET, u=t.u * abs(budget.pin_zero), at_zero=True))
            else:
                terms.append(t)
    return Budget((*once.values(), *terms), -sum(budget.pin_zero for budget in budgets))
