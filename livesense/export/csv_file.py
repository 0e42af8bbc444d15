"""A run as CSV (RFC 4180), streamed.

Columns are ``scan``, ``time_s`` and one a channel: ``NAME_UNIT`` (values) or
``NAME_code`` (raw codes). Lost scans are absent rows. Each group has a file of
its own: ``PATH``, then ``PATH`` with ``-g1``, ``-g2`` before the suffix.
"""

from __future__ import annotations

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
    numbers: Callable[[Any], Any]
    """Takes a group's codes ``(n, channels)``, gives ``(n,)``."""


def export_csv(
    run: RunAnalysis,
    path: Path,
    *,
    codes: bool = False,
    names: Sequence[str] | None = None,
    from_s: float | None = None,
    to_s: float | None = None,
) -> tuple[list[Path], int]:
    """Write a run, or a half-open stretch of it, as CSV.

    Returns
    -------
    tuple
        the files written and the number of rows in all of them.

    Raises
    ------
    UsageError
        for a channel that the run lacks, or a file that cannot be written.
    """
    columns = {
        group: _code_columns(run, group) if codes else _value_columns(run, group)
        for group in range(len(run.run.groups))
    }
    if names is not None:
        _check_names(run, names, columns, codes=codes)
        columns = {
            group: {name: of_group[name] for name in names if name in of_group}
            for group, of_group in columns.items()
        }
    files: list[Path] = []
    rows = 0
    for group, of_group in columns.items():
        if names is not None and not of_group:
            continue
        file = path if not files else path.with_name(f"{path.stem}-g{group}{path.suffix}")
        if files or group == 0 or names is not None:
            rows += _write_group(run, group, list(of_group.values()), file, from_s, to_s)
            files.append(file)
    return files, rows


def _code_columns(run: RunAnalysis, group: int) -> dict[str, _Column]:
    info = run.run.groups[group]
    columns = {}
    for position, name in enumerate(info.channels):
        decimals = info.decimals[position] if info.decimals else 0

        def numbers(codes: Any, position: int = position, decimals: int = decimals) -> Any:
            taken = codes[:, position]
            return taken / 10.0**decimals if decimals else taken

        form = f"%.{decimals}f" if decimals else "%.9g" if info.code.dtype.kind == "f" else "%d"
        columns[name] = _Column(f"{name}_code", form, numbers)
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
        if path.exists():
            _check_replaceable(path)
        # RFC 4180 ends lines with CR LF; newline="" keeps Python from changing that.
        with part.open("w", encoding="utf-8", newline="") as file:
            file.write(",".join(["scan", "time_s", *(column.header for column in columns)]) + "\r\n")
            rows = _write_rows(run, group, columns, file, from_s, to_s)
        part.replace(path)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
    finally:
        part.unlink(missing_ok=True)
    return rows


def _check_replaceable(path: Path) -> None:
    """Refuse to write over what is no earlier export; a logbook cannot be had again."""
    if not path.is_file():
        raise UsageError(f"{path} is not a file; choose another name with --out")
    with path.open("rb") as file:
        begins = file.read(16)
    if begins and not begins.startswith(b"scan,time_s"):
        raise UsageError(f"{path} is there already and is no export; choose another name with --out")


def _write_rows(
    run: RunAnalysis,
    group: int,
    columns: Sequence[_Column],
    file: TextIO,
    from_s: float | None,
    to_s: float | None,
) -> int:
    axis = run.run.time_axis(group)
    first, stop = run.scans_between(group, from_s, to_s)
    line = ",".join(["%d", "%.9f", *(column.form for column in columns)]) + "\r\n"
    rows = 0
    for start, codes in run.run.codes(group, first, stop):
        for begin in range(0, len(codes), ROWS_AT_ONCE):
            piece = codes[begin : begin + ROWS_AT_ONCE]
            scans = np.arange(start + begin, start + begin + len(piece), dtype=np.int64)
            series = [scans.tolist(), axis.time_s(scans).tolist()]
            series += [np.asarray(column.numbers(piece)).tolist() for column in columns]
            # One formatting call for thousands of rows is several times faster than one for each.
            flat = [number for row in zip(*series, strict=True) for number in row]
            file.write(line * len(piece) % tuple(flat))
            rows += len(piece)
    return rows
