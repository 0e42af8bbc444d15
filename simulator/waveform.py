"""Phase currents at the instants of sampling, from the smooth trajectory, vectorised.

What the control loop does not resolve is added here in closed form: the harmonics
that dead time and back-EMF drive through the machine and its current controller, a
small negative sequence (windings and the drive's own current sensing are never
quite alike), the block shape of a six-step drive, and the ripple of the pulses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator import pwm
from simulator.drive import CONTROL_HZ, Controls, Drive, Trajectory

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

NEGATIVE_SEQUENCE = 0.004 * complex(math.cos(1.1), math.sin(1.1))
"""Share of the current that turns backwards."""

WINDING_ANGLE = complex(math.cos(0.7), math.sin(0.7))
"""Where what a winding fault turns backwards points."""


class DriveKind(StrEnum):
    """How the bridge shapes the phase currents."""

    FIELD_ORIENTED = "field-oriented"
    SIX_STEP = "six-step"


@dataclass(frozen=True, slots=True)
class Grid:
    """Smooth quantities at the scans' nominal instants, ``(n,)`` each.

    ``turn`` is exp(j angle). ``harmonic_a`` is the stationary vector of all current
    harmonics together; they are so small that it serves the whole pulse period.
    """

    current_a: Complex
    voltage_v: Complex
    turn: Complex
    angle_rad: Floats
    speed_rad_s: Floats
    bus_v: Floats
    bus_a: Floats
    torque_nm: Floats
    switching: NDArray[np.bool_]
    harmonic_a: Complex
    duty: Floats
    open_phase: NDArray[np.int8]

    def with_faults(self, open_phase: NDArray[np.int8], negative: Floats) -> Grid:
        """Give the same with an open phase and a share of the current that turns backwards, ``(n,)`` each."""
        backwards = negative * WINDING_ANGLE * np.conj(self.current_a * self.turn)
        return replace(self, open_phase=open_phase, harmonic_a=self.harmonic_a + backwards)


class Waveform:
    """Turns trajectories of one drive into phase currents.

    Parameters
    ----------
    pwm_periods_per_scan
        1: every pulse period is sampled; k: every k-th.
    order
        Which winding's current each of the sensors U, V, W sees.
    loop_offset_a
        Offsets of the drive's own current sensors: its current loops hold the currents off by minus these.
    """

    def __init__(
        self,
        drive: Drive,
        kind: DriveKind,
        pwm_periods_per_scan: int = 1,
        *,
        order: tuple[int, int, int] = (0, 1, 2),
        loop_offset_a: Sequence[float] = (0.0, 0.0, 0.0),
    ) -> None:
        self.motor = drive.motor
        self.bridge = drive.bridge
        self.controls: Controls = drive.controls
        self.kind = kind
        self.period_s = 1.0 / drive.bridge.pwm_hz
        self.rate_hz = drive.bridge.pwm_hz / pwm_periods_per_scan
        self.order = order
        # Three windings meet in one point: what all three offsets have in common no loop can hold.
        mean_a = sum(loop_offset_a) / 3
        self._pushed_a = [mean_a - offset_a for offset_a in loop_offset_a]

    def grid(self, trajectory: Trajectory, scans: Floats) -> Grid:
        """Fill in the scans, given as ``(n,)`` ascending instants in seconds after the trajectory's start."""
        place = scans * CONTROL_HZ
        before = np.minimum(place.astype(np.int64), len(trajectory.angle_rad) - 2)
        after = before + 1
        share = place - before

        def between(values: NDArray[Any]) -> NDArray[Any]:
            low = values[before]
            result: NDArray[Any] = low + (values[after] - low) * share
            return result

        speed = trajectory.speed_rad_s
        step_s = 1.0 / CONTROL_HZ
        # Speed is a straight line within a step: the angle is the parabola that meets both ends.
        angle_rad = trajectory.angle_rad[before] + step_s * share * (
            speed[before] + 0.5 * share * (speed[after] - speed[before])
        )
        turn = np.exp(1j * angle_rad)
        voltage_v: Complex = between(trajectory.voltage_v)
        bus_v: Floats = between(trajectory.bus_v)
        return Grid(
            current_a=between(trajectory.current_a),
            voltage_v=voltage_v,
            turn=turn,
            angle_rad=angle_rad,
            speed_rad_s=between(speed),
            bus_v=bus_v,
            bus_a=between(trajectory.bus_a),
            torque_nm=between(trajectory.torque_nm),
            switching=trajectory.switching[before] & trajectory.switching[after],
            harmonic_a=_harmonic_vector(
                {order: amplitude[before] for order, amplitude in self._harmonics(trajectory).items()}, turn
            ),
            duty=pwm.duties(voltage_v * turn, bus_v),
            open_phase=np.full(len(scans), -1, dtype=np.int8),
        )

    def _harmonics(self, trajectory: Trajectory) -> dict[int, Complex]:
        """Work out the current harmonics on the control grid.

        Dead time acts on each leg like a square wave against its current; its orders 5,
        7, 11, 13 (and the back-EMF's 5 and 7) drive currents through the machine's impedance
        and the current controller, which sees them one order lower in its own frame.
        """
        current_a, speed = trajectory.current_a, trajectory.speed_rad_s
        size_a = np.abs(current_a)
        unit = np.where(size_a > 1e-9, current_a / np.maximum(size_a, 1e-9), 1.0)
        square_v = 4.0 / math.pi * self.bridge.dead_voltage_v * np.tanh(size_a / 0.3)
        driving_v: dict[int, Complex] = {}
        if self.kind is DriveKind.FIELD_ORIENTED:
            for order, share in ((-5, 1 / 5), (7, -1 / 7), (-11, -1 / 11), (13, 1 / 13)):
                driving_v[order] = -share * square_v * unit**order
            emf_v = speed * self.motor.flux_vs
            # Back-EMF of phase U is -w psi sin(angle): j w psi as a vector.
            driving_v[-5] = driving_v[-5] - 1j * emf_v * self.motor.emf_5
            driving_v[7] = driving_v[7] - 1j * emf_v * self.motor.emf_7
        inductance_h = 0.5 * (self.motor.inductance_d_h + self.motor.inductance_q_h)
        resistance = self.motor.resistance_ohm + self.bridge.switch_ohm
        gain = self.controls.current_rad_s * inductance_h
        integral = self.controls.current_rad_s * resistance
        result: dict[int, Complex] = {}
        for order, voltage_v in driving_v.items():
            seen = 1j * (order - 1) * speed
            # Multiplied through by the seen frequency, so that standstill gives zero.
            impedance = (resistance + 1j * order * speed * inductance_h + gain) * seen + integral
            result[order] = np.where(trajectory.switching, voltage_v * seen / impedance, 0.0)
        result[-1] = NEGATIVE_SEQUENCE * np.conj(current_a)
        return result

    def currents(self, grid: Grid, after_valley_s: Sequence[float], *, ripple: bool = True) -> Floats:
        """``(n, 3)`` currents of U, V, W, each at its own time after the scan's valley.

        Parameters
        ----------
        after_valley_s
            One per phase, within a pulse period either way; the valley is the scan's nominal instant.
        ripple
            False leaves the ripple of the pulses out: the mean current of each pulse period.
        """
        result = np.empty((len(grid.turn), 3))
        for sensor, offset_s in enumerate(after_valley_s):
            phase = self.order[sensor]
            back = complex(np.exp(-2j * np.pi / 3.0 * phase))
            turn = grid.turn * _small_turn(grid.speed_rad_s * offset_s) if offset_s else grid.turn
            if self.kind is DriveKind.SIX_STEP:
                blocks = self._blocks(grid, turn, phase)
                column = blocks
                if ripple:
                    column = blocks + self._block_ripple(grid, blocks, offset_s)
            else:
                column = ((grid.current_a * turn + grid.harmonic_a) * back).real
                if ripple and offset_s:
                    column = column + self._ripple(grid, phase, offset_s)
            pushed_a = self._pushed_a[phase]
            result[:, sensor] = column + np.where(grid.switching, pushed_a, 0.0) if pushed_a else column
        return self._opened(grid, result)

    def _opened(self, grid: Grid, currents_a: Floats) -> Floats:
        """Take the current of an open phase away: the other two then carry one and the same."""
        for sensor, phase in enumerate(self.order):
            rows = np.flatnonzero(grid.open_phase == phase)
            if rows.size:
                one, other = (k for k in range(3) if k != sensor)
                through_a = (currents_a[rows, one] - currents_a[rows, other]) / 2.0
                currents_a[rows, sensor] = 0.0
                currents_a[rows, one] = through_a
                currents_a[rows, other] = -through_a
        return currents_a

    def _ripple(self, grid: Grid, phase: int, offset_s: float) -> Floats:
        """Ripple of one phase: volt-seconds, through the inductances of both rotor axes."""
        area_vs = pwm.vector(pwm.volt_seconds(grid.duty, offset_s, self.period_s)) * grid.bus_v
        rotor = area_vs * grid.turn.conj()
        ripple_a = rotor.real / self.motor.inductance_d_h + 1j * rotor.imag / self.motor.inductance_q_h
        back = complex(np.exp(-2j * np.pi / 3.0 * phase))
        return np.where(grid.switching, (ripple_a * grid.turn * back).real, 0.0)

    def _blocks(self, grid: Grid, turn: Complex, phase: int) -> Floats:
        """Shape 120 degree blocks with straight edges, of the same fundamental as the smooth current."""
        size_a = np.abs(grid.current_a)
        commutation_s = 1.5 * self.motor.inductance_q_h * size_a / np.maximum(grid.bus_v, 1.0)
        edge = np.clip(commutation_s * np.abs(grid.speed_rad_s), 0.02, math.pi / 3.0)
        fundamental = 2.0 * math.sqrt(3.0) / math.pi * np.sinc(edge / (2.0 * math.pi))
        angle = np.angle(grid.current_a * turn * complex(np.exp(-2j * np.pi / 3.0 * phase)))
        away = np.abs(angle)
        # 1 up to 60 degrees, 0 in the middle, -1 beyond 120 degrees.
        rise = np.clip((math.pi / 3.0 + 0.5 * edge - away) / edge, 0.0, 1.0)
        fall = np.clip((away - 2.0 * math.pi / 3.0 + 0.5 * edge) / edge, 0.0, 1.0)
        result: Floats = size_a / fundamental * (rise - fall)
        return result

    def _block_ripple(self, grid: Grid, blocks: Floats, offset_s: float) -> Floats:
        """Two phases in series see the pulses; their share follows the current they carry."""
        size_a = np.maximum(np.abs(grid.current_a), 1e-9)
        duty = np.clip(math.sqrt(3.0) * np.abs(grid.voltage_v) / grid.bus_v, 0.0, 1.0)
        area_vs = pwm.volt_seconds(duty, offset_s, self.period_s) * grid.bus_v
        share = np.clip(blocks / size_a, -1.0, 1.0)
        return np.where(grid.switching, share * area_vs / (2.0 * self.motor.inductance_q_h), 0.0)


def _harmonic_vector(amplitudes_a: dict[int, Complex], turn: Complex) -> Complex:
    """Sum of the harmonics, each its amplitude times exp(j order angle)."""
    square = turn * turn
    fifth = square * square * turn
    powers = {1: turn, 5: fifth, 7: fifth * square, 11: fifth * fifth * turn}
    powers[13] = powers[11] * square
    total = np.zeros(len(turn), dtype=np.complex128)
    for order, amplitude_a in amplitudes_a.items():
        total += amplitude_a * (powers[order] if order > 0 else powers[-order].conj())
    return total


def _small_turn(angle_rad: Floats) -> Complex:
    """exp(j angle) by its series: better than 1e-9 below 0.1 rad, and much quicker."""
    square = angle_rad * angle_rad
    real = 1.0 - square * (0.5 - square * (1.0 / 24.0 - square / 720.0))
    imaginary = angle_rad * (1.0 - square * (1.0 / 6.0 - square / 120.0))
    result: Complex = real + 1j * imaginary
    return result
