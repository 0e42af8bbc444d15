"""Rows of text, read once into a temporary file, so that any length takes the same memory."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import UsageError
from livesense.samples import FloatArray

LINES_AT_ONCE = 1 << 15
LONGEST_LINE = 1 << 20


class Spool:
    """A table of numbers that grows, ``(n, columns)``; to be closed."""

    def __init__(self, columns: int) -> None:
        self.columns = columns
        self.rows = 0
        self._file: IO[bytes] = tempfile.TemporaryFile(prefix="livesense-")

    def append(self, values: FloatArray) -> None:
        """Add rows ``(n, columns)``."""
        self._file.write(np.ascontiguousarray(values, dtype="<f8").tobytes())
        self.rows += len(values)

    def read(self, first: int, stop: int) -> FloatArray:
        """Read rows ``first`` to ``stop`` (not included)."""
        width = 8 * self.columns
        self._file.seek(first * width)
        data = self._file.read((stop - first) * width)
        return np.frombuffer(data, "<f8").reshape(-1, self.columns)

    def column(self, number: int) -> FloatArray:
        """Read one column, ``(n,)``."""
        parts = [self.read(at, min(at + LINES_AT_ONCE, self.rows))[:, number] for at in self._starts()]
        return np.concatenate(parts) if parts else np.zeros(0)

    def every(self, test: Callable[[FloatArray], bool]) -> bool:
        """Tell whether a test holds for all rows, some at once."""
        return all(test(self.read(at, min(at + LINES_AT_ONCE, self.rows))) for at in self._starts())

    def _starts(self) -> range:
        return range(0, self.rows, LINES_AT_ONCE)

    def close(self) -> None:
        """Let go of the file, which is then gone."""
        self._file.close()


def numbers_of(
    lines: Sequence[str], columns: int, separator: str, decimal: str, where: str, first_line: int
) -> NDArray[Any]:
    """Read lines of numbers, ``(n, columns)``; an empty field is NaN.

    Raises
    ------
    UsageError
        A line has another number of fields, or a field is no number; the message names it.
    """
    if decimal != ".":
        lines = [line.replace(decimal, ".") for line in lines]
    try:
        # The usual case, in C. It takes no empty field and no other number of them.
        found = np.loadtxt(lines, delimiter=separator, comments=None, ndmin=2)
        if found.shape == (len(lines), columns):
            return found
    except ValueError:
        pass
    rows = [_row(line, columns, separator, where, number) for number, line in enumerate(lines, first_line)]
    return np.array(rows, dtype=np.float64).reshape(-1, columns)


def _row(line: str, columns: int, separator: str, where: str, number: int) -> list[float]:
    fields = [field.strip().strip('"') for field in line.split(separator)]
    if len(fields) != columns:
        raise UsageError(f"{where}: line {number}: expected {columns} fields, found {len(fields)}")
    row = []
    for position, field in enumerate(fields, start=1):
        try:
            row.append(float(field) if field else np.nan)
        except ValueError:
            raise UsageError(
                f"{where}: line {number}, field {position}: expected a number, found {field[:40]!r}"
            ) from None
    return row


def lines_of(
    path: Path, encoding: str, skip: int, offset: int = 0, length: int | None = None
) -> Iterator[tuple[int, list[str]]]:
    """Read the lines of a file behind the first ``skip`` ones, many at once; empty ones are left out.

    Yields the number of the first line and the lines. ``offset`` and ``length`` name a part of the file in
    bytes.
    """
    number = 0
    held: list[str] = []
    first = skip + 1
    left = length
    with path.open("rb") as file:
        file.seek(offset)
        while left is None or left > 0:
            raw = file.readline(LONGEST_LINE if left is None else min(LONGEST_LINE, left))
            if not raw:
                break
            left = None if left is None else left - len(raw)
            number += 1
            if number <= skip:
                continue
            line = raw.decode(encoding, "replace").replace("\x1a", "").strip()
            if not line:
                continue
            if not held:
                first = number
            held.append(line)
            if len(held) >= LINES_AT_ONCE:
                yield first, held
                held = []
    if held:
        yield first, held
