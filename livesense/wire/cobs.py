"""Consistent overhead byte stuffing: packets without a zero byte, so that zero can part them.

S. Cheshire and M. Baker, "Consistent overhead byte stuffing", IEEE/ACM
Transactions on Networking 7(2), 1999. A frame is a chain of blocks; each starts
with a code byte ``c`` that is followed by ``c − 1`` bytes of the packet and then
stands for a zero, except that a full block (0xFF) stands for none, and the last
block's zero is left out.

One frame goes through :func:`unstuff`. The frames of a whole read go through
:func:`unstuff_many`, which walks all chains side by side.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FULL = 0xFF
"""Code of a block of 254 bytes that no zero follows."""

FEW = 32
"""Below so many unfinished chains, a plain loop is faster than a numpy step."""


def stuff(packet: bytes) -> bytes:
    """Stuffed form of a packet, without the closing zero.

    A full last block is not followed by a closing 0x01.
    """
    frame = bytearray()
    runs = packet.split(b"\0")
    for number, run in enumerate(runs):
        whole = len(run) // (FULL - 1) * (FULL - 1)
        for at in range(0, whole, FULL - 1):
            frame.append(FULL)
            frame += run[at : at + FULL - 1]
        rest = run[whole:]
        if rest or not whole or number < len(runs) - 1:
            frame.append(len(rest) + 1)
            frame += rest
    return bytes(frame)


def unstuff(frame: bytes) -> bytes | None:
    """Packet inside a non-empty frame (without zero bytes); None where the chain overshoots its end."""
    end = len(frame)
    at = 0
    parts = []
    while True:
        code = frame[at]
        after = at + code
        if after > end:
            return None
        parts.append(frame[at + 1 : after])
        if after == end:
            return b"".join(parts)
        if code != FULL:
            parts.append(b"\0")
        at = after


def unstuff_many(
    raw: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64]
) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Packets inside many frames.

    Parameters
    ----------
    raw
        ``(bytes,)`` as they came; not changed.
    starts, ends
        ``(n,)`` first byte of each frame and one past its last, in order, not
        overlapping, no frame empty, no zero byte inside.

    Returns
    -------
    flat, first, length, good
        Bytes in which packet ``i`` stands at ``flat[first[i]:first[i] + length[i]]``;
        only where ``good[i]``, that is where the chain ended with the frame.
    """
    flat = raw.copy()
    good = np.ones(len(starts), dtype=np.bool_)
    dropped: list[NDArray[np.int64]] = []
    frame = np.arange(len(starts))
    at = starts
    end = ends
    while len(frame) > FEW:
        code = raw[at]
        after = at + code
        unfinished = after < end
        if not unfinished.all():
            good[frame[after > end]] = False
            frame, end, after, code = frame[unfinished], end[unfinished], after[unfinished], code[unfinished]
        # Each code byte but the first stands where the zero of the block before it was,
        # or, after a full block, where nothing was.
        flat[after] = 0
        full = code == FULL
        if full.any():
            dropped.append(after[full])
        at = after
    if len(frame):
        _finish(raw, flat, good, dropped, frame.tolist(), at.tolist(), end.tolist())
    first = starts + 1
    length = ends - first
    if dropped:
        gone = np.sort(np.concatenate(dropped))
        keep = np.ones(len(flat), dtype=np.bool_)
        keep[gone] = False
        flat = flat[keep]
        before = np.searchsorted(gone, first)
        length -= np.searchsorted(gone, ends) - before
        first = first - before
    return flat, first, length, good


def _finish(
    raw: NDArray[np.uint8],
    flat: NDArray[np.uint8],
    good: NDArray[np.bool_],
    dropped: list[NDArray[np.int64]],
    frames: list[int],
    positions: list[int],
    ends: list[int],
) -> None:
    """Walk the last few chains to their ends, one by one."""
    zeros: list[int] = []
    gone: list[int] = []
    view = raw.tobytes()
    for frame, start, end in zip(frames, positions, ends, strict=True):
        at = start
        while True:
            code = view[at]
            at += code
            if at >= end:
                break
            if code == FULL:
                gone.append(at)
            else:
                zeros.append(at)
        if at > end:
            good[frame] = False
    flat[np.array(zeros, dtype=np.int64)] = 0
    if gone:
        dropped.append(np.array(gone, dtype=np.int64))


def stuff_rows(rows: NDArray[np.uint8]) -> bytes:
    """Frames of many packets of one length, each with its closing zero.

    Parameters
    ----------
    rows
        ``(n, length)`` bytes, length at least 1.
    """
    count, length = rows.shape
    if length >= FULL - 1:
        return b"".join(stuff(row.tobytes()) + b"\0" for row in rows)
    frames = np.zeros((count, length + 2), dtype=np.uint8)
    frames[:, 1 : length + 1] = rows
    # Each zero, and the code byte in front, becomes the distance to the next zero.
    flat = frames.reshape(-1)
    zeros = np.flatnonzero(flat == 0)
    closing = zeros % (length + 2) == length + 1
    distance = np.diff(zeros, append=zeros[-1])
    flat[zeros] = np.where(closing, 0, distance)
    return frames.tobytes()
