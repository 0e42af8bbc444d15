"""The composer of `check`: bench file, run or short listen → evidence → detectors."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.bench import Bench, Sensor
from livesense.chain import Chain
from livesense.checks.evidence import Evidence, LinkFacts, Rate, Sensed, Stretch
from livesense.checks.report import Report, check
from livesense.decoding import declared_groups, decoder_for, group_limits, same_groups, unfit_header
from livesense.errors import DescriptionError, LinkError
from livesense.link.address import Address
from livesense.probe import Heard, Probe
from livesense.samples import (
    Codes,
    CodeType,
    Description,
    Estimate,
    GapCause,
    GroupInfo,
    LinkFault,
    Packets,
    Restart,
    ScanBlock,
    SegmentStart,
)
from livesense.samples import Gap as LostScans
from livesense.timebase import Timebase
from livesense.wire.packing import count_beyond

WINDOW_S = 2.0
MOST_WINDOWS = 24
"""A long run is looked at in so many windows, spread evenly."""

SHORTEST_S = 0.2
REPLAY = 4.0
"""Bytes that come by so many times faster or slower than stated are played from a file, not live."""

_LISTEN_U = 0.02
"""Relative uncertainty of the rate of a few seconds' listen: bytes wait in buffers at both ends."""


def check_file(bench: Bench) -> Report:
    """Check what the bench file alone shows."""
    groups = declared_groups(bench) or [_all_columns(bench)]
    return check(_evidence(bench, _known_bits(groups, bench), ()))


def check_run(analysis: RunAnalysis, bench: Bench) -> Report:
    """Check a recorded run by a bench file, which need not be the one it was recorded with.

    Raises
    ------
    DescriptionError
        when the run lacks a channel that the bench file has.
    """
    analysis.bench = bench
    chain = analysis.chain
    run = analysis.run
    lead = next(
        (c.group for c in analysis.channels if c.phase in ("U", "V", "W") and c.quantity == "current"), 0
    )
    stretches = []
    for begin, end in windows(_looked_through(analysis, lead), analysis.rate_hz(lead)):
        for at, codes in bridged(list(run.codes(lead, begin, end))):
            start_s = float(run.time_axis(lead).time_s(np.array([at]))[0])
            rate_hz = analysis.believed_rate_hz(lead, at).value
            stretches.append(_stretch(chain, lead, start_s, rate_hz, codes))
    lost = [run.scans_lost(group) for group in range(len(run.groups))]
    faults: Counter[str] = Counter(run.fault_counts())
    facts = LinkFacts(
        scans=sum(run.scans_stored(group) for group in range(len(run.groups))),
        lost=sum(count or 0 for count in lost),
        counted=None not in lost,
        faults=dict(faults),
        restarts=len(run.restarts()),
        outages=len(run.outages()),
        serial=_is_serial(run.row.port or ""),
    )
    rates = []
    for number, group in enumerate(run.groups):
        nominal = analysis.rate_hz(number) if group.rate_hz is not None else None
        stated = _stated_rate(bench, number, nominal)
        seen = analysis.fitted_rate_hz(number, nominal)
        rates.append(Rate(number, stated, _live_rate(seen, stated, group)))
    return check(_evidence(bench, run.groups, stretches, facts, rates, chain))


def _looked_through(analysis: RunAnalysis, group: int) -> list[tuple[int, int]]:
    """Stretches ``[first, stop)`` without a longer gap or a restart."""
    found: list[tuple[int, int]] = []
    restarts = {segment.first for segment in analysis.run.time_axis(group).segments}
    for begin, end in analysis.stretches(group, *analysis.run.extent(group)):
        if end <= begin:
            continue
        if found and begin not in restarts and begin - found[-1][1] <= BRIDGED_SCANS:
            found[-1] = (found[-1][0], end)
        else:
            found.append((begin, end))
    return found


def _stated_rate(bench: Bench, number: int, nominal: float | None) -> float | None:
    """Rate that the bench file states now; what the run was recorded with where it states none."""
    declared = bench.groups[number].rate_hz if number < len(bench.groups) else None
    return declared or nominal


def _live_rate(seen: Estimate | None, nominal: float | None, group: GroupInfo) -> Estimate | None:
    """Leave out what shows how bytes were played rather than how fast the board scans."""
    if seen is None or nominal is None or group.clock is not None:
        return seen
    return seen if 1 / REPLAY < seen.value / nominal < REPLAY else None


def windows(stretches: Iterable[tuple[int, int]], rate_hz: float) -> list[tuple[int, int]]:
    """Cut whole stretches ``[first, stop)`` into windows of two seconds; of many, some spread evenly."""
    length = max(64, round(WINDOW_S * rate_hz))
    cut: list[tuple[int, int]] = []
    for begin, end in stretches:
        count = max(1, round((end - begin) / length))
        edges = np.linspace(begin, end, count + 1).astype(np.int64)
        cut += [(int(a), int(b)) for a, b in pairwise(edges)]
    long = [w for w in cut if w[1] - w[0] >= SHORTEST_S * rate_hz] or cut
    if len(long) <= MOST_WINDOWS:
        return long
    chosen = np.linspace(0, len(long) - 1, MOST_WINDOWS).round().astype(int)
    return [long[k] for k in chosen]


BRIDGED_SCANS = 8
BRIDGED_SHARE = 0.05
"""Gaps of up to so many scans, and not more than this share of all, do not end what is looked at."""


def bridged(parts: Sequence[tuple[int, Codes]]) -> list[tuple[int, Codes]]:
    """Join whole stretches over short gaps by straight lines, to be looked at and never stored.

    A line that loses every hundredth scan would else leave no stretch as long as a cycle. Parts are
    ``(index of the first scan, (n, channels))`` in order.
    """
    joined: list[tuple[int, list[Codes]]] = []
    due = filled = 0
    for first, codes in parts:
        gap = first - due
        room = filled + gap <= BRIDGED_SHARE * sum(len(c) for _, c in parts)
        if joined and 0 <= gap <= BRIDGED_SCANS and (gap == 0 or room):
            last = joined[-1][1][-1]
            if gap:
                filled += gap
                joined[-1][1].append(_line_between(last[-1], codes[0], gap))
            joined[-1][1].append(codes)
        else:
            joined.append((first, [codes]))
        due = first + len(codes)
    return [(first, np.concatenate(pieces)) for first, pieces in joined]


def _line_between(before: Codes, after: Codes, count: int) -> Codes:
    """``count`` scans between two, ``(count, channels)``, in their own type."""
    share = np.arange(1, count + 1)[:, None] / (count + 1)
    between = before.astype(np.float64) + share * (after.astype(np.float64) - before.astype(np.float64))
    return (between if before.dtype.kind == "f" else np.rint(between)).astype(before.dtype)


def _is_serial(port: str) -> bool:
    return bool(port) and port != "-" and not port.startswith("file:") and "://" not in port


def _evidence(
    bench: Bench,
    groups: Sequence[GroupInfo],
    stretches: Iterable[Stretch],
    link: LinkFacts | None = None,
    rates: Sequence[Rate] = (),
    chain: Chain | None = None,
) -> Evidence:
    chain = chain if chain is not None else Chain(bench, groups)
    settings = {c.name: c for c in bench.channels}
    channels = {
        name: Sensed(
            settings[name],
            found,
            bench,
            None if found.computed else chain.column(name),
            groups[found.group].bits,
        )
        for name, found in chain.channels.items()
    }
    return Evidence(bench, channels, tuple(groups), tuple(stretches), link, tuple(rates))


def _all_columns(bench: Bench) -> GroupInfo:
    columns = dict.fromkeys(c.column for c in bench.channels if c.sensor is not Sensor.COMPUTED)
    return GroupInfo(None, CodeType.U16, bench.adc.bits, tuple(columns))


def _known_bits(groups: Sequence[GroupInfo], bench: Bench) -> list[GroupInfo]:
    """Without a description 12 bits stand for those that nobody states: ranges hardly depend on them."""
    bits = bench.adc.bits or 12
    return [GroupInfo(g.rate_hz, g.code, g.bits or bits, g.channels) for g in groups]


def _stretch(chain: Chain, group: int, start_s: float, rate_hz: float, codes: Codes) -> Stretch:
    names = [c.name for c in chain.group_channels(group)]
    return Stretch(
        group,
        start_s,
        rate_hz,
        codes,
        {name: chain.value(name, codes) for name in names},
        {name: chain.clipped(name, codes) for name in names},
    )


# Live


def check_port(bench: Bench, address: Address, seconds: float) -> Report:
    """Listen for some seconds without a logbook, and check what came.

    Raises
    ------
    LinkError
        when the port cannot be opened, or nothing that the bench file describes came.
    DescriptionError
        when a channel of the bench file is missing.
    """
    with Probe(address, bench.link.baud) as probe:
        heard = probe.listen(seconds)
    return check_bytes(bench, heard, address)


def check_bytes(bench: Bench, heard: Heard, address: Address) -> Report:
    """Check bytes that were heard."""
    decoded = _Decoded(bench, live=address.has_clock)
    decoded.feed(heard.data)
    if not decoded.groups or not decoded.scans:
        raise LinkError(decoded.nothing(len(heard.data), address))
    groups = decoded.groups
    chain = Chain(bench, groups)
    lead = next(
        (c.group for c in chain.channels.values() if c.phase in ("U", "V", "W") and c.quantity == "current"),
        0,
    )
    rate = groups[lead].rate_hz or 1.0
    rates = [
        Rate(n, g.rate_hz, _live_rate(decoded.seen_rate(n, heard.seconds), g.rate_hz, g))
        for n, g in enumerate(groups)
    ]
    believed = rates[lead].seen
    if believed is None or abs(believed.value / rate - 1) > 0.05 or groups[lead].clock is None:
        believed = Estimate(rate)
    stretches = []
    for first, codes in bridged(decoded.whole(lead)):
        for begin, end in windows([(0, len(codes))], rate):
            start_s = (first + begin) / rate
            stretches.append(_stretch(chain, lead, start_s, believed.value, codes[begin:end]))
    facts = LinkFacts(
        scans=decoded.scans,
        lost=decoded.lost,
        counted=decoded.counted,
        faults=dict(decoded.faults),
        restarts=decoded.restarts,
        serial=address.kind == "device" and heard.baud is not None,
    )
    return check(_evidence(bench, groups, stretches, facts, rates, chain))


class _Decoded:
    """Bytes → scans by group, as a recorder would place them, kept in memory."""

    def __init__(self, bench: Bench, *, live: bool) -> None:
        self._bench = bench
        self._decoder = decoder_for(bench, live=live)
        # Before anything is read: the decoder may know of later ones behind scans of the same read.
        self._declared = tuple(self._decoder.groups or ())
        self._timebase: Timebase | None = None
        self._blocks: dict[int, list[ScanBlock]] = {}
        self.groups: tuple[GroupInfo, ...] = ()
        self.faults: Counter[str] = Counter()
        self.scans = self.lost = self.restarts = 0
        self.counted = True

    def feed(self, data: bytes) -> None:
        """Take all that came.

        Raises
        ------
        DescriptionError
            The device sends other channels in the middle.
        """
        for event in [*self._decoder.feed(data), *self._decoder.finish()]:
            match event:
                case Packets():
                    if self._timebase is None:
                        self._begin(self._declared, None)
                    assert self._timebase is not None
                    self.counted = self.counted and event.first is not None
                    self._place(self._timebase.packets(event, None))
                case Description():
                    if self._timebase is None:
                        self._begin(event.groups, event.boot)
                        self.counted = event.counted
                    elif not same_groups(self.groups, event.groups):
                        raise DescriptionError("the device changed its channels meanwhile; try again")
                    else:
                        self._place(self._timebase.description(event))
                case LinkFault():
                    self.faults[str(event.kind)] += event.count
        if self._timebase is not None:
            self._place(self._timebase.finish())

    def _begin(self, groups: Sequence[GroupInfo], boot: str | None) -> None:
        self.groups = tuple(groups)
        record = self._bench.link.record
        self._timebase = Timebase(
            self.groups,
            counter_bits=self._bench.link.counter_bits,
            modulus=record.modulus if record else None,
            boot=boot,
        )

    def _place(self, placed: Iterable[ScanBlock | LostScans | Restart | SegmentStart | LinkFault]) -> None:
        for item in placed:
            match item:
                case ScanBlock():
                    self._blocks.setdefault(item.group, []).append(item)
                    self.scans += len(item.codes)
                    limits = group_limits(self._bench, self.groups[item.group])
                    self.faults["code_range"] += count_beyond(item.codes, limits)
                case LostScans():
                    if item.cause is not GapCause.BURST:
                        self.lost += item.count or 0
                case Restart():
                    self.restarts += 1
                case LinkFault():
                    self.faults[str(item.kind)] += item.count

    def whole(self, group: int) -> list[tuple[int, Codes]]:
        """Whole stretches of a group: index of the first scan, codes ``(n, channels)``."""
        found: list[tuple[int, list[Codes]]] = []
        due = None
        for block in self._blocks.get(group, []):
            if block.first != due:
                found.append((block.first, []))
            found[-1][1].append(block.codes)
            due = block.first + len(block.codes)
        return [(first, np.concatenate(parts)) for first, parts in found]

    def seen_rate(self, group: int, seconds: float | None) -> Estimate | None:
        """Scan rate by the board's own clock, else by how long the listen took."""
        assert self._timebase is not None
        if self.groups[group].clock is not None:
            return self._timebase.rate_fit(group)
        count = sum(len(block.codes) for block in self._blocks.get(group, []))
        if not seconds or count < 100:
            return None
        lost = self.lost if len(self.groups) == 1 else 0
        rate = (count + lost) / seconds
        return Estimate(rate, u_random=_LISTEN_U * rate, unit="Hz")

    def nothing(self, size: int, address: Address) -> str:
        """Say why there is nothing to check."""
        bench = self._bench
        if not size:
            return f"nothing came from {address.given!r}: is the board on, and does it send by itself?"
        hint = unfit_header(bench, self._decoder)
        said = (
            f"{size} bytes came from {address.given!r}, and none of them is a scan as the bench file has it"
        )
        return (
            f"{said}: {hint}" if hint else f"{said}; `livesense identify {address.given}` tells what they are"
        )
