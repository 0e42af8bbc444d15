"""Power of the bus and of the phases from channels that were sampled together."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from livesense.measures.basic import over_stretch
from livesense.measures.channel_figures import ChannelInput, ChannelMeasures, Line
from livesense.measures.group_phase_power import PHASE_PRODUCT, mean_of, phase_powers
from livesense.measures.group_phases import preferred
from livesense.measures.power import (
    Power,
    u_product,
)
from livesense.measures.sine_fit import NoLine
from livesense.measures.three_phase import PHASES
from livesense.samples import Estimate, FloatArray

BUS_PRODUCT = " bus voltage × bus current"
"""Name of the product column in a fit; no channel's name begins with a space."""


def bus_channels(channels: Mapping[str, ChannelInput]) -> tuple[str | None, str | None]:
    """Names of the bus voltage and the bus current, each None where there is none."""
    found = {c.quantity: n for n, c in reversed(list(channels.items())) if c.phase == "bus"}
    return found.get("voltage"), found.get("current")


def products(channels: Mapping[str, ChannelInput]) -> dict[str, FloatArray]:
    """Instant powers that can be made, ``(n,)`` W each, to be fitted like channels."""
    made: dict[str, FloatArray] = {}
    v, i = bus_channels(channels)
    if v is not None and i is not None:
        made[BUS_PRODUCT] = channels[v].values * channels[i].values
    voltages, currents = preferred(channels, "voltage"), preferred(channels)
    if len(voltages) == len(currents) == 3:
        made[PHASE_PRODUCT] = np.sum(
            [channels[voltages[p]].values * channels[currents[p]].values for p in PHASES], axis=0
        )
    return made


def group_power(
    channels: Mapping[str, ChannelInput],
    figures: Mapping[str, ChannelMeasures],
    line: Line | NoLine | None,
    rate_hz: float,
    u_rate_relative: float,
) -> Power:
    """Power, energy and charge of a stretch; what cannot be known is withheld with the reason."""
    out: dict[str, Estimate] = {}
    withheld: dict[str, str] = {}
    made = products(channels)
    _bus(channels, figures, line, made, (rate_hz, u_rate_relative), out, withheld)
    readings = phase_powers(channels, line, made.get(PHASE_PRODUCT), rate_hz, out, withheld)
    return Power(**out, two_wattmeters=readings, withheld=withheld)


def _bus(
    channels: Mapping[str, ChannelInput],
    figures: Mapping[str, ChannelMeasures],
    line: Line | NoLine | None,
    made: Mapping[str, FloatArray],
    rate: tuple[float, float],
    out: dict[str, Estimate],
    withheld: dict[str, str],
) -> None:
    v, i = bus_channels(channels)
    why: dict[str, str] = {}
    for key, name in (("bus_voltage", v), ("bus_current", i)):
        if name is None:
            why[key] = f"no {key.replace('_', ' ')} is measured"
            continue
        if name == i and channels[name].sampled_at in ("low-on", "high-on"):
            why[key] = "a chopped current that is sampled at one switching state is not its mean"
            continue
        mean = figures[name].mean
        if mean is None:
            why[key] = f"{name}: {figures[name].withheld['mean']}"
        else:
            out[key] = mean
    withheld |= why
    rate_hz, u_rate = rate
    if "bus_current" in out and i is not None:
        charge = over_stretch(channels[i].values, rate_hz) / 3600
        out["charge_Ah"] = _integral(
            out["bus_current"], charge, channels[i].values.size / rate_hz / 3600, u_rate, "Ah"
        )
    else:
        withheld["charge_Ah"] = why["bus_current"]
    if why or v is None or i is None:
        withheld |= dict.fromkeys(("input_power", "energy_Wh"), "; ".join(why.values()))
        return
    power = mean_of(BUS_PRODUCT, made[BUS_PRODUCT], line)
    volts, amperes = channels[v], channels[i]
    systematic = u_product(
        power.value,
        out["bus_voltage"].value,
        out["bus_current"].value,
        (volts.u_scale, amperes.u_scale),
        (volts.u_offset, amperes.u_offset),
        (volts.u_common, amperes.u_common),
    )
    # Rounding that does not average out is in the means' own random parts.
    rounding = math.hypot(
        power_part(out["bus_voltage"].u_random, out["bus_current"].value),
        power_part(out["bus_current"].u_random, out["bus_voltage"].value),
    )
    out["input_power"] = Estimate(power.value, max(power.u_random, rounding), systematic, "W")
    energy = over_stretch(made[BUS_PRODUCT], rate_hz) / 3600
    hours = made[BUS_PRODUCT].size / rate_hz / 3600
    out["energy_Wh"] = _integral(out["input_power"], energy, hours, u_rate, "Wh")


def power_part(u: float, other: float) -> float:
    """Share of one factor's uncertainty in a product."""
    return abs(u * other)


def _integral(mean: Estimate, value: float, hours: float, u_rate: float, unit: str) -> Estimate:
    systematic = math.hypot(mean.u_systematic * hours, value * u_rate)
    return Estimate(value, mean.u_random * hours, systematic, unit)
