"""Which bytes of a record are a check, told before anything else is known of it.

Every check of a bench file is linear: from one record to the next it changes by what the
change of the bytes before it makes of it, whatever its initial value was and whatever stands
still in the record. So differences of records show the kind of check, its place and its byte
order, without the record's beginning. Only then is it asked where the check begins to count.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import Rows, whole
from livesense.wire.checksum import CHECKS, LEAST_STRETCH, RunningChecks, check_rows

HOLDS = 0.9
"""Share of records whose check must hold; a line may lose some."""

HOLDS_HERE = 0.8
"""The same of the few records of one stretch, where damage may lie close."""

FEW = 9
"""Records that are asked first: what fails there is no check."""

FEWEST_CHANGES = 6
"""Records between which the check must have changed."""

_ALIKE = {"crc16-xmodem": "crc16-ibm-3740"}
"""Checks that change alike, since they differ only in what they begin with."""


@dataclass(frozen=True, slots=True)
class FoundCheck:
    """A check: its kind, the column at which it begins in the rows that were asked, its byte order.

    ``begin`` counts modulo the record's length; ``big`` is False for a check of one byte.
    """

    kind: str
    begin: int
    big: bool


def find_checks(
    raw: Rows, begin: int, count: int, length: int, running: RunningChecks
) -> Iterator[FoundCheck]:
    """Find what may be a check in rows of ``length`` bytes that begin anywhere in a record.

    Parameters
    ----------
    raw
        ``(n,)`` the whole stream.
    begin, count
        The bytes that are asked: ``count`` of them, from place ``begin`` on.
    length
        Bytes of a record.
    running
        Of ``raw``.
    """
    raw = raw[begin : begin + count]
    rows = raw[: len(raw) // length * length].reshape(-1, length)
    if (rows == rows[0]).all():
        # A check must have changed to be one.
        return
    twice = np.concatenate([rows[:-1], rows[1:]], axis=1)
    few = twice[:FEW]
    begins = begin + np.arange(len(few) * length).reshape(len(few), length)
    for kind, check in CHECKS.items():
        if check.width == 0 or length <= check.width + 1 or kind in _ALIKE:
            continue
        covered = length - check.width
        # Every rotation of the record at once: (rows, rotation).
        if covered < LEAST_STRETCH:
            windows = np.lib.stride_tricks.sliding_window_view(few, covered, axis=1)[:, :length]
            values = check_rows(kind, windows.reshape(-1, covered)).reshape(len(few), length)
        else:
            values = running.of(kind, begins, covered)
        for big in (False, True) if check.width > 1 else (False,):
            stated = np.zeros((len(few), length), dtype=np.int64)
            for place in range(check.width):
                shift = 8 * (check.width - 1 - place if big else place)
                stated |= few[:, covered + place : covered + place + length].astype(np.int64) << shift
            held = (_changes(kind, values) == _changes(kind, stated)).mean(axis=0) >= HOLDS - 0.1
            for start in np.flatnonzero(held).tolist():
                found = FoundCheck(kind, (start + covered) % length, big)
                if _holds(twice, length, found, start):
                    yield found


def _changes(kind: str, values: NDArray[np.int64]) -> NDArray[np.int64]:
    if kind == "sum8":
        return np.diff(values, axis=0) & 0xFF
    return values[1:] ^ values[:-1]


def _holds(twice: Rows, length: int, found: FoundCheck, start: int) -> bool:
    """Whether all rows agree, and the check moves enough for that to mean something."""
    width = CHECKS[found.kind].width
    covered = twice[:, start : start + length - width]
    stated = whole(twice, start + length - width, width, big=found.big)
    changed = _changes(found.kind, stated)
    made = _changes(found.kind, check_rows(found.kind, covered))
    needed = FEWEST_CHANGES if width == 1 else FEWEST_CHANGES // 2
    return bool(
        np.mean(made == changed) >= HOLDS_HERE
        and np.count_nonzero(changed) >= needed
        and len(np.unique(stated)) >= needed
    )


def beginnings(rows: Rows, still: int, found: FoundCheck) -> Iterator[tuple[str, int]]:
    """Tell which checks hold from which byte on, in rows that end with the check.

    Parameters
    ----------
    rows
        ``(records, length)``.
    still
        So many bytes at the front never change: the check may begin behind any of them.
    """
    width = CHECKS[found.kind].width
    end = rows.shape[1] - width
    stated = whole(rows, end, width, big=found.big)
    kinds = [found.kind, *(kind for kind, alike in _ALIKE.items() if alike == found.kind)]
    for begin in range(min(still, end - 1) + 1):
        for kind in kinds:
            if np.mean(check_rows(kind, rows[:, begin:end]) == stated) >= HOLDS_HERE:
                yield kind, begin
