"""Stories of what goes wrong on a bench, one each, and of what a drive may do besides.

Each plays on the bench of :mod:`simulator.scenarios`: start, run, the trouble, and where it can be mended the
run after it. docs/simulator.md says what shows in the samples.
"""

from __future__ import annotations

from dataclasses import replace

from simulator.drive import Bridge, Controls, Phase
from simulator.motor import COOLANT_PUMP
from simulator.scenarios import BRING_UP, OVERLOAD, STAGES, Scenario
from simulator.waveform import DriveKind

_RPM = 2400.0
_IDLE = Phase("idle", 1.0, note="bench ready, drive off")
_START = Phase("start", 3.0, rpm=_RPM, valve=0.9, note="start")
_RUN = Phase("run", 3.0, rpm=_RPM, valve=0.9, settle_s=1.0)
_AFTER = replace(_RUN, name="after")
_STOP = Phase("stop", 2.5, valve=0.9, note="stop")


def _story(name: str, text: str, *trouble: Phase, **more: object) -> Scenario:
    phases = (_IDLE, _START, _RUN, *trouble, _STOP)
    return Scenario(name, text, phases, **more)  # type: ignore[arg-type]


PHASE_LOSS = _story(
    "phase-loss",
    "the line of phase W opens for 1.5 s",
    replace(_RUN, name="open", seconds=1.5, open_phase="W", settle_s=None, note="a terminal is loose"),
    _AFTER,
)

STALL = _story(
    "stall",
    "the rotor is held fast while the drive goes on at its limit of 11 A",
    replace(_RUN, name="held", seconds=1.5, jam_nm=20.0, settle_s=None, note="something holds the impeller"),
    replace(_AFTER, seconds=4.0, settle_s=2.5),
    controls=Controls(limit_a=11.0, blocked_s=60.0),
)

REVERSED = _story(
    "reversed",
    "the plugs of the sensors V and W are exchanged: the currents come in the order U, W, V",
    order=(0, 2, 1),
)

WINDING_FAULT = _story(
    "winding-fault",
    "a winding fault in three grades: 3, 7 and 14 % of the current turn backwards",
    replace(_RUN, name="grade 1", negative=0.03, settle_s=0.5),
    replace(_RUN, name="grade 2", negative=0.07, settle_s=0.5),
    replace(_RUN, name="grade 3", negative=0.14, settle_s=0.5),
    _AFTER,
)

SATURATION = _story(
    "saturation",
    "an overload of 19 A, beyond the ±16 A that the amplifiers can show",
    replace(_RUN, name="debris", seconds=0.5, jam_nm=0.52, settle_s=None),
    replace(_AFTER, seconds=4.0, settle_s=2.5),
    controls=Controls(limit_a=19.0, blocked_s=60.0),
)

SUPPLY_DIP = _story(
    "supply-dip",
    "the supply falls to 17 V for 0.2 s, later to 21 V",
    replace(_RUN, name="dip", seconds=0.2, supply_v=17.0, settle_s=None),
    replace(_RUN, name="between", settle_s=1.0),
    replace(_RUN, name="sag", seconds=0.2, supply_v=21.0, settle_s=None),
    _AFTER,
)

LOAD_STEPS = _story(
    "load-steps",
    "the valve steps between a fifth and all of its opening",
    replace(_RUN, name="low", valve=0.2, seconds=4.0, settle_s=2.0),
    replace(_RUN, name="high", valve=1.0, seconds=4.0, settle_s=2.0),
    replace(_RUN, name="low again", valve=0.2, seconds=4.0, settle_s=2.0),
)

SOAK = _story(
    "soak",
    "ten minutes at one load: everything settles, the heat sink warms",
    replace(_RUN, name="soak", seconds=600.0, settle_s=2.0),
)

DEAD_TIME = _story(
    "dead-time",
    "a dead time of 2 µs: the currents' orders 5, 7, 11 and 13 grow",
    bridge=Bridge(dead_time_s=2e-6),
)

SIX_STEP = _story("six-step", "a drive that commutates in blocks of 120°", kind=DriveKind.SIX_STEP)

COAST_AND_BRAKE = Scenario(
    "coast-and-brake",
    "let go at speed and coasting to rest; started again, then braked into the bus",
    (
        _IDLE,
        _START,
        _RUN,
        Phase("coast", 4.0, valve=0.9, coast=True, note="let go"),
        replace(_START, name="start again", seconds=3.5),
        replace(_RUN, name="run again"),
        Phase("brake", 2.5, valve=0.1, note="brake"),
    ),
    controls=Controls(deceleration=700.0),
    bridge=Bridge(bus_capacitance_f=10e-3),
)

POLE_PAIRS = _story(
    "pole-pairs",
    "the motor has 4 pole pairs, the bench file says 5",
    motor=replace(COOLANT_PUMP, pole_pairs=4),
)

LOOP_OFFSET = _story(
    "loop-offset",
    "offsets of sensors within the current loops: not in the readings while it runs, but in the motor",
    loop_offset_a=(0.6, -0.4, -0.2),
)

BURSTS = _story("bursts", "the device sends 500 scans of each 2000", burst=(500, 2000))

_OFF = Phase("off", 20.0, powered=False, note="supply off, bus empty, motor at rest")

DE_ENERGISED = Scenario("de-energised", "supply off, bus empty, motor at rest: for zeros", (_OFF,))

WALK = Scenario(
    "walk",
    "supply off; a laboratory supply pushes 1 A from U to V, from V to W, from W to U",
    (
        replace(_OFF, name="rest", seconds=8.0),
        replace(_OFF, name="U-V", seconds=8.0, pushed_a=(1.0, -1.0, 0.0), note="1 A into U, out of V"),
        replace(_OFF, name="V-W", seconds=8.0, pushed_a=(0.0, 1.0, -1.0), note="1 A into V, out of W"),
        replace(_OFF, name="W-U", seconds=8.0, pushed_a=(-1.0, 0.0, 1.0), note="1 A into W, out of U"),
    ),
)

SCENARIOS: dict[str, Scenario] = {
    scenario.name: scenario
    for scenario in (
        BRING_UP,
        STAGES,
        OVERLOAD,
        PHASE_LOSS,
        STALL,
        REVERSED,
        WINDING_FAULT,
        SATURATION,
        SUPPLY_DIP,
        LOAD_STEPS,
        SOAK,
        DEAD_TIME,
        SIX_STEP,
        COAST_AND_BRAKE,
        POLE_PAIRS,
        LOOP_OFFSET,
        BURSTS,
        DE_ENERGISED,
        WALK,
    )
}
