"""The stories that the simulated bench plays: start, run, load, stop, start again.

Everything plays on one bench: a 24 V brushless coolant pump with 5 pole pairs.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from simulator.drive import Bridge, Controls, Phase, State
from simulator.motor import COOLANT_PUMP, Motor
from simulator.waveform import DriveKind


@dataclass(frozen=True, slots=True)
class Scenario:
    """A named story; ``over_limit_a`` is the limit that the truth's over-limit times refer to.

    ``kind`` goes before the drive that is asked for. ``order`` says which winding's current the sensors U, V,
    W see. ``loop_offset_a`` are offsets of the current sensors that the drive's own loops use as well.
    ``burst``: the device sends the first so many of each so many scans.
    """

    name: str
    text: str
    phases: tuple[Phase, ...]
    over_limit_a: float = 12.0
    motor: Motor = COOLANT_PUMP
    bridge: Bridge | None = None
    controls: Controls | None = None
    kind: DriveKind | None = None
    order: tuple[int, int, int] = (0, 1, 2)
    loop_offset_a: tuple[float, float, float] = (0.0, 0.0, 0.0)
    burst: tuple[int, int] | None = None

    @property
    def seconds(self) -> float:
        """Length of one telling."""
        return sum(phase.seconds for phase in self.phases)

    def pieces(self) -> Iterator[tuple[Phase, bool]]:
        """Its phases, for ever; the flag is set where the story starts again."""
        while True:
            for number, phase in enumerate(self.phases):
                yield phase, number == 0


BRING_UP = Scenario(
    "bring-up",
    "first start of a bench: start, light load, rated load, stop, start again at lower speed",
    (
        Phase("idle", 1.5, note="bench ready, drive off"),
        Phase("start", 4.0, rpm=2940.0, valve=0.25, note="start"),
        Phase("light load", 7.0, rpm=2940.0, valve=0.25, settle_s=1.0),
        Phase("rated load", 9.0, rpm=2940.0, valve=1.0, settle_s=3.0, note="outlet valve open"),
        Phase("stop", 3.0, valve=1.0, note="stop"),
        Phase("start again", 3.5, rpm=2220.0, valve=0.6, note="start"),
        Phase("lower speed", 7.0, rpm=2220.0, valve=0.6, settle_s=1.0),
        Phase("stop again", 3.0, valve=0.6, note="stop"),
    ),
)

STAGES = Scenario(
    "stages",
    "a bring-up stage by stage: bus off, bus on, align, open loop, closed loop, stop",
    (
        Phase("bus off", 20.0, powered=False, note="supply off, bus discharged"),
        Phase("bus on", 15.0, note="bus on, gates off"),
        Phase("align", 15.0, rpm=2940.0, valve=0.25, hold=State.ALIGN, note="align"),
        Phase("open loop", 15.0, rpm=2940.0, valve=0.25, hold=State.START, note="open loop"),
        Phase("closed loop", 20.0, rpm=2940.0, valve=0.25, note="closed loop"),
        Phase("stop", 15.0, valve=0.25, note="stop"),
    ),
)

_JAM_NM = 0.40
_BLOCK_NM = 1.2

OVERLOAD = Scenario(
    "overload",
    "debris in the impeller: overloads above 12 A, a blocked rotor, then recovery",
    (
        Phase("idle", 1.5, note="bench ready, drive off"),
        Phase("start", 3.5, rpm=2400.0, valve=0.9, note="start"),
        Phase("run", 7.0, rpm=2400.0, valve=0.9, settle_s=1.0),
        Phase("debris", 0.30, rpm=2400.0, valve=0.9, jam_nm=_JAM_NM),
        Phase("free", 1.2, rpm=2400.0, valve=0.9),
        Phase("debris", 0.22, rpm=2400.0, valve=0.9, jam_nm=0.8 * _JAM_NM),
        Phase("free", 0.9, rpm=2400.0, valve=0.9),
        Phase("debris", 0.45, rpm=2400.0, valve=0.9, jam_nm=_JAM_NM),
        Phase("free", 1.5, rpm=2400.0, valve=0.9),
        Phase("blocked", 1.0, rpm=2400.0, valve=0.9, jam_nm=_BLOCK_NM),
        Phase("cleared", 2.0, note="drive gave up, rotor blocked; impeller cleared by hand"),
        Phase("start again", 4.0, rpm=2400.0, valve=0.9, note="start"),
        Phase("recovered", 7.0, rpm=2400.0, valve=0.9, settle_s=1.0),
        Phase("stop", 3.0, valve=0.9, note="stop"),
    ),
)
