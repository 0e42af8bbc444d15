"""Packets of whole scans, many at once: bodies in, codes per group out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.samples import Codes, CodeType, FaultKind, GroupInfo, Packets
from livesense.wire.packing import CODE_BYTES, unpack_rows

HEAD = 6
"""Kind, group and counter."""

TAIL = 2
"""Checksum."""

FEW_CHANGES = 8
"""Up to so many changes of length, packets are read stretch by stretch."""


def rows_at(flat: NDArray[np.uint8], first: NDArray[np.int64], length: int) -> NDArray[np.uint8]:
    """Stretches of ``length`` bytes that begin at ``first``: ``(n, length)``, copied.

    ``length`` is at least 1 and the stretches lie inside ``flat``.
    """
    windows = np.ndarray((len(flat) - length + 1, length), np.uint8, flat, strides=(1, 1))
    return windows[first]


def read_scans(
    groups: Sequence[GroupInfo],
    flat: NDArray[np.uint8],
    first: NDArray[np.int64],
    length: NDArray[np.int64],
    faults: Counter[FaultKind],
) -> Packets | None:
    """Read packets that stand at ``flat[first[i]:first[i] + length[i]]``.

    Parameters
    ----------
    groups
        What the packets may hold.
    flat
        Bytes of whole packets whose checksum is right.
    first, length
        ``(n,)``, at least one; every length holds at least one byte of codes.
    faults
        Counts to which ``unknown_group`` and ``length`` are added.

    Returns
    -------
    Packets or None
        Those that could be read, in order; None where there are none.
    """
    number = flat[first + 1].astype(np.int64)
    scans = np.zeros(len(first), dtype=np.int64)
    members = _members(number, len(groups))
    for group, which in members.items():
        scans[which] = _whole_scans(flat, first[which], length[which], groups[group])
    taken = scans > 0
    if not taken.all():
        unknown = int(np.count_nonzero(number >= len(groups)))
        for kind, count in (
            (FaultKind.UNKNOWN_GROUP, unknown),
            (FaultKind.LENGTH, int(np.count_nonzero(~taken)) - unknown),
        ):
            if count:
                faults[kind] += count
        if not taken.any():
            return None
        number, scans, first, length = number[taken], scans[taken], first[taken], length[taken]
        members = _members(number, len(groups))
    codes = {
        group: _codes(flat, first[which], length[which], scans[which], groups[group])
        for group, which in members.items()
    }
    counter = rows_at(flat, first + 2, 4).view("<u4")[:, 0].astype(np.int64)
    return Packets(number, counter, scans, codes)


def _members(number: NDArray[np.int64], groups: int) -> dict[int, slice | NDArray[np.int64]]:
    """Which packets belong to each group that is known and occurs."""
    lowest, highest = int(number.min()), int(number.max())
    if lowest == highest:
        return {lowest: slice(None)} if lowest < groups else {}
    members = {group: np.flatnonzero(number == group) for group in range(lowest, min(highest + 1, groups))}
    return {group: which for group, which in members.items() if len(which)}


def _whole_scans(
    flat: NDArray[np.uint8], first: NDArray[np.int64], length: NDArray[np.int64], info: GroupInfo
) -> NDArray[np.int64]:
    """Count the scans in each packet of one group; 0 where they are not whole."""
    size = length - (HEAD + TAIL)
    if info.code is CodeType.U12:
        codes, rest = size // 3 * 2, size % 3
        padded = rest == 2
        codes = codes + padded
        # An odd last code leaves four bits over, which must be zero.
        padding = flat[first + length - (TAIL + 1)] >> 4
        whole = (rest != 1) & ~(padded & (padding != 0))
    else:
        codes, rest = np.divmod(size, CODE_BYTES[info.code])
        whole = rest == 0
    scans, rest = np.divmod(codes, len(info.channels))
    return np.where(whole & (rest == 0), scans, 0)


def _codes(
    flat: NDArray[np.uint8],
    first: NDArray[np.int64],
    length: NDArray[np.int64],
    scans: NDArray[np.int64],
    info: GroupInfo,
) -> Codes:
    """Codes of one group's packets, one after the other: ``(scans, channels)``."""
    channels = len(info.channels)
    changes = np.flatnonzero(np.diff(length)) + 1
    if len(changes) <= FEW_CHANGES:
        # Nearly always: packets of one length, perhaps with a shorter one between.
        borders = [0, *changes.tolist(), len(length)]
        parts = [
            _alike(flat, first[begin:end], int(length[begin]), info).reshape(-1, channels)
            for begin, end in pairwise(borders)
        ]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)
    codes: NDArray[Any] = np.empty((int(scans.sum()), channels), dtype=info.code.dtype)
    place = np.cumsum(scans) - scans
    for size in np.unique(length).tolist():
        which = np.flatnonzero(length == size)
        target = place[which][:, np.newaxis] + np.arange(int(scans[which[0]]))
        codes[target.reshape(-1)] = _alike(flat, first[which], size, info).reshape(-1, channels)
    return codes


def _alike(flat: NDArray[np.uint8], first: NDArray[np.int64], length: int, info: GroupInfo) -> Codes:
    """Read the codes of packets of one length: ``(packets, codes)``."""
    return unpack_rows(rows_at(flat, first + HEAD, length - (HEAD + TAIL)), info.code)
