"""Rows of scans in their places: lost, repeated, restarted, by the timebase that a recording has."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence

import numpy as np

from livesense.decoding import same_groups
from livesense.listen.rows import Row, Verdict
from livesense.samples import (
    Arrival,
    Description,
    FaultKind,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Packets,
    Restart,
    ScanBlock,
)
from livesense.timebase import Timebase, TimebaseEvent
from livesense.wire.packing import count_beyond

Limits = tuple[tuple[int, int] | None, ...]


class Placing:
    """Accounts for the scans of rows as a recording does.

    Parameters
    ----------
    limits
        Gives the lowest and highest code of each channel of a group.
    counter_bits, modulus
        As of :class:`livesense.timebase.Timebase`.
    faults
        Counts to which ``repeated`` and ``code_range`` are added.
    """

    def __init__(
        self,
        limits: Callable[[GroupInfo], Limits],
        *,
        counter_bits: int,
        modulus: int | None,
        faults: Counter[str],
    ) -> None:
        self.groups: tuple[GroupInfo, ...] = ()
        self.scans: Counter[int] = Counter()
        """Good ones of each group."""
        self.lost = 0
        self.gaps = 0
        self.restarts = 0
        self.counted = True
        self._limits_of = limits
        self._counter_bits = counter_bits
        self._modulus = modulus
        self._faults = faults
        self._limits: list[Limits] = []
        self._timebase: Timebase | None = None
        self._held: dict[int, Row] = {}

    def described(self, description: Description, arrival: Arrival | None) -> bool:
        """Take a description; returns whether other groups, counter or clock begin with it."""
        groups = description.groups
        if (
            self._timebase is not None
            and self.counted == description.counted
            and same_groups(self.groups, groups)
        ):
            self._settle(self._timebase.description(description), None, None)
            self.groups = groups
            self._limits = [self._limits_of(group) for group in groups]
            return False
        begun = self._timebase is not None
        self._begin(groups, description.boot)
        self.counted = description.counted
        return begun

    def _begin(self, groups: Sequence[GroupInfo], boot: str | None) -> None:
        self.finish()
        self.groups = tuple(groups)
        self._limits = [self._limits_of(group) for group in groups]
        self._timebase = Timebase(
            self.groups, counter_bits=self._counter_bits, modulus=self._modulus, boot=boot
        )

    def packets(
        self, packets: Packets, rows: Sequence[Row], groups: Sequence[GroupInfo], arrival: Arrival | None
    ) -> None:
        """Place packets; ``rows`` has one row for each, or is empty where they have none of their own.

        Without a counter all packets are one, whatever the rows.
        """
        if self._timebase is None:
            self._begin(groups, None)
        assert self._timebase is not None
        self.counted = packets.first is not None
        self._mark_beyond(packets, rows)
        if packets.first is None or self._follows_on(packets) or len(packets.group) != len(rows):
            row = rows[0] if len(rows) == 1 else None
            group = int(packets.group[0])
            self._settle(self._timebase.packets(packets, arrival), row, group)
        else:
            for number, row in enumerate(rows):
                one = _one(packets, number)
                self._settle(self._timebase.packets(one, arrival), row, int(one.group[0]))

    def _mark_beyond(self, packets: Packets, rows: Sequence[Row]) -> None:
        """Tell each row how many of its codes are out of range; nearly always none is."""
        if any(count_beyond(codes, self._limits[group]) for group, codes in packets.codes.items()):
            for row in rows:
                if row.codes is not None and row.group is not None:
                    row.beyond = count_beyond(row.codes, self._limits[row.group])

    def _follows_on(self, packets: Packets) -> bool:
        """Whether many packets of one group need no second look, one by one."""
        assert packets.first is not None
        assert self._timebase is not None
        group = int(packets.group[0])
        if len(packets.group) < 2 or (packets.group != group).any():
            return False
        due = self._timebase.due(group)
        modulus = self._modulus or 1 << self._counter_bits
        ends = packets.first + packets.count
        return (
            due is not None
            and (int(packets.first[0]) - due) % modulus == 0
            and bool(((packets.first[1:] - ends[:-1]) % modulus == 0).all())
        )

    def interrupted(self, cause: GapCause) -> None:
        """Take note that bytes were lost."""
        if self._timebase is not None:
            self._settle(self._timebase.interrupted(cause), None, None)

    def finish(self) -> None:
        """End the stream: what is held was a repeat."""
        if self._timebase is not None:
            self._settle(self._timebase.finish(), None, None)

    def _settle(self, events: Sequence[TimebaseEvent], row: Row | None, group: int | None) -> None:
        """Count what became of the scans, and tell their rows."""
        assert self._timebase is not None
        repeated = 0
        restarted = False
        for event in events:
            match event:
                case ScanBlock():
                    self.scans[event.group] += len(event.codes)
                    beyond = count_beyond(event.codes, self._limits[event.group])
                    if beyond:
                        self._faults[str(FaultKind.CODE_RANGE)] += beyond
                case Gap():
                    self._gap(event, row)
                case Restart():
                    self.restarts += 1
                    restarted = True
                case LinkFault():
                    repeated += event.count
                    self._faults[str(event.kind)] += event.count
        first = self._release(repeated, group)
        if row is None:
            return
        if restarted:
            # A packet that had gone back was the first one of the new count.
            (first or row).restarted = True
        if group is not None and self._timebase.holds(group):
            row.undecided = True
            self._held[group] = row

    def _gap(self, gap: Gap, row: Row | None) -> None:
        if gap.cause is GapCause.BURST:
            return
        if gap.count is not None:
            self.gaps += 1
            self.lost += gap.count
        if row is not None:
            row.lost = gap.count

    def _release(self, repeated: int, group: int | None) -> Row | None:
        """Tell the rows that were held what they are; returns the one that was taken after all."""
        assert self._timebase is not None
        taken = None
        for number, held in list(self._held.items()):
            if number != group and self._timebase.holds(number):
                continue
            del self._held[number]
            held.undecided = False
            if repeated:
                repeated -= 1
                held.beyond = 0
                held.judge(Verdict.REPEATED, why="its counter went back: it came twice, or too late")
            else:
                taken = held
        return taken


def _one(packets: Packets, number: int) -> Packets:
    """One packet of several."""
    assert packets.first is not None
    group = int(packets.group[number])
    before = packets.count[:number]
    begin = int(before[packets.group[:number] == group].sum())
    end = begin + int(packets.count[number])
    clock = None
    if packets.clock is not None:
        clock = packets.clock[int(before.sum()) : int(before.sum()) + int(packets.count[number])]
    span = slice(number, number + 1)
    return Packets(
        packets.group[span],
        packets.first[span],
        packets.count[span],
        {group: packets.codes[group][begin:end]},
        clock,
    )


def rows_of(packets: Packets, groups: Sequence[GroupInfo], rows: Sequence[Row]) -> None:
    """Fill rows with the packets that they hold, one each; the last ones of several."""
    taken = dict.fromkeys(packets.codes, 0)
    ends = np.cumsum(packets.count)
    per_row = len(packets.group) == len(rows)
    for number, row in enumerate(rows):
        at = number if per_row else 0
        group = int(packets.group[at])
        count = int(packets.count[at]) if per_row else int(ends[-1]) // len(rows)
        begin = taken[group]
        taken[group] = begin + count
        row.group = group
        row.scans = count
        row.counter = None if packets.first is None else int(packets.first[at])
        row.codes = packets.codes[group][begin : begin + count]
        row.decimals = groups[group].decimals
