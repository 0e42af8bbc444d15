"""Codes as they stand in a packet, and as numpy integers.

``u16``, ``i16`` and ``i32`` are plain little-endian integers. ``u12`` packs two
codes in three bytes, the first in the low 12 bits of the 24-bit little-endian
word; an odd last code takes two bytes, whose top four bits are zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from livesense.samples import CodeType

CODE_BYTES = {CodeType.U16: 2, CodeType.I16: 2, CodeType.I32: 4}
"""Bytes of one code, for the types whose codes take whole bytes."""

WIRE_DTYPES = {CodeType.U16: "<u2", CodeType.I16: "<i2", CodeType.I32: "<i4"}

WIDTHS = {CodeType.U16: 16, CodeType.I16: 16, CodeType.I32: 32, CodeType.U12: 12}
"""Bits a code of each type can hold."""

SIGNED = frozenset({CodeType.I16, CodeType.I32})


def code_limits(code: CodeType, bits: int) -> tuple[int, int]:
    """Lowest and highest code of ``bits`` bits.

    A signed type may carry two's complement or plain positive codes (only the bench file
    knows which), so it takes both.
    """
    if code in SIGNED:
        return -(1 << (bits - 1)), min((1 << bits) - 1, (1 << (WIDTHS[code] - 1)) - 1)
    return 0, (1 << bits) - 1


def count_beyond(codes: NDArray[Any], limits: Sequence[tuple[int, int] | None]) -> int:
    """Count the codes ``(n, channels)`` that lie beyond their channel's lowest and highest.

    ``limits`` has one pair a channel, None where every code is possible.
    """
    parts = [(codes, limits[0])] if len(set(limits)) == 1 else zip(codes.T, limits, strict=True)
    beyond = 0
    for part, limit in parts:
        if limit is not None:
            # What is no number is within no limits.
            within = part <= limit[1]
            if part.dtype.kind != "u":
                within &= part >= limit[0]
            beyond += part.size - int(np.count_nonzero(within))
    return beyond


def unpack_rows(rows: NDArray[np.uint8], code: CodeType) -> NDArray[Any]:
    """Codes of packets of one length.

    Parameters
    ----------
    rows
        ``(packets, bytes)``, whole codes; C-contiguous.

    Returns
    -------
    numpy.ndarray
        ``(packets, codes)`` in the type's own dtype.
    """
    if code is not CodeType.U12:
        return rows.view(WIRE_DTYPES[code]).astype(code.dtype, copy=False)
    pairs, odd = divmod(rows.shape[1], 3)
    codes = np.empty((len(rows), 2 * pairs + (odd > 0)), dtype=np.uint16)
    triples = rows[:, : 3 * pairs].reshape(len(rows), pairs, 3).astype(np.uint16)
    codes[:, 0 : 2 * pairs : 2] = triples[:, :, 0] | ((triples[:, :, 1] & 0x0F) << 8)
    codes[:, 1 : 2 * pairs : 2] = (triples[:, :, 1] >> 4) | (triples[:, :, 2] << 4)
    if odd:
        codes[:, -1] = rows[:, -2] | (rows[:, -1].astype(np.uint16) << 8)
    return codes


def pack_rows(codes: ArrayLike, code: CodeType) -> NDArray[np.uint8]:
    """Bytes of packets of one length.

    Parameters
    ----------
    codes
        ``(packets, codes)`` integers.

    Returns
    -------
    numpy.ndarray
        ``(packets, bytes)``.

    Raises
    ------
    ValueError
        for the text type, or a code that the type cannot hold.
    """
    if code is CodeType.TEXT:
        raise ValueError("expected a code type of the framed wire (u16, i16, i32, u12), got text")
    values = np.atleast_2d(np.asarray(codes))
    low, high = code_limits(code, WIDTHS[code])
    if values.size and (values.min() < low or values.max() > high):
        raise ValueError(f"expected {code} codes from {low} to {high}, got {values.min()} to {values.max()}")
    if code is not CodeType.U12:
        return np.ascontiguousarray(values.astype(WIRE_DTYPES[code])).view(np.uint8)
    number = values.shape[1]
    padded = np.zeros((len(values), number + number % 2), dtype=np.uint16)
    padded[:, :number] = values
    first, second = padded[:, 0::2], padded[:, 1::2]
    triples = np.stack([first & 0xFF, (first >> 8) | ((second & 0x0F) << 4), second >> 4], axis=2)
    packed = triples.astype(np.uint8).reshape(len(values), -1)
    return packed[:, : packed.shape[1] - number % 2]
