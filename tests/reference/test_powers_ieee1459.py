"""Powers by the definitions of IEEE 1459-2010 (from memory), and torque constants; closed forms."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.ieee1459 import powers
from livesense.measures.machine import copper_at, copper_loss, rise_by_resistance, torque_per_peak_ampere
from livesense.measures.three_phase import PhasePhasor, max_deviation

RATE_HZ = 20_000.0
N = 8000
TURN = 2 * np.pi * 50 * np.arange(N) / RATE_HZ


def test_a_harmonic_set():
    # rms V 100, 8, 15, 5 and I 100, 20, 15, 10 at orders 1, 3, 5, 7 (definitions of IEEE 1459, closed form).
    v, i = math.hypot(100, 8, 15, 5), math.hypot(100, 20, 15, 10)
    found = powers([100 + 0j], [100 * cmath.exp(-0.5j)], [v], [i], 9000.0)
    assert v == pytest.approx(101.557865, rel=1e-8)
    assert found.apparent == pytest.approx(10517.492572, rel=1e-9)
    assert found.current_distortion == pytest.approx(2692.582404, rel=1e-9)
    assert found.nonfundamental == pytest.approx(3258.473569, rel=1e-9)
    parts = (found.current_distortion, found.voltage_distortion, found.harmonic_apparent)
    assert math.hypot(*parts) == pytest.approx(found.nonfundamental, rel=1e-12)
    assert found.displacement_factor == pytest.approx(math.cos(0.5))
    assert found.reactive == pytest.approx(10000 * math.sin(0.5)), "lagging current takes reactive power"
    assert found.power_factor == pytest.approx(9000 / 10517.492572)
    assert found.nonactive == pytest.approx(math.sqrt(10517.492572**2 - 9000**2))


def test_nothing_has_no_factor():
    found = powers([0j], [0j], [0.0], [0.0], 0.0)
    assert math.isnan(found.power_factor)
    assert math.isnan(found.displacement_factor)


def test_one_or_three_phases():
    with pytest.raises(ValueError, match="expected 1 or 3 of each, got 2"):
        powers([0j, 0j], [0j, 0j], [0.0, 0.0], [0.0, 0.0], 0.0)


def three(lag=0.5, fifth=0.0, way=1, sizes=(5.0, 5.0, 5.0), common=3.0, noise=0.0):
    """Voltages of 10 V against a moving point, currents of 5 A that lag, with a fifth harmonic."""
    rng = np.random.default_rng(7)
    made = {}
    for k, p in enumerate("UVW"):
        theta = TURN - way * k * 2 * np.pi / 3
        volts = 10 * np.cos(theta) + common * np.cos(3 * TURN) + 12
        amperes = sizes[k] * np.cos(theta - lag) + fifth * np.cos(5 * theta) + rng.normal(0, noise, N)
        made[f"u{p}"] = ChannelInput(volts, unit="V", quantity="voltage", phase=p, u_scale=0.002)
        made[f"i{p}"] = ChannelInput(amperes, phase=p, u_scale=0.003)
    return made


@pytest.mark.parametrize("way", [1, -1])
def test_three_phases_with_a_distorted_current(way):
    # Effective values: Ve1 = 10/√2, Ie1 = 5/√2, IeH = 1/√2; the point that voltages refer to is no matter.
    power = measure_group(three(fifth=1.0, way=way), RATE_HZ).power
    se1 = 1.5 * 10 * 5
    expected = {
        "phase_power": se1 * math.cos(0.5),
        "fundamental_power": se1 * math.cos(0.5),
        "fundamental_apparent_power": se1,
        "reactive_power": se1 * math.sin(0.5),
        "apparent_power": 1.5 * 10 * math.hypot(5, 1),
        "current_distortion_power": 1.5 * 10 * 1,
        "nonfundamental_power": 15.0,
        "voltage_distortion_power": 0.0,
        "displacement_factor": math.cos(0.5),
    }
    for name, value in expected.items():
        estimate = getattr(power, name)
        assert estimate.value == pytest.approx(value, rel=2e-3, abs=2e-2), name
        assert 0 <= estimate.u < 0.01 * se1
    # Aron's circuit, whichever way it turns (closed form): UL IL cos(φ ∓ 30°).
    line = math.sqrt(1.5) * 10 * 5 / math.sqrt(2)
    readings = {k: e.value for k, e in power.two_wattmeters.items()}
    assert sum(readings.values()) == pytest.approx(se1 * math.cos(0.5), rel=1e-3)
    assert readings["UW"] == pytest.approx(line * math.cos(0.5 - way * math.pi / 6), rel=2e-3)


def test_an_unbalanced_load_has_apparent_power_that_no_sequence_has():
    power = measure_group(three(sizes=(7.0, 4.0, 4.0)), RATE_HZ).power
    assert power.apparent_power.value > math.hypot(power.fundamental_power.value, power.reactive_power.value)
    assert power.reactive_power.value == pytest.approx(1.5 * 10 * 5 * math.sin(0.5), rel=1e-2)


def test_direct_current_has_no_fundamental_powers():
    made = {}
    for p, v, i in (("U", 10.0, 2.0), ("V", 4.0, -0.5), ("W", 4.0, -1.5)):
        made[f"u{p}"] = ChannelInput(np.full(500, v), unit="V", quantity="voltage", phase=p)
        made[f"i{p}"] = ChannelInput(np.full(500, i), phase=p)
    power = measure_group(made, RATE_HZ).power
    assert power.phase_power.value == pytest.approx(12)
    assert power.reactive_power is None
    assert power.withheld["reactive_power"] == "the values are constant"
    assert power.two_wattmeters["UW"].value == pytest.approx(12)


def test_a_voltage_without_fundamental_has_no_displacement():
    made = three()
    for p, v in (("U", 1.0), ("V", 2.0), ("W", -3.0)):
        made[f"u{p}"] = ChannelInput(np.full(N, v), unit="V", quantity="voltage", phase=p)
    power = measure_group(made, RATE_HZ).power
    assert power.displacement_factor is None
    assert power.voltage_distortion_power.value == pytest.approx(3 * math.sqrt(14 / 3) * 5 / math.sqrt(2))


@pytest.mark.slow
def test_uncertainty_of_a_power_holds_the_truth():
    rng = np.random.default_rng(3)
    truth = {"reactive_power": 75 * math.sin(0.5), "apparent_power": 15 * math.hypot(5, 1)}
    inside = []
    for _ in range(60):
        made = {}
        for name, c in three(fifth=1.0, noise=0.01).items():
            off = 1 + rng.uniform(-1, 1) * math.sqrt(3) * c.u_scale
            more = {"quantity": c.quantity, "phase": c.phase, "u_scale": c.u_scale}
            made[name] = ChannelInput(c.values * off, unit=c.unit, **more)
        power = measure_group(made, RATE_HZ).power
        inside += [abs(getattr(power, n).value - t) <= 2 * getattr(power, n).u for n, t in truth.items()]
    assert np.mean(inside) >= 0.95


@pytest.mark.parametrize(
    ("stated", "per_peak"),
    [
        # One machine: ψ 10 mWb peak, 5 pole pairs: ke 50 mV·s peak a phase, T = 1.5 p ψ i_q (closed form).
        ({"flux_linkage_wb": 0.01, "pole_pairs": 5}, 0.075),
        ({"torque_constant": (0.075, "peak phase current")}, 0.075),
        ({"torque_constant": (0.075 * math.sqrt(2), "rms phase current")}, 0.075),
        ({"voltage_constant": (0.05, "peak phase voltage")}, 0.075),
        ({"voltage_constant": (0.05 / math.sqrt(2), "rms phase voltage")}, 0.075),
        ({"voltage_constant": (0.05 * math.sqrt(3), "peak line voltage")}, 0.075),
        ({"voltage_constant": (0.05 * math.sqrt(1.5), "rms line voltage")}, 0.075),
        ({"flux_linkage_wb": 0.01}, None),
        ({}, None),
    ],
)
def test_constants_are_one_fact_in_many_words(stated, per_peak):
    found = torque_per_peak_ampere(**stated)
    assert found == (None if per_peak is None else pytest.approx(per_peak))


def test_power_is_conserved():
    # T ω = 3 E I: rms line ke 61.2 mV·s, 4 A rms, 100 rad/s (closed form).
    torque = torque_per_peak_ampere(voltage_constant=(0.0612, "rms line voltage")) * 4 * math.sqrt(2)
    assert torque * 100 == pytest.approx(3 * (0.0612 * 100 / math.sqrt(3)) * 4)


def test_torque_of_the_reference_machine():
    # R 50 mΩ, ψ 10 mWb, p 4, i_q 20 A without reluctance: 1.2 N·m; the rest of 1.26 is that of L_d ≠ L_q.
    assert 20 * torque_per_peak_ampere(flux_linkage_wb=0.01, pole_pairs=4) == pytest.approx(1.2)


def test_copper():
    # Copper 20 → 75 °C: × 1.215686 with k = 235; 200 → 210 mΩ, 20/25 °C: 7.75 K (IEC 60034-1).
    assert copper_at(1.0, 20, 75) == pytest.approx(1.215686, rel=1e-6)
    assert rise_by_resistance(0.200, 0.210, 20, 25) == pytest.approx(7.75)


def test_copper_loss():
    # Three windings of 50 mΩ at 10 A rms: 3 · 10² · .05 = 15 W (closed form).
    assert copper_loss(0.05, [10.0, 10.0, 10.0]) == pytest.approx(15.0)


@pytest.mark.parametrize(("values", "percent"), [((460, 467, 450), 1.9608), ((480, 476, 472), 0.8403)])
def test_largest_deviation_from_the_mean(values, percent):
    # NEMA MG-1 (from memory), printed rounding.
    found = max_deviation([PhasePhasor(complex(v)) for v in values])
    assert found.value == pytest.approx(percent, abs=5e-5)


def test_largest_deviation_of_a_healthy_bench_is_within_its_uncertainty():
    rng = np.random.default_rng(5)
    off = rng.uniform(-0.01, 0.01, (2000, 3)) * 1.0
    found = [max_deviation([PhasePhasor(1 + 0j + o, 0.0, 0.01 / math.sqrt(3)) for o in row]) for row in off]
    # The truth is 0.
    assert np.mean([e.value <= 2 * e.u + 1e-9 for e in found]) >= 0.95
