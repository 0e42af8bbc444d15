"""Every scan in its place: counters unwrapped, gaps and restarts found, segments laid in time.

The device counts the scans of each group, modulo a power of two. From that count
alone follows which scans were lost, which packets came twice or late, and when
the device began anew. Scan indices start at 0, include what was lost, and never
go back. A whole read that simply follows on costs a few numpy calls; only the
packets around a jump are looked at one by one.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from livesense.ratefit import ArrivalFit, ClockFit
from livesense.samples import (
    Arrival,
    Codes,
    Description,
    Estimate,
    FaultKind,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Packets,
    Restart,
    ScanBlock,
    SegmentStart,
    TimeAxis,
)

PLAUSIBLE_SLACK_S = 2.0
PLAUSIBLE_SLACK = 1.1
"""A jump is loss when the device could have made that many scans: 10 % faster, and 2 s more."""

LATENCY_S = 0.1
"""Between a packet's last scan and its arrival: delays of the device, of the system and of our own."""

LONGEST_JUMP_S = 3600.0
"""Without an arrival clock, a longer jump is a restart."""

SLEEP_S = 1.0
"""A wall clock that gained so much on the monotonic one tells that the computer slept."""

TICKS_PER_S = {"t_us": 1e6, "t_ms": 1e3}
CLOCK_MODULUS = 1 << 32
BACKWARD_TICKS = 1 << 20

TimebaseEvent = ScanBlock | Gap | Restart | SegmentStart | LinkFault


@dataclass(slots=True)
class _Piece:
    """Rows ``begin … end − 1`` of ``codes`` (and of ``clock``)."""

    codes: Codes
    clock: NDArray[np.int64] | None
    begin: int
    end: int


@dataclass(slots=True)
class _Held:
    """A packet behind the count, until the next one tells what it is."""

    first: int
    count: int
    piece: _Piece
    time_s: float | None


@dataclass(slots=True)
class _Fit:
    """The fits of one stretch at one nominal rate; the device's own clock comes first."""

    nominal_hz: float | None
    arrivals: ArrivalFit
    clock: ClockFit | None

    def estimate(self) -> Estimate | None:
        return self.arrivals.estimate() if self.clock is None else self.clock.estimate()


@dataclass(slots=True)
class _Group:
    """What is known of one group."""

    info: GroupInfo
    expected: int | None = None
    next_index: int = 0
    held: _Held | None = None
    arrival: Arrival | None = None
    cause: GapCause | None = None
    since_jump: int = 0
    joined: bool = True
    new_segment: bool = True
    begun: bool = False
    """Whether scans came since the device's last start."""
    segments: list[SegmentStart] = field(default_factory=list)
    fit: _Fit | None = None
    fitted: dict[float | None, Estimate] = field(default_factory=dict)
    """What earlier fits told, by nominal rate."""
    block_first: int = 0
    pieces: list[_Piece] = field(default_factory=list)
    last_tick: tuple[int, int, int] | None = None
    """Scan index, raw and unwrapped value of the last clock reading."""

    @property
    def segment_end_s(self) -> float:
        """When the scan with the next index is due, by the segment it would belong to."""
        last = self.segments[-1]
        return last.start_s + (self.next_index - last.first) / last.rate_hz if last.rate_hz else last.start_s


@dataclass(slots=True)
class _Run:
    """One group's packets of one :class:`Packets`: where each stands on the wire, and its rows."""

    place: NDArray[np.int64]
    first: NDArray[np.int64] | None
    count: NDArray[np.int64]
    end: NDArray[np.int64]
    codes: Codes
    clock: NDArray[np.int64] | None

    def piece(self, begin: int, end: int) -> _Piece:
        """Rows of packets ``begin … end − 1``."""
        return _Piece(self.codes, self.clock, self.row(begin), int(self.end[end - 1]))

    def row(self, packet: int) -> int:
        return int(self.end[packet] - self.count[packet])


class Timebase:
    """The accounting of one run.

    Parameters
    ----------
    groups
        What the device scans. Nominal rates decide what loss is plausible.
    counter_bits
        Width of the device's scan counter.
    modulus
        Scans after which the counter begins anew, where that is no power of two.
    boot
        The device's boot number, if it told one.

    Raises
    ------
    ValueError
        for a counter width outside 1 to 62.
    """

    few = 4
    """Up to so many packets at once are looked at one by one."""

    def __init__(
        self,
        groups: Sequence[GroupInfo],
        *,
        counter_bits: int = 32,
        modulus: int | None = None,
        boot: str | None = None,
    ) -> None:
        if not 1 <= counter_bits <= 62:
            raise ValueError(f"expected counter_bits from 1 to 62, got {counter_bits}")
        self._modulus = modulus or 1 << counter_bits
        self._groups = [_Group(info) for info in groups]
        self._boot = boot
        self._counted = True
        self._arrival: Arrival | None = None
        self._before: Arrival | None = None
        self._host_s = 0.0
        self._zero_s: float | None = None
        """The host's time of the run's first scan; None before it, and without a clock."""
        self._reference: tuple[float, float] | None = None
        """By the group that came first since the device's start: when in the run the device began to
        count, and this group's scan period, both in seconds."""
        self._repeated = 0
        self._restarted: list[int | None] | None = None
        """Each group's last counter before a restart that is not handed on yet."""
        self._out: list[TimebaseEvent] = []

    def next_index(self, group: int) -> int:
        """Index that the next scan of a group will get if nothing is lost."""
        return self._groups[group].next_index

    def due(self, group: int) -> int | None:
        """Counter that the group's next packet will have if it follows on; None while nothing tells it."""
        return None if self.holds(group) else self._groups[group].expected

    def holds(self, group: int) -> bool:
        """Whether a packet of this group waits for the next one to tell what it is."""
        return self._groups[group].held is not None

    def segments(self, group: int) -> TimeAxis:
        """Where the group's scans lie in time."""
        return TimeAxis(tuple(self._groups[group].segments))

    def rate_fits(self, group: int) -> dict[float | None, Estimate]:
        """Scan rates in Hz, by nominal rate: of the latest stretch at each that tells one.

        Against the device's own clock where it sends one, else against the host's;
        empty where there is neither, or too little yet.
        """
        found = dict(self._groups[group].fitted)
        fit = self._groups[group].fit
        if fit is not None and (latest := fit.estimate()) is not None:
            found[fit.nominal_hz] = latest
        return found

    def rate_fit(self, group: int) -> Estimate | None:
        """Scan rate in Hz as fitted at the present nominal rate; None where nothing tells it yet."""
        return self.rate_fits(group).get(self._groups[group].info.rate_hz)

    def clock_jitter_s(self, group: int) -> float | None:
        """Give the standard deviation of the device's clock around even sampling; None without one."""
        fit = self._groups[group].fit
        return None if fit is None or fit.clock is None else fit.clock.jitter_s

    def packets(self, packets: Packets, arrival: Arrival | None) -> list[TimebaseEvent]:
        """Place packets in order of the wire; ``arrival`` is when their last byte came."""
        self._arrive(arrival)
        runs = {}
        for number in packets.codes:
            place = np.flatnonzero(packets.group == number)
            count = packets.count[place]
            first = None if packets.first is None else packets.first[place]
            runs[number] = _Run(place, first, count, np.cumsum(count), packets.codes[number], packets.clock)
        self._counted = packets.first is not None
        total = len(packets.group)
        if not self._counted:
            self._take(runs, 0, total)
        elif total <= self.few:
            for at, number in enumerate(packets.group.tolist()):
                self._step(number, runs[number], int(np.searchsorted(runs[number].place, at)))
        else:
            self._leap(runs, total)
        for number in runs:
            group = self._groups[number]
            if arrival is not None and group.arrival is arrival:
                assert group.fit is not None
                group.fit.arrivals.add(group.next_index, self._host_s)
        return self._finished()

    def description(self, description: Description) -> list[TimebaseEvent]:
        """Compare what the device says of itself with what it said before.

        A restart that a changed boot number shows is handed on with the next packet,
        which tells where the device counts from.

        Raises
        ------
        ValueError
            for another number of groups: that is another run.
        """
        if len(description.groups) != len(self._groups):
            raise ValueError(
                f"expected {len(self._groups)} groups, got {len(description.groups)}: start a new run"
            )
        if description.boot is not None:
            if self._boot is not None and description.boot != self._boot:
                self._tell_restart(None, None)
                self._begin_anew()
            self._boot = description.boot
        for group, info in zip(self._groups, description.groups, strict=True):
            if info.rate_hz != group.info.rate_hz:
                group.new_segment = True
                # Counts divided by rates no longer tell when this group began.
                self._reference = None
            group.info = info
        return self._finished()

    def interrupted(self, cause: GapCause) -> list[TimebaseEvent]:
        """Note that bytes are missing from here on; the next jump of each group has this cause."""
        for number, group in enumerate(self._groups):
            group.cause = cause
            if not self._counted and group.segments:
                self._out.append(Gap(number, group.next_index, None, cause))
                self._renew_fit(group)
        return self._finished()

    def finish(self) -> list[TimebaseEvent]:
        """End the run: a packet that is still held was a repeat."""
        for group in self._groups:
            self._drop_held(group)
        self._tell_restart(None, None)
        return self._finished()

    def _finished(self) -> list[TimebaseEvent]:
        for number in range(len(self._groups)):
            self._flush(number)
        if self._repeated:
            self._out.append(LinkFault(FaultKind.REPEATED, self._repeated))
            self._repeated = 0
        out, self._out = self._out, []
        return out

    def _arrive(self, arrival: Arrival | None) -> None:
        if arrival is not None and arrival != self._arrival:
            if self._arrival is not None:
                elapsed_s = arrival.monotonic_s - self._arrival.monotonic_s
                wall_s = arrival.wall_s - self._arrival.wall_s
                slept = not arrival.counts_sleep and wall_s - elapsed_s > SLEEP_S
                # While a computer sleeps its monotonic clock may stand still.
                self._host_s += wall_s if slept else max(elapsed_s, 0.0)
                if slept:
                    # Or somebody set the wall clock: no rate is fitted across that.
                    for group in self._groups:
                        self._renew_fit(group)
            self._before = self._arrival
        self._arrival = arrival

    def _leap(self, runs: dict[int, _Run], total: int) -> None:
        """Take whatever follows on in one go, and look at the packets around each jump one by one."""
        odd: list[int] = []
        for number, run in runs.items():
            group = self._groups[number]
            assert run.first is not None
            settled = group.expected is not None and group.held is None
            due = np.concatenate([[group.expected if settled else -1], (run.first + run.count)[:-1]])
            follows = (run.first - due) % self._modulus == 0
            follows[0] &= settled
            odd.extend(run.place[~follows].tolist())
        heapq.heapify(odd)
        done = 0
        while odd:
            place = heapq.heappop(odd)
            if place < done:
                continue
            self._take(runs, done, place)
            done = place + 1
            for number, run in runs.items():
                packet = int(np.searchsorted(run.place, place))
                if packet < len(run.place) and run.place[packet] == place:
                    self._step(number, run, packet)
            for number, run in runs.items():
                group = self._groups[number]
                if group.expected is None or group.held is not None:
                    packet = int(np.searchsorted(run.place, done))
                    if packet < len(run.place):
                        heapq.heappush(odd, int(run.place[packet]))
        self._take(runs, done, total)

    def _take(self, runs: dict[int, _Run], begin: int, end: int) -> None:
        """Accept the packets at these places of the wire, which all follow on."""
        for number, run in runs.items():
            low, high = np.searchsorted(run.place, [begin, end]).tolist()
            if high > low:
                last = None if run.first is None else int(run.first[high - 1] + run.count[high - 1])
                self._accept(number, run.piece(low, high), last, self._time_s(number, run, low))

    def _step(self, number: int, run: _Run, packet: int) -> None:
        """Take one packet by the rules of the counter."""
        assert run.first is not None
        group = self._groups[number]
        first, count = int(run.first[packet]), int(run.count[packet])
        piece = run.piece(packet, packet + 1)
        time_s = self._time_s(number, run, packet)
        end = first + count
        if group.expected is None:
            self._accept(number, piece, end, time_s)
            return
        ahead = (first - group.expected) % self._modulus
        if ahead < self._modulus // 2:
            self._drop_held(group)
            if ahead and self._impossible(group, ahead):
                self._restart(number, first)
            elif ahead:
                self._lose(number, ahead)
            self._accept(number, piece, end, time_s)
            return
        held, group.held = group.held, None
        if held is not None and first == (held.first + held.count) % self._modulus:
            self._restart(number, held.first)
            self._accept(number, held.piece, first, held.time_s)
            self._accept(number, piece, end, time_s)
            return
        if held is not None:
            self._repeated += 1
        rows = slice(piece.begin, piece.end)
        kept = _Piece(
            piece.codes[rows].copy(), None if piece.clock is None else piece.clock[rows].copy(), 0, count
        )
        group.held = _Held(first, count, kept, time_s)

    def _time_s(self, number: int, run: _Run, packet: int) -> float | None:
        """When a packet's first scan was taken, by the host's clock: the last one came just now."""
        rate_hz = self._groups[number].info.rate_hz
        if self._arrival is None:
            return None
        return self._host_s - ((int(run.end[-1]) - run.row(packet)) / rate_hz if rate_hz else 0.0)

    def _impossible(self, group: _Group, scans: int) -> bool:
        """Whether the device cannot have made so many scans since the group's last packet."""
        rate_hz = group.info.rate_hz
        if rate_hz is None:
            return False
        if self._arrival is None:
            return scans > LONGEST_JUMP_S * rate_hz
        # Of packets read together only is known that they came after the read before.
        since = self._before if group.arrival in (None, self._arrival) else group.arrival
        elapsed_s = 0.0
        if since is not None:
            elapsed_s = self._arrival.monotonic_s - since.monotonic_s
            if not self._arrival.counts_sleep:
                elapsed_s = max(elapsed_s, self._arrival.wall_s - since.wall_s)
        return scans > rate_hz * (PLAUSIBLE_SLACK * elapsed_s + PLAUSIBLE_SLACK_S)

    def _lose(self, number: int, scans: int) -> None:
        """Record a gap in front of the next scan."""
        group = self._groups[number]
        cause = group.cause
        if cause is None:
            burst = group.info.burst
            paused = burst is not None and (
                (group.since_jump > 0 and group.since_jump % burst == 0)
                or (group.joined and group.since_jump <= burst)
            )
            cause = GapCause.BURST if paused else GapCause.WIRE
            group.joined = False
        self._flush(number)
        self._out.append(Gap(number, group.next_index, scans, cause))
        group.next_index += scans
        group.since_jump = 0

    def _restart(self, number: int, first_counter: int) -> None:
        """Note a restart that a group's counter shows."""
        self._begin_anew()
        self._tell_restart(number, first_counter)
        # One restart is one row: a changed boot number that follows tells nothing new.
        self._boot = None

    def _begin_anew(self) -> None:
        """Take every group's next packet as it comes, whatever its counter."""
        self._restarted = []
        for other, group in enumerate(self._groups):
            self._flush(other)
            self._drop_held(group)
            expected, group.expected = group.expected, None
            self._restarted.append(None if expected is None else (expected - 1) % self._modulus)
            group.cause = None
            group.since_jump = 0
            group.joined = True
            group.new_segment = True
            group.begun = False
            group.last_tick = None
        self._reference = None

    def _tell_restart(self, number: int | None, first_counter: int | None) -> None:
        """Hand on a restart, once it is known where the device counts from, or that it never will be."""
        if self._restarted is not None:
            seen = number or 0
            index = self._groups[seen].next_index
            self._out.append(Restart(number, index, self._restarted[seen], first_counter))
            self._restarted = None

    def _drop_held(self, group: _Group) -> None:
        if group.held is not None:
            self._repeated += 1
            group.held = None

    def _accept(self, number: int, piece: _Piece, end: int | None, time_s: float | None) -> None:
        """Store rows at the group's next index; ``end`` is the counter that follows them."""
        group = self._groups[number]
        count = piece.end - piece.begin
        if self._restarted is not None:
            self._tell_restart(number, None if end is None else (end - count) % self._modulus)
        if group.new_segment:
            self._open_segment(number, time_s, None if end is None else (end - count) % self._modulus)
        if group.cause is not None:
            # Whatever part of a burst was missed, this is like joining midway.
            group.cause = None
            group.since_jump = 0
            group.joined = True
        if not group.pieces:
            group.block_first = group.next_index
        last = group.pieces[-1] if group.pieces else None
        if last is not None and last.codes is piece.codes and last.end == piece.begin:
            last.end = piece.end
        else:
            group.pieces.append(piece)
        group.expected = None if end is None else end % self._modulus
        group.next_index += count
        group.since_jump += count
        group.arrival = self._arrival

    def _open_segment(self, number: int, time_s: float | None, counter: int | None) -> None:
        """Begin a stretch with the scan that has this counter, taken at ``time_s`` of the host's clock."""
        group = self._groups[number]
        self._flush(number)
        if not any(other.segments for other in self._groups):
            self._zero_s = time_s
        counted = None if counter is None or group.begun else self._counted_s(group, counter)
        if time_s is None or self._zero_s is None:
            start_s = group.segment_end_s if group.segments else 0.0
        else:
            start_s = self._by_counter(time_s - self._zero_s, counted)
            if group.segments:
                start_s = max(start_s, group.segment_end_s)
            elif start_s < 0:
                # The run's first scan turns out to be this one: others came sooner, but began later.
                self._shift(-start_s)
                start_s = 0.0
        if counted is not None and self._reference is None:
            self._reference = (start_s - counted[0], counted[1])
        segment = SegmentStart(number, group.next_index, start_s, group.info.rate_hz)
        group.segments.append(segment)
        group.new_segment = False
        group.begun = True
        self._renew_fit(group, begin=True)
        self._out.append(segment)

    @staticmethod
    def _counted_s(group: _Group, counter: int) -> tuple[float, float] | None:
        """Seconds that a counter tells since the device's start, and the scan period."""
        rate_hz = group.info.rate_hz
        return (counter / rate_hz, 1.0 / rate_hz) if rate_hz else None

    def _by_counter(self, start_s: float, counted: tuple[float, float] | None) -> float:
        """Place a group that begins at ``start_s`` by the device's own counting, where both agree.

        All counters count from the device's start, so groups lie to each other as their counters do:
        exactly, while arrivals are late by some milliseconds, each by others. Arrivals have the last
        word where the two differ by more than arrivals can be wrong.
        """
        if counted is None or self._reference is None:
            return start_s
        by_counter_s = self._reference[0] + counted[0]
        doubt_s = LATENCY_S + self._reference[1] + counted[1]
        return by_counter_s if abs(by_counter_s - start_s) <= doubt_s else start_s

    def _shift(self, by_s: float) -> None:
        """Let everything that has begun be later by so much."""
        assert self._zero_s is not None
        self._zero_s -= by_s
        if self._reference is not None:
            self._reference = (self._reference[0] + by_s, self._reference[1])
        for group in self._groups:
            group.segments = [replace(segment, start_s=segment.start_s + by_s) for segment in group.segments]
            self._out.extend(group.segments)

    def _renew_fit(self, group: _Group, *, begin: bool = False) -> None:
        """Begin a new fit, and keep what the one before told."""
        if group.fit is None and not begin:
            return
        if group.fit is not None and (told := group.fit.estimate()) is not None:
            group.fitted[group.fit.nominal_hz] = told
        rate_hz, clock = group.info.rate_hz, group.info.clock
        by_clock = ClockFit(TICKS_PER_S[clock], rate_hz) if clock else None
        group.fit = _Fit(rate_hz, ArrivalFit(rate_hz), by_clock)

    def _flush(self, number: int) -> None:
        """Hand on the group's rows that follow each other."""
        group = self._groups[number]
        if not group.pieces:
            return
        codes = _joined([piece.codes[piece.begin : piece.end] for piece in group.pieces])
        clock = None
        assert group.fit is not None
        by_clock = group.fit.clock
        if by_clock is not None:
            raw = [piece.clock[piece.begin : piece.end] for piece in group.pieces if piece.clock is not None]
            clock = self._unwrapped(group, _joined(raw))
            by_clock.add(np.arange(group.block_first, group.block_first + len(clock)), clock)
        group.pieces = []
        self._out.append(ScanBlock(number, group.block_first, codes, clock))

    def _unwrapped(self, group: _Group, raw: NDArray[np.int64]) -> NDArray[np.int64]:
        """Give ticks that go on counting where the device's clock wraps."""
        base = int(raw[0])
        if group.last_tick is not None:
            scan, last_raw, last = group.last_tick
            # Forward, however far; but a reading may be a little behind the one before.
            step = (base - last_raw + BACKWARD_TICKS) % CLOCK_MODULUS - BACKWARD_TICKS
            rate_hz = group.info.rate_hz
            if rate_hz and group.info.clock:
                # Across a long gap the clock may have wrapped more than once.
                due = (group.block_first - scan) / rate_hz * TICKS_PER_S[group.info.clock]
                step += round((due - step) / CLOCK_MODULUS) * CLOCK_MODULUS
            base = last + step
        steps = (np.diff(raw) + BACKWARD_TICKS) % CLOCK_MODULUS - BACKWARD_TICKS
        clock = base + np.concatenate([[0], np.cumsum(steps)]).astype(np.int64)
        group.last_tick = (group.block_first + len(raw) - 1, int(raw[-1]), int(clock[-1]))
        return clock


def _joined(parts: list[NDArray[np.int64]]) -> NDArray[np.int64]:
    return parts[0] if len(parts) == 1 else np.concatenate(parts)
