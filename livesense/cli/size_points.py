"""Measured errors from a CSV file, to be held against what ``size`` reckons."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from livesense.chain.sizing import Option
from livesense.errors import UsageError
from livesense.wording import COVERAGE_FACTOR

REQUIRED = ("current_A", "error_percent")
OPTIONAL = "u_percent"
MOST_POINTS = 1000


@dataclass(frozen=True, slots=True)
class Point:
    """One measured error: at a current, relative, with its relative standard uncertainty."""

    current_a: float
    error: float
    u: float

    def facts(self) -> dict[str, float]:
        """Return the same for programs."""
        return {"current_A": self.current_a, "error_percent": 100 * self.error, "u_percent": 100 * self.u}


def read_points(path: Path) -> tuple[Point, ...]:
    """Read points from a CSV file with the columns ``current_A``, ``error_percent`` and ``u_percent``.

    ``u_percent`` may be missing; it is the standard uncertainty (k = 1). Other columns are passed over.

    Raises
    ------
    UsageError
        when the file cannot be read, or a line is no point; the message names the line.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UsageError(f"{path}: expected UTF-8 text, got other bytes; save the file as UTF-8") from error
    except OSError as error:
        raise UsageError(f"cannot read the points in {path}: {error.strerror or error}") from error
    rows = csv.DictReader(text.splitlines())
    try:
        return _points(path, rows)
    except csv.Error as error:
        # Its texts speak of readers and fields.
        line = rows.reader.line_num
        raise UsageError(
            f"{path}: line {line}: expected comma-separated numbers, got something else"
        ) from error


def _points(path: Path, rows: csv.DictReader[str]) -> tuple[Point, ...]:
    if missing := [column for column in REQUIRED if column not in (rows.fieldnames or ())]:
        got = ", ".join(rows.fieldnames or ()) or "nothing"
        raise UsageError(
            f"{path}: line 1: expected the columns {', '.join(REQUIRED)}, got {got[:200]} "
            f"(without {' and '.join(missing)})"
        )
    points = tuple(_point(path, rows.line_num, row) for row in rows)
    if not 0 < len(points) <= MOST_POINTS:
        raise UsageError(f"{path}: expected 1 to {MOST_POINTS} points, got {len(points)}")
    return points


def _point(path: Path, line: int, row: dict[str, str | None]) -> Point:
    def number(column: str, low: float) -> float:
        given = row.get(column) or ""
        try:
            found = float(given)
        except ValueError:
            found = math.nan
        if not (math.isfinite(found) and found >= low):
            what = "a number" if low == -math.inf else "a number from 0 up"
            raise UsageError(
                f"{path}: line {line}: {column}: expected {what} such as 0.5, got {given[:40]!r}"
            )
        return found

    current = abs(number("current_A", -math.inf))
    if current == 0:
        raise UsageError(f"{path}: line {line}: current_A: expected a current other than 0, got 0")
    u = number(OPTIONAL, 0.0) if row.get(OPTIONAL) else 0.0
    return Point(current, number("error_percent", -math.inf) / 100, u / 100)


def agreeing(option: Option, points: Sequence[Point]) -> int:
    """Count the points whose error is within both uncertainties: E_n at most 1 (ISO 13528, from memory)."""
    return sum(agrees(option, point) for point in points)


def agrees(option: Option, point: Point) -> bool:
    """Tell whether a measured error is covered by the curve's and its own expanded uncertainty."""
    allowed = math.hypot(float(option.error_at(point.current_a)), COVERAGE_FACTOR * point.u)
    return abs(point.error) <= allowed
