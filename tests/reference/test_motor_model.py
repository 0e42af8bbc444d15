"""The simulated motor held to numbers from outside.

The steady states below were computed from the dq equations by an independent
implementation; two general open-source drive simulation packages (motulator,
gym-electric-motor) give the same, and the first is run here. The step is the closed form of an R-L circuit.
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulator.motor import Motor

MOTOR = Motor(resistance_ohm=0.05, inductance_d_h=0.2e-3, inductance_q_h=0.3e-3, flux_vs=0.01, pole_pairs=4)
SPEED_RAD_S = 2.0 * math.pi * 200.0


def test_voltages_that_hold_a_working_point():
    # R .05, L_d .2 mH, L_q .3 mH, psi .01, 200 Hz, i (-5, 20): computed independently
    assert MOTOR.voltages(-5.0, 20.0, SPEED_RAD_S) == pytest.approx((-7.7898224, 12.3097336), abs=5e-8)


def test_torque_of_a_working_point():
    # T = 1.5 p (psi i_q + (L_d - L_q) i_d i_q): computed independently
    assert MOTOR.torque(-5.0, 20.0) == pytest.approx(1.26, rel=1e-12)


def test_power_balance_of_a_working_point():
    # 200 Hz with 4 pole pairs is 3000 rpm; P_m 395.840674 W, P_cu 31.875 W: computed independently
    mechanical_w = MOTOR.torque(-5.0, 20.0) * 2.0 * math.pi * 3000.0 / 60.0
    copper_w = 1.5 * MOTOR.resistance_ohm * (5.0**2 + 20.0**2)
    voltage_d_v, voltage_q_v = MOTOR.voltages(-5.0, 20.0, SPEED_RAD_S)
    assert mechanical_w == pytest.approx(395.840674, abs=5e-7)
    assert copper_w == pytest.approx(31.875, rel=1e-12)
    assert 1.5 * (voltage_d_v * -5.0 + voltage_q_v * 20.0) == pytest.approx(mechanical_w + copper_w, rel=1e-9)


def test_shorted_terminals():
    # i (-48.714629, -6.460978), T -.576505: computed independently
    current_d_a, current_q_a = MOTOR.currents(0.0, 0.0, SPEED_RAD_S)
    assert (current_d_a, current_q_a) == pytest.approx((-48.714629, -6.460978), abs=5e-7)
    assert MOTOR.torque(current_d_a, current_q_a) == pytest.approx(-0.576505, abs=5e-7)


def test_voltage_step_on_the_d_axis():
    # i = U/R (1 - exp(-t R/L)): 1 V, 1 ms -> 4.423984 A
    current_d_a, current_q_a = MOTOR.advance(0.0, 0.0, 1.0, 0.0, 0.0, 1e-3)
    assert current_d_a == pytest.approx(4.423984, abs=5e-7)
    assert current_q_a == 0.0


@pytest.mark.parametrize("speed_rad_s", [0.0, 20.0, -41.666666666666664, SPEED_RAD_S, -SPEED_RAD_S])
def test_exact_step_agrees_with_a_slow_plain_integration(speed_rad_s):
    # classical Runge-Kutta of the same equations, 2000 small steps over 2 ms
    def slope(current_d_a, current_q_a):
        held_d_v, held_q_v = MOTOR.voltages(current_d_a, current_q_a, speed_rad_s)
        return (2.0 - held_d_v) / MOTOR.inductance_d_h, (5.0 - held_q_v) / MOTOR.inductance_q_h

    d, q, h = 1.0, -3.0, 1e-6
    for _ in range(2000):
        a = slope(d, q)
        b = slope(d + 0.5 * h * a[0], q + 0.5 * h * a[1])
        c = slope(d + 0.5 * h * b[0], q + 0.5 * h * b[1])
        e = slope(d + h * c[0], q + h * c[1])
        d += h / 6.0 * (a[0] + 2.0 * b[0] + 2.0 * c[0] + e[0])
        q += h / 6.0 * (a[1] + 2.0 * b[1] + 2.0 * c[1] + e[1])
    assert MOTOR.advance(1.0, -3.0, 2.0, 5.0, speed_rad_s, 2e-3) == pytest.approx((d, q), rel=1e-9)


def test_steps_agree_with_a_general_solver():
    # scipy's solve_ivp (DOP853) on the same equations, over a chain of steps with other voltages and speeds
    # each, as the drive makes them in a start, a load step and a stop.
    now, plain = (0.0, 0.0), np.zeros(2)
    for number in range(60):
        speed_rad_s = SPEED_RAD_S * math.sin(number / 9.0)
        volts = 3.0 * math.cos(number / 5.0), 12.0 * math.sin(number / 9.0) + 2.0

        def slope(_, currents, speed_rad_s=speed_rad_s, volts=volts):
            held_d_v, held_q_v = MOTOR.voltages(*currents, speed_rad_s)
            return (volts[0] - held_d_v) / MOTOR.inductance_d_h, (volts[1] - held_q_v) / MOTOR.inductance_q_h

        solved = solve_ivp(slope, (0.0, 250e-6), plain, method="DOP853", rtol=1e-12, atol=1e-12)
        plain, now = solved.y[:, -1], MOTOR.advance(*now, *volts, speed_rad_s, 250e-6)
        assert now == pytest.approx(tuple(plain), rel=1e-8, abs=1e-8)
    assert math.hypot(*now) > 1.0


def test_steps_agree_with_a_library_of_drive_models():
    # motulator (MIT, on PyPI): its synchronous machine, made of flux linkages in rotor coordinates; the same
    # chain of steps through a start, a load step and a stop as above.
    model = pytest.importorskip("motulator.drive.model")
    utils = pytest.importorskip("motulator.drive.utils")
    pars = utils.SynchronousMachinePars(
        n_p=MOTOR.pole_pairs,
        R_s=MOTOR.resistance_ohm,
        L_d=MOTOR.inductance_d_h,
        L_q=MOTOR.inductance_q_h,
        psi_f=MOTOR.flux_vs,
    )
    theirs = model.SynchronousMachine(pars)
    # Without current the magnets' flux alone is linked.
    assert theirs.i_s == 0 and theirs.state.psi_s == MOTOR.flux_vs
    now, most_nm = (0.0, 0.0), 0.0
    for number in range(60):
        speed_rad_s = SPEED_RAD_S * math.sin(number / 9.0)
        volts = 3.0 * math.cos(number / 5.0), 12.0 * math.sin(number / 9.0) + 2.0

        def slope(_, states, speed_rad_s=speed_rad_s, volts=volts):
            theirs.state.psi_s, theirs.state.exp_j_theta_m = states
            theirs.set_outputs(0)
            theirs.inp.u_ss = complex(*volts) * theirs.state.exp_j_theta_m
            theirs.inp.w_M = speed_rad_s / MOTOR.pole_pairs
            return theirs.rhs()

        start = [theirs.state.psi_s, theirs.state.exp_j_theta_m]
        solved = solve_ivp(slope, (0.0, 250e-6), start, method="DOP853", rtol=1e-12, atol=1e-14)
        theirs.state.psi_s, theirs.state.exp_j_theta_m = solved.y[:, -1]
        now = MOTOR.advance(*now, *volts, speed_rad_s, 250e-6)
        assert now == pytest.approx((theirs.i_s.real, theirs.i_s.imag), rel=1e-7, abs=1e-7)
        assert MOTOR.torque(*now) == pytest.approx(theirs.tau_M, rel=1e-7, abs=1e-8)
        most_nm = max(most_nm, abs(theirs.tau_M))
    assert most_nm > 1.0


def test_steady_state_and_its_voltages_undo_each_other():
    voltages_v = MOTOR.voltages(-5.0, 20.0, SPEED_RAD_S)
    assert MOTOR.currents(*voltages_v, SPEED_RAD_S) == pytest.approx((-5.0, 20.0), rel=1e-12)
