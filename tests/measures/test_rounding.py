"""Roundings without noise to stir them, and windows too short for anything."""

from __future__ import annotations

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group

STEP_A = 3.3 / 4096 / (20 * 0.005)
RATE_HZ = 20_000.0


def rounded(amplitude_a: float, frequency_hz: float, count: int) -> dict[str, ChannelInput]:
    time_s = np.arange(count) / RATE_HZ
    channels = {}
    for number, phase in enumerate("UVW"):
        true = amplitude_a * np.cos(2 * np.pi * (frequency_hz * time_s - number / 3))
        values = np.round(true / STEP_A) * STEP_A
        channels[f"i{phase.lower()}"] = ChannelInput(values, phase=phase, u_quantisation=STEP_A / 12**0.5)
    return channels


@pytest.mark.parametrize("frequency_hz", [50.0, 125.0, 250.0, 400.0, 1000.0])
@pytest.mark.parametrize("amplitude_a", [0.05, 0.7, 1.26, 9.0])
def test_repeated_roundings_are_covered(amplitude_a: float, frequency_hz: float) -> None:
    measured = measure_group(rounded(amplitude_a, frequency_hz, 2000), RATE_HZ)
    true = amplitude_a / 2**0.5
    fundamental = measured.channels["iu"].fundamental_rms
    assert fundamental is not None
    assert abs(fundamental.value - true) <= 2 * fundamental.u
    assert measured.three_phase is not None
    positive = measured.three_phase.positive_rms
    assert positive is not None
    assert abs(positive.value - true) <= 2 * positive.u


@pytest.mark.parametrize("count", [1, 2, 3, 15])
def test_short_windows_say_that_they_are_short(count: int) -> None:
    measured = measure_group(rounded(9.0, 50.0, count), RATE_HZ)
    assert measured.channels["iu"].max is not None
    assert measured.channels["iu"].frequency_hz is None
    assert "too few" in measured.channels["iu"].withheld["frequency_hz"]


def test_constant_codes_keep_the_uncertainty_of_one_rounding() -> None:
    channels = {
        name: ChannelInput(np.full(500, value), phase=phase, u_quantisation=STEP_A / 12**0.5)
        for name, phase, value in (("iu", "U", 3.21), ("iv", "V", 1.0), ("iw", "W", -4.2186))
    }
    measured = measure_group(channels, RATE_HZ)
    rms = measured.channels["iu"].rms
    assert rms is not None
    assert rms.u >= STEP_A / 12**0.5
    assert measured.three_phase is not None
    residual = measured.three_phase.residual_rms
    assert residual is not None
    assert residual.value - 2 * residual.u <= 0
