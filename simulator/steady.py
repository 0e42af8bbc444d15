"""True figures of a stretch at constant speed and load.

Two truths are told apart. The plain figures are those of the true current at the
instants that the samples stand for: what a perfect sense chain would find. The
``continuous_`` ones are those of the current at all times, its ripple averaged out.
They differ by a few tenths of a percent and hundredths of a degree, since samples
off the valley of the pulses see some ripple: no receiver can know that.

The rotor's angle is known exactly, so the fundamental follows from a least-squares
fit of mean, cosine and sine of that angle; no frequency has to be found.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.waveform import Grid, Waveform
from simulator.world import Chunk

Floats = NDArray[np.float64]
_PHASES = ("U", "V", "W")


class SteadyStretch:
    """Gathers one stretch, chunk by chunk, in sums.

    Parameters
    ----------
    first_scan, from_s
        Its first scan and that scan's world time.
    instants_s
        The instants that the samples of U, V, W stand for, after the valley.
    """

    def __init__(
        self, name: str, first_scan: int, from_s: float, waveform: Waveform, instants_s: Sequence[float]
    ) -> None:
        self.name = name
        self.first_scan = first_scan
        self.from_s = from_s
        self.scans = 0
        self._waveform = waveform
        self._instants_s = np.array([*instants_s, 0.0, 0.0, 0.0])
        self._normal = np.zeros((3, 3))
        self._moments = np.zeros((3, 6))
        self._squares = np.zeros(6)
        self._sums = np.zeros(6)
        self._ripple_square = 0.0

    def feed(self, chunk: Chunk, begin: int, end: int) -> None:
        """Add the scans ``begin`` to ``end`` (exclusive) of a chunk."""
        if begin >= end:
            return
        grid = chunk.grid
        if not self.scans:
            self._ripple_square = _ripple_square(self._waveform, grid)
        part = slice(begin, end)
        turn = grid.turn[part]
        basis = np.stack((np.ones(end - begin), turn.real, turn.imag))
        currents_a = np.concatenate((chunk.current_a[part], chunk.mean_a[part]), axis=1)
        self._normal += np.einsum("in,jn->ij", basis, basis)
        self._moments += np.einsum("in,nk->ik", basis, currents_a)
        self._squares += (currents_a**2).sum(axis=0)
        bus_v, bus_a = grid.bus_v[part], grid.bus_a[part]
        shaft_w = grid.torque_nm[part] * grid.speed_rad_s[part] / self._waveform.motor.pole_pairs
        voltage_v = grid.voltage_v[part] - self._waveform.bridge.switch_ohm * grid.current_a[part]
        motor_w = 1.5 * (voltage_v * grid.current_a[part].conj()).real
        for place, values in enumerate(
            (grid.speed_rad_s[part], bus_v, bus_a, bus_v * bus_a, shaft_w, motor_w)
        ):
            self._sums[place] += values.sum()
        self.scans += end - begin

    def as_json(self) -> dict[str, Any]:
        """Give the true figures, plain values; rms and peak conventions are in the keys' names."""
        fits = np.linalg.solve(self._normal, self._moments)
        speed_rad_s = self._sums[0] / self.scans
        # Each current at its own instant is ahead of the valley's angle.
        phasors = (fits[1] - 1j * fits[2]) * np.exp(-1j * speed_rad_s * self._instants_s)
        rms_a = np.sqrt(self._squares / self.scans)
        speed, bus_v, bus_a, bus_w, shaft_w, motor_w = (self._sums / self.scans).tolist()
        phases = {
            name: {
                "fundamental_rms_a": float(abs(phasors[k])) / 2**0.5,
                "angle_deg": _angle_deg(phasors[k], phasors[0]),
                "mean_a": float(fits[0][k]),
                "rms_a": float(rms_a[k]),
                "continuous_fundamental_rms_a": float(abs(phasors[3 + k])) / 2**0.5,
                "continuous_angle_deg": _angle_deg(phasors[3 + k], phasors[3]),
                "continuous_rms_a": float(rms_a[3 + k]),
                "continuous_rms_with_ripple_a": float(np.hypot(rms_a[3 + k], self._ripple_square**0.5)),
            }
            for k, name in enumerate(_PHASES)
        }
        electrical_hz = speed / (2.0 * np.pi)
        return {
            "kind": "steady",
            "phase": self.name,
            "first_scan": self.first_scan,
            "stop_scan": self.first_scan + self.scans,
            "from_s": self.from_s,
            "to_s": self.from_s + self.scans / self._waveform.rate_hz,
            "electrical_hz": electrical_hz,
            "rpm": electrical_hz * 60.0 / self._waveform.motor.pole_pairs,
            "sequence": "UVW" if self._waveform.order == (0, 1, 2) else "UWV",
            "phases": phases,
            "bus_voltage_v": bus_v,
            "bus_current_a": bus_a,
            "bus_power_w": bus_w,
            "motor_power_w": motor_w,
            "air_gap_power_w": shaft_w,
        }


def _angle_deg(phasor: complex, reference: complex) -> float:
    return float(np.degrees(np.angle(phasor / reference))) if phasor != reference else 0.0


def _ripple_square(waveform: Waveform, grid: Grid) -> float:
    """Mean square of the ripple, over sixteen instants of the pulse period and the three phases."""
    total = 0.0
    for step in range(16):
        offset_s = (step + 0.5 - 8.0) / 16.0 * waveform.period_s
        with_ripple_a = waveform.currents(grid, (offset_s,) * 3)
        without_a = waveform.currents(grid, (offset_s,) * 3, ripple=False)
        total += float(np.mean((with_ripple_a - without_a) ** 2))
    return total / 16.0
