"""CSV recordings: a header, a column of times (or a rate), and columns of values in their units."""

from __future__ import annotations

import csv
import re
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from livesense.errors import UsageError
from livesense.recordings.csv_beside import beside
from livesense.recordings.raster import stretches_of
from livesense.recordings.recording import (
    RecordedChannel,
    Recording,
    Stretch,
    bus_by_name,
    in_base_unit,
    legal_names,
    phase_by_name,
    unit_by_name,
)
from livesense.recordings.spool import Spool, lines_of, numbers_of
from livesense.samples import CodeType, FloatArray

LOOKED_AT_BYTES = 1 << 16
MOST_LINES_BEFORE = 50
MOST_COLUMNS = 2000

_TIME = re.compile(
    r"(?:t|time|times|timestamp|seconds|sec|zeit)(?:[ _.\-]*[\[(]?(s|sec|ms|us|µs|μs|ns)[\])]?)?", re.I
)
_TIME_UNITS = {"s": 1.0, "sec": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "μs": 1e-6, "ns": 1e-9}
_INDEX = re.compile(r"(?:scan|sample|index|n|nr|no|row)", re.I)
_UNIT = re.compile(r"(.+?)(?:[ _.\-]*[\[(]([^\])]{1,16})[\])]|_([kmuµ]?[AV]|°C|degC|W|Hz|rpm|Nm|%))")


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the text is written, and what its columns are."""

    encoding: str
    separator: str
    decimal: str
    skip: int
    header: list[str]
    units: list[str]


def open_csv(path: Path, stack: ExitStack, rate_hz: float | None = None) -> Recording:
    """Open a CSV recording; what is opened is closed with ``stack``.

    Parameters
    ----------
    rate_hz
        Samples per second where the file has no times, or too coarse ones; None: its times tell.

    Raises
    ------
    UsageError
        It is no such table, has no times, or uneven ones.
    """
    layout = _layout(path)
    spool = Spool(len(layout.header))
    stack.callback(spool.close)
    for first, lines in lines_of(path, layout.encoding, layout.skip):
        spool.append(
            numbers_of(lines, len(layout.header), layout.separator, layout.decimal, path.name, first)
        )
    if not spool.rows:
        raise UsageError(f"{path.name}: expected rows of numbers below the header, found none")
    time = next((n for n, name in enumerate(layout.header) if _TIME.fullmatch(name.strip())), None)
    if time is None and rate_hz is None:
        raise UsageError(
            f"{path.name}: expected a column of times such as time_s or t_ms, found "
            f"{', '.join(layout.header[:8])}; name it so, or give the rate with --rate"
        )
    columns = [n for n, name in enumerate(layout.header) if n != time and not _INDEX.fullmatch(name.strip())]
    if not columns:
        raise UsageError(f"{path.name}: expected columns of values beside the time, found none")
    notes: list[str] = []
    first_s = 0.0
    if rate_hz is not None:
        stretches: tuple[Stretch, ...] = (Stretch(0, spool.rows, 0.0, rate_hz),)
        if time is not None:
            notes.append("the file's own times were not used: the rate was given")
    else:
        unit = _TIME.fullmatch(layout.header[time or 0].strip())
        stated = (unit.group(1) if unit is not None else None) or layout.units[time or 0] or "s"
        if stated.lower() not in _TIME_UNITS:
            raise UsageError(f"{path.name}: expected times in s, ms, us or ns, found {stated!r}")
        times = spool.column(time or 0) * _TIME_UNITS[stated.lower()]
        first_s = float(times[0])
        stretches = stretches_of(times, path.name, _index(spool, layout))
    empty = [0] * len(layout.header)

    def count(values: np.ndarray) -> bool:
        for column in columns:
            empty[column] += int(np.isnan(values[:, column]).sum())
        return True

    spool.every(count)
    if any(empty):
        notes.append(f"{sum(empty)} values are missing in the file: they are no numbers here")
    known = beside(path)
    # The run's second 0 may lie before the first row: a part of it was exported.
    started_s = None if known.started_wall_s is None else known.started_wall_s + first_s
    return Recording(
        kind="csv",
        title=path.stem,
        device=known.device,
        started_wall_s=started_s,
        channels=tuple(known.told(channel) for channel in _channels(layout, columns)),
        code=CodeType.F64,
        stretches=stretches,
        read=lambda first, stop: spool.read(first, stop)[:, columns],
        notes=tuple(notes),
        about={} if started_s is None else {"zone": True},
    )


def _index(spool: Spool, layout: _Layout) -> FloatArray | None:
    """Read the numbers of the samples, where a column has them and they grow."""
    column = next((n for n, name in enumerate(layout.header) if _INDEX.fullmatch(name.strip())), None)
    if column is None:
        return None
    found = spool.column(column)
    return found if bool(np.all(np.diff(found) > 0)) else None


def _channels(layout: _Layout, columns: list[int]) -> tuple[RecordedChannel, ...]:
    parts = [_name_and_unit(layout.header[column], layout.units[column]) for column in columns]
    names = legal_names([name for name, _ in parts])
    found = []
    for column, name, (shown, stated) in zip(columns, names, parts, strict=True):
        guessed = "" if stated else unit_by_name(shown)
        unit, factor = in_base_unit(stated or guessed)
        phase = phase_by_name(shown) if unit in ("A", "V") else None
        bus = unit in ("A", "V") and bus_by_name(shown)
        found.append(
            RecordedChannel(
                name=name,
                shown=layout.header[column],
                unit=unit,
                scale=factor,
                phase="bus" if bus else phase,
                assumed=(*(["unit"] if guessed else []), *(["phase"] if phase or bus else [])),
            )
        )
    return tuple(found)


def _name_and_unit(header: str, unit: str) -> tuple[str, str]:
    """Take a unit off a header: ``iu_A``, ``iu [A]`` or ``iu (A)``."""
    found = _UNIT.fullmatch(header.strip())
    if found is None:
        return header.strip(), unit
    return found.group(1).strip(), found.group(2) or found.group(3)


def _layout(path: Path) -> _Layout:
    with path.open("rb") as file:
        begin = file.read(LOOKED_AT_BYTES)
    if b"\0" in begin:
        raise UsageError(f"{path.name}: expected text, found bytes that are none")
    encoding = "utf-8-sig"
    try:
        # A character may be cut in two at the end of what was read.
        begin.decode("utf-8", errors="strict") if len(begin) < LOOKED_AT_BYTES else begin[:-4].decode("utf-8")
    except UnicodeDecodeError:
        encoding = "latin-1"
    lines = begin.decode(encoding, "replace").splitlines()
    for number, line in enumerate(lines[:MOST_LINES_BEFORE]):
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        separator = max(";\t,", key=line.count)
        if not line.count(separator):
            continue
        header = next(csv.reader([line], delimiter=separator))
        if any(_is_number(field) for field in header) or len(header) > MOST_COLUMNS:
            break
        return _below(path, lines, number, encoding, separator, header)
    raise UsageError(
        f"{path.name}: expected a header with the names of the columns, by comma, semicolon or tab, "
        f"found {lines[0][:60] if lines else ''!r}"
    )


def _below(
    path: Path, lines: list[str], number: int, encoding: str, separator: str, header: list[str]
) -> _Layout:
    """Look at the line below the header: a line of units, or numbers already."""
    units = [""] * len(header)
    skip = number + 1
    if skip < len(lines):
        fields = [field.strip() for field in lines[skip].split(separator)]
        words = [field for field in fields if field and not _is_number(field, any_decimal=True)]
        if words and len(words) == len([field for field in fields if field]) and len(fields) == len(header):
            units = [field.strip("[]() ") for field in fields]
            skip += 1
    below = lines[skip] if skip < len(lines) else ""
    decimal = "," if separator != "," and re.search(r"\d,\d", below) else "."
    if any(not name.strip() for name in header):
        raise UsageError(
            f"{path.name}: line {number + 1}: expected a name for each column, found an empty one"
        )
    return _Layout(encoding, separator, decimal, skip, [name.strip() for name in header], units)


def _is_number(field: str, *, any_decimal: bool = False) -> bool:
    try:
        float(field.replace(",", ".") if any_decimal else field)
    except ValueError:
        return False
    return True
