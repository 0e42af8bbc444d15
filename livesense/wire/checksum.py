"""Checks that end a record, over many records at once.

Each is known by the name that bench files use. The CRCs go byte by byte through a
table of 256 remainders, side by side for all records (D. V. Sarwate, Communications
of the ACM 31(8), 1988, from memory); their parameters are those of the public
catalogue of CRC algorithms, whose check value of ``123456789`` tests hold them to.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.wire.crc import crc16_rows

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


@cache
def _reflected_table(polynomial: int, dtype: str) -> NDArray[Any]:
    """Remainders of all bytes, for a polynomial written with its bits reversed."""
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = np.where(table & 1, (table >> 1) ^ np.uint32(polynomial), table >> 1)
    return table.astype(dtype)


@cache
def _crc8_table() -> NDArray[np.uint8]:
    table = np.arange(256, dtype=np.int64)
    for _ in range(8):
        table = np.where(table & 0x80, (table << 1) ^ 0x07, table << 1) & 0xFF
    return table.astype(np.uint8)


def _reflected(rows: Rows, polynomial: int, dtype: str) -> NDArray[Any]:
    table = _reflected_table(polynomial, dtype)
    crc = np.full(len(rows), np.iinfo(dtype).max, dtype=dtype)
    for column in np.ascontiguousarray(rows.T):
        crc = (crc >> 8) ^ table[crc.astype(np.uint8) ^ column]
    return crc


def _crc8(rows: Rows) -> NDArray[Any]:
    table = _crc8_table()
    crc = np.zeros(len(rows), dtype=np.uint8)
    for column in np.ascontiguousarray(rows.T):
        crc = table[crc ^ column]
    return crc


def _crc16_modbus(rows: Rows) -> NDArray[Any]:
    return _reflected(rows, 0xA001, "u2")


def _crc32(rows: Rows) -> NDArray[Any]:
    return ~_reflected(rows, 0xEDB88320, "u4")


CHECKS: dict[str, Check] = {
    "none": Check(0, _none),
    "sum8": Check(1, _sum8),
    "xor8": Check(1, _xor8),
    "crc8": Check(1, _crc8),
    "crc16-ibm-3740": Check(2, crc16_rows),
    "crc16-modbus": Check(2, _crc16_modbus),
    "crc32": Check(4, _crc32),
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
