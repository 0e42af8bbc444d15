"""Pulse ripple in closed form against switched legs, integrated step by step."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulator import pwm

PERIOD_S = 50e-6


def test_no_ripple_at_the_valley_and_half_a_period_later():
    duty = np.array([0.0, 0.1, 0.5, 0.93, 1.0])
    assert pwm.volt_seconds(duty, 0.0, PERIOD_S) == pytest.approx(0.0, abs=1e-15)
    assert pwm.volt_seconds(duty, PERIOD_S / 2.0, PERIOD_S) == pytest.approx(0.0, abs=1e-15)


def test_ripple_falls_after_the_valley_while_the_low_switch_conducts():
    # 1 us after the valley a leg of duty 0.4 has been low all the time: 0.4 V s per bus volt short
    assert pwm.volt_seconds(np.array([0.4]), 1e-6, PERIOD_S)[0] == pytest.approx(-0.4e-6, rel=1e-12)


@settings(max_examples=40, deadline=None)
@given(st.floats(0.0, 1.0), st.floats(-0.5, 0.5))
def test_closed_form_is_the_integral_of_a_switched_leg(duty, periods):
    steps = 20_000
    ticks = (np.arange(steps) + 0.5) / steps * periods
    high = np.abs(ticks) > (1.0 - duty) / 2.0
    integral_s = np.sum(high - duty) * periods / steps * PERIOD_S
    closed_s = pwm.volt_seconds(np.array([duty]), periods * PERIOD_S, PERIOD_S)[0]
    assert closed_s == pytest.approx(integral_s, abs=2e-4 * PERIOD_S)


def test_ripple_repeats_with_the_period():
    duty = np.array([0.2, 0.7])
    here = pwm.volt_seconds(duty, 7e-6, PERIOD_S)
    assert pwm.volt_seconds(duty, 7e-6 - PERIOD_S, PERIOD_S) == pytest.approx(here, rel=1e-9)


def test_duties_give_the_wanted_voltages_between_legs_and_are_centred():
    wanted_v = np.array([3.0 + 4.0j, -9.0 + 2.0j, 0j])
    duty = pwm.duties(wanted_v, np.full(3, 24.0))
    assert pwm.vector(duty * 24.0) == pytest.approx(wanted_v)
    assert duty.max(axis=1) + duty.min(axis=1) == pytest.approx(1.0)


def test_duties_stay_within_the_rails():
    duty = pwm.duties(np.array([100.0 + 0j]), np.array([24.0]))
    assert duty.min() == 0.0 and duty.max() == 1.0


def test_vector_and_phases_undo_each_other():
    # amplitude form: 10 cos t, and the two that follow, make a vector of length 10
    t = np.linspace(0.0, 6.0, 7)
    values = 10.0 * np.cos(t[:, None] - 2.0 * np.pi / 3.0 * np.arange(3))
    assert pwm.vector(values) == pytest.approx(10.0 * np.exp(1j * t))
    assert pwm.phases(pwm.vector(values)) == pytest.approx(values)


def test_common_part_of_three_phases_drops_out():
    values = np.array([[1.0, 2.0, 4.0]])
    assert pwm.vector(values + 5.0) == pytest.approx(pwm.vector(values))
