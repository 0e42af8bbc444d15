"""Several machines in one recording: each has its own three-phase figures, and phases are never joined."""

from __future__ import annotations

import numpy as np

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.group_phases import preferred

RATE_HZ = 20_000.0
N = 4000


def channel(phase, place, peak=6.0, shift=0.0, quantity="current"):
    angle = 2 * np.pi * 83.37 * np.arange(N) / RATE_HZ - "UVW".index(phase) * 2 * np.pi / 3 + shift
    noise = np.random.default_rng(ord(phase) + int(peak)).normal(0, 0.01, N)
    unit = "A" if quantity == "current" else "V"
    return ChannelInput(peak * np.cos(angle) + noise, phase=phase, place=place, quantity=quantity, unit=unit)


def machine(circuit, phases="UVW", peak=6.0, quantity="current", shift=0.0):
    letter = "i" if quantity == "current" else "v"
    return {f"{letter}{p}_{circuit}": channel(p, circuit, peak, shift, quantity) for p in phases}


def test_each_circuit_has_its_figures():
    found = measure_group({**machine("pump 1"), **machine("pump 2", peak=3.0)}, RATE_HZ)
    assert set(found.three_phase_by_place) == {"pump 1", "pump 2"}
    for circuit, peak in (("pump 1", 6.0), ("pump 2", 3.0)):
        positive = found.three_phase_by_place[circuit].positive_rms
        assert abs(positive.value - peak / np.sqrt(2)) < 4 * positive.u + 1e-4
    assert found.three_phase.positive_rms == found.three_phase_by_place["pump 1"].positive_rms


def test_phases_of_different_circuits_are_not_joined():
    found = measure_group({**machine("pump 1", "UV"), **machine("pump 2", "W")}, RATE_HZ)
    assert found.three_phase is None
    assert "power_factor" in found.power.withheld


def test_the_first_whole_circuit_leads():
    channels = {**machine("pump 1", "UV"), **machine("pump 2")}
    assert list(preferred(channels).values()) == ["iU_pump 2", "iV_pump 2", "iW_pump 2"]


def test_voltages_are_those_of_the_same_circuit():
    channels = {**machine("bus", peak=20.0, quantity="voltage"), **machine("pump 1"),
                **machine("pump 1", peak=10.0, quantity="voltage", shift=np.pi / 3)}  # fmt: skip
    assert set(preferred(channels, "voltage").values()) == {"vU_pump 1", "vV_pump 1", "vW_pump 1"}
    power = measure_group(channels, RATE_HZ).power
    # 3 · V · I · cos φ with peak values 10 V, 6 A and 60°.
    assert abs(power.phase_power.value - 3 * 10 * 6 / 2 * 0.5) < 0.1
    assert abs(power.power_factor.value - 0.5) < 0.01


def test_voltages_of_the_only_other_circuit_serve():
    channels = {**machine("bus", peak=20.0, quantity="voltage"), **machine("pump 1")}
    assert set(preferred(channels, "voltage")) == {"U", "V", "W"}


def test_voltages_of_two_other_circuits_do_not():
    channels = {**machine("a", quantity="voltage"), **machine("b", quantity="voltage"), **machine("pump 1")}
    assert preferred(channels, "voltage") == {}


def test_places_of_one_machine_are_joined_as_before():
    channels = {**machine("in-line", "UV"), **machine("low-side")}
    assert list(preferred(channels).values()) == ["iU_in-line", "iV_in-line", "iW_low-side"]
