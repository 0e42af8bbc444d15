"""The reading composer: logbook → chain → measures and events.

The page, the exports and the command line all stand on it, so they cannot disagree.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livesense import bench as bench_file
from livesense.bench import Bench
from livesense.calibrated import InUse, in_use, temperatures_then
from livesense.chain import Chain, ChannelChain
from livesense.errors import LogbookError, UsageError
from livesense.logbook.kept import joined_ranges, outside
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import CalibrationRow, EventRow
from livesense.logbook.run_reader import RunReader
from livesense.samples import BoolArray, Codes, Estimate, FloatArray


@dataclass(frozen=True, slots=True)
class Window:
    """Values of one group over one whole stretch, in units.

    ``time_s`` is ``(n,)`` seconds of the run; ``values`` and ``clipped`` hold
    ``(n,)`` for each channel that was asked for.
    """

    group: int
    first: int
    rate_hz: float
    time_s: FloatArray
    values: dict[str, FloatArray]
    clipped: dict[str, BoolArray]


@dataclass(frozen=True, slots=True)
class Band:
    """One channel over a window in so many parts: lowest, highest and mean value of each.

    All ``(b,)``; ``time_s`` is the middle of each part; NaN where there are no scans.
    """

    time_s: FloatArray
    low: FloatArray
    high: FloatArray
    mean: FloatArray


class RunAnalysis:
    """One run, read through its own bench file's chain.

    Parameters
    ----------
    logbook
        An open logbook.
    ref
        A run's number, or ``"last"``.

    Raises
    ------
    RunNotFoundError
        when the logbook has no such run.
    """

    def __init__(self, logbook: Logbook, ref: int | str) -> None:
        self.run: RunReader = logbook.run(ref)
        self._chain: Chain | None = None
        self._in_use: InUse | None = None
        self._read_revision()

    def _read_revision(self) -> None:
        """Take the bench file of the newest revision: the run's own, or a corrected one."""
        self.revision: int = self.run.revision()
        row = self.run.row
        text, path = row.bench_text, row.bench_path
        for kept in self.run.revisions() if self.revision else []:
            if kept.number == self.revision and kept.bench_text:
                text, path = kept.bench_text, kept.bench_path
        self.bench: Bench = bench_file.parse(text, path)
        self._chain = None
        self._in_use = None

    @property
    def chain(self) -> Chain:
        """From codes to units; LogbookError while the run's groups are not known yet."""
        if self._chain is None:
            if not self.run.groups:
                raise LogbookError(
                    f"run {self.run.row.number} holds no scans: nothing was accepted from the line"
                )
            self._chain = Chain(self.bench, self.run.groups, self.in_use.calibration)
        return self._chain

    @property
    def in_use(self) -> InUse:
        """The calibrations of this revision, judged by the run's own date and temperatures."""
        if self._in_use is None:
            rows = self.run.calibration(self.revision)
            row = self.run.row
            self._in_use = in_use(rows, row.started_wall_s, row.device, self.temperatures(rows))
        return self._in_use

    def temperatures(self, rows: Sequence[CalibrationRow]) -> dict[str, tuple[float, float]]:
        """Find how cold and how warm the run was, by the thermometers that were read with a calibration."""
        names = {name for row in rows for name in temperatures_then(row)}
        found: dict[str, tuple[float, float]] = {}
        if not names or not self.run.groups:
            return found
        plain = Chain(self.bench, self.run.groups)
        for name in sorted(names & plain.channels.keys()):
            channel = plain.channels[name]
            first, stop = self.run.extent(channel.group)
            if channel.quantity != "temperature" or stop <= first:
                continue
            column = self.run.groups[channel.group].channels[plain.column(name)]
            parts = self.run.envelope(channel.group, column, first, stop, TEMPERATURE_PARTS)
            means = channel.values(parts.mean)
            if np.isfinite(means).any():
                found[name] = float(np.nanmin(means)), float(np.nanmax(means))
        return found

    @property
    def channels(self) -> list[ChannelChain]:
        """The bench file's channels, computed ones too, in its order."""
        return list(self.chain.channels.values())

    def refresh(self) -> None:
        """Look again at a run that is still being recorded."""
        self.run.refresh()
        if self.run.revision() != self.revision:
            self._read_revision()

    # Windows

    def extent_s(self) -> tuple[float, float]:
        """Where the run begins and ends, in its own seconds; the end is not included."""
        begins, ends = [], []
        for group in range(len(self.run.groups)):
            first, stop = self.run.extent(group)
            if stop > first:
                axis = self.run.time_axis(group)
                begins.append(float(axis.time_s(np.array([first]))[0]))
                ends.append(axis.end_s(stop - 1))
        return (min(begins), max(ends)) if begins else (0.0, 0.0)

    def rate_hz(self, group: int) -> float:
        """Nominal scan rate of a group, the latest where the device changed it."""
        segments = self.run.time_axis(group).segments
        return (segments[-1].rate_hz if segments else None) or self.run.groups[group].rate_hz or 1.0

    def rate_at(self, group: int, scan: int) -> float:
        """Nominal scan rate of a group at one of its scans."""
        rate_hz = self.run.groups[group].rate_hz
        for segment in self.run.time_axis(group).segments:
            if segment.first > scan:
                break
            rate_hz = segment.rate_hz
        return rate_hz or 1.0

    def scans_between(self, group: int, from_s: float | None, to_s: float | None) -> tuple[int, int]:
        """First scan and stop of a half-open time window, clipped to what is stored."""
        first, stop = self.run.extent(group)
        axis = self.run.time_axis(group)
        if from_s is not None:
            first = max(first, axis.scan_at(from_s))
        if to_s is not None:
            stop = min(stop, axis.scan_at(to_s))
        return first, max(first, stop)

    def stretches(self, group: int, first: int, stop: int) -> list[tuple[int, int]]:
        """Whole stretches ``[first, stop)`` within a range: no gap, no restart, nothing dropped inside."""
        cuts: set[int] = {segment.first for segment in self.run.time_axis(group).segments}
        holes = [(row.first, row.stop) for row in self.run.dropped(group)]
        for gap in self.run.gaps_between(group, first, stop):
            cuts.add(gap.first)
            if gap.count:
                holes.append((gap.first, gap.first + gap.count))
        whole = outside((first, stop), joined_ranges(holes))
        found: list[tuple[int, int]] = []
        for begin, end in whole:
            edges = [begin, *sorted(cut for cut in cuts if begin < cut < end), end]
            found += itertools.pairwise(edges)
        return found

    def joined_stretches(self, group: int, first: int, stop: int, most: float) -> list[tuple[int, int]]:
        """Join whole stretches over counted gaps of up to ``most`` scans; restarts part them in any case."""
        begins = {segment.first for segment in self.run.time_axis(group).segments}
        joined: list[tuple[int, int]] = []
        for begin, end in self.stretches(group, first, stop):
            if joined and 0 <= begin - joined[-1][1] <= most and begin not in begins:
                joined[-1] = joined[-1][0], end
            elif end > begin:
                joined.append((begin, end))
        return joined

    def latest(self, seconds: float, names: Sequence[str] | None = None) -> dict[int, Window]:
        """Newest whole stretch of each group, at most so many seconds long."""
        windows = {}
        for group in range(len(self.run.groups)):
            if names is not None and not any(self._in_group(name, group) for name in names):
                continue
            count = max(1, int(seconds * self.rate_hz(group)))
            first, codes = self.run.latest(group, count)
            if len(codes):
                windows[group] = self._window(group, first, codes, names)
        return windows

    def window(
        self, from_s: float | None, to_s: float | None, names: Sequence[str] | None = None
    ) -> list[Window]:
        """Values between two instants (half-open), whole stretches in order, group by group."""
        windows = []
        for group in range(len(self.run.groups)):
            if names is not None and not any(self._in_group(name, group) for name in names):
                continue
            first, stop = self.scans_between(group, from_s, to_s)
            for begin, codes in self.run.codes(group, first, stop):
                windows.append(self._window(group, begin, codes, names))
        return windows

    def _in_group(self, name: str, group: int) -> bool:
        channel = self.chain.channels.get(name)
        if channel is None:
            raise UsageError(f"expected a channel out of {', '.join(self.chain.channels)}, got {name!r}")
        return channel.group == group

    def _window(self, group: int, first: int, codes: Codes, names: Sequence[str] | None) -> Window:
        here = [c.name for c in self.chain.group_channels(group) if names is None or c.name in names]
        scans = np.arange(first, first + len(codes), dtype=np.int64)
        return Window(
            group=group,
            first=first,
            rate_hz=self.rate_at(group, first),
            time_s=self.run.time_axis(group).time_s(scans),
            values={name: self.chain.value(name, codes) for name in here},
            clipped={name: self.chain.clipped(name, codes) for name in here},
        )

    def envelope(self, name: str, from_s: float, to_s: float, buckets: int) -> Band:
        """Lowest, highest and mean value of a channel in equal parts of a window, however long it is."""
        if name not in self.chain.channels:
            raise UsageError(f"expected a channel out of {', '.join(self.chain.channels)}, got {name!r}")
        channel = self.chain.channels[name]
        group = channel.group
        first, stop = self.scans_between(group, from_s, to_s)
        if stop <= first:
            empty = np.zeros(0)
            return Band(empty, empty, empty, empty)
        if channel.computed:
            return self._computed_envelope(channel, first, stop, buckets)
        column = self.run.groups[group].channels[self.chain.column(name)]
        found = self.run.envelope(group, column, first, stop, buckets)
        edges = np.asarray(found.scan, dtype=np.int64)
        middle = edges[:-1] + (edges[1:] - edges[:-1]) // 2
        ends = np.stack([channel.values(found.low), channel.values(found.high)])
        return Band(
            self.run.time_axis(group).time_s(middle),
            # A falling chain turns lowest and highest around.
            np.fmin(ends[0], ends[1]),
            np.fmax(ends[0], ends[1]),
            channel.values(found.mean),
        )

    def _computed_envelope(self, channel: ChannelChain, first: int, stop: int, buckets: int) -> Band:
        """Bound a computed channel: by raw scans in short windows, by its sources' bands in long ones."""
        axis = self.run.time_axis(channel.group)
        if stop - first <= EXACT_SCANS and not self.run.is_dropped(channel.group, first, stop):
            edges = np.unique(np.linspace(first, stop, min(buckets, stop - first) + 1).astype(np.int64))
            low, high, mean = (np.full(len(edges) - 1, np.nan) for _ in range(3))
            values = np.full(stop - first, np.nan)
            for begin, codes in self.run.codes(channel.group, first, stop):
                values[begin - first : begin - first + len(codes)] = self.chain.value(channel.name, codes)
            starts = edges[:-1] - first
            low, high = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
            present = np.add.reduceat(np.isfinite(values).astype(float), starts)
            sums = np.add.reduceat(np.nan_to_num(values), starts)
            mean = np.divide(sums, present, out=mean, where=present > 0)
            return Band(axis.time_s(edges[:-1] + (edges[1:] - edges[:-1]) // 2), low, high, mean)
        from_s, to_s = (float(t) for t in axis.time_s(np.array([first, stop])))
        bands = [self.envelope(source, from_s, to_s, buckets) for source in channel.source]
        length = min(len(band.time_s) for band in bands)
        return Band(
            bands[0].time_s[:length],
            -np.sum([band.high[:length] for band in bands], axis=0),
            -np.sum([band.low[:length] for band in bands], axis=0),
            -np.sum([band.mean[:length] for band in bands], axis=0),
        )

    # Figures

    def measure(self, from_s: float | None = None, to_s: float | None = None) -> dict[str, Any]:
        """Figures between two instants; the keys are those of docs/scripting.md."""
        from livesense.figures import measure_run

        return measure_run(self, from_s, to_s) | {
            "revision": self.revision,
            "calibration_warnings": list(self.in_use.warnings),
        }

    def windings(self, from_s: float | None = None, to_s: float | None = None) -> dict[str, Any]:
        """Time constants, resistance and inductance; the keys are those of docs/scripting.md."""
        from livesense.winding_facts import winding_facts

        return winding_facts(self, from_s, to_s)

    def trends(
        self, from_s: float | None = None, to_s: float | None = None, resolution: str = "auto"
    ) -> dict[str, Any]:
        """Figures of each 200 ms, 3 s, 1 min or 10 min; the keys are those of docs/scripting.md."""
        from livesense.trend_facts import trends

        return trends(self, from_s, to_s, resolution)

    def fitted_rate_hz(self, group: int, nominal_hz: float | None) -> Estimate | None:
        """Scan rate as fitted against a clock while its nominal value was this; None where there was none."""
        return None if nominal_hz is None else self.run.rates().get(group, {}).get(nominal_hz)

    def believed_rate_hz(self, group: int, scan: int) -> Estimate:
        """Scan rate to measure with at a scan: the fitted one where it fits this stretch, else the nominal.

        A fit belongs to one nominal rate. One that is far from it tells that the bytes were not
        sent as they were made (a replay, a buffer emptied late), not what the rate was.
        """
        nominal_hz = self.rate_at(group, scan)
        fitted = self.fitted_rate_hz(group, nominal_hz)
        if fitted is None or abs(fitted.value - nominal_hz) > BELIEVED_SHARE * nominal_hz:
            return Estimate(nominal_hz, unit="Hz")
        return fitted

    def events(self, newest: int | None = None) -> list[dict[str, Any]]:
        """Events in the order in which they began; the keys are those of docs/scripting.md.

        ``newest`` limits them to so many that began last.
        """
        return self._facts_of(self.run.events(newest=newest))

    def events_page(self, offset: int, limit: int) -> list[dict[str, Any]]:
        """At most ``limit`` events in the order they were found, from one on: a run may have very many."""
        return self._facts_of(self.run.events_page(offset, limit))

    def _facts_of(self, rows: Sequence[EventRow]) -> list[dict[str, Any]]:
        from livesense.event_facts import event_facts

        return event_facts(self, rows)

    def link_events(self) -> list[dict[str, Any]]:
        """Gaps and restarts as rows beside the events; the keys are those of docs/scripting.md."""
        from livesense.event_facts import link_facts

        return link_facts(self)

    def budgets(self) -> dict[str, dict[str, Any] | None]:
        """Tell each channel's uncertainty budget or None; the keys are those of docs/scripting.md."""
        from livesense.budget_facts import budget_facts

        return {channel.name: budget_facts(self.bench, channel) for channel in self.channels}

    def show(self) -> dict[str, Any]:
        """Everything that is known of the run beside its scans."""
        from livesense.run_facts import show_run

        return show_run(self)


BELIEVED_SHARE = 0.05
"""Clocks of microcontrollers without a crystal are off by some percent; nothing is off by more."""

TEMPERATURE_PARTS = 64
"""Parts of a run whose mean temperatures are looked at."""

EXACT_SCANS = 2_000_000
"""Up to this many scans a computed channel's band is made from raw codes."""
