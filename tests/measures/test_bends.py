"""What the converter's non-linearity and the shared reference do to figures, held to made errors."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import GroupMeasures, measure_group

RATE_HZ = 20_000.0
TURN = 2 * np.pi * 83.37 * np.arange(20_000) / RATE_HZ
LIMIT = 0.02
"""Of the non-linearity, in amperes."""


def measured(bend, size=1.0, offset=0.0) -> GroupMeasures:
    channels = {}
    for k, phase in enumerate("UVW"):
        true = size * np.cos(TURN - k * 2 * np.pi / 3) + offset
        values = true + LIMIT * bend(true)
        channels[f"i{phase}"] = ChannelInput(values, phase=phase, u_bow=LIMIT / math.sqrt(3))
    return measure_group(channels, RATE_HZ)


@pytest.mark.parametrize(
    "bend",
    [np.sign, lambda i: np.clip(i / 0.2, -1, 1), lambda i: np.sin(1.3 * i), lambda i: np.cos(7 * i)],
    ids=["step", "steep", "bow", "wave"],
)
@pytest.mark.parametrize("size", [0.1, 1.0, 8.0])
def test_any_bend_within_its_limit_is_covered(bend, size):
    figures = measured(bend, size)
    for phase, degrees in zip("UVW", (0, -120, 120), strict=True):
        channel = figures.channels[f"i{phase}"]
        for figure in (channel.fundamental_rms, channel.rms, channel.ac_rms):
            assert abs(figure.value - size / math.sqrt(2)) <= 2 * figure.u
        assert channel.thd_percent.value <= 2 * channel.thd_percent.u
        # The size only: a bend is the same on the way up and down.
        assert figures.three_phase.angles_deg[phase].value == pytest.approx(degrees, abs=0.2)


def test_the_worst_bend_is_its_limit_times_four_over_pi():
    # A square wave of a has the fundamental 4 a / pi (closed form); a/√3 is a's standard uncertainty.
    channel = measured(np.sign).channels["iU"]
    error = channel.fundamental_rms.value - 1 / math.sqrt(2)
    assert error == pytest.approx(4 * LIMIT / (math.pi * math.sqrt(2)), rel=1e-3)
    assert channel.fundamental_rms.u_systematic == pytest.approx(error / math.sqrt(3), rel=1e-3)


def test_unbalance_is_not_surer_than_the_converter():
    exact = {f"i{p}": ChannelInput(np.cos(TURN - k * 2 * np.pi / 3), phase=p) for k, p in enumerate("UVW")}
    assert measure_group(exact, RATE_HZ).three_phase.unbalance_percent.u_systematic < 1e-6
    unbalance = measured(np.zeros_like).three_phase.unbalance_percent
    assert unbalance.u_systematic > 100 * LIMIT / 10


def test_phase_power_by_one_wrong_reference():
    # Every voltage and current 1 % high: the power is 2.01 % high, and its uncertainty says 2 %.
    channels = {}
    for k, phase in enumerate("UVW"):
        wave = np.cos(TURN - k * 2 * np.pi / 3)
        for name, unit, quantity, size in (("u", "V", "voltage", 10.0), ("i", "A", "current", 5.0)):
            channels[name + phase] = ChannelInput(
                size * wave, unit=unit, quantity=quantity, phase=phase, u_scale=0.01, u_common=0.01
            )
    power = measure_group(channels, RATE_HZ).power
    assert power.phase_power.value == pytest.approx(75.0)
    assert power.phase_power.u_systematic == pytest.approx(0.02 * 75.0, rel=1e-3)
