"""A run as CSV (RFC 4180), streamed.

Columns are ``scan``, ``time_s`` and one a channel: ``NAME_UNIT`` (values) or
``NAME_code`` (raw codes). Lost scans are absent rows; what is no number is empty. Each group has a file of
its own: ``PATH``, then ``PATH`` with ``-g1``, ``-g2`` before the suffix.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import numpy as np

from livesense.errors import UsageError

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

ROWS_AT_ONCE = 8192


@dataclass(frozen=True, slots=True)
class _Column:
    header: str
    form: str
    """How a finite number is written; NaN and infinity are empty fields."""
    numbers: Callable[[Any], Any]
    """Takes a group's codes ``(n, channels)``, gives ``(n,)``."""
    decimals: int = 0
    """Numbers are integers times ten to the power of minus this."""


def export_csv(
    run: RunAnalysis,
    path: Path,
    *,
    codes: bool = False,
    names: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
    replace: bool = False,
) -> tuple[list[Path], int]:
    """Write a run, or a half-open stretch of it, as CSV.

    Returns
    -------
    tuple
        the files written and the number of rows in all of them.

    Raises
    ------
    UsageError
        for a channel that the run lacks, a file that cannot be written, or, without ``replace``, one
        that is there.
    """
    chosen = _chosen_columns(run, names, codes=codes)
    files = [
        path if position == 0 else path.with_name(f"{path.stem}-g{group}{path.suffix}")
        for position, group in enumerate(chosen)
    ]
    for file in files:
        # Before anything is written: half a set of old and new files would mislead.
        _check_free(file, replace=replace)
    rows = 0
    for (group, columns), file in zip(chosen.items(), files, strict=True):
        rows += _write_group(run, group, columns, file, from_s, to_s)
    return files, rows


def write_csv(
    run: RunAnalysis,
    stream: TextIO,
    *,
    codes: bool = False,
    names: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> int:
    """Write one group into an open stream; returns the number of rows.

    Raises
    ------
    UsageError
        for a channel that the run lacks, or where the channels lie in several groups.
    """
    chosen = _chosen_columns(run, names, codes=codes)
    if len(chosen) > 1:
        groups = "; ".join(f"group {group}: {', '.join(run.run.groups[group].channels)}" for group in chosen)
        raise UsageError(
            f"standard output takes one group, and these are {len(chosen)} ({groups}); "
            "choose channels of one with --channels, or write files with --out PATH"
        )
    return sum(_write_table(run, group, columns, stream, from_s, to_s) for group, columns in chosen.items())


def _chosen_columns(
    run: RunAnalysis, names: Sequence[str] | None, *, codes: bool
) -> dict[int, list[_Column]]:
    """Columns of each group that is written."""
    columns = {
        group: _code_columns(run, group) if codes else _value_columns(run, group)
        for group in range(len(run.run.groups))
    }
    if names is not None:
        _check_names(run, names, columns, codes=codes)
        columns = {
            group: {name: of_group[name] for name in names if name in of_group}
            for group, of_group in columns.items()
            if any(name in of_group for name in names)
        }
    if not codes:
        columns = _known(run, columns)
    return {group: list(of_group.values()) for group, of_group in columns.items()}


def undescribed(run: RunAnalysis) -> list[str]:
    """Names of stored channels that the bench file does not describe: only ``codes`` can export them."""
    missing = []
    for group, info in enumerate(run.run.groups):
        described = {run.chain.column(c.name) for c in run.chain.group_channels(group) if not c.computed}
        missing += [name for position, name in enumerate(info.channels) if position not in described]
    return missing


def _known(run: RunAnalysis, columns: dict[int, dict[str, _Column]]) -> dict[int, dict[str, _Column]]:
    """Leave out groups of which the bench file knows no channel: they would be indices and times only.

    Raises
    ------
    UsageError
        where nothing else is left.
    """
    known = {group: of_group for group, of_group in columns.items() if of_group}
    if columns and not known:
        stored = ", ".join(name for group in columns for name in run.run.groups[group].channels)
        raise UsageError(
            f"expected channels that the bench file describes, got only {stored}, which it lacks: "
            "--codes writes their raw codes"
        )
    return known


def _code_columns(run: RunAnalysis, group: int) -> dict[str, _Column]:
    info = run.run.groups[group]
    columns = {}
    for position, name in enumerate(info.channels):

        def numbers(codes: Any, position: int = position) -> Any:
            return codes[:, position]

        form = "%.9g" if info.code.dtype.kind == "f" else "%d"
        decimals = info.decimals[position] if info.decimals else 0
        columns[name] = _Column(f"{name}_code", form, numbers, decimals)
    return columns


def _value_columns(run: RunAnalysis, group: int) -> dict[str, _Column]:
    columns = {}
    for channel in run.chain.group_channels(group):

        def numbers(codes: Any, name: str = channel.name) -> Any:
            return run.chain.value(name, codes)

        header = f"{channel.name}_{channel.unit}" if channel.unit else channel.name
        columns[channel.name] = _Column(header, "%.9g", numbers)
    return columns


def _check_names(
    run: RunAnalysis, names: Sequence[str], columns: dict[int, dict[str, _Column]], *, codes: bool
) -> None:
    known = [name for of_group in columns.values() for name in of_group]
    for name in names:
        if name in known:
            continue
        if codes and name in run.chain.channels:
            raise UsageError(f"channel {name!r} is computed and has no codes of its own; leave out --codes")
        stored = [channel for group in run.run.groups for channel in group.channels]
        hint = "; it has no bench entry, so only --codes can export it" if name in stored else ""
        raise UsageError(f"expected channels out of {', '.join(known)}, got {name!r}{hint}")


def _write_group(
    run: RunAnalysis,
    group: int,
    columns: Sequence[_Column],
    path: Path,
    from_s: float | None,
    to_s: float | None,
) -> int:
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        # RFC 4180 ends lines with CR LF; newline="" keeps Python from changing that.
        with part.open("w", encoding="utf-8", newline="") as file:
            rows = _write_table(run, group, columns, file, from_s, to_s)
        part.replace(path)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
    return rows


def _check_free(path: Path, *, replace: bool) -> None:
    """Refuse to write over an earlier export unasked, and over anything else at all."""
    if not path.exists():
        return
    if not path.is_file():
        raise UsageError(f"{path} is not a file; choose another name with --out")
    try:
        with path.open("rb") as file:
            begins = file.read(16)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
    # A logbook cannot be had again.
    if begins and not begins.startswith(b"scan,time_s"):
        raise UsageError(f"{path} is there already and is no export; choose another name with --out")
    if not replace:
        raise UsageError(f"{path} is there already; choose another name with --out, or --force to replace it")


def _write_table(
    run: RunAnalysis,
    group: int,
    columns: Sequence[_Column],
    file: TextIO,
    from_s: float | None,
    to_s: float | None,
) -> int:
    file.write(",".join(["scan", "time_s", *(column.header for column in columns)]) + "\r\n")
    axis = run.run.time_axis(group)
    first, stop = run.scans_between(group, from_s, to_s)
    rows = 0
    for start, codes in run.run.codes(group, first, stop):
        for begin in range(0, len(codes), ROWS_AT_ONCE):
            piece = codes[begin : begin + ROWS_AT_ONCE]
            scans = np.arange(start + begin, start + begin + len(piece), dtype=np.int64)
            series = [scans.tolist(), axis.time_s(scans).tolist()]
            forms = ["%d", "%.9f"]
            for column in columns:
                form, numbers = _field(column, np.asarray(column.numbers(piece)))
                forms.append(form)
                series.append(numbers)
            line = ",".join(forms) + "\r\n"
            # One formatting call for thousands of rows is several times faster than one for each.
            flat = [number for row in zip(*series, strict=True) for number in row]
            file.write(line * len(piece) % tuple(flat))
            rows += len(piece)
    return rows


def _field(column: _Column, numbers: Any) -> tuple[str, list[Any]]:
    """Format and entries of a column; one with NaN or infinity (from a device's floats) goes as text."""
    if column.decimals:
        places = column.decimals
        while places and not np.any(numbers % 10 ** (column.decimals - places + 1)):
            places -= 1
        return f"%.{places}f", (numbers / 10.0**column.decimals).tolist()
    if np.isfinite(numbers).all():
        return column.form, numbers.tolist()
    return "%s", [column.form % number if math.isfinite(number) else "" for number in numbers.tolist()]
