"""Does a meter agree with what livesense reads? The E_n ratio of the two, and what it says in words.

E_n is the difference over the root of the sum of the squares of both expanded uncertainties (k = 2);
up to 1 they agree (ISO 13528:2015, 9.4; ISO/IEC 17043:2010, B.3.1.3; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from livesense.calibrating import reference, reference_value
from livesense.errors import UsageError
from livesense.samples import Estimate
from livesense.wording import decimals_for, fixed, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from livesense.analysis import RunAnalysis

SECONDS = 2.0
"""So much of a run is measured for a comparison."""

NARROW = 0.5
"""With a wider ± than this share of the reading an agreement proves little (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two readings of one quantity side by side; ``en`` is signed: above 0 livesense reads more."""

    name: str
    figure: str
    read: Estimate
    meter: Estimate
    en: float

    @property
    def agrees(self) -> bool:
        """Whether the difference lies within what is known of both."""
        return abs(self.en) <= 1

    @property
    def text(self) -> str:
        """The answer in words, with its numbers."""
        unit = self.read.unit
        both = f"{self.name} {_written(self.read)} {self.figure}, the meter {_written(self.meter)}"
        gap = self.read.value - self.meter.value
        places = decimals_for(2 * math.hypot(self.read.u, self.meter.u))
        difference = f"difference {fixed(gap, places)} {unit}, En {fixed(self.en, 2)}"
        if not self.agrees:
            return (
                f"They disagree: {both}; {difference}, more than both uncertainties allow. Look at the meter "
                "(its zero, its range, true rms or not, one conductor in the clamp, both at the same time), "
                "then at the shunt and the gain in the bench file."
            )
        wide = 2 * math.hypot(self.read.u, self.meter.u) > NARROW * abs(self.meter.value)
        more = (
            " Both together are too uncertain for this to prove much: compare at a larger value."
            if wide
            else ""
        )
        return f"They agree: {both}; {difference}.{more}"


def _written(estimate: Estimate) -> str:
    figure = shown({"value": estimate.value, "u": estimate.u, "unit": estimate.unit})
    if figure is None:
        return "not known"
    return f"{figure.value}{f' ± {figure.expanded}' if figure.expanded else ''} {figure.unit}"


def agreement(name: str, figure: str, read: Estimate, meter: Estimate) -> Agreement:
    """Compare what was read with what a meter says.

    Raises
    ------
    UsageError
        when neither has an uncertainty: then nothing tells what would be a difference.
    """
    expanded = 2 * math.hypot(read.u, meter.u)
    if not expanded > 0:
        raise UsageError("expected the meter's limit of error, such as 1.5 %, got none")
    return Agreement(name, figure, read, meter, (read.value - meter.value) / expanded)


def meter_estimate(value: str, errors: Sequence[str], unit: str) -> Estimate:
    """Read what a meter says and its limits of error, ``"1.5 %"`` of the reading or ``"0.03 A"``.

    Raises
    ------
    UsageError
        whose text begins with the field that is wrong: ``value: expected …``, ``error: expected …``.
    """
    try:
        said = reference_value(value, unit)
    except UsageError as error:
        raise UsageError(f"value: {error}") from error
    try:
        meter = reference("meter", errors, None, unit)
    except UsageError as error:
        raise UsageError(f"error: {str(error).removeprefix('--reference-error: ')}") from error
    u = math.hypot(meter.u_relative * said, meter.u_absolute)
    if not u > 0:
        raise UsageError('error: expected a limit of error such as "1.5 %", got none')
    return Estimate(said, 0.0, u, unit)


def figure_of(analysis: RunAnalysis, name: str) -> str:
    """Tell which figure of a channel a meter shows: rms of a phase current, else the mean.

    Raises
    ------
    UsageError
        The run has no such channel, or a meter measures no such thing.
    """
    channel = analysis.chain.channels.get(name)
    if channel is None or channel.quantity not in ("current", "voltage", "temperature"):
        names = ", ".join(compared_names(analysis))
        raise UsageError(f"channel: expected one of {names or 'none'}, got {name!r}")
    return "rms" if channel.quantity == "current" and channel.phase in ("U", "V", "W") else "mean"


def compared_names(analysis: RunAnalysis) -> list[str]:
    """Channels that a meter can be held against."""
    return [c.name for c in analysis.channels if c.quantity in ("current", "voltage", "temperature")]


def compare_meter(analysis: RunAnalysis, name: str, value: str, errors: Sequence[str]) -> Agreement:
    """Hold a meter's reading against a run's newest two seconds.

    Raises
    ------
    UsageError
        A field is wrong (its name begins the text), there are no scans, or the figure is withheld.
    """
    figure = figure_of(analysis, name)
    unit = analysis.chain.channels[name].unit
    meter = meter_estimate(value, errors, unit)
    begin_s, end_s = analysis.extent_s()
    facts = analysis.measure(max(begin_s, end_s - SECONDS), end_s)
    found = facts["channels"].get(name, {}).get(figure)
    if found is None:
        why = facts["withheld"].get(f"channels.{name}.{figure}", "it is not known now")
        raise UsageError(f"channel: the {figure} of {name} is withheld: {why}")
    read = Estimate(found["value"], found["u"], 0.0, unit)
    return agreement(name, f"({figure})", read, meter)
