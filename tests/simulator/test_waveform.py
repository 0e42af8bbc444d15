"""Phase currents built from the smooth trajectory."""

import math

import numpy as np
import pytest

from simulator import pwm
from simulator.drive import CONTROL_HZ, Drive, Phase
from simulator.waveform import NEGATIVE_SEQUENCE, DriveKind, Waveform

RUN = Phase("run", 5.0, rpm=2400.0, valve=0.9)
SCANS_S = np.arange(2000) / 20e3


@pytest.fixture(scope="module")
def trajectory():
    drive = Drive()
    drive.advance([(RUN.steps, RUN)])
    # 200 Hz for a tenth of a second: 20 cycles of exactly 100 scans
    return drive, drive.advance([(CONTROL_HZ // 10, RUN)])


@pytest.fixture(scope="module")
def field_oriented(trajectory):
    waveform = Waveform(trajectory[0], DriveKind.FIELD_ORIENTED)
    return waveform, waveform.grid(trajectory[1], SCANS_S)


@pytest.fixture(scope="module")
def six_step(trajectory):
    waveform = Waveform(trajectory[0], DriveKind.SIX_STEP)
    return waveform, waveform.grid(trajectory[1], SCANS_S)


def spectrum(current_a):
    return 2.0 * np.abs(np.fft.rfft(current_a)) / len(current_a)


@pytest.mark.parametrize("kind", ["field_oriented", "six_step"])
@pytest.mark.parametrize("offset_s", [0.0, 4e-6])
def test_three_currents_sum_to_zero(kind, offset_s, request):
    waveform, grid = request.getfixturevalue(kind)
    assert waveform.currents(grid, (offset_s,) * 3).sum(axis=1) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("kind", ["field_oriented", "six_step"])
def test_samples_at_the_valley_see_no_ripple_and_others_do(kind, request):
    waveform, grid = request.getfixturevalue(kind)

    def ripple_a(offset_s):
        return waveform.currents(grid, (offset_s,) * 3) - waveform.currents(
            grid, (offset_s,) * 3, ripple=False
        )

    assert np.abs(ripple_a(0.0)).max() == 0.0
    assert np.abs(ripple_a(1e-6)).max() > 0.01
    assert np.abs(ripple_a(5e-6)).max() > 0.05
    assert np.abs(ripple_a(25e-6)).max() < 1e-9


def test_ripple_is_what_switched_legs_drive_through_the_windings(field_oriented):
    waveform, grid = field_oriented
    motor, period_s, steps = waveform.motor, waveform.period_s, 4000
    offset_s = 7.3e-6
    seen_a = waveform.currents(grid, (offset_s,) * 3) - waveform.currents(grid, (offset_s,) * 3, ripple=False)
    for scan in (0, 13, 47, 80):
        # Slow twin: switch the legs, subtract the mean voltage, integrate through both rotor axes.
        ticks_s = (np.arange(steps) + 0.5) / steps * offset_s
        high = np.abs(ticks_s)[:, None] > (1.0 - grid.duty[scan]) * period_s / 2.0
        error_v = pwm.vector((high - grid.duty[scan]) * grid.bus_v[scan])
        rotor_vs = error_v.sum() * offset_s / steps * grid.turn[scan].conj()
        rotor_a = rotor_vs.real / motor.inductance_d_h + 1j * rotor_vs.imag / motor.inductance_q_h
        assert seen_a[scan] == pytest.approx(
            pwm.phases(np.array([rotor_a * grid.turn[scan]]))[0], abs=1e-3 * np.abs(seen_a).max()
        )


def test_field_oriented_fundamental_is_the_smooth_current(field_oriented):
    waveform, grid = field_oriented
    current_a = waveform.currents(grid, (0.0, 0.0, 0.0))
    stationary = pwm.vector(current_a) * grid.turn.conj()
    assert abs(stationary.mean()) == pytest.approx(abs(grid.current_a[0]), rel=1e-6)


def test_windings_are_not_quite_alike(field_oriented):
    waveform, grid = field_oriented
    stationary = pwm.vector(waveform.currents(grid, (0.0, 0.0, 0.0)))
    backwards = (stationary * grid.turn).mean()
    assert abs(backwards) == pytest.approx(abs(NEGATIVE_SEQUENCE * grid.current_a[0]), rel=1e-6)


def test_dead_time_and_back_emf_leave_odd_harmonics_but_no_third(field_oriented):
    waveform, grid = field_oriented
    lines_a = spectrum(waveform.currents(grid, (0.0,) * 3)[:, 0])[::20]
    assert lines_a[5] / lines_a[1] > 1e-4
    assert lines_a[7] / lines_a[1] > 1e-4
    assert lines_a[3] / lines_a[1] < 1e-9


def test_no_harmonics_without_dead_time_and_back_emf_harmonics():
    from dataclasses import replace

    from simulator.drive import Bridge
    from simulator.motor import COOLANT_PUMP

    drive = Drive(replace(COOLANT_PUMP, emf_5=0.0, emf_7=0.0), bridge=Bridge(dead_time_s=0.0))
    drive.advance([(RUN.steps, RUN)])
    waveform = Waveform(drive, DriveKind.FIELD_ORIENTED)
    grid = waveform.grid(drive.advance([(CONTROL_HZ // 10, RUN)]), SCANS_S)
    lines_a = spectrum(waveform.currents(grid, (0.0,) * 3)[:, 0])[::20]
    assert lines_a[5:14].max() / lines_a[1] < 1e-9


def test_six_step_blocks_have_the_textbook_spectrum(six_step):
    # 120 degree blocks: 5th 20 %, 7th 14.3 %, THD 31.1 % (Fourier series); sloped edges give a little less
    waveform, grid = six_step
    lines_a = spectrum(waveform.currents(grid, (0.0,) * 3, ripple=False)[:, 0])[::20]
    assert 0.17 < lines_a[5] / lines_a[1] < 0.20
    assert 0.11 < lines_a[7] / lines_a[1] < 0.143
    thd = math.sqrt(sum(lines_a[2:] ** 2)) / lines_a[1]
    assert 0.27 < thd < 0.311


def test_six_step_has_the_fundamental_that_makes_the_torque(six_step):
    waveform, grid = six_step
    lines_a = spectrum(waveform.currents(grid, (0.0,) * 3, ripple=False)[:, 0])[::20]
    assert lines_a[1] == pytest.approx(abs(grid.current_a[0]), rel=2e-3)


def test_each_phase_is_taken_at_its_own_instant(field_oriented):
    waveform, grid = field_oriented
    late_s = 3e-6
    together = waveform.currents(grid, (0.0, 0.0, 0.0), ripple=False)
    apart = waveform.currents(grid, (0.0, 0.0, late_s), ripple=False)
    assert np.array_equal(together[:, :2], apart[:, :2])
    # taken later by t, a current appears to lead by 360 f t
    lead = np.angle((apart[:, 2] * grid.turn.conj()).sum() / (together[:, 2] * grid.turn.conj()).sum())
    assert lead == pytest.approx(2.0 * math.pi * 200.0 * late_s, rel=2e-2)


def test_currents_are_zero_while_the_bridge_is_off():
    drive = Drive()
    waveform = Waveform(drive, DriveKind.FIELD_ORIENTED)
    grid = waveform.grid(drive.advance([(CONTROL_HZ // 10, Phase("idle", 1.0))]), SCANS_S)
    assert np.all(waveform.currents(grid, (5e-6,) * 3) == 0.0)


def test_angle_between_control_steps_follows_a_changing_speed():
    drive = Drive()
    trajectory = drive.advance([(3 * CONTROL_HZ // 2, RUN)])
    waveform = Waveform(drive, DriveKind.FIELD_ORIENTED)
    grid = waveform.grid(trajectory, np.arange(30_000) / 20e3)
    # the angle's slope is the speed, to second order
    slope = np.gradient(grid.angle_rad, 1.0 / 20e3)[1:-1]
    assert slope == pytest.approx(grid.speed_rad_s[1:-1], abs=1.0)
