"""What happens to decoded packets within one run: placed in time, stored, watched.

An :class:`Intake` lives from the moment a run's groups are known until the run
ends; the recorder makes the next one when the device changes what it sends.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from livesense.bench import Bench
from livesense.chain import Chain
from livesense.chain.calibration import Calibration
from livesense.decoding import group_limits
from livesense.errors import DescriptionError
from livesense.logbook.writer import RunWriter
from livesense.outages import Outages
from livesense.samples import (
    Arrival,
    Description,
    Estimate,
    Event,
    FaultKind,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Packets,
    Restart,
    ScanBlock,
    SegmentStart,
)
from livesense.timebase import Timebase
from livesense.trending import Leveled, TrendBuilder
from livesense.watching import GroupWatches
from livesense.wire.packing import count_beyond

Placed = ScanBlock | Gap | Restart | SegmentStart | LinkFault


class Intake:
    """Takes one run's packets to the logbook and to the watches.

    Raises
    ------
    DescriptionError
        when the bench file asks for channels that the groups lack, or a scan rate is unknown.
    """

    def __init__(
        self,
        bench: Bench,
        groups: Sequence[GroupInfo],
        run: RunWriter,
        outages: Outages,
        *,
        boot: str | None = None,
        counted: bool = True,
        shown_names: Sequence[tuple[str, str]] = (),
        faults: Counter[str] | None = None,
        calibration: Calibration | None = None,
    ) -> None:
        for number, group in enumerate(groups):
            if group.rate_hz is None:
                raise DescriptionError(
                    f"the scan rate of group {number} is unknown: expected it in the device's description "
                    'or as rate = "20 kHz" in the [[group]] table of the bench file'
                )
        self.groups = tuple(groups)
        self.run = run
        self.outages = outages
        self.chain = Chain(bench, self.groups, calibration)
        self.gaps = 0
        self.restarts = 0
        self.events = 0
        self.faults: Counter[str] = faults if faults is not None else Counter()
        self.latest_event = ""
        self.stored = [0] * len(groups)
        self.lost = [0] * len(groups)
        self.counted = counted
        self._bench = bench
        self._limits = [group_limits(bench, group) for group in self.groups]
        self._timebase = Timebase(
            self.groups,
            counter_bits=bench.link.counter_bits,
            modulus=bench.link.record.modulus if bench.link.record else None,
            boot=boot,
        )
        self._last_scan = [-1] * len(groups)
        self._watches = [self._watches_of(number) for number in range(len(groups))]
        self._trends = [self._trend_of(number) for number in range(len(groups))]
        self._event_rows: dict[tuple[int, Any], int] = {}
        self._shown_names = tuple(shown_names)
        self._declared = False
        self._rates: dict[tuple[int, float], Estimate] = {}
        """As stored last."""

    def _watches_of(self, group: int) -> GroupWatches:
        return GroupWatches(self._bench, self.chain, group, self.groups[group].rate_hz or 0.0)

    def _trend_of(self, group: int) -> TrendBuilder:
        info = self.groups[group]
        return TrendBuilder(self.chain, group, len(info.channels), info.rate_hz or 1.0)

    @property
    def scans(self) -> int:
        """Scans stored in all groups."""
        return sum(self.stored)

    @property
    def groups_seen(self) -> list[int]:
        """Groups that had scans."""
        return [group for group, last in enumerate(self._last_scan) if last >= 0]

    @property
    def next_scan(self) -> int:
        """Index that the next scan of the first group gets."""
        return self._last_scan[0] + 1

    @property
    def seconds(self) -> float:
        """How far the run reaches, at the nominal rate."""
        ends = [
            self._timebase.segments(group).end_s(last)
            for group, last in enumerate(self._last_scan)
            if last >= 0
        ]
        return max(ends, default=0.0)

    def packets(self, packets: Packets, arrival: Arrival | None, wall_s: float) -> None:
        """Take packets as they came."""
        if not self._declared:
            self._declare()
        self._place(self._timebase.packets(packets, arrival), wall_s)

    def description(self, description: Description, wall_s: float) -> None:
        """Take a description with the same groups: a new boot number or scan rate."""
        self._place(self._timebase.description(description), wall_s)
        self._limits = [group_limits(self._bench, group) for group in description.groups]
        for group, (old, new) in enumerate(zip(self.groups, description.groups, strict=True)):
            if old.rate_hz != new.rate_hz:
                # Holds are counted in scans, so a new rate needs new counting.
                self._close_watches(group)
                self._keep_trend(group, self._trends[group].close())
                self.groups = (*self.groups[:group], new, *self.groups[group + 1 :])
                self._watches[group] = self._watches_of(group)
                self._trends[group] = self._trend_of(group)

    def interrupted(self, cause: GapCause, wall_s: float) -> None:
        """Take note that bytes were lost: the next jump of the counter has this cause."""
        self._place(self._timebase.interrupted(cause), wall_s)

    def _declare(self) -> None:
        self.run.add_groups(self.groups, self._shown_names, counted=self.counted)
        self._declared = True

    def finish(self, wall_s: float) -> None:
        """End of the stream: nothing is left open."""
        if not self._declared:
            self._declare()
        self._place(self._timebase.finish(), wall_s)
        for group in range(len(self.groups)):
            self._close_watches(group)
            self._keep_trend(group, self._trends[group].close())
        self.store_rates()

    def store_rates(self) -> None:
        """Keep the scan rates as fitted so far."""
        if not self._declared:
            return
        for group in range(len(self.groups)):
            for nominal_hz, estimate in self._timebase.rate_fits(group).items():
                if nominal_hz is not None and self._rates.get((group, nominal_hz)) != estimate:
                    self.run.rate(group, nominal_hz, estimate)
                    self._rates[group, nominal_hz] = estimate

    def fault(self, fault: LinkFault, wall_s: float) -> None:
        """Count something on the line that was not taken, or is odd."""
        self.faults[str(fault.kind)] += fault.count
        self.run.fault(fault, wall_s)

    def summary(self) -> list[dict[str, Any]]:
        """Each group's totals, as the `record` command prints them."""
        rows = []
        for number, group in enumerate(self.groups):
            fitted = self._timebase.rate_fit(number)
            rows.append(
                {
                    "group": number,
                    "channels": list(group.channels),
                    "rate_hz": group.rate_hz,
                    "rate_fitted_hz": fitted.as_json() if fitted is not None else None,
                    "clock_jitter_s": self._timebase.clock_jitter_s(number),
                    "scans_stored": self.stored[number],
                    "scans_lost": self.lost[number] if self.counted else None,
                }
            )
        return rows

    def _place(self, placed: Sequence[Placed], wall_s: float) -> None:
        for item in placed:
            match item:
                case ScanBlock():
                    self._block(item, wall_s)
                case Gap():
                    self._gap(item, wall_s)
                case Restart():
                    self.restarts += 1
                    self.run.restart(item, wall_s)
                    self.outages.restart()
                    for group in range(len(self.groups)):
                        self._close_watches(group)
                        self._keep_trend(group, self._trends[group].close())
                case SegmentStart():
                    self.run.segment(item)
                case LinkFault():
                    self.fault(item, wall_s)

    def _block(self, block: ScanBlock, wall_s: float) -> None:
        self.run.append(block)
        self.outages.scans(block.group)
        # Here and not as they are decoded, for a packet that came twice is not stored.
        beyond = count_beyond(block.codes, self._limits[block.group])
        if beyond:
            self.fault(LinkFault(FaultKind.CODE_RANGE, beyond), wall_s)
        count = len(block.codes)
        self.stored[block.group] += count
        self._last_scan[block.group] = block.first + count - 1
        # As both want them.
        codes = np.asfortranarray(block.codes)
        self._keep_events(self._watches[block.group].feed(block.first, codes))
        self._keep_trend(block.group, self._trends[block.group].feed(block.first, codes))

    def _gap(self, gap: Gap, wall_s: float) -> None:
        self.run.gap(gap, wall_s)
        self.outages.gap(gap)
        if gap.cause is not GapCause.BURST and gap.count is not None:
            self.gaps += 1
            self.lost[gap.group] += gap.count
        self._watches[gap.group].gap(gap.count)
        self._keep_trend(gap.group, self._trends[gap.group].cut())

    def _close_watches(self, group: int) -> None:
        self._keep_events(self._watches[group].close(self._last_scan[group]))

    def _keep_trend(self, group: int, found: Leveled) -> None:
        for level, rows in found:
            self.run.trend(group, level, rows)

    def _keep_events(self, found: Sequence[Event]) -> None:
        for event in found:
            key = (event.rule, event.details["key"])
            self.latest_event = event.text
            if key in self._event_rows:
                self.run.update_event(self._event_rows[key], event)
            else:
                self._event_rows[key] = self.run.open_event(event)
                self.events += 1
            if event.end_scan is not None:
                del self._event_rows[key]
