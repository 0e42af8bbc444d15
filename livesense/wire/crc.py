"""CRC-16/IBM-3740: polynomial 0x1021, initial value 0xFFFF, nothing reflected, no final xor.

One packet goes through the standard library. Many packets of one length go
through :func:`crc16_rows`: a message is a polynomial over GF(2), and its
remainder is folded upwards from short stretches, ``r(AB) = r(A)·x^k + r(B)`` where
``k`` is the length of B in bits. No Python per packet.
"""

from __future__ import annotations

import binascii
from functools import cache

import numpy as np
from numpy.typing import NDArray

INITIAL = 0xFFFF


def crc16(data: bytes | memoryview) -> int:
    """CRC-16/IBM-3740 of ``data``; 0x29B1 for ``b"123456789"``."""
    # The library's crc_hqx is the same polynomial; the initial value is ours to give.
    return binascii.crc_hqx(data, INITIAL)


STRETCH = 8
"""Words folded one after the other before the tables take over; a power of two."""


def _times_x16(words: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """``w·x^16 mod P`` of each word, in closed form.

    With x^16 = x^12 + x^5 + 1 the bits that overflow are reduced until none is
    left: ``h = w + w/x^4 + w/x^8 + w/x^12 + w/x^11``, then ``h·(x^12 + x^5 + 1)``.
    """
    h: NDArray[np.uint16] = np.right_shift(words, np.uint16(4))
    h ^= words
    h ^= h >> 8
    h ^= words >> 11
    result: NDArray[np.uint16] = np.left_shift(h, np.uint16(5))
    result ^= h
    h <<= 12
    result ^= h
    return result


@cache
def _shift_table(doublings: int) -> NDArray[np.uint16]:
    """``w·x^(16·2^doublings) mod P`` for every 16-bit word ``w``."""
    if doublings > 0:
        half = _shift_table(doublings - 1)
        return np.take(half, half)
    return _times_x16(np.arange(1 << 16, dtype=np.uint16))


def crc16_rows(rows: NDArray[np.uint8]) -> NDArray[np.uint16]:
    """CRC-16/IBM-3740 of every row.

    Parameters
    ----------
    rows
        ``(n, length)`` bytes, ``length`` at least 1.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` uint16.
    """
    count, length = rows.shape
    # Zeros in front do not change a remainder, so they fill up to whole stretches.
    words_needed = (length + 1) // 2
    stretch = words_needed if words_needed <= 4 * STRETCH else STRETCH
    width = -(-words_needed // stretch) * stretch
    lead = 2 * width - length
    padded = np.zeros((count, 2 * width), dtype=np.uint8)
    padded[:, lead:] = rows
    # Starting from 0xFFFF is the same as starting from 0 with the first 16 bits inverted.
    padded[:, lead : lead + 2] ^= 0xFF
    words = padded.view(">u2").astype(np.uint16).reshape(count, width // stretch, stretch)
    remainder = words[:, :, 0].copy()
    for column in range(1, stretch):
        remainder = _times_x16(remainder)
        remainder ^= words[:, :, column]
    doublings = STRETCH.bit_length() - 1
    while remainder.shape[1] > 1:
        odd = remainder.shape[1] % 2
        folded = remainder[:, odd + 1 :: 2] ^ _shift_table(doublings)[remainder[:, odd::2]]
        remainder = np.concatenate([remainder[:, :odd], folded], axis=1)
        doublings += 1
    result = _times_x16(remainder[:, 0])
    if length == 1:
        # Eight of the sixteen inverted bits fall beyond a one-byte message.
        result ^= np.uint16(0xFF00)
    return result
