"""The simulated bench as time goes on: story, drive, waveform and sense chain, in chunks.

A chunk is a tenth of a second. It carries the codes that the microcontroller sees
and, apart from them, what really happened.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulator.drive import CONTROL_HZ, EMPTY_V, Drive, Phase, Trajectory
from simulator.scenarios import Scenario
from simulator.sensing import FAST, SenseChain, draw_errors
from simulator.waveform import DriveKind, Grid, Waveform

Floats = NDArray[np.float64]

CHUNK_S = 0.1
_CHUNK_STEPS = round(CHUNK_S * CONTROL_HZ)
SLOW_HZ = 10
PHASES = "UVW"
AMBIENT_C = 24.0
_SINK_K_PER_W = 3.2
_SINK_S = 30.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A phase of the story begins at ``time_s`` (world time)."""

    time_s: float
    phase: Phase
    again: bool


@dataclass(frozen=True, slots=True)
class Chunk:
    """A tenth of a second.

    Attributes
    ----------
    time_s
        World time of its first scan.
    codes
        ``(n, 5)``, in the order of :data:`simulator.sensing.FAST`.
    slow
        ``(1, 2)``: heat sink code and drive state, taken at the first scan.
    current_a
        ``(n, 3)`` true currents of U, V, W at the instants that their samples stand for.
    mean_a
        ``(n, 3)`` true currents at the scans' nominal instants without the ripple.
        Both are empty where the world was not asked for truth.
    grid
        The smooth quantities at the nominal instants.
    sink_c
        True temperature of the heat sink.
    """

    time_s: float
    codes: NDArray[np.uint16]
    slow: NDArray[np.uint16]
    current_a: Floats
    mean_a: Floats
    grid: Grid
    sink_c: float
    marks: tuple[Mark, ...]


class World:
    """One simulated bench.

    Parameters
    ----------
    rate_hz
        Scan rate of the fast group: the pulse rate, or a whole fraction of it.
    off_valley_s
        How far the sampling is shifted from the valley of the pulses; ripple shows
        as soon as this is not zero.
    truth
        Whether chunks carry the true phase currents.
    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int = 1,
        kind: DriveKind = DriveKind.FIELD_ORIENTED,
        rate_hz: int = 20_000,
        off_valley_s: float = 0.0,
        truth: bool = True,
    ) -> None:
        errors_random, noise_random, rotor_random = (
            np.random.default_rng(sequence) for sequence in np.random.SeedSequence([seed, 0]).spawn(3)
        )
        self.scenario = scenario
        self._truth = truth
        self.rate_hz = rate_hz
        self.drive = Drive(
            scenario.motor,
            bridge=scenario.bridge,
            controls=scenario.controls,
            rotor_rad=float(rotor_random.uniform(0.0, 2.0 * np.pi)),
            # A story that begins with the supply off begins with a bus that has emptied.
            bus_v=None if scenario.phases[0].powered else EMPTY_V,
        )
        self.waveform = Waveform(
            self.drive,
            scenario.kind or kind,
            order=scenario.order,
            loop_offset_a=scenario.loop_offset_a,
        )
        self.errors = draw_errors(errors_random)
        self.chain = SenseChain(self.errors, noise_random, off_valley_s=off_valley_s)
        self._pieces = scenario.pieces()
        self._phase: Phase = scenario.phases[0]
        self._left = 0
        self._steps = 0
        self._sink_c = AMBIENT_C + 3.0
        self._instants_s = np.arange(round(CHUNK_S * rate_hz)) / rate_hz

    def chunk(self) -> Chunk:
        """Let a tenth of a second pass."""
        time_s = self._steps / CONTROL_HZ
        sink_c = self._sink_c
        pieces, marks = self._next_pieces()
        trajectory = self.drive.advance(pieces)
        self._warm(trajectory)
        grid = self._with_faults(self.waveform.grid(trajectory, self._instants_s), pieces)
        instants_s = self.chain.instants_s
        pushed_a = self._pushed(pieces)
        seen_a = (
            self.waveform.currents(grid, [at_s - self.chain.late_s for at_s in instants_s[:3]]) + pushed_a
        )
        codes = np.empty((len(self._instants_s), len(FAST)), dtype=np.uint16)
        for column, name in enumerate(FAST[:3]):
            seen = seen_a[:, column] + self.scenario.loop_offset_a[self.waveform.order[column]]
            codes[:, column] = self.chain.current_codes(name, seen)
        codes[:, 3] = self.chain.voltage_codes(grid.bus_v)
        codes[:, 4] = self.chain.current_codes("ibus", grid.bus_a)
        slow = np.empty((1, 2), dtype=np.uint16)
        slow[:, 0] = self.chain.temperature_codes(np.array([sink_c]))
        slow[:, 1] = trajectory.state[0]
        none = np.empty((0, 3))
        return Chunk(
            time_s=time_s,
            codes=codes,
            slow=slow,
            current_a=self.waveform.currents(grid, instants_s[:3]) + pushed_a if self._truth else none,
            mean_a=self.waveform.currents(grid, (0.0, 0.0, 0.0), ripple=False) + pushed_a
            if self._truth
            else none,
            grid=grid,
            sink_c=sink_c,
            marks=tuple(marks),
        )

    def _pushed(self, pieces: list[tuple[int, Phase]]) -> Floats:
        """Tell what a laboratory supply pushes through the sensors: ``(n, 3)``, of one piece ``(3,)``."""
        pushed_a = np.array([phase.pushed_a for _, phase in pieces])[:, list(self.waveform.order)]
        if len(pieces) == 1:
            return np.asarray(pushed_a[0])
        step = (self._instants_s * CONTROL_HZ + 1e-9).astype(np.int64)
        return np.asarray(np.repeat(pushed_a, [steps for steps, _ in pieces], axis=0)[step])

    def _with_faults(self, grid: Grid, pieces: list[tuple[int, Phase]]) -> Grid:
        """Lay over the scans what is wrong in the phases of the story that they fall into."""
        if not any(phase.open_phase or phase.negative for _, phase in pieces):
            return grid
        steps = [steps for steps, _ in pieces]
        step = (self._instants_s * CONTROL_HZ + 1e-9).astype(np.int64)
        which = np.repeat([PHASES.find(phase.open_phase or "-") for _, phase in pieces], steps)
        negative = np.repeat([phase.negative for _, phase in pieces], steps)
        return grid.with_faults(which.astype(np.int8)[step], negative[step])

    def _next_pieces(self) -> tuple[list[tuple[int, Phase]], list[Mark]]:
        """Cut the next chunk's control steps at the borders of the story's phases."""
        pieces: list[tuple[int, Phase]] = []
        marks: list[Mark] = []
        wanted = _CHUNK_STEPS
        while wanted:
            if not self._left:
                self._phase, again = next(self._pieces)
                self._left = self._phase.steps
                marks.append(Mark(self._steps / CONTROL_HZ, self._phase, again and self._steps > 0))
            steps = min(wanted, self._left)
            pieces.append((steps, self._phase))
            self._left -= steps
            self._steps += steps
            wanted -= steps
        return pieces, marks

    def _warm(self, trajectory: Trajectory) -> None:
        """Heat sink: one thermal time constant, heated by the bridge's losses."""
        bridge = self.drive.bridge
        size_a = np.abs(trajectory.current_a)
        diode_w = 3.0 * bridge.dead_time_s * bridge.pwm_hz * 0.8 * size_a
        heat_w = bridge.idle_w + float(np.mean(1.5 * bridge.switch_ohm * size_a**2 + diode_w + 0.25 * size_a))
        settled_c = AMBIENT_C + _SINK_K_PER_W * heat_w
        self._sink_c += (settled_c - self._sink_c) * (1.0 - float(np.exp(-CHUNK_S / _SINK_S)))
