"""The framed wire: stuffed packets of scans, descriptions and notes, parted by zero bytes.

Bytes in, values out. All frames of one :meth:`FramedDecoder.feed` are decoded
together, so large reads cost little per frame; where the bytes are cut makes no
difference to what comes out. Memory is bounded whatever the line carries, and
no bytes whatever raise an exception.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise, zip_longest

import numpy as np
from numpy.typing import NDArray

from livesense.samples import Description, FaultKind, GroupInfo, LinkFault, Note, Packets
from livesense.wire.cobs import FULL, unstuff, unstuff_many
from livesense.wire.crc import crc16, crc16_rows
from livesense.wire.description import parse_description
from livesense.wire.encode import KIND_DESCRIPTION, KIND_NOTE, KIND_SCANS, MAX_PACKET
from livesense.wire.pieces import Pieces
from livesense.wire.scans import HEAD, TAIL, read_scans, rows_at

MIN_PACKET = 3
"""Kind and checksum."""

MAX_FRAME = MAX_PACKET + MAX_PACKET // (FULL - 1) + 1
"""Longest stuffed form of the largest packet; no longer frame can hold a packet."""

WAITING_LIMIT_BYTES = 64 << 20
"""Packets of scans held back until a description comes: more than a second of the fastest link."""

FEW_FRAMES = 48
"""Up to so many frames at once, a plain loop is faster than numpy."""

FEW_ALIKE = 96
"""Up to so many packets of one length, their checksums are computed one by one."""

WireEvent = Packets | Description | Note | LinkFault

_DESCRIPTION_FRAME = re.compile(rb"\0([^\0\x01]%c[^\0]*)" % KIND_DESCRIPTION)
"""Behind a zero, the stuffed bytes of a frame whose packet begins with the kind of a description."""

_Places = tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]
"""Bytes, and where in them each packet begins and how long it is."""

_Faults = Counter[FaultKind]


class FramedDecoder:
    """Decoder of the framed wire.

    Parameters
    ----------
    groups
        What is known of the groups before any description comes (a bench file may
        say it). A description replaces it, except for a scan rate that it leaves out.
        Without either, packets of scans wait for a description, up to
        :data:`WAITING_LIMIT_BYTES`.
    midstream
        Whether the first bytes may be the rest of a frame whose start was missed:
        the bytes before the first zero are then tried, and not counted when they fail.
    """

    def __init__(self, groups: Sequence[GroupInfo] | None = None, *, midstream: bool = True) -> None:
        self.groups: tuple[GroupInfo, ...] | None = None if groups is None else tuple(groups)
        self._stated = self.groups or ()
        self.gave_up = False
        """Whether more packets had to wait for a description than may; what came after is lost."""
        self._pieces = Pieces(b"\0", MAX_FRAME, midstream=midstream)
        self._latest_description = b""
        self._waiting: list[bytes] = []
        self._waiting_bytes = 0

    @property
    def waiting(self) -> bool:
        """Whether packets of scans wait for a description."""
        return bool(self._waiting)

    def packets_waiting(self) -> list[bytes]:
        """Give the packets of scans that wait: kind, group, counter and codes, in the order they came."""
        return [packet[:-TAIL] for packet in self._waiting]

    def feed(self, data: bytes) -> list[WireEvent]:
        """Take bytes from the line.

        Returns
        -------
        list
            What they hold, in the order of the stream. Faults are counted together and stand
            first, but none in front of a description that says something new and comes before it.
        """
        whole = self._pieces.take(data)
        if whole is None:
            return []
        self._new_descriptions(whole.first)
        events = self._decode(whole.first, counted=False)
        begin = 0
        too_long = whole.too_long
        for end in [*self._new_descriptions(whole.rest), len(whole.rest)]:
            events += self._decode(whole.rest[begin:end], too_long=too_long)
            begin, too_long = end, False
        return events

    def _new_descriptions(self, whole: bytes) -> list[int]:
        """Tell where descriptions end that differ from the one before.

        One of them may end a run, and what stands behind it belongs to the next one.
        """
        places = []
        # A pattern that begins with one byte is sought many times faster than one with a choice.
        for match in _DESCRIPTION_FRAME.finditer(b"\0" + whole):
            if match[1] != self._latest_description:
                self._latest_description = match[1]
                places.append(match.end())
        return places

    def rejoin(self) -> None:
        """Forget the unfinished frame: the line was interrupted.

        The next bytes up to a zero are tried, and not counted when they fail.
        """
        self._pieces.rejoin()

    def finish(self) -> list[WireEvent]:
        """End the stream; an unfinished frame is dropped and not counted."""
        self.rejoin()
        return []

    def _decode(self, whole: bytes, *, too_long: bool = False, counted: bool = True) -> list[WireEvent]:
        """Decode whole frames; ``too_long`` says that one too long was dropped in front of them."""
        faults: _Faults = Counter()
        if too_long:
            faults[FaultKind.LENGTH] += 1
        events: list[WireEvent] = []
        many = len(whole) > FEW_FRAMES * MAX_FRAME or whole.count(b"\0") > FEW_FRAMES
        unpack = _packets if many else _few_packets
        self._sort(unpack(whole, faults), events, faults)
        return [*(LinkFault(kind, count) for kind, count in faults.items() if counted), *events]

    def _sort(self, places: _Places, events: list[WireEvent], faults: _Faults) -> None:
        """Turn good packets into events by their kinds."""
        flat, first, length = places
        kind = flat[first]
        special = np.flatnonzero(kind != KIND_SCANS)
        if len(special):
            foreign = special[(kind[special] != KIND_DESCRIPTION) & (kind[special] != KIND_NOTE)]
            if len(foreign):
                faults[FaultKind.UNKNOWN_KIND] += len(foreign)
                own = np.ones(len(kind), dtype=np.bool_)
                own[foreign] = False
                first, length, kind = first[own], length[own], kind[own]
                special = np.flatnonzero(kind != KIND_SCANS)
        done = 0
        for at in [*special.tolist(), len(kind)]:
            if at > done:
                self._scans(flat, first[done:at], length[done:at], events, faults)
            if at < len(kind):
                body = flat[first[at] + 1 : first[at] + length[at] - TAIL].tobytes()
                if kind[at] == KIND_NOTE:
                    events.append(Note(body.decode("utf-8", "replace")))
                else:
                    self._description(body, events, faults)
            done = at + 1

    def _description(self, body: bytes, events: list[WireEvent], faults: _Faults) -> None:
        try:
            description = parse_description(body.decode())
        except UnicodeDecodeError:
            description = None
        if description is None:
            faults[FaultKind.BAD_DESCRIPTION] += 1
            return
        self.groups = tuple(
            replace(group, rate_hz=stated.rate_hz) if stated and group.rate_hz is None else group
            for group, stated in zip_longest(description.groups, self._stated[: len(description.groups)])
        )
        events.append(replace(description, groups=self.groups))
        if self._waiting:
            waited = b"".join(self._waiting)
            length = np.array([len(packet) for packet in self._waiting], dtype=np.int64)
            self._waiting.clear()
            self._waiting_bytes = 0
            first = np.cumsum(length) - length
            self._scans(np.frombuffer(waited, dtype=np.uint8), first, length, events, faults)

    def _scans(
        self,
        flat: NDArray[np.uint8],
        first: NDArray[np.int64],
        length: NDArray[np.int64],
        events: list[WireEvent],
        faults: _Faults,
    ) -> None:
        """Read a run of packets of scans, or let it wait."""
        empty = length <= HEAD + TAIL
        if empty.any():
            faults[FaultKind.LENGTH] += int(np.count_nonzero(empty))
            first, length = first[~empty], length[~empty]
        if self.groups is None:
            for at, size in zip(first.tolist(), length.tolist(), strict=True):
                if self._waiting_bytes + size > WAITING_LIMIT_BYTES:
                    self.gave_up = True
                    return
                self._waiting.append(flat[at : at + size].tobytes())
                self._waiting_bytes += size
        elif len(first):
            packets = read_scans(self.groups, flat, first, length, faults)
            if packets is not None:
                events.append(packets)


def _few_packets(whole: bytes, faults: _Faults) -> _Places:
    """Good packets of some frames, one by one."""
    good = []
    for frame in whole.split(b"\0"):
        if not frame:
            continue
        packet = unstuff(frame) if len(frame) <= MAX_FRAME else b""
        if packet is None:
            faults[FaultKind.STUFFING] += 1
        elif not MIN_PACKET <= len(packet) <= MAX_PACKET:
            faults[FaultKind.LENGTH] += 1
        elif crc16(packet[:-TAIL]) != int.from_bytes(packet[-TAIL:], "little"):
            faults[FaultKind.CRC] += 1
        else:
            good.append(packet)
    length = np.array([len(packet) for packet in good], dtype=np.int64)
    return np.frombuffer(b"".join(good), dtype=np.uint8), np.cumsum(length) - length, length


def _packets(whole: bytes, faults: _Faults) -> _Places:
    """Good packets of many frames, side by side."""
    raw = np.frombuffer(whole, dtype=np.uint8)
    ends = np.flatnonzero(raw == 0)
    starts = np.concatenate([[0], ends[:-1] + 1])
    sizes = ends - starts
    usable = (sizes > 0) & (sizes <= MAX_FRAME)
    if not usable.all():
        over = int(np.count_nonzero(sizes > MAX_FRAME))
        if over:
            faults[FaultKind.LENGTH] += over
        starts, ends = starts[usable], ends[usable]
    flat, first, length, stuffed = unstuff_many(raw, starts, ends)
    fits = (length >= MIN_PACKET) & (length <= MAX_PACKET)
    good = stuffed & fits
    if not good.all():
        for kind, wrong in ((FaultKind.STUFFING, ~stuffed), (FaultKind.LENGTH, stuffed & ~fits)):
            if wrong.any():
                faults[kind] += int(np.count_nonzero(wrong))
        first, length = first[good], length[good]
    sound = _sound(flat, first, length)
    if not sound.all():
        faults[FaultKind.CRC] += int(np.count_nonzero(~sound))
        first, length = first[sound], length[sound]
    return flat, first, length


def _sound(flat: NDArray[np.uint8], first: NDArray[np.int64], length: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which packets' checksums are right."""
    last = first + length - 1
    stated = flat[last - 1] | (flat[last].astype(np.uint16) << 8)
    found = np.zeros(len(first), dtype=np.uint16)
    order = np.argsort(length, kind="stable")
    borders = [*np.flatnonzero(np.diff(length[order], prepend=-1)).tolist(), len(order)]
    for begin, end in pairwise(borders):
        alike = order[begin:end]
        size = int(length[alike[0]]) - TAIL
        if end - begin > FEW_ALIKE:
            found[alike] = crc16_rows(rows_at(flat, first[alike], size))
        else:
            found[alike] = [crc16(flat[at : at + size].data) for at in first[alike].tolist()]
    sound: NDArray[np.bool_] = found == stated
    return sound
