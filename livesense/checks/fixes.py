"""Lines of the bench file that mend a finding, and the likeliest reason for a wrong factor."""

from __future__ import annotations

import math
from dataclasses import dataclass

from livesense.bench import Sensor
from livesense.bench.pins import plus_inputs
from livesense.checks.evidence import Sensed
from livesense.checks.findings import SAFE, Edit

GAINS = (
    1,
    2,
    4,
    5,
    8,
    10,
    12.5,
    15,
    16,
    20,
    25,
    30,
    32,
    40,
    50,
    60,
    64,
    75,
    80,
    100,
    125,
    150,
    200,
    250,
    500,
)
"""Gains that current-sense amplifiers have (common practice, no source)."""

_STEPS = (1, 1.2, 1.5, 2, 2.2, 2.5, 3, 3.3, 4, 4.7, 5, 6, 6.8, 7.5, 8)
SHUNTS_OHM = tuple(step * 10.0**decade for decade in (-5, -4, -3, -2, -1) for step in _STEPS)
"""Values that shunts have (common practice, no source)."""


def reverse(c: Sensed) -> Edit | str:
    """Turn a channel's sign."""
    s = c.settings
    if s.sensor is Sensor.SHUNT:
        nodes = plus_inputs(s.place, s.phase)
        return Edit("channel", "plus_input", nodes[1] if s.plus_input == nodes[0] else nodes[0], c.name)
    if s.sensor is Sensor.LINEAR and s.scale:
        return Edit("channel", "scale", f"{-s.scale:.9g} {s.unit}/V", c.name)
    if s.sensor is Sensor.DIRECT and s.scale:
        return Edit("channel", "scale", -s.scale, c.name)
    return SAFE + f"turn the sensor of {c.name} round."


@dataclass(frozen=True, slots=True)
class Rescaled:
    """What takes a wrong factor out, why it is likely, and the other line that would do it as well."""

    fix: Edit | str
    why: str
    other: Edit | None = None


def rescaled(c: Sensed, factor: float, u: float) -> Rescaled:
    """Line that takes out ``factor``, the reading over the truth, and why; ``u`` is its uncertainty."""
    s = c.settings
    if s.sensor is Sensor.LINEAR and s.scale:
        value = s.scale / factor
        edit = Edit("channel", "scale", f"{value:.5g} {s.unit}/V", c.name)
        return Rescaled(edit, f"its scale looks like {value:.4g} {s.unit}/V")
    if s.sensor is Sensor.DIRECT and s.scale:
        edit = Edit("channel", "scale", float(f"{s.scale / factor:.6g}"), c.name)
        return Rescaled(edit, "its scale is another one")
    if s.sensor is Sensor.DIVIDER and s.ratio:
        value = s.ratio / factor
        edit = Edit("channel", "ratio", float(f"{value:.5g}"), c.name)
        return Rescaled(edit, f"its ratio looks like {value:.4g}")
    if s.sensor is not Sensor.SHUNT or not (s.gain and s.shunt_ohm):
        return Rescaled(SAFE + f"check the scale of {c.name}.", "its scale is another one")
    return _shunt_or_gain(c, s.gain, s.shunt_ohm, factor, 2 * u / factor)


def _shunt_or_gain(c: Sensed, gain: float, shunt_ohm: float, factor: float, within: float) -> Rescaled:
    """Name the part that is made and fits; both where both do, the better fitting one first."""
    by_gain, by_shunt = (
        _near(gain * factor, GAINS, within),
        _near(shunt_ohm * factor, SHUNTS_OHM, within),
    )
    said: list[tuple[float, Edit, str]] = []
    if by_gain is not None:
        whole: float | int = int(by_gain) if by_gain == int(by_gain) else by_gain
        text = f"gain looks like {by_gain:g} instead of {gain:g}"
        said.append((_misfit(by_gain, gain * factor), Edit("channel", "gain", whole, c.name), text))
    if by_shunt is not None:
        text = f"shunt looks like {ohms(by_shunt)} instead of {ohms(shunt_ohm)}"
        edit = Edit("channel", "shunt", ohms(by_shunt), c.name)
        # Of two that fit alike the gain is told first: amplifiers of one type differ in their last letter.
        said.append((_misfit(by_shunt, shunt_ohm * factor) + BETTER, edit, text))
    if not said:
        # No gain is made so; a shunt with copper in its way, or beside it, may have any value.
        whole_ohm = ohms(float(f"{shunt_ohm * factor:.4g}"))
        return Rescaled(
            Edit("channel", "shunt", whole_ohm, c.name),
            f"gain × shunt looks like {factor:.4g} times the stated one (solder, copper, a wrong part?)",
            Edit("channel", "gain", float(f"{gain * factor:.4g}"), c.name),
        )
    said.sort(key=lambda one: one[0])
    why = ", or its ".join(text for _, _, text in said)
    return Rescaled(said[0][1], f"its {why}", said[1][1] if len(said) > 1 else None)


BETTER = 0.01
"""By so much, relative, a shunt has to fit better than a gain to be told first."""


def _misfit(made: float, wanted: float) -> float:
    return abs(math.log(made / wanted))


def usual(c: Sensed, factor: float, u: float) -> bool:
    """Whether a factor turns the stated gain or shunt into another that is made."""
    s = c.settings
    if s.sensor is not Sensor.SHUNT or not (s.gain and s.shunt_ohm):
        return False
    near = (_near(s.gain * factor, GAINS, u), _near(s.shunt_ohm * factor, SHUNTS_OHM, u))
    return any(n is not None for n in near)


def _near(value: float, known: tuple[float, ...], u: float) -> float | None:
    """Find the known value within ``u`` (relative, at least 1 %), if any."""
    best = min(known, key=lambda k: _misfit(k, value))
    return best if _misfit(best, value) < max(u, 0.01) else None


def ohms(value: float | None) -> str:
    """Write a resistance as a bench file has it."""
    if value is None:
        return ""
    for factor, unit in ((1.0, "Ω"), (1e-3, "mΩ"), (1e-6, "µΩ")):
        if value >= factor * 0.9999:
            return f"{value / factor:.5g} {unit}"
    return f"{value:.3g} Ω"


NEARLY = 0.15


def retimed(c: Sensed, later_s: float) -> Edit | str:
    """Line that states when a channel is sampled."""
    delay_s = c.settings.delay_s + later_s
    if -NEARLY * abs(later_s) <= delay_s < 0:
        # The angle is not known that well: the stated delay is none.
        delay_s = 0.0
    if delay_s < 0:
        return (
            f"State delay of the other channels: {c.name} is sampled {abs(later_s) * 1e6:.3g} µs before "
            f"them, and delays "
            "count from the first channel."
        )
    return Edit("channel", "delay", f"{delay_s * 1e6:.4g} us", c.name)


def bandwidth(c: Sensed, corner_hz: float) -> Edit | str:
    """Line that states the bandwidth as it was seen, the stated one's share in it."""
    stated = c.settings.bandwidth_hz
    if stated is not None:
        # Two low-passes in a row: their lags add, at frequencies well below both corners.
        corner_hz = 1 / (1 / corner_hz + 1 / stated)
    return Edit("channel", "bandwidth", f"{corner_hz:.4g} Hz", c.name)
