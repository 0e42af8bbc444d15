"""The composer of `check`: bench file, run or short listen → evidence → detectors."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.bench import Bench, Sensor
from livesense.chain import Chain
from livesense.checks.evidence import Evidence, LinkFacts, Rate, Sensed, Stretch
from livesense.checks.line import DAMAGE
from livesense.checks.pieces import (
    BRIDGED_SCANS,
    PROBES,
    Piece,
    bridged,
    longest,
    longest_bridge,
    windows,
    without_damage,
)
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

REPLAY = 4.0
"""Bytes that come by so many times faster or slower than stated are played from a file, not live."""

FEWEST_BESIDE = 8
"""Scans of a slower group within a stretch, below which its mean tells little."""

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
    faults: Counter[str] = Counter(run.fault_counts())
    stretches = []
    most = _most_bridged(analysis, lead)
    looked = analysis.joined_stretches(lead, *run.extent(lead), most)
    for begin, end in windows(looked, analysis.rate_hz(lead)):
        for piece in bridged(list(run.codes(lead, begin, end)), most):
            start_s = float(run.time_axis(lead).time_s(np.array([piece.first]))[0])
            rate_hz = analysis.believed_rate_hz(lead, piece.first).value
            one = _stretch(chain, lead, start_s, rate_hz, _sound(bench, piece, faults))
            stretches.append(replace(one, beside=_beside(analysis, lead, one)))
    lost = [run.scans_lost(group) for group in range(len(run.groups))]
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


def _most_bridged(analysis: RunAnalysis, lead: int) -> int:
    run, rate_hz = analysis.run, analysis.rate_hz(lead)
    if not run.scans_lost(lead):
        return BRIDGED_SCANS
    probes = longest(analysis.stretches(lead, *run.extent(lead)), rate_hz)
    columns = _phase_columns(analysis.chain, lead)
    codes = [part[:, columns] for begin, end in probes for _, part in run.codes(lead, begin, end)]
    return longest_bridge(codes, rate_hz) if columns else BRIDGED_SCANS


def _phase_columns(chain: Chain, lead: int) -> list[int]:
    return [
        chain.column(c.name)
        for c in chain.group_channels(lead)
        if c.phase in ("U", "V", "W") and c.quantity == "current" and not c.computed
    ]


def _beside(analysis: RunAnalysis, lead: int, one: Stretch) -> dict[str, Stretch]:
    """Cut the bus channels of other groups to the time of a stretch, each by its name."""
    found: dict[str, Stretch] = {}
    run, chain = analysis.run, analysis.chain
    end_s = one.start_s + one.scans / one.rate_hz
    for group in range(len(run.groups)):
        names = [] if group == lead else _bus_names(chain, group)
        if not names:
            continue
        first, stop = analysis.scans_between(group, one.start_s, end_s)
        pieces = [piece for piece in bridged(list(run.codes(group, first, stop)))]
        if pieces and len(longest := max(pieces, key=lambda piece: len(piece.codes)).codes) >= FEWEST_BESIDE:
            rate_hz = analysis.rate_at(group, first)
            made = _stretch(
                chain, group, one.start_s, rate_hz, Piece(first, longest, np.ones(len(longest), bool))
            )
            found |= dict.fromkeys(names, made)
    return found


def _bus_names(chain: Chain, group: int) -> list[str]:
    return [c.name for c in chain.group_channels(group) if c.phase == "bus" and not c.computed]


def _sound(bench: Bench, piece: Piece, faults: Mapping[str, int]) -> Piece:
    """Leave out what a damaged wire without a check made of some scans."""
    record = bench.link.record
    checked = bench.link.wire == "framed" or (record is not None and record.check is not None)
    damaged = any(faults.get(kind) for kind in DAMAGE)
    return without_damage(piece) if damaged and not checked else piece


def _stated_rate(bench: Bench, number: int, nominal: float | None) -> float | None:
    """Rate that the bench file states now; what the run was recorded with where it states none."""
    declared = bench.groups[number].rate_hz if number < len(bench.groups) else None
    return declared or nominal


def _live_rate(seen: Estimate | None, nominal: float | None, group: GroupInfo) -> Estimate | None:
    """Leave out what shows how bytes were played rather than how fast the board scans."""
    if seen is None or nominal is None or group.clock is not None:
        return seen
    return seen if 1 / REPLAY < seen.value / nominal < REPLAY else None


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


def _stretch(chain: Chain, group: int, start_s: float, rate_hz: float, piece: Piece) -> Stretch:
    names, codes = [c.name for c in chain.group_channels(group)], piece.codes
    return Stretch(
        group,
        start_s,
        rate_hz,
        codes,
        {name: chain.value(name, codes) for name in names},
        {name: chain.clipped(name, codes) for name in names},
        None if piece.came.all() else piece.came,
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
    beside = {
        group: bridged(decoded.whole(group))
        for group in range(len(groups))
        if group != lead and groups[group].rate_hz and _bus_names(chain, group)
    }
    parts, columns = decoded.whole(lead), _phase_columns(chain, lead)
    probes = sorted((codes for _, codes in parts), key=len)[-PROBES:] if len(parts) > 1 else []
    most = (
        longest_bridge([codes[: round(rate), columns] for codes in probes], rate)
        if columns
        else BRIDGED_SCANS
    )
    for whole in bridged(parts, most):
        for begin, end in windows([(0, len(whole.codes))], rate):
            start_s = (whole.first + begin) / rate
            piece = Piece(whole.first + begin, whole.codes[begin:end], whole.came[begin:end])
            one = _stretch(chain, lead, start_s, believed.value, _sound(bench, piece, decoded.faults))
            stretches.append(replace(one, beside=_heard_beside(chain, groups, beside, one)))
    facts = LinkFacts(
        scans=decoded.scans,
        lost=decoded.lost,
        counted=decoded.counted,
        faults=dict(decoded.faults),
        restarts=decoded.restarts,
        serial=address.kind == "device" and heard.baud is not None,
    )
    return check(_evidence(bench, groups, stretches, facts, rates, chain))


def _heard_beside(
    chain: Chain, groups: Sequence[GroupInfo], pieces: Mapping[int, Sequence[Piece]], one: Stretch
) -> dict[str, Stretch]:
    found: dict[str, Stretch] = {}
    for group, several in pieces.items():
        rate_hz = groups[group].rate_hz or 1.0
        begin = math.ceil(one.start_s * rate_hz)
        end = math.floor((one.start_s + one.scans / one.rate_hz) * rate_hz)
        for piece in several:
            at = slice(max(0, begin - piece.first), max(0, end - piece.first))
            if len(piece.codes[at]) >= FEWEST_BESIDE:
                part = Piece(piece.first + at.start, piece.codes[at], piece.came[at])
                made = _stretch(chain, group, one.start_s, rate_hz, part)
                found |= dict.fromkeys(_bus_names(chain, group), made)
    return found


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
