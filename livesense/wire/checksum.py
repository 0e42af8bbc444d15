"""Checks that end a record, over many records at once.

Each is known by the name that bench files use. A CRC is linear: it is the exclusive or
of what each byte adds by itself, given how many bytes follow it, and of what the initial
value has become. So one table of 256 remainders for each distance from the end gives it by
look-ups that know no order (D. V. Sarwate, Communications of the ACM 31(8), 1988, for the
first of these tables, from memory). The parameters are those of the public catalogue of CRC
algorithms, whose check value of ``123456789`` tests hold them to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Check:
    """One kind of check: its width in bytes (0: none), and what makes it of rows of bytes."""

    width: int
    of: Callable[[Rows], NDArray[Any]]


def _none(rows: Rows) -> NDArray[Any]:
    return np.zeros(len(rows), dtype=np.uint8)


def _sum8(rows: Rows) -> NDArray[Any]:
    found: NDArray[np.uint8] = rows.sum(axis=1, dtype=np.uint8)
    return found


def _xor8(rows: Rows) -> NDArray[Any]:
    found: NDArray[np.uint8] = np.bitwise_xor.reduce(rows, axis=1)
    return found


@dataclass(frozen=True, slots=True)
class _Crc:
    """Parameters as the catalogue has them; a reflected ``polynomial`` is written with its bits reversed."""

    dtype: str
    polynomial: int
    initial: int
    reflected: bool
    final: int = 0

    def follow(self, states: NDArray[Any]) -> NDArray[Any]:
        """Remainders after a further byte of zero."""
        table = _of_one_byte(self)
        if self.reflected:
            return np.asarray((states >> 8) ^ table[states.astype(np.uint8)])
        return np.asarray((states << 8) ^ table[states >> (8 * states.itemsize - 8)])


@cache
def _of_one_byte(crc: _Crc) -> NDArray[Any]:
    """Remainders of the 256 bytes, ``(256,)``."""
    bits = 8 * np.dtype(crc.dtype).itemsize
    table = np.arange(256, dtype=np.int64)
    if crc.reflected:
        for _ in range(8):
            table = np.where(table & 1, (table >> 1) ^ crc.polynomial, table >> 1)
    else:
        table <<= bits - 8
        for _ in range(8):
            table = np.where(table >> (bits - 1) & 1, (table << 1) ^ crc.polynomial, table << 1)
    return (table & ((1 << bits) - 1)).astype(crc.dtype)


@cache
def _added(crc: _Crc, length: int) -> NDArray[Any]:
    """Tell what each byte adds at each place of so many bytes, ``(length * 256,)``."""
    tables = np.empty((length, 256), dtype=crc.dtype)
    tables[-1] = _of_one_byte(crc)
    for place in range(length - 2, -1, -1):
        tables[place] = crc.follow(tables[place + 1])
    return tables.reshape(-1)


@cache
def _initial(crc: _Crc, length: int) -> NDArray[Any]:
    """Tell what the initial value has become after so many bytes, with the final exclusive or: ``(1,)``."""
    state = np.array([crc.initial], dtype=crc.dtype)
    for _ in range(length):
        state = crc.follow(state)
    return np.asarray(state ^ np.array([crc.final], dtype=crc.dtype))


AT_ONCE = 1 << 16
"""Bytes looked up together: more would leave the processor's cache."""


def _crc_rows(crc: _Crc, rows: Rows) -> NDArray[Any]:
    count, length = rows.shape
    # Tables of a longer record serve a shorter one: places count from the end.
    longest = 1 << (length - 1).bit_length()
    tables = _added(crc, longest)
    places = (256 * np.arange(longest - length, longest)).astype(np.int32)
    found = np.empty(count, dtype=crc.dtype)
    step = max(1, AT_ONCE // length)
    for at in range(0, count, step):
        looked_up = tables.take(places + rows[at : at + step])
        np.bitwise_xor.reduce(looked_up, axis=1, out=found[at : at + step])
    found ^= _initial(crc, length)
    return found


CHECKS: dict[str, Check] = {
    "none": Check(0, _none),
    "sum8": Check(1, _sum8),
    "xor8": Check(1, _xor8),
    "crc8": Check(1, partial(_crc_rows, _Crc("u1", 0x07, 0, reflected=False))),
    "crc16-ibm-3740": Check(2, partial(_crc_rows, _Crc("u2", 0x1021, 0xFFFF, reflected=False))),
    "crc16-modbus": Check(2, partial(_crc_rows, _Crc("u2", 0xA001, 0xFFFF, reflected=True))),
    "crc16-xmodem": Check(2, partial(_crc_rows, _Crc("u2", 0x1021, 0, reflected=False))),
    "crc32": Check(4, partial(_crc_rows, _Crc("u4", 0xEDB88320, 0xFFFFFFFF, True, final=0xFFFFFFFF))),
}
"""``crc8`` is CRC-8/SMBUS, ``crc32`` is CRC-32/ISO-HDLC; ``sum8`` is the low byte of the sum."""


def check_rows(name: str, rows: Rows) -> NDArray[np.int64]:
    """Check of every row.

    Parameters
    ----------
    name
        A key of :data:`CHECKS`.
    rows
        ``(n, length)`` bytes, ``length`` at least 1.

    Returns
    -------
    numpy.ndarray
        ``(n,)`` int64; zeros for ``none``.
    """
    return CHECKS[name].of(rows).astype(np.int64)
