"""The drive, the motor's electrical state and the mechanics, step by step.

This is the only scalar loop of the simulator. It keeps what is smooth in rotor
coordinates (currents, voltages, speed, angle, bus) at the control rate; all that
is faster (ripple, dead time, sampling) is added in closed form by
:mod:`simulator.waveform`, vectorised.

The drive knows the story only as a wanted speed; it aligns the rotor with a direct
current, turns the current vector open loop, takes over the rotor angle, regulates
speed and current, and gives up when the rotor is held fast.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from simulator.motor import COOLANT_PUMP, Motor

CONTROL_HZ = 4000
_STEP_S = 1.0 / CONTROL_HZ
_TWO_PI = 2.0 * math.pi
EMPTY_V = 0.01
"""What the leakage of the sense electronics holds on an empty bus."""


BLEEDER_S = 0.3
"""Time constant of a bus whose supply is off: a bleeder across its capacitor."""


class State(IntEnum):
    """What the drive reports of itself."""

    OFF = 0
    ALIGN = 1
    START = 2
    RUN = 3
    STOP = 4
    BLOCKED = 5


@dataclass(frozen=True, slots=True)
class Phase:
    """One part of a story.

    ``rpm`` is the wanted speed (0: off), ``valve`` how far the pump's outlet is open
    (0 to 1: its torque), ``jam_nm`` the drag of debris in the impeller. Where
    ``settle_s`` is given, speed and load are constant from that long after the
    phase's begin, to its end.

    What is wrong meanwhile: ``open_phase`` names a line without current, ``negative`` is the share of the
    current that a winding fault turns backwards, ``supply_v`` is what the supply holds in place of its own
    voltage. ``coast``: a wanted speed of 0 switches the bridge off at once.

    ``hold`` keeps a drive that starts from going on: aligned, or turning its field at ``hold_hz``. Without
    ``powered`` the supply is off and the bus discharges. ``pushed_a`` is what a laboratory supply pushes into
    the leads of U, V, W past the bridge.
    """

    name: str
    seconds: float
    rpm: float = 0.0
    valve: float = 0.3
    jam_nm: float = 0.0
    settle_s: float | None = None
    note: str = ""
    open_phase: str = ""
    negative: float = 0.0
    supply_v: float | None = None
    coast: bool = False
    hold: State | None = None
    powered: bool = True
    pushed_a: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def steps(self) -> int:
        """Its length in control steps."""
        return round(self.seconds * CONTROL_HZ)


@dataclass(frozen=True, slots=True)
class Bridge:
    """Inverter and supply: SI units."""

    supply_v: float = 24.0
    source_ohm: float = 0.06
    bus_capacitance_f: float = 2.2e-3
    switch_ohm: float = 0.006
    pwm_hz: float = 20e3
    dead_time_s: float = 0.4e-6
    idle_w: float = 1.1

    @property
    def dead_voltage_v(self) -> float:
        """Mean voltage that dead time takes from one leg, against its current."""
        return self.supply_v * self.dead_time_s * self.pwm_hz


@dataclass(frozen=True, slots=True)
class Pump:
    """What the motor turns: dry friction and a torque that grows with speed squared."""

    friction_nm: float = 0.018
    open_nm_s2: float = 3.55e-6
    hydraulic_s: float = 0.08

    def torque_nm(self, valve: float, speed_rad_s: float) -> float:
        """Load at constant speed, without debris."""
        return self.friction_nm + valve * self.open_nm_s2 * speed_rad_s * speed_rad_s


@dataclass(frozen=True, slots=True)
class Controls:
    """How the firmware of the simulated drive is set: peak amperes, electrical Hz, mechanical rad/s²."""

    align_a: float = 4.0
    align_s: float = 0.6
    start_a: float = 5.0
    start_hz_per_s: float = 45.0
    hold_hz: float = 20.0
    handover_hz: float = 40.0
    release_hz: float = 25.0
    acceleration: float = 260.0
    deceleration: float = 130.0
    limit_a: float = 15.0
    current_rad_s: float = _TWO_PI * 250.0
    speed_rad_s: float = 18.0
    blocked_below_rad_s: float = 9.0
    blocked_s: float = 0.25


@dataclass(frozen=True, slots=True)
class Trajectory:
    """The smooth quantities at ``n + 1`` instants, ``CONTROL_HZ`` apart.

    ``current_a`` and ``voltage_v`` (what the bridge applies, on average) are d + jq in
    rotor coordinates, peak; ``angle_rad`` (electrical) starts within one turn and runs on;
    ``speed_rad_s`` is electrical. ``bus_a`` is what the supply delivers.
    """

    current_a: NDArray[np.complex128]
    voltage_v: NDArray[np.complex128]
    angle_rad: NDArray[np.float64]
    speed_rad_s: NDArray[np.float64]
    bus_v: NDArray[np.float64]
    bus_a: NDArray[np.float64]
    torque_nm: NDArray[np.float64]
    switching: NDArray[np.bool_]
    state: NDArray[np.int64]


_Row = tuple[complex, complex, float, float, float, float, float, bool, int]


def _trajectory(rows: list[_Row]) -> Trajectory:
    current_a, voltage_v, angle_rad, speed_rad_s, bus_v, bus_a, torque_nm, switching, state = zip(
        *rows, strict=True
    )
    return Trajectory(
        np.array(current_a, dtype=np.complex128),
        np.array(voltage_v, dtype=np.complex128),
        np.array(angle_rad),
        np.array(speed_rad_s),
        np.array(bus_v),
        np.array(bus_a),
        np.array(torque_nm),
        np.array(switching, dtype=np.bool_),
        np.array(state, dtype=np.int64),
    )


class Drive:
    """Motor, pump, bridge and their controls, advanced in control steps.

    Parameters
    ----------
    rotor_rad
        Electrical angle at which the rotor lies at first.
    """

    def __init__(
        self,
        motor: Motor = COOLANT_PUMP,
        pump: Pump | None = None,
        bridge: Bridge | None = None,
        controls: Controls | None = None,
        *,
        rotor_rad: float = 2.0,
        bus_v: float | None = None,
    ) -> None:
        self.motor = motor
        self.pump = pump or Pump()
        self.bridge = bridge or Bridge()
        self.controls = controls or Controls()
        self._enter(State.OFF)
        self._current_a = 0j
        self._voltage_v = 0j
        self._integral_v = 0j
        self._rotor_rad = rotor_rad
        self._shaft_rad_s = 0.0
        self._field_rad = 0.0
        self._field_rad_s = 0.0
        self._wanted_rad_s = 0.0
        self._speed_integral_a = 0.0
        self._held_s = 0.0
        self._load_nm_s2 = 0.0
        self._jam_nm = 0.0
        self._bus_v = self._supply_v = self.bridge.supply_v if bus_v is None else bus_v
        self._coasts = False
        self._hold: State | None = None
        self._powered = True
        self._bus_a = self.bridge.idle_w / self.bridge.supply_v if bus_v is None else 0.0
        self._torque_nm = 0.0

    def advance(self, pieces: Iterable[tuple[int, Phase]]) -> Trajectory:
        """Run ``(steps, phase)`` pieces one after the other; ``n + 1`` rows, the first is the present."""
        self._rotor_rad %= _TWO_PI
        # The field's angle counts only relative to the rotor's.
        self._field_rad = math.remainder(self._field_rad - self._rotor_rad, _TWO_PI) + self._rotor_rad
        rows = [self._row()]
        for steps, phase in pieces:
            self._run(steps, phase, rows)
        return _trajectory(rows)

    def _row(self) -> _Row:
        return (
            self._current_a,
            self._voltage_v,
            self._rotor_rad,
            self._shaft_rad_s * self.motor.pole_pairs,
            self._bus_v,
            self._bus_a,
            self._torque_nm,
            self._switching,
            int(self.state),
        )

    def _run(self, steps: int, phase: Phase, rows: list[_Row]) -> None:
        target_rad_s = phase.rpm * _TWO_PI / 60.0
        load_nm_s2 = phase.valve * self.pump.open_nm_s2
        self._supply_v = self.bridge.supply_v if phase.supply_v is None else phase.supply_v
        self._coasts = phase.coast
        self._hold, self._powered = phase.hold, phase.powered
        load_share = 1.0 - math.exp(-_STEP_S / self.pump.hydraulic_s)
        jam_share = 1.0 - math.exp(-_STEP_S / 0.006)
        before = self._slow_state()
        for step in range(1, steps + 1):
            self._load_nm_s2 += load_share * (load_nm_s2 - self._load_nm_s2)
            self._jam_nm += jam_share * (phase.jam_nm - self._jam_nm)
            self._decide(target_rad_s)
            if self._switching:
                self._electrical(*self._wanted_current(target_rad_s))
            else:
                self._current_a = 0j
                self._voltage_v = 0j
                self._torque_nm = 0.0
            self._mechanical()
            self._bus()
            rows.append(self._row())
            if step % 25 == 0:
                now = self._slow_state()
                if self._rests(before, now):
                    self._stay(steps - step, rows)
                    return
                before = now

    def _slow_state(self) -> tuple[float, ...]:
        """Everything that still moves while the drive approaches a constant speed and load."""
        return (
            self._shaft_rad_s,
            self._current_a.real,
            self._current_a.imag,
            self._integral_v.real,
            self._integral_v.imag,
            self._wanted_rad_s,
            self._speed_integral_a,
            self._bus_v,
            1e5 * self._load_nm_s2,
            self._jam_nm,
        )

    def _rests(self, before: tuple[float, ...], now: tuple[float, ...]) -> bool:
        """Nothing moved by more than 1e-9 (rad/s, A, V) in 25 steps: the rest of the phase is known."""
        if self.state in (State.ALIGN, State.START, State.STOP) or self._held_s:
            return False
        return all(abs(b - a) < 1e-9 for a, b in zip(before, now, strict=True))

    def _stay(self, steps: int, rows: list[_Row]) -> None:
        """Let the rotor turn on at constant speed, everything else unchanged."""
        advance_rad = self._shaft_rad_s * self.motor.pole_pairs * _STEP_S
        start_rad = self._rotor_rad
        head, tail = rows[-1][:2], rows[-1][3:]
        rows.extend((*head, start_rad + advance_rad * step, *tail) for step in range(1, steps + 1))
        self._rotor_rad = start_rad + advance_rad * steps

    def _enter(self, state: State) -> None:
        self.state = state
        self._switching = State.ALIGN <= state <= State.STOP
        self._state_s = 0.0
        self._held_s = 0.0

    def _decide(self, target_rad_s: float) -> None:
        """Move between the states."""
        controls = self.controls
        self._state_s += _STEP_S
        match self.state:
            case State.RUN | State.STOP:
                if target_rad_s > 0.0:
                    self.state = State.RUN
                    self._held_s = self._held_s + _STEP_S if self._held() else 0.0
                    if self._held_s > controls.blocked_s:
                        self._enter(State.BLOCKED)
                else:
                    self.state = State.STOP
                    if (
                        self._coasts
                        or abs(self._shaft_rad_s) * self.motor.pole_pairs < _TWO_PI * controls.release_hz
                    ):
                        self._enter(State.OFF)
            case State.OFF:
                if target_rad_s > 0.0:
                    self._enter(State.ALIGN)
                    self._integral_v = 0j
                    self._field_rad = 0.0
                    self._field_rad_s = 0.0
            case State.ALIGN:
                if target_rad_s <= 0.0:
                    self._enter(State.OFF)
                elif self._state_s >= controls.align_s and self._hold is not State.ALIGN:
                    self._enter(State.START)
            case State.START:
                if target_rad_s <= 0.0:
                    self._enter(State.OFF)
                elif self._hold is not State.START and self._field_rad_s >= _TWO_PI * controls.handover_hz:
                    self._take_over()
            case State.BLOCKED:
                if target_rad_s <= 0.0:
                    self._enter(State.OFF)

    def _held(self) -> bool:
        return abs(self._shaft_rad_s) < self.controls.blocked_below_rad_s

    def _take_over(self) -> None:
        """From the open-loop field to the rotor's own angle, without a bump in current or voltage."""
        self._enter(State.RUN)
        speed_rad_s = self._shaft_rad_s * self.motor.pole_pairs
        turn = complex(
            math.cos(self._field_rad - self._rotor_rad), math.sin(self._field_rad - self._rotor_rad)
        )
        self._integral_v = self._integral_v * turn - 1j * speed_rad_s * self.motor.flux_vs
        self._wanted_rad_s = self._shaft_rad_s
        self._speed_integral_a = self._current_a.imag

    def _wanted_current(self, target_rad_s: float) -> tuple[complex, float, float]:
        """Give current wanted in the drive's own frame, that frame's speed, its angle to the rotor."""
        controls = self.controls
        match self.state:
            case State.ALIGN:
                current_a = controls.align_a * min(1.0, self._state_s / (0.4 * controls.align_s))
                return complex(current_a), 0.0, self._field_rad - self._rotor_rad
            case State.START:
                if self._hold is not State.START or self._field_rad_s < _TWO_PI * controls.hold_hz:
                    self._field_rad_s += _TWO_PI * controls.start_hz_per_s * _STEP_S
                self._field_rad += self._field_rad_s * _STEP_S
                return complex(controls.start_a), self._field_rad_s, self._field_rad - self._rotor_rad
            case _:
                speed_rad_s = self._shaft_rad_s * self.motor.pole_pairs
                return 1j * self._speed_loop(target_rad_s), speed_rad_s, 0.0

    def _speed_loop(self, target_rad_s: float) -> float:
        """Torque-producing current from a ramped proportional-integral speed controller."""
        controls = self.controls
        wanted_rad_s = self._wanted_rad_s
        if wanted_rad_s < target_rad_s:
            # The ramp waits for a rotor that cannot follow.
            ahead_rad_s = max(self._shaft_rad_s, 0.0) + 60.0
            wanted_rad_s = min(target_rad_s, wanted_rad_s + controls.acceleration * _STEP_S, ahead_rad_s)
        else:
            wanted_rad_s = max(target_rad_s, wanted_rad_s - controls.deceleration * _STEP_S)
        self._wanted_rad_s = wanted_rad_s
        ampere_per_nm = 1.0 / (1.5 * self.motor.pole_pairs * self.motor.flux_vs)
        proportional = 2.0 * controls.speed_rad_s * self.motor.inertia_kgm2 * ampere_per_nm
        error_rad_s = wanted_rad_s - self._shaft_rad_s
        current_a = proportional * error_rad_s + self._speed_integral_a
        limit_a = controls.limit_a
        if abs(current_a) < limit_a or current_a * error_rad_s < 0.0:
            self._speed_integral_a += 0.5 * controls.speed_rad_s * proportional * error_rad_s * _STEP_S
        return min(limit_a, max(-limit_a, current_a))

    def _electrical(self, wanted_a: complex, frame_rad_s: float, ahead_rad: float) -> None:
        """One step of current control and of the machine's exact response."""
        motor, bridge, controls = self.motor, self.bridge, self.controls
        speed_rad_s = self._shaft_rad_s * motor.pole_pairs
        turn = complex(math.cos(ahead_rad), math.sin(ahead_rad)) if ahead_rad else 1.0 + 0j
        current_a = self._current_a
        proportional = controls.current_rad_s * motor.inductance_q_h
        resistance = motor.resistance_ohm + bridge.switch_ohm
        error_a = wanted_a - current_a * turn.conjugate()
        forward_v = 1j * frame_rad_s * motor.inductance_q_h * wanted_a
        if not ahead_rad:
            forward_v += 1j * frame_rad_s * motor.flux_vs
        voltage_v = proportional * error_a + self._integral_v + forward_v
        most_v = 0.56 * self._bus_v
        size_v = abs(voltage_v)
        if size_v > most_v:
            voltage_v *= most_v / size_v
        else:
            self._integral_v += controls.current_rad_s * resistance * error_a * _STEP_S
        voltage_v *= turn
        size_a = abs(current_a)
        if size_a > 1e-9:
            # Fundamental of the dead-time error, a square wave against each leg's current.
            dead_v = 4.0 / math.pi * bridge.dead_voltage_v * math.tanh(size_a / 0.3)
            voltage_v -= dead_v * current_a / size_a
        motor_v = voltage_v - bridge.switch_ohm * current_a
        direct_a, quadrature_a = motor.advance(
            current_a.real, current_a.imag, motor_v.real, motor_v.imag, speed_rad_s, _STEP_S
        )
        self._voltage_v = voltage_v
        self._current_a = complex(direct_a, quadrature_a)
        self._torque_nm = motor.torque(direct_a, quadrature_a)

    def _mechanical(self) -> None:
        """Speed and angle one step on; friction is linearised so that standstill stays calm."""
        shaft_rad_s = self._shaft_rad_s
        slow = math.tanh(shaft_rad_s / 2.0)
        grip_nm = self.pump.friction_nm + self._jam_nm
        load_nm = grip_nm * slow + self._load_nm_s2 * shaft_rad_s * abs(shaft_rad_s)
        stiffness = grip_nm * (1.0 - slow * slow) / 2.0 + 2.0 * self._load_nm_s2 * abs(shaft_rad_s)
        inertia = self.motor.inertia_kgm2
        change = _STEP_S * (self._torque_nm - load_nm) / (inertia + _STEP_S * stiffness)
        self._shaft_rad_s = shaft_rad_s + change
        # Speed is a straight line within a step, so that the angle is a parabola that others can fill in.
        self._rotor_rad += self.motor.pole_pairs * (shaft_rad_s + 0.5 * change) * _STEP_S

    def _bus(self) -> None:
        """Bus voltage behind the source's resistance; a drive that brakes charges the capacitor."""
        bridge = self.bridge
        if not self._powered:
            self._bus_v = max(EMPTY_V, self._bus_v * math.exp(-_STEP_S / BLEEDER_S))
            self._bus_a = 0.0
            return
        power_w = bridge.idle_w + 1.5 * (self._voltage_v * self._current_a.conjugate()).real
        if power_w > 0.0 and self._bus_v <= self._supply_v + 1e-9:
            root = math.sqrt(self._supply_v**2 - 4.0 * bridge.source_ohm * power_w)
            self._bus_v = 0.5 * (self._supply_v + root)
            self._bus_a = power_w / self._bus_v
        else:
            change_v = power_w / (bridge.bus_capacitance_f * self._bus_v) * _STEP_S
            self._bus_v = max(self._supply_v, self._bus_v - change_v)
            self._bus_a = 0.0
