"""A run as COMTRADE (IEEE C37.111-2013 / IEC 60255-24:2013), streamed.

A record has one steady rate and no holes, so each whole stretch of a group is a record of its own: after
lost scans, a restart or a new rate the next one begins, ``PATH``, then ``PATH-s2``, ``-s3`` … (of another
group ``PATH-g1``, ``PATH-g1-s2`` …). Its start is written with its date and time, in UTC. Values are FLOAT32
in units, codes BINARY32. The header file (``.hdr``), which the standard leaves to people, has the
uncertainties and the chain.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from livesense.errors import UsageError
from livesense.export.columns import Column
from livesense.export.facts import as_text, run_facts, table_facts
from livesense.export.files import Outputs, begins, numbered
from livesense.export.tables import Piece, Table, Tell, silent

MOST_RECORDS = 999
"""Records of one group; more files than that help nobody."""

LARGEST_STAMP = 4_294_967_294
"""Time stamps are 32-bit multiples of ``timemult`` microseconds; the one above means missing."""

LARGEST_WHOLE = 2**31 - 1
"""Ends of a BINARY32 value; the one below −2³¹ + 1 means missing."""

LARGEST_REAL = "3.4028235E+38"
_PHASES = {"U": "A", "V": "B", "W": "C"}
_DEVICE = "livesense"
_HEADER = "livesense export"


def export_comtrade(
    tables: Sequence[Table], path: Path, outputs: Outputs, tell: Tell = silent
) -> tuple[list[Path], int]:
    """Write a record a whole stretch; hands back the names of the header files, and the number of rows.

    Raises
    ------
    UsageError
        More stretches than anyone would open, an unknown rate, or codes beyond 32 bits.
    """
    for table in tables:
        stretches = len(table.run.stretches(table.group, table.first, table.stop))
        if stretches > MOST_RECORDS:
            raise UsageError(
                "COMTRADE has no holes, so each whole stretch becomes a record: expected at most "
                f"{MOST_RECORDS}, found {stretches} in group {table.group}; choose a shorter time with "
                "--from and --to, or --format parquet, csv or mdf4"
            )
    headers: list[Path] = []
    rows = 0
    for position, table in enumerate(tables):
        count, written = _write_group(table, numbered(path, position, table.group), outputs, tell)
        headers += written
        rows += count
    return headers, rows


def is_configuration(path: Path) -> bool:
    """Tell the configuration of an earlier export by the device it names."""
    first = begins(path).splitlines()[:1]
    return bool(first) and f",{_DEVICE} run ".encode() in first[0]


def is_header(path: Path) -> bool:
    """Tell the header of an earlier export."""
    return begins(path).startswith(_HEADER.encode())


def _is_data(path: Path) -> bool:
    """Tell samples by their configuration: they have no mark of their own."""
    beside = path.with_suffix(".cfg")
    return beside.is_file() and is_configuration(beside)


def _write_group(table: Table, path: Path, outputs: Outputs, tell: Tell) -> tuple[int, list[Path]]:
    record: _Record | None = None
    headers: list[Path] = []
    number = rows = 0
    try:
        for piece in table.pieces(tell, path.name):
            if piece.begins or record is None:
                if record is not None:
                    record.close()
                number += 1
                name = path.stem if number == 1 else f"{path.stem}-s{number}"
                record = _Record(table, path.with_name(f"{name}.cfg"), number, piece, outputs)
                headers.append(record.header)
            record.write(piece)
            rows += len(piece.scans)
    finally:
        if record is not None:
            record.close()
    return rows, headers


@dataclass(frozen=True, slots=True)
class _Place:
    configuration: Path
    data: Path
    header: Path


class _Record:
    """One record while it is written: samples at once, what tells of them at its end."""

    def __init__(self, table: Table, path: Path, number: int, piece: Piece, outputs: Outputs) -> None:
        self.header = path.with_suffix(".hdr")
        self._table = table
        self._number = number
        self._first = int(piece.scans[0])
        self._begin_s = float(piece.time_s[0])
        self._rate_hz = _rate(table, self._first)
        self._parts = _Place(
            outputs.part(path, is_configuration),
            outputs.part(path.with_suffix(".dat"), _is_data),
            outputs.part(self.header, is_header),
        )
        self._whole = all(column.chain is None and column.dtype.kind in "iu" for column in table.columns)
        self._row = np.dtype(
            [
                ("n", "<u4"),
                ("stamp", "<u4"),
                ("values", "<i4" if self._whole else "<f4", (len(table.columns),)),
            ]
        )
        longest_us = (table.stop - self._first) / self._rate_hz * 1e6
        self._timemult = 1
        while longest_us / self._timemult > LARGEST_STAMP:
            self._timemult *= 10
        self._samples = 0
        self._open: BinaryIO | None = self._parts.data.open("wb")

    def write(self, piece: Piece) -> None:
        """Take scans in a row."""
        assert self._open is not None
        rows = np.zeros(len(piece.scans), self._row)
        index = piece.scans - self._first
        rows["n"] = index + 1
        rows["stamp"] = np.round(index * (1e6 / self._rate_hz / self._timemult))
        for position, column in enumerate(self._table.columns):
            numbers = np.asarray(column.numbers(piece.codes))
            if self._whole:
                _check_whole(column, numbers)
            elif column.decimals:
                numbers = numbers / 10.0**column.decimals
            rows["values"][:, position] = numbers
        self._open.write(rows.tobytes())
        self._samples += len(rows)

    def close(self) -> None:
        """Write what tells of the samples, once."""
        if self._open is None:
            return
        self._open.close()
        self._open = None
        self._parts.configuration.write_bytes("\r\n".join([*self._lines(), ""]).encode())
        self._parts.header.write_bytes(self._header_text().encode())

    def _lines(self) -> list[str]:
        table = self._table
        run = table.run.run.row
        begin = _stamp(run.started_wall_s, self._begin_s)
        count = len(table.columns)
        device = f"{_DEVICE} run {run.number} group {table.group} part {self._number}"
        return [
            f"{_field(run.bench_name)},{device},2013",
            f"{count},{count}A,0D",
            *(self._channel(number, column) for number, column in enumerate(table.columns, start=1)),
            # The line's own frequency: a drive has none that is known beforehand.
            "0",
            "1",
            f"{self._rate_hz:.10g},{self._samples}",
            begin,
            begin,
            "BINARY32" if self._whole else "FLOAT32",
            str(self._timemult),
            # Times are UTC; how good the clock was is not known (F), nor are leap seconds (3).
            "0,0",
            "F,3",
        ]

    def _channel(self, number: int, column: Column) -> str:
        chain = column.chain
        phase = _PHASES.get(str(chain.phase), "") if chain is not None else ""
        unit = {"°C": "degC"}.get(column.unit, column.unit) if chain is not None else "code"
        skew_us = chain.delay_s * 1e6 if chain is not None else 0.0
        scale = f"{10.0**-column.decimals:.10g}" if self._whole and column.decimals else "1"
        ends = f"{-LARGEST_WHOLE},{LARGEST_WHOLE}" if self._whole else f"-{LARGEST_REAL},{LARGEST_REAL}"
        place = _field(chain.place) if chain is not None else ""
        name = f"{number},{_field(column.name)},{phase},{place},{_field(unit)}"
        return f"{name},{scale},0,{skew_us:.10g},{ends},1,1,P"

    def _header_text(self) -> str:
        run, facts = run_facts(self._table), table_facts(self._table)
        # Bench file and gaps of the run once, not a thousand times.
        whole = as_text({"run": run, "table": facts}, indent=1)
        lines = [
            f"{_HEADER}: run {run['run']}, group {self._table.group}, part {self._number}",
            f"bench: {_field(run['bench_name'])}",
            f"scans {self._first} to {self._first + self._samples - 1} of the run",
            "",
            *(_words(about) for about in facts["columns"]),
            "",
            run["meaning"],
            "",
            whole if self._number == 1 else "Bench file, chain and gaps: in the header file of part 1.",
            "",
        ]
        return "\r\n".join(lines)


def _words(about: dict[str, Any]) -> str:
    unit = about["unit"] or ""
    if about["holds"] == "codes" or "u_offset" not in about:
        return f"{about['channel']}: codes"
    missing = f"; not in it: {', '.join(about['u_excludes'])}" if about["u_excludes"] else ""
    return (
        f"{about['channel']} in {unit or 'no unit'}: standard uncertainty {about['u_offset']:.3g} {unit} and "
        f"{about['u_scale_percent']:.3g} % of the value, systematic{missing}"
    )


def _rate(table: Table, scan: int) -> float:
    rate_hz = table.run.run.groups[table.group].rate_hz
    for segment in table.run.run.time_axis(table.group).segments:
        if segment.first <= scan:
            rate_hz = segment.rate_hz
    if not rate_hz:
        raise UsageError(
            f"COMTRADE needs a scan rate, and that of group {table.group} is not known; use --format csv"
        )
    return rate_hz


def _check_whole(column: Column, numbers: Any) -> None:
    low, high = int(numbers.min()), int(numbers.max())
    if low < -LARGEST_WHOLE or high > LARGEST_WHOLE:
        raise UsageError(
            f"channel {column.name!r}: COMTRADE takes codes from {-LARGEST_WHOLE} to {LARGEST_WHOLE}, "
            f"found {low if low < -LARGEST_WHOLE else high}; use --format parquet"
        )


def _stamp(wall_s: float, at_s: float) -> str:
    moment = datetime.fromtimestamp(wall_s, UTC) + timedelta(seconds=at_s)
    return moment.strftime("%d/%m/%Y,%H:%M:%S.%f")


def _field(text: str) -> str:
    """Text for a field: a comma would begin the next one."""
    return re.sub(r"[,\x00-\x1f\x7f]+", " ", text).strip()[:64]
