"""The truth file: what really happened on the simulated bench, one JSON object a line.

``docs/simulator.md`` describes every line. Scans are counted as a receiver that lost
nothing counts them: the first scan sent is 0, restarts do not reset it. Times are
world time, which is scan/rate until a restart makes a pause.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy

from livesense.errors import UsageError
from simulator.drive import Phase
from simulator.over_limit import HOLD_S, RELEASE, RELEASE_HOLD_S, OverLimit, OverLimitFinder
from simulator.sensing import FAST, NOMINAL, SLOW
from simulator.steady import SteadyStretch
from simulator.world import SLOW_HZ, Chunk, Mark, World

LEAST_STEADY_S = 0.2
"""A stretch cut shorter than this by the end of the run or a restart is not reported."""

SCAN_FIELDS = np.dtype(
    [("scan", "<u8")]
    + [
        (name, "<f8")
        for name in (
            "time_s iu_a iv_a iw_a iu_mean_a iv_mean_a iw_mean_a vbus_v ibus_a "
            "angle_rad electrical_hz rpm torque_nm bus_power_w"
        ).split()
    ]
)
"""One row a scan of the ``--truth-scans`` file."""


@dataclass(frozen=True, slots=True)
class _Span:
    """World times between which a stretch is steady."""

    name: str
    from_s: float
    to_s: float


class TruthWriter:
    """Writes the truth beside the run.

    Parameters
    ----------
    path
        The JSON lines.
    scans_path
        None, or a ``.npy`` file of :data:`SCAN_FIELDS` rows, one a scan: 120 bytes each.

    Raises
    ------
    UsageError
        A file cannot be written.
    """

    def __init__(
        self, path: Path | None, scans_path: Path | None, world: World, about: dict[str, Any]
    ) -> None:
        self._world = world
        self._lines = _open(path, "w") if path else None
        self._rows = _open(scans_path, "wb") if scans_path else None
        if self._rows:
            _write_header(self._rows, 0)
        limit_a = world.scenario.over_limit_a
        self._finders = {name: OverLimitFinder(limit_a, world.rate_hz) for name in FAST[:3]}
        self._spans: list[_Span] = []
        self._steady: SteadyStretch | None = None
        self._stretch_end_s = 0.0
        self._scans = 0
        self._end_s = 0.0
        motor, bridge = world.drive.motor, world.drive.bridge
        self._line(
            {
                "kind": "run",
                "scenario": world.scenario.name,
                **about,
                "groups": [
                    {"rate_hz": world.rate_hz, "channels": list(FAST)},
                    {"rate_hz": SLOW_HZ, "channels": list(SLOW)},
                ],
                "over_limit": {
                    "limit_a": limit_a,
                    "hold_s": HOLD_S,
                    "release_a": RELEASE * limit_a,
                    "release_hold_s": RELEASE_HOLD_S,
                },
                "pole_pairs": motor.pole_pairs,
                "pulse_hz": bridge.pwm_hz,
                "instants_after_valley_s": list(world.chain.instants_s),
                "ampere_per_code": NOMINAL.ampere_per_code,
                "sequence": "UVW" if world.waveform.order == (0, 1, 2) else "UWV",
                "loop_offset_a": list(world.scenario.loop_offset_a),
                "errors": world.errors.as_json(),
            }
        )

    def feed(self, chunk: Chunk, count: int) -> None:
        """Take a chunk of which the first ``count`` scans were sampled; 0 while the device restarts."""
        self._end_s = chunk.time_s
        for mark in chunk.marks:
            self._mark(mark, count)
        rate_hz = self._world.rate_hz
        if self._lines:
            for column, (name, finder) in enumerate(self._finders.items()):
                for stretch in finder.feed(self._scans, chunk.current_a[:count, column]):
                    self._over(name, stretch)
            self._feed_steady(chunk, count)
        if self._rows:
            self._rows.write(self._scan_rows(chunk, count).tobytes())
        self._scans += count
        self._end_s = chunk.time_s + count / rate_hz

    def _mark(self, mark: Mark, count: int) -> None:
        # First scan at or after the mark; in a pause, the first one after it.
        late = int(np.ceil((mark.time_s - self._end_s) * self._world.rate_hz - 1e-6))
        scan = self._scans + min(max(0, late), count)
        phase = mark.phase
        self._line(
            {
                "kind": "phase",
                "name": phase.name,
                "scan": scan,
                "time_s": mark.time_s,
                "rpm_wanted": phase.rpm,
            }
            | {"valve": phase.valve, "jam_nm": phase.jam_nm, "starts_again": mark.again}
            | {"open_phase": phase.open_phase or None, "negative_share": phase.negative}
            | {"supply_v": self._supply_v(phase), "coast": phase.coast, "pushed_a": list(phase.pushed_a)}
        )
        if phase.settle_s is not None:
            from_s = mark.time_s + phase.settle_s
            self._spans.append(_Span(phase.name, from_s, mark.time_s + phase.seconds))

    def _supply_v(self, phase: Phase) -> float:
        return self._world.drive.bridge.supply_v if phase.supply_v is None else phase.supply_v

    def _feed_steady(self, chunk: Chunk, count: int) -> None:
        rate_hz = self._world.rate_hz
        # A pulse period's worth of slack: borders lie on control steps, not on scans.
        for span in list(self._spans):
            begin = max(0, int(np.ceil((span.from_s - chunk.time_s) * rate_hz - 1e-6)))
            end = min(count, int(np.ceil((span.to_s - chunk.time_s) * rate_hz - 1e-6)))
            if begin >= end:
                if span.to_s <= chunk.time_s:
                    self._close_steady(span)
                continue
            if self._steady is None:
                from_s = chunk.time_s + begin / rate_hz
                self._steady = SteadyStretch(
                    span.name,
                    self._scans + begin,
                    from_s,
                    self._world.waveform,
                    self._world.chain.instants_s[:3],
                )
            self._steady.feed(chunk, begin, end)
            if span.to_s <= chunk.time_s + count / rate_hz:
                self._close_steady(span)

    def _close_steady(self, span: _Span) -> None:
        self._spans.remove(span)
        self._write_steady()

    def _write_steady(self) -> None:
        if self._steady is not None:
            if self._steady.scans >= LEAST_STEADY_S * self._world.rate_hz:
                self._line(self._steady.as_json())
            self._steady = None

    def _over(self, name: str, stretch: OverLimit) -> None:
        rate_hz = self._world.rate_hz
        late_s = self._end_s - self._scans / rate_hz
        self._line(
            {
                "kind": "over-limit",
                "channel": name,
                "start_scan": stretch.start_scan,
                "end_scan": stretch.end_scan,
                "start_s": stretch.start_scan / rate_hz + late_s,
                "end_s": stretch.end_scan / rate_hz + late_s,
                "peak_a": stretch.peak_a,
                "peak_scan": stretch.peak_scan,
            }
        )

    def _scan_rows(self, chunk: Chunk, count: int) -> np.ndarray[Any, np.dtype[np.void]]:
        grid = chunk.grid
        rows = np.empty(count, dtype=SCAN_FIELDS)
        rows["scan"] = self._scans + np.arange(count)
        rows["time_s"] = chunk.time_s + np.arange(count) / self._world.rate_hz
        for column, name in enumerate(FAST[:3]):
            rows[f"{name}_a"] = chunk.current_a[:count, column]
            rows[f"{name}_mean_a"] = chunk.mean_a[:count, column]
        rows["vbus_v"] = grid.bus_v[:count]
        rows["ibus_a"] = grid.bus_a[:count]
        rows["angle_rad"] = np.angle(grid.turn[:count])
        rows["electrical_hz"] = grid.speed_rad_s[:count] / (2.0 * np.pi)
        rows["rpm"] = rows["electrical_hz"] * 60.0 / self._world.drive.motor.pole_pairs
        rows["torque_nm"] = grid.torque_nm[:count]
        rows["bus_power_w"] = rows["vbus_v"] * rows["ibus_a"]
        return rows

    def pause(self) -> None:
        """Cut what is open: the device samples no more until :meth:`restart`."""
        for name, finder in self._finders.items():
            for stretch in finder.finish():
                self._over(name, stretch)
        self._write_steady()

    def restart(self, boot: int, time_s: float) -> None:
        """Note that the device came back; the scans of its pause were never taken."""
        self._line({"kind": "restart", "scan": self._scans, "time_s": time_s, "boot": boot})

    def close(self) -> None:
        """Write what is still open, and the end."""
        self.pause()
        self._line({"kind": "end", "scans": self._scans, "time_s": self._end_s})
        if self._lines:
            self._lines.close()
        if self._rows:
            self._rows.seek(0)
            _write_header(self._rows, self._scans)
            self._rows.close()

    def _line(self, values: dict[str, Any]) -> None:
        if self._lines:
            self._lines.write(json.dumps(values, allow_nan=False) + "\n")
            self._lines.flush()


def _open(path: Path, mode: str) -> IO[Any]:
    try:
        return open(
            path, mode, encoding=None if "b" in mode else "utf-8", newline=None if "b" in mode else "\n"
        )
    except OSError as error:
        raise UsageError(
            f"truth file {path}: expected a file that can be written, got {error.strerror or error}; "
            "choose another path"
        ) from error


def _write_header(stream: IO[bytes], rows: int) -> None:
    """NumPy's own header (version 1.0); it is padded, so that a later, longer count fits the same bytes."""
    npy.write_array_header_1_0(
        stream, {"descr": npy.dtype_to_descr(SCAN_FIELDS), "fortran_order": False, "shape": (rows,)}
    )
