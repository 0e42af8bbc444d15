"""Lines of the bench file that mend a finding, and the likeliest reason for a wrong factor."""

from __future__ import annotations

import math

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


def rescaled(c: Sensed, factor: float, u: float) -> tuple[Edit | str, str]:
    """Line that takes out ``factor``, the reading over the truth, and why; ``u`` is its uncertainty."""
    s = c.settings
    if s.sensor is Sensor.LINEAR and s.scale:
        value = s.scale / factor
        return Edit(
            "channel", "scale", f"{value:.5g} {s.unit}/V", c.name
        ), f"its scale looks like {value:.4g} {s.unit}/V"
    if s.sensor is Sensor.DIRECT and s.scale:
        return Edit("channel", "scale", float(f"{s.scale / factor:.6g}"), c.name), "its scale is another one"
    if s.sensor is Sensor.DIVIDER and s.ratio:
        value = s.ratio / factor
        return Edit("channel", "ratio", float(f"{value:.5g}"), c.name), f"its ratio looks like {value:.4g}"
    if s.sensor is not Sensor.SHUNT or not (s.gain and s.shunt_ohm):
        return SAFE + f"check the scale of {c.name}.", "its scale is another one"
    gain, shunt = s.gain * factor, s.shunt_ohm * factor
    near_gain, near_shunt = _near(gain, GAINS, 2 * u / factor), _near(shunt, SHUNTS_OHM, 2 * u / factor)
    if near_gain is not None:
        also = (
            f", or its shunt {ohms(near_shunt)} instead of {ohms(s.shunt_ohm)}"
            if near_shunt is not None
            else ""
        )
        why = f"its gain looks like {near_gain:g} instead of {s.gain:g}{also}"
        whole: float | int = int(near_gain) if near_gain == int(near_gain) else near_gain
        return Edit("channel", "gain", whole, c.name), why
    if near_shunt is not None:
        why = f"its shunt looks like {ohms(near_shunt)} instead of {ohms(s.shunt_ohm)}"
        return Edit("channel", "shunt", ohms(near_shunt), c.name), why
    why = f"gain × shunt looks like {factor:.4g} times the stated one (solder, copper, a wrong part?)"
    return Edit("channel", "gain", float(f"{gain:.4g}"), c.name), why


def usual(c: Sensed, factor: float, u: float) -> bool:
    """Whether a factor turns the stated gain or shunt into another that is made."""
    s = c.settings
    if s.sensor is not Sensor.SHUNT or not (s.gain and s.shunt_ohm):
        return False
    near = (_near(s.gain * factor, GAINS, u), _near(s.shunt_ohm * factor, SHUNTS_OHM, u))
    return any(n is not None for n in near)


def _near(value: float, known: tuple[float, ...], u: float) -> float | None:
    """Find the known value within ``u`` (relative, at least 1 %), if any."""
    best = min(known, key=lambda k: abs(math.log(k / value)))
    return best if abs(math.log(best / value)) < max(u, 0.01) else None


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
