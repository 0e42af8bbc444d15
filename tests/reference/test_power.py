"""Power, energy and charge against closed forms; definitions of IEEE 1459-2010 (from memory)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.power import active_power, apparent_power, two_wattmeters

N = 4096
TURN = 2 * np.pi * np.arange(N) / N


def sum_of(*parts):
    """Give one period of a sum of harmonics: (order, rms, degrees)."""
    return sum(math.sqrt(2) * rms * np.cos(h * TURN + math.radians(d)) for h, rms, d in parts)


def test_rms_and_apparent_power_of_a_harmonic_set():
    # rms V 100, 8, 15, 5 and I 100, 20, 15, 10 at orders 1, 3, 5, 7 (closed form).
    v = sum_of((1, 100, 0), (3, 8, 10), (5, 15, 20), (7, 5, 30))
    i = sum_of((1, 100, -40), (3, 20, 50), (5, 15, -60), (7, 10, 70))
    assert math.sqrt(np.mean(v**2)) == pytest.approx(101.557865, rel=1e-8)
    assert math.sqrt(np.mean(i**2)) == pytest.approx(103.561576, rel=1e-8)
    assert apparent_power(v, i) == pytest.approx(10517.492572, rel=1e-9)


def test_active_power_and_power_factor_of_distorted_waves():
    # V 230∠0, 11.5∠−30, 6.9∠45; I 10∠−36.8699, 3∠120, 2∠−60 at orders 1, 5, 7 (closed form).
    v = sum_of((1, 230, 0), (5, 11.5, -30), (7, 6.9, 45))
    i = sum_of((1, 10, -36.8699), (5, 3, 120), (7, 2, -60))
    power, apparent = active_power(v, i), apparent_power(v, i)
    assert power == pytest.approx(1806.550422, rel=1e-6)
    assert apparent == pytest.approx(
        math.sqrt((230**2 + 11.5**2 + 6.9**2) * (10**2 + 3**2 + 2**2)), rel=1e-12
    )
    assert apparent == pytest.approx(2449.086386, rel=1e-8)
    assert power / apparent == pytest.approx(0.737642586, rel=1e-6)


@pytest.mark.parametrize(
    ("lag", "readings"), [(0, (3464.102, 3464.102)), (30, (2000, 4000)), (60, (0, 3464.102))]
)
def test_two_wattmeters(lag, readings):
    # 400 V line to line, 10 A, angle 0, 30, 60° (closed form).
    volts = 400 / math.sqrt(3)
    u, v, w = (sum_of((1, volts, -120 * k)) for k in range(3))
    i_u, i_v = (sum_of((1, 10, -120 * k - lag)) for k in range(2))
    found = sorted(two_wattmeters(u - w, v - w, i_u, i_v))
    assert found == pytest.approx(readings, abs=1e-3)


def test_balanced_power_is_constant():
    # 10 V peak, 5 A peak, 30°: 64.951905 W without ripple (closed form).
    total = sum(
        10 * np.cos(TURN - k * 2 * np.pi / 3) * 5 * np.cos(TURN - k * 2 * np.pi / 3 - math.pi / 6)
        for k in range(3)
    )
    assert total == pytest.approx(np.full(N, 64.951905), rel=1e-8)
    channels = {}
    for k, p in enumerate("UVW"):
        theta = 20 * TURN - k * 2 * np.pi / 3
        channels[f"u{p}"] = ChannelInput(10 * np.cos(theta), unit="V", quantity="voltage", phase=p)
        channels[f"i{p}"] = ChannelInput(5 * np.cos(theta - math.pi / 6), phase=p)
    power = measure_group(channels, 20_000.0).power
    assert power.phase_power.value == pytest.approx(64.951905, rel=1e-7)
    assert power.power_factor.value == pytest.approx(math.cos(math.pi / 6), rel=1e-3)


def bus(amperes, volts=24.0):
    return {
        "ubus": ChannelInput(np.full(amperes.size, volts), unit="V", quantity="voltage", phase="bus"),
        "ibus": ChannelInput(amperes, phase="bus"),
    }


def test_charge_of_a_steady_current():
    # 36 A for 100 s are 1 Ah.
    power = measure_group(bus(np.full(1000, 36.0)), 10.0).power
    assert power.charge_Ah.value == pytest.approx(1.0, rel=1e-12)


def test_charge_and_energy_of_a_ramp():
    # 0 to 20 A within an hour: 10 Ah, and 240 Wh at 24 V. Of 3600 values the trapezoid rule sees 3599 s of
    # the mean, and the last one lasts a second more (closed form).
    sampled = (3599 * 10 + 20) / 3600
    power = measure_group(bus(np.linspace(0.0, 20.0, 3600)), 1.0).power
    assert power.charge_Ah.value == pytest.approx(10.0, rel=3e-4)
    assert power.charge_Ah.value == pytest.approx(sampled, rel=1e-9)
    assert power.energy_Wh.value == pytest.approx(240.0, rel=3e-4)
    assert power.energy_Wh.value == pytest.approx(24 * sampled, rel=1e-9)
