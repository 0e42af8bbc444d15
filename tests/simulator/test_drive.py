"""The drive's story: starting, running, giving up; and physics that must balance."""

import dataclasses
import math

import numpy as np
import pytest

from simulator.drive import CONTROL_HZ, Bridge, Drive, Phase, State
from simulator.motor import COOLANT_PUMP

RUN = Phase("run", 5.0, rpm=2400.0, valve=0.9)


def states(trajectory):
    changes = np.flatnonzero(np.diff(trajectory.state)) + 1
    return [State(value) for value in trajectory.state[[0, *changes]]]


@pytest.fixture(scope="module")
def running():
    drive = Drive()
    return drive, drive.advance([(RUN.steps, RUN)])


def test_start_goes_through_align_and_open_loop(running):
    assert states(running[1]) == [State.OFF, State.ALIGN, State.START, State.RUN]


def test_speed_settles_at_the_wanted_one(running):
    assert running[1].speed_rad_s[-1] / (2.0 * math.pi) == pytest.approx(200.0, rel=1e-6)


def test_settled_torque_is_the_pumps(running):
    drive, trajectory = running
    shaft_rad_s = 2400.0 * 2.0 * math.pi / 60.0
    assert trajectory.torque_nm[-1] == pytest.approx(drive.pump.torque_nm(0.9, shaft_rad_s), rel=1e-6)


def test_settled_currents_are_the_motors_for_that_voltage(running):
    drive, trajectory = running
    # the switches stand in series with the winding
    whole = dataclasses.replace(
        COOLANT_PUMP, resistance_ohm=COOLANT_PUMP.resistance_ohm + drive.bridge.switch_ohm
    )
    voltage_v = trajectory.voltage_v[-1]
    currents_a = whole.currents(voltage_v.real, voltage_v.imag, trajectory.speed_rad_s[-1])
    assert complex(*currents_a) == pytest.approx(trajectory.current_a[-1], rel=1e-6)


def test_power_from_the_bus_goes_to_shaft_copper_switches_and_electronics(running):
    drive, trajectory = running
    shaft_w = trajectory.torque_nm[-1] * trajectory.speed_rad_s[-1] / 5.0
    series_ohm = COOLANT_PUMP.resistance_ohm + drive.bridge.switch_ohm
    lost_w = 1.5 * series_ohm * abs(trajectory.current_a[-1]) ** 2 + drive.bridge.idle_w
    assert trajectory.bus_v[-1] * trajectory.bus_a[-1] == pytest.approx(shaft_w + lost_w, rel=1e-6)


def test_bus_voltage_falls_by_the_source_resistance(running):
    drive, trajectory = running
    drop_v = drive.bridge.source_ohm * trajectory.bus_a[-1]
    assert trajectory.bus_v[-1] == pytest.approx(drive.bridge.supply_v - drop_v, rel=1e-9)


def test_dead_time_takes_voltage_that_the_controller_must_add(running):
    # fundamental of a square wave: 4/pi of the mean leg error (Fourier series)
    ideal = Drive(bridge=Bridge(dead_time_s=0.0))
    ideal.advance([(RUN.steps, RUN)])
    drive = running[0]
    more_v = abs(_asked_v(drive)) - abs(_asked_v(ideal))
    assert more_v == pytest.approx(4.0 / math.pi * drive.bridge.dead_voltage_v, rel=0.1)


def _asked_v(drive):
    """Voltage that the settled controller asks for: integral and feed-forward."""
    speed = drive._shaft_rad_s * COOLANT_PUMP.pole_pairs
    forward_v = 1j * speed * (COOLANT_PUMP.inductance_q_h * 1j * drive._current_a.imag + COOLANT_PUMP.flux_vs)
    return drive._integral_v + forward_v


def test_rest_of_a_settled_phase_may_be_skipped(running, monkeypatch):
    monkeypatch.setattr(Drive, "_rests", lambda *_: False)
    slow = Drive().advance([(RUN.steps, RUN)])
    quick = running[1]
    assert quick.angle_rad == pytest.approx(slow.angle_rad, abs=1e-6)
    assert quick.current_a == pytest.approx(slow.current_a, abs=1e-6)


def test_skipping_does_happen(monkeypatch):
    steps = []
    monkeypatch.setattr(Drive, "_mechanical", lambda self: steps.append(1))
    Drive().advance([(4 * CONTROL_HZ, Phase("idle", 4.0))])
    assert len(steps) < 2 * CONTROL_HZ


def test_pieces_give_what_one_long_run_gives(running):
    drive = Drive()
    ends = [drive.advance([(RUN.steps // 10, RUN)]) for _ in range(10)]
    assert ends[-1].current_a[-1] == pytest.approx(running[1].current_a[-1], abs=1e-9)
    turns = (ends[-1].angle_rad[-1] - running[1].angle_rad[-1]) / (2.0 * math.pi)
    assert turns == pytest.approx(round(turns), abs=1e-6)


def test_blocked_rotor_makes_the_drive_give_up_at_its_current_limit():
    drive = Drive()
    blocked = Phase("blocked", 1.0, rpm=2400.0, valve=0.9, jam_nm=1.2)
    trajectory = drive.advance([(4 * CONTROL_HZ, RUN), (blocked.steps, blocked)])
    assert states(trajectory)[-1] is State.BLOCKED
    assert trajectory.current_a[-1] == 0.0
    assert np.abs(trajectory.current_a).max() == pytest.approx(drive.controls.limit_a, rel=0.01)


def test_blocked_drive_starts_again_after_it_was_switched_off():
    drive = Drive()
    blocked = Phase("blocked", 4.0, rpm=2400.0, jam_nm=1.2)
    off, on = Phase("off", 0.5), Phase("on", 3.0, rpm=1500.0)
    drive.advance([(4 * CONTROL_HZ, RUN), (blocked.steps, blocked), (off.steps, off)])
    assert drive.state is State.OFF
    drive.advance([(on.steps, on)])
    assert drive.state is State.RUN


def test_stop_ramps_down_and_lets_go():
    drive = Drive()
    stop = Phase("stop", 3.0, valve=0.9)
    trajectory = drive.advance([(RUN.steps, RUN), (stop.steps, stop)])
    assert states(trajectory)[-2:] == [State.STOP, State.OFF]
    assert trajectory.speed_rad_s[-1] == pytest.approx(0.0, abs=1e-3)
    assert not trajectory.switching[-1]


def test_braking_charges_the_bus_above_its_supply():
    drive = Drive()
    stop = Phase("stop", 2.0, valve=0.0)
    trajectory = drive.advance([(RUN.steps, RUN), (stop.steps, stop)])
    assert trajectory.bus_v.max() > drive.bridge.supply_v
    assert trajectory.bus_a.min() == 0.0


@pytest.mark.parametrize("rotor_rad", [0.0, 1.0, 2.5, 3.1, 4.5, 6.0])
def test_starts_from_any_rotor_position(rotor_rad):
    drive = Drive(rotor_rad=rotor_rad)
    drive.advance([(round(3.5 * CONTROL_HZ), RUN)])
    assert drive.state is State.RUN
    assert drive._shaft_rad_s == pytest.approx(2400.0 * 2.0 * math.pi / 60.0, rel=1e-3)


@pytest.mark.parametrize("name", ["align", "start"])
def test_switching_off_while_starting_lets_go(name):
    drive = Drive()
    seconds = {"align": 0.3, "start": 1.0}[name]
    drive.advance([(round(seconds * CONTROL_HZ), RUN)])
    assert drive.state is State[name.upper()]
    drive.advance([(10, Phase("off", 1.0))])
    assert drive.state is State.OFF
