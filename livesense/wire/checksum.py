"""Checks that end a record, over many records at once.

Each is known by the name that bench files use. A CRC is linear: it is the exclusive or
of what each byte adds by itself, given how many bytes follow it, and of what the initial
value has become. So one table of 256 remainders for each distance from the end gives it by
look-ups that know no order (D. V. Sarwate, Communications of the ACM 31(8), 1988, for the
first of these tables, from memory). The parameters are those of the public catalogue of CRC
algorithms, whose check value of ``123456789`` tests hold them to.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

Rows = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Check:
    """One kind of check: its width in bytes (0: none), and what makes it of rows of bytes.

    ``states`` are what a run of bytes has made of nothing before each of them, ``between`` is the check of
    the bytes from one state to another, given how many these are; None for a check of nothing.
    """

    width: int
    of: Callable[[Rows], NDArray[Any]]
    states: Callable[[Rows], NDArray[Any]] | None = None
    between: Callable[[NDArray[Any], NDArray[Any], int], NDArray[Any]] | None = None


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


LEAST_STRETCH = 4
"""Bytes of the shortest stretch: no fewer than the widest check has."""


def _crc_states(crc: _Crc, raw: Rows) -> NDArray[Any]:
    """Remainders of all that comes before each byte, from nothing: ``(n + 1,)``."""
    # Runs beside each other are reckoned at once, each from nothing, then what came before each is added.
    size = max(LEAST_STRETCH, math.isqrt(len(raw)) + 1)
    runs = np.zeros((size, size), dtype=np.uint8)
    runs.reshape(-1)[: len(raw)] = raw
    kind = np.dtype(crc.dtype).type
    front = 0 if crc.reflected else 8 * np.dtype(crc.dtype).itemsize - 8
    states = np.zeros((size, size + 1), dtype=crc.dtype)
    for place in range(size):
        mixed = states[:, place] ^ (runs[:, place].astype(crc.dtype) << kind(front))
        states[:, place + 1] = crc.follow(mixed)
    carried = np.zeros(size, dtype=crc.dtype)
    for run in range(1, size):
        last = carried[run - 1 : run]
        carried[run] = states[run - 1, size] ^ _moved_on(crc, last, size)[0]
    for place in range(size):
        states[:, place] ^= carried
        carried = crc.follow(carried)
    return states[:, :size].reshape(-1)[: len(raw) + 1]


def _moved_on(crc: _Crc, states: NDArray[Any], length: int) -> NDArray[Any]:
    """Remainders after so many bytes of zero, as if the bytes of a state stood in the first of them."""
    tables = _added(crc, 1 << (length - 1).bit_length()).reshape(-1, 256)[-length:]
    found, width = np.zeros_like(states), states.itemsize
    for place in range(width):
        shift = 8 * place if crc.reflected else 8 * (width - 1 - place)
        found ^= tables[place][(states >> shift).astype(np.uint8)]
    return found


def _crc_between(crc: _Crc, before: NDArray[Any], after: NDArray[Any], length: int) -> NDArray[Any]:
    # What was there before a stretch is in its end too, and the initial value is not.
    kind = np.dtype(crc.dtype).type
    return np.asarray(after ^ kind(crc.final) ^ _moved_on(crc, before ^ kind(crc.initial), length))


def _sum8_states(raw: Rows) -> NDArray[Any]:
    return np.concatenate([np.zeros(1, np.uint8), np.cumsum(raw, dtype=np.uint8)])


def _sum8_between(before: NDArray[Any], after: NDArray[Any], _: int) -> NDArray[Any]:
    return np.asarray(after - before)


def _xor8_states(raw: Rows) -> NDArray[Any]:
    return np.concatenate([np.zeros(1, np.uint8), np.bitwise_xor.accumulate(raw)])


def _xor8_between(before: NDArray[Any], after: NDArray[Any], _: int) -> NDArray[Any]:
    return np.asarray(after ^ before)


def _crc(width: int, polynomial: int, initial: int, *, reflected: bool, final: int = 0) -> Check:
    crc = _Crc(f"u{width}", polynomial, initial, reflected, final)
    return Check(width, partial(_crc_rows, crc), partial(_crc_states, crc), partial(_crc_between, crc))


CHECKS: dict[str, Check] = {
    "none": Check(0, _none),
    "sum8": Check(1, _sum8, _sum8_states, _sum8_between),
    "xor8": Check(1, _xor8, _xor8_states, _xor8_between),
    "crc8": _crc(1, 0x07, 0, reflected=False),
    "crc16-ibm-3740": _crc(2, 0x1021, 0xFFFF, reflected=False),
    "crc16-modbus": _crc(2, 0xA001, 0xFFFF, reflected=True),
    "crc16-xmodem": _crc(2, 0x1021, 0, reflected=False),
    "crc32": _crc(4, 0xEDB88320, 0xFFFFFFFF, reflected=True, final=0xFFFFFFFF),
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


class RunningChecks:
    """Checks of any stretches of one run of bytes, each told by what came before its two ends.

    Parameters
    ----------
    raw
        ``(n,)`` bytes.
    """

    def __init__(self, raw: Rows) -> None:
        self._raw = raw
        self._states: dict[str, NDArray[Any]] = {}

    def of(self, name: str, begins: NDArray[np.int64], length: int) -> NDArray[np.int64]:
        """Check of the stretches of so many bytes that begin at these places.

        Parameters
        ----------
        name
            A key of :data:`CHECKS` that is a check.
        begins
            Of any shape; every stretch lies inside the run.
        length
            At least :data:`LEAST_STRETCH`.

        Returns
        -------
        numpy.ndarray
            int64 in the shape of ``begins``.
        """
        check = CHECKS[name]
        if check.states is None or check.between is None:
            raise ValueError(f"{name!r} checks nothing")
        if name not in self._states:
            self._states[name] = check.states(self._raw)
        states = self._states[name]
        return check.between(states[begins], states[begins + length], length).astype(np.int64)
