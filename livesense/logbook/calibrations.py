"""Zeros, scales and their points in a logbook, and which of them belong to a bench and its boards."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any

from livesense.errors import LogbookError
from livesense.logbook.connection import Statement, plain_text
from livesense.logbook.fields import from_json, to_json
from livesense.logbook.rows import CalibrationRow, PointRow
from livesense.logbook.whole import Select

FOREVER_S = 1e18


def _columns(row: type, first: str) -> str:
    return ", ".join([first, *(f.name for f in fields(row) if f.name != "number")])


_CALIBRATION = _columns(CalibrationRow, "id")
_POINT = _columns(PointRow, "id")


def are_kept(select: Select) -> bool:
    """Tell whether the logbook has these tables: before schema version 4 nothing was calibrated."""
    return bool(select("SELECT 1 FROM sqlite_master WHERE name = 'calibration_point'", ()))


def newest(
    select: Select, bench_name: str, boards: Mapping[str, str], before_wall_s: float | None = None
) -> list[CalibrationRow]:
    """Find the newest zero and the newest scale of each channel, made on its board and no later than a time.

    Parameters
    ----------
    boards
        Channel names, and the board each is on; empty where the bench file names none.
    """
    return [
        row
        for row in _all(select, bench_name, before_wall_s).values()
        if boards.get(row.channel) == row.board
    ]


def of_other_boards(
    select: Select, bench_name: str, boards: Mapping[str, str], before_wall_s: float | None = None
) -> list[CalibrationRow]:
    """Find calibrations of channels that have none on their own board: the newest from another board."""
    rows = _all(select, bench_name, before_wall_s).values()
    own = {(row.channel, row.kind) for row in rows if boards.get(row.channel) == row.board}
    others = {
        (row.channel, row.kind): row
        for row in sorted(rows, key=lambda row: (row.wall_s, row.number))
        if row.channel in boards and (row.channel, row.kind) not in own
    }
    return list(others.values())


def _all(
    select: Select, bench_name: str, before_wall_s: float | None
) -> dict[tuple[str, str, str], CalibrationRow]:
    """Newest of each channel, board and kind."""
    if not are_kept(select):
        return {}
    rows = select(
        f"SELECT {_CALIBRATION} FROM calibration WHERE bench_name = ? AND wall_s <= ? ORDER BY wall_s, id",
        (plain_text(bench_name), FOREVER_S if before_wall_s is None else before_wall_s),
    )
    made = [_calibration(row) for row in rows]
    return {(row.channel, row.board, row.kind): row for row in made}


def history(select: Select, bench_name: str, most: int = 200) -> list[CalibrationRow]:
    """List the calibrations of a bench, whatever their board, the newest first."""
    if not are_kept(select):
        return []
    rows = select(
        f"SELECT {_CALIBRATION} FROM calibration WHERE bench_name = ? ORDER BY wall_s DESC, id DESC LIMIT ?",
        (plain_text(bench_name), int(most)),
    )
    return [_calibration(row) for row in rows]


def by_number(select: Select, numbers: Iterable[int]) -> list[CalibrationRow]:
    """Read calibrations by their numbers; those that are not there any more are left out."""
    wanted = json.dumps([int(number) for number in numbers])
    if wanted == "[]" or not are_kept(select):
        return []
    rows = select(
        f"SELECT {_CALIBRATION} FROM calibration WHERE id IN (SELECT value FROM json_each(?)) ORDER BY id",
        (wanted,),
    )
    return [_calibration(row) for row in rows]


def waiting_points(select: Select, bench_name: str, boards: Mapping[str, str]) -> list[PointRow]:
    """List the points of a bench's channels and boards that no scale was made of yet, oldest first."""
    if not are_kept(select):
        return []
    rows = select(
        f"SELECT {_POINT} FROM calibration_point WHERE bench_name = ? AND calibration IS NULL ORDER BY id",
        (plain_text(bench_name),),
    )
    points = [PointRow(**_named(PointRow, row)) for row in rows]
    return [point for point in points if boards.get(point.channel) == point.board]


def _calibration(row: tuple[Any, ...]) -> CalibrationRow:
    return CalibrationRow(**_named(CalibrationRow, row))


_NUMBERS = {"float", "float | None", "int", "int | None"}


def _named(kind: type[CalibrationRow | PointRow], row: tuple[Any, ...]) -> dict[str, Any]:
    """Name the columns of a row, and refuse one that holds something else than it should."""
    found = dict(zip([field.name for field in fields(kind)], row, strict=True))
    for field in fields(kind):
        value = found[field.name]
        if field.type in _NUMBERS:
            kept = isinstance(value, (int, float)) and math.isfinite(value)
        else:
            kept = isinstance(value, str)
        if not kept and not (value is None and "None" in str(field.type)):
            raise LogbookError(
                f"damaged logbook: calibration {found['number']!r} holds {value!r} as its {field.name}"
            )
    return found | {"details": from_json(found["details"])}


def insertion(row: CalibrationRow | PointRow) -> Statement:
    """Write what keeps a row; its number is given by the logbook."""
    table = "calibration" if isinstance(row, CalibrationRow) else "calibration_point"
    names = [field.name for field in fields(row) if field.name != "number"]
    values = [_value(getattr(row, name)) for name in names]
    return f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})", values


def _value(given: Any) -> Any:
    if isinstance(given, str):
        return plain_text(given)
    return to_json(given) if isinstance(given, dict) else given
