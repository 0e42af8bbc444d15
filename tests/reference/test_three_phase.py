"""Symmetrical components, sequence, unbalance and speed against textbook and closed-form numbers."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.speed import rpm
from livesense.measures.three_phase import PhasePhasor, components, three_phase
from livesense.measures.vectors import clarke, park
from livesense.samples import Estimate


def polar(size, degrees):
    return cmath.rect(size, math.radians(degrees))


@pytest.mark.parametrize(
    ("phasors", "zero", "positive", "negative", "tolerance"),
    [
        # An open line, a textbook classic (from memory), and computed from the definition.
        ((10, polar(10, 180), 0), 0, polar(5.7735, -30), polar(5.7735, 30), 1e-4),
        # A published textbook's example 3.3.1, and computed from the definition.
        ((12 + 24j, 16 - 2j, -4 - 6j), 8 + 5.3333j, 0.8453 + 15.1068j, 3.1547 + 3.5598j, 1e-4),
        # Computed from the definition.
        (
            (8, polar(6, -90), polar(16, 143.1)),
            polar(2, 143.05),
            polar(9.8049, 18.385),
            polar(4.3047, -86.085),
            1e-3,
        ),
        # Computed from the definition and by a general library.
        ((10, polar(9, -120), polar(11, 120)), polar(0.57735, 90), 10, polar(0.57735, -90), 1e-5),
    ],
)
def test_symmetrical_components(phasors, zero, positive, negative, tolerance):
    found = components(*(complex(p) for p in phasors))
    for value, expected in zip(found, (zero, positive, negative), strict=True):
        assert abs(value - expected) < tolerance


def of(u, v, w, **known):
    return three_phase({p: PhasePhasor(complex(z), **known) for p, z in zip("UVW", (u, v, w), strict=True)})


def test_unbalance_of_ten_nine_eleven():
    # 10∠0, 9∠−120, 11∠120: 5.773503 % (computed from the definition and by a general library).
    assert of(10, polar(9, -120), polar(11, 120)).unbalance_percent.value == pytest.approx(5.773503, abs=1e-6)


def test_unbalance_from_magnitudes_of_three_that_sum_to_zero():
    # Negative sequence from magnitudes alone, β = Σ⁴/(Σ²)² (closed form); 460, 467, 450 gives 2.1465 %.
    a, b, c = 460.0, 467.0, 450.0
    between = math.degrees(math.acos((a * a + b * b - c * c) / (2 * a * b)))
    u, v = polar(a, 0), polar(b, 180 - between)
    w = -(u + v)
    assert abs(w) == pytest.approx(c)
    assert of(u, v, w).unbalance_percent.value == pytest.approx(2.1465, abs=1e-4)


# NEMA MG-1's example voltages, second set; closed form from magnitudes: .9704 %.
def test_unbalance_from_magnitudes_of_480_476_472():
    a, b, c = 480.0, 476.0, 472.0
    beta = (a**4 + b**4 + c**4) / (a**2 + b**2 + c**2) ** 2
    expected = 100 * math.sqrt((1 - math.sqrt(3 - 6 * beta)) / (1 + math.sqrt(3 - 6 * beta)))
    assert expected == pytest.approx(0.9704, abs=1e-4)
    between = math.degrees(math.acos((a * a + b * b - c * c) / (2 * a * b)))
    u, v = polar(a, 0), polar(b, 180 - between)
    assert of(u, v, -(u + v)).unbalance_percent.value == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("three", "vector"), [((10, -5, -5), 10 + 0j), ((10, 0, -10), 10 + 5.773503j), ((0, 0, 0), 0j)]
)
def test_clarke_keeps_the_amplitude(three, vector):
    # Amplitude-invariant form, computed from the definition.
    found, zero = clarke(*(np.array([float(x)]) for x in three))
    assert found[0] == pytest.approx(vector, abs=1e-6)
    assert zero[0] == pytest.approx(0)


def test_park():
    # i = 10 cos(θ + δ), θ = 30°, δ = 30° → dq (8.660254, 5), computed from the definition.
    theta, delta = math.radians(30), math.radians(30)
    currents = [np.array([10 * math.cos(theta + delta - k * 2 * math.pi / 3)]) for k in range(3)]
    turned = park(clarke(*currents)[0], theta)[0]
    assert (turned.real, turned.imag) == pytest.approx((8.660254, 5), abs=1e-6)


def test_angles_of_a_healthy_machine_are_120_degrees_apart():
    # Common practice, no source.
    angles = of(polar(5, 40), polar(5, -80), polar(5, 160)).angles_deg
    assert [angles[p].value for p in "UVW"] == pytest.approx([0, -120, 120])


# Wiring signatures for unit currents (computed from the definition): positive, negative, residual.
@pytest.mark.parametrize(
    ("u", "v", "w", "positive", "negative", "residual"),
    [
        (1, polar(1, 60), polar(1, 120), 1 / 3, 2 / 3, 2.0),  # V reversed
        (-1, polar(1, -120), polar(-1, 120), 1 / 3, 2 / 3, 2.0),  # U and W reversed: the same picture
        (-1, polar(-1, -120), polar(-1, 120), 1.0, 0.0, 0.0),  # all three reversed: cannot be seen
        (polar(1, -120), polar(1, 120), 1, 1.0, 0.0, 0.0),  # labels exchanged in a circle: cannot be seen
        (1, polar(1, 120), polar(1, -120), 0.0, 1.0, 0.0),  # V and W exchanged: as reversed rotation
    ],
)
def test_wiring_signatures(u, v, w, positive, negative, residual):
    result = of(u, v, w)
    assert result.positive_rms.value == pytest.approx(positive, abs=1e-12)
    assert result.negative_rms.value == pytest.approx(negative, abs=1e-12)
    assert 3 * result.zero_rms.value == pytest.approx(residual, abs=1e-12)
    assert result.sequence == ("UVW" if positive > negative else "UWV")


def test_a_lost_phase_is_all_unbalance():
    # Phase loss: negative over positive 100 % (closed form); which way it turns cannot be told.
    result = of(1, -1, 0, u_component=1e-4)
    assert result.unbalance_percent.value == pytest.approx(100.0)
    assert result.sequence is None


@pytest.mark.slow
def test_floors_of_a_healthy_three_shunt_bench():
    # 1 % shunts, 0.3 % gains, rectangular (Monte Carlo, computed): unbalance mean 0.32 %, 95 % point 0.56 %;
    # residual median 0.93 %, 95 % point 1.7 %.
    rng = np.random.default_rng(21)
    unbalance, residual = [], []
    for _ in range(20_000):
        gains = (1 + rng.uniform(-0.01, 0.01, 3)) * (1 + rng.uniform(-0.003, 0.003, 3))
        zero, positive, negative = components(
            *(g * polar(1, d) for g, d in zip(gains, (0, -120, 120), strict=True))
        )
        unbalance.append(100 * abs(negative) / abs(positive))
        residual.append(100 * 3 * abs(zero))
    assert np.mean(unbalance) == pytest.approx(0.32, abs=0.01)
    assert np.quantile(unbalance, 0.95) == pytest.approx(0.56, abs=0.02)
    assert np.median(residual) == pytest.approx(0.93, abs=0.03)
    assert np.quantile(residual, 0.95) == pytest.approx(1.7, abs=0.05)


@pytest.mark.parametrize(("hz", "pole_pairs", "expected"), [(200.0, 4, 3000.0), (400.0, 7, 3428.5714)])
def test_speed(hz, pole_pairs, expected):
    # 60·f / pole pairs (closed form); 14 poles are 7 pairs.
    assert rpm(Estimate(hz), pole_pairs).value == pytest.approx(expected, rel=1e-7)


def test_the_whole_way_from_currents():
    # 10, 9, 11 A rms at −120°: from sampled currents to the numbers of the definition.
    theta = 2 * np.pi * 83.37 * np.arange(20_000) / 20_000
    channels = {
        f"i{p.lower()}": ChannelInput(math.sqrt(2) * size * np.cos(theta - k * 2 * np.pi / 3), phase=p)
        for k, (p, size) in enumerate(zip("UVW", (10, 9, 11), strict=True))
    }
    result = measure_group(channels, 20_000.0, pole_pairs=5)
    assert result.three_phase.unbalance_percent.value == pytest.approx(5.773503, rel=1e-6)
    assert result.three_phase.residual_rms.value == pytest.approx(3 * 0.57735, rel=1e-5)
    assert result.speed.rpm.value == pytest.approx(83.37 * 12, rel=1e-9)
