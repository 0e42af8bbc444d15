"""The samples of a COMTRADE record: ASCII, BINARY, BINARY32 or FLOAT32."""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import UsageError
from livesense.recordings.comtrade_settings import Settings
from livesense.recordings.recording import PIECE_ROWS
from livesense.recordings.spool import Spool, lines_of, numbers_of
from livesense.samples import CodeType, FloatArray

MISSING_TEXT = 99_999
MISSING_16 = -(1 << 15)
MISSING_32 = -(1 << 31)
MISSING_FLOAT = 3.4e38
"""What stands for a missing value (from memory of IEEE C37.111-1999 and -2013: clause to be confirmed): in
ASCII an empty field or 99999, in BINARY 8000h, in BINARY32 80000000h, in FLOAT32 the lowest number. The first
edition, 1991, had none in binary files."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where the samples are: a file, or a part of one; ``length`` in bytes."""

    path: Path
    offset: int = 0
    length: int | None = None

    @property
    def size(self) -> int:
        """Bytes of the samples."""
        whole = self.path.stat().st_size - self.offset
        return whole if self.length is None else min(whole, self.length)


class Samples:
    """The samples of a record, once looked through.

    Attributes
    ----------
    rows
        How many there are.
    code
        The type in which :meth:`read` gives them.
    missing
        Values that the file marks as missing; they are NaN.
    notes
        For whoever imports it.
    """

    def __init__(self, settings: Settings, place: Place, stack: ExitStack) -> None:
        self._settings = settings
        self.notes: list[str] = []
        self.missing = 0
        self._analog = len(settings.analog)
        self._spool: Spool | None = None
        self._rows: NDArray[Any] = np.zeros(0)
        if settings.kind == "ASCII":
            self._read_text(place, stack)
        else:
            self._open_binary(place)

    def read(self, first: int, stop: int) -> NDArray[Any]:
        """Read rows ``first`` to ``stop`` (not included), ``(n, analog + status)`` codes."""
        if self._spool is not None:
            found = self._spool.read(first, stop)[:, 2:]
            return np.ascontiguousarray(found.astype(self.code.dtype))
        rows = self._rows[first:stop]
        out = np.empty((len(rows), self._analog + len(self._settings.status)), self.code.dtype)
        analog = rows["analog"]
        out[:, : self._analog] = analog
        if self.missing:
            out[:, : self._analog][self._is_missing(analog)] = np.nan
        for position in range(len(self._settings.status)):
            word, bit = divmod(position, 16)
            out[:, self._analog + position] = (rows["status"][:, word] >> bit) & 1
        return out

    def numbers(self, first: int, stop: int) -> NDArray[np.int64]:
        """Read the sample numbers."""
        if self._spool is not None:
            return np.asarray(self._spool.read(first, stop)[:, 0]).astype(np.int64)
        return np.asarray(self._rows["n"][first:stop]).astype(np.int64)

    def stamps(self) -> FloatArray:
        """Read all time stamps, in the record's own unit; NaN where one is missing."""
        if self._spool is not None:
            return self._spool.column(1)
        found = self._rows["stamp"].astype(np.float64)
        found[found == 0xFFFFFFFF] = np.nan
        return np.asarray(found)

    def _open_binary(self, place: Place) -> None:
        kind = self._settings.kind
        words = -(-len(self._settings.status) // 16)
        analog = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}[kind]
        row = np.dtype(
            [("n", "<u4"), ("stamp", "<u4"), ("analog", analog, (self._analog,)), ("status", "<u2", (words,))]
        )
        count, rest = divmod(place.size, row.itemsize)
        if not count:
            raise UsageError(
                f"{place.path.name}: expected samples of {row.itemsize} bytes, found {place.size} bytes"
            )
        if rest:
            declared = self._settings.sections[-1][1]
            if count < declared:
                self.notes.append(f"the data file ends amid a sample: its last {rest} bytes were left out")
            elif place.size != count * row.itemsize + 1:
                raise UsageError(
                    f"{place.path.name}: expected whole samples of {row.itemsize} bytes ({kind}, "
                    f"{self._analog} analog and {len(self._settings.status)} status channels), found "
                    f"{place.size} bytes: {rest} too many"
                )
        self._rows = np.memmap(place.path, row, "r", place.offset, (count,))
        self.rows = count
        if kind != "BINARY" or self._settings.revision != "1991":
            for begin in range(0, count, PIECE_ROWS):
                self.missing += int(self._is_missing(self._rows["analog"][begin : begin + PIECE_ROWS]).sum())
        whole = CodeType.I16 if kind == "BINARY" else CodeType.I32
        real = CodeType.F64 if kind == "BINARY32" else CodeType.F32
        self.code = real if kind == "FLOAT32" or self.missing else whole

    def _is_missing(self, analog: NDArray[Any]) -> NDArray[np.bool_]:
        if analog.dtype.kind == "f":
            return np.asarray(~np.isfinite(analog) | (np.abs(analog) >= MISSING_FLOAT))
        return np.asarray(analog == (MISSING_16 if analog.dtype.itemsize == 2 else MISSING_32))

    def _read_text(self, place: Place, stack: ExitStack) -> None:
        width = 2 + self._analog + len(self._settings.status)
        spool = self._spool = Spool(width)
        stack.callback(spool.close)
        whole = True
        for first, lines in lines_of(place.path, "latin-1", 0, place.offset, place.length):
            found = numbers_of(lines, width, ",", ".", place.path.name, first)
            analog = found[:, 2 : 2 + self._analog]
            analog[analog == MISSING_TEXT] = np.nan
            self.missing += int(np.isnan(analog).sum())
            if np.isnan(found[:, 0]).any():
                raise UsageError(
                    f"{place.path.name}: line {first}: expected a sample number first, found none"
                )
            status = found[:, 2 + self._analog :]
            np.nan_to_num(status, copy=False)
            whole = whole and bool(np.all(analog == np.round(analog)) and np.all(np.abs(analog) < 2**31))
            spool.append(found)
        if not spool.rows:
            raise UsageError(f"{place.path.name}: expected samples, found none")
        self.rows = spool.rows
        self.code = CodeType.I32 if whole and not self.missing else CodeType.F64
