"""Points of a calibration: from the port, of a stored run, or of a file."""

from __future__ import annotations

import argparse
import csv
import math
import re
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.logbooks import existing_logbook
from livesense.errors import UsageError

if TYPE_CHECKING:
    from livesense.bench import Bench
    from livesense.calibrating import Reference, Said
    from livesense.logbook.rows import PointRow
    from livesense.stillness import Average

CAUTION = """\
Take the power off the drive and prove the DC link dead with a rated meter before you connect a source and a
reference meter in series with the shunts. Shunts, leads and source get hot. Work by your local codes."""

LARGEST_FILE_BYTES = 1 << 20

ROUNDING_U = 1 / math.sqrt(12)
"""Standard uncertainty of one rounding, in codes, where a file does not say better."""

_POINT = re.compile(r"(?P<value>[^@]+)@(?P<run>\d+|last):(?P<from>\d+(?:\.\d+)?)-(?P<to>\d+(?:\.\d+)?)")


@dataclass(frozen=True, slots=True)
class StoredPoint:
    """``--point "1.000 A@3:0.5-2.5"``: what the reference said, and where in which run."""

    value: str
    run: int | str
    from_s: float
    to_s: float


def stored_point(text: str) -> StoredPoint:
    """Read where a point lies; UsageError where the text is none."""
    found = _POINT.fullmatch(text.strip())
    if found is None or not float(found["from"]) < float(found["to"]):
        raise UsageError(f'--point: expected VALUE@RUN:FROM-TO such as "1.000 A@3:0.5-2.5", got {text!r}')
    run = found["run"]
    return StoredPoint(
        found["value"].strip(), run if run == "last" else int(run), float(found["from"]), float(found["to"])
    )


def averaged_run(
    logbook: Any, point: StoredPoint, names: list[str]
) -> tuple[dict[str, Average], str, dict[str, float]]:
    """Average a stretch of a run: each channel's codes, the device's name, and temperatures in °C.

    Raises
    ------
    UsageError
        A channel is not in the run, or the stretch holds no whole piece of scans.
    """
    from livesense.analysis import RunAnalysis
    from livesense.stretch_means import stretch_means, stretch_temperatures

    analysis = RunAnalysis(logbook, point.run)
    found = stretch_means(analysis, point.from_s, point.to_s, names)
    temperatures = stretch_temperatures(analysis, point.from_s, point.to_s)
    return found, analysis.run.row.device, temperatures


def file_points(path: Path, names: list[str]) -> list[tuple[str, str, float, float]]:
    """Read ``(channel, value, code, u_code)`` rows of a CSV file.

    Columns ``value`` (with its unit) and ``code`` are needed; ``channel`` where several are calibrated,
    ``u_code`` where the code is better known than one rounding.

    Raises
    ------
    UsageError
        The file cannot be read, or a row is none.
    """
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise UsageError(f"{path}: expected a file of points of at most 1 MiB, got a larger one")
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"{path}: expected a CSV file of points, got one that cannot be read") from error
    reader = csv.DictReader(text.splitlines(), skipinitialspace=True)
    lacking = {"value", "code", *(("channel",) if len(names) > 1 else ())} - set(reader.fieldnames or ())
    if lacking:
        raise UsageError(
            f"{path}: expected the columns value, code (and channel, where several are calibrated), "
            f"not there: {', '.join(sorted(lacking))}"
        )
    return [_row(path, number, row, names) for number, row in enumerate(reader, start=2)]


def _row(
    path: Path, number: int, row: dict[str, str | None], names: list[str]
) -> tuple[str, str, float, float]:
    channel = (row.get("channel") or "").strip() or names[0]
    if channel not in names:
        raise UsageError(
            f"{path}: line {number}: expected a channel out of {', '.join(names)}, got {channel!r}"
        )
    return (
        channel,
        (row["value"] or "").strip(),
        _number(path, number, "code", row["code"]),
        _number(path, number, "u_code", row.get("u_code") or str(ROUNDING_U)),
    )


def _number(path: Path, line: int, column: str, text: str | None) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or (column == "u_code" and value < 0):
        raise UsageError(f"{path}: line {line}: {column}: expected a number, got {text!r}")
    return value


def new_points(args: argparse.Namespace, bench: Bench, path: Path, signs: dict[str, int]) -> list[PointRow]:
    """Take the points that the command line asks for, all or none.

    ``signs`` holds the channels, -1 for those through which the current flows backwards.

    Raises
    ------
    UsageError, LinkError, LogbookError
        One of them is no point, or cannot be had.
    """
    rows: list[PointRow] = []
    if args.at is not None:
        rows += _live_points(args, bench, signs)
    if args.point:
        rows += _run_points(args, bench, path, signs)
    if args.points is not None:
        rows += _file_points(args, bench, signs)
    return rows


def _meter(args: argparse.Namespace, unit: str) -> Reference:
    from livesense.calibrating import reference

    return reference(args.reference, args.reference_error, args.repeatability, unit)


def _live_points(args: argparse.Namespace, bench: Bench, signs: dict[str, int]) -> list[PointRow]:
    from livesense.averaging import averages, hear, mean_temperatures
    from livesense.calibrating import point_rows, reference_value
    from livesense.chain import Chain
    from livesense.cli.benches import opened_bench

    # Before anything is listened to.
    for name in signs:
        unit = next(c.unit for c in bench.channels if c.name == name)
        reference_value(args.at, unit)
        _meter(args, unit)
    _, address = opened_bench(args)
    if not args.json:
        print(CAUTION, file=sys.stderr)
    heard = hear(bench, address, args.seconds)
    chain = Chain(bench, heard.groups)
    found = averages(chain, heard, list(signs))
    details = {"temperatures": mean_temperatures(chain, heard)}
    said = _said(args, args.at)
    return point_rows(bench, chain, heard.groups, signs, said, found, device=heard.device, details=details)


def _run_points(args: argparse.Namespace, bench: Bench, path: Path, signs: dict[str, int]) -> list[PointRow]:
    from livesense.calibrating import point_rows
    from livesense.chain import Chain
    from livesense.logbook.reader import Logbook

    rows: list[PointRow] = []
    points = [stored_point(text) for text in args.point]
    with Logbook(existing_logbook(path)) as book:
        for point in points:
            found, device, temperatures = averaged_run(book, point, list(signs))
            groups = book.run(point.run).groups
            chain = Chain(bench, groups)
            details = {
                "temperatures": temperatures,
                "run": book.run(point.run).number,
                "from_s": point.from_s,
                "to_s": point.to_s,
            }
            said = _said(args, point.value)
            rows += point_rows(bench, chain, groups, signs, said, found, device=device, details=details)
    return rows


def _said(args: argparse.Namespace, value: str) -> Said:
    from livesense.calibrating import Said

    return Said(value, args.reference_error, args.reference, args.repeatability)


def _file_points(args: argparse.Namespace, bench: Bench, signs: dict[str, int]) -> list[PointRow]:
    from livesense.calibrating import reference_value
    from livesense.logbook.rows import PointRow

    rows = []
    settings = {c.name: c for c in bench.channels}
    for name, text, code, u_code in file_points(args.points, list(signs)):
        unit = settings[name].unit
        meter = _meter(args, unit)
        rows.append(
            PointRow(
                number=0,
                wall_s=time.time(),
                bench_name=bench.name,
                board=settings[name].board or "",
                device="",
                channel=name,
                value=signs[name] * reference_value(text, unit),
                unit=unit,
                code=code,
                u_code=u_code,
                scans=1,
                meter=meter.name,
                u_relative=meter.u_relative,
                u_absolute=meter.u_absolute,
                u_own=meter.u_own,
                details={"file": str(args.points)},
            )
        )
    if not rows:
        raise UsageError(f"{args.points}: expected rows of points, got none")
    return rows
