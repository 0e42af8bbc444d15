"""A run as CSV (RFC 4180), streamed.

Columns are ``scan``, ``time_s`` and one a channel: ``NAME_UNIT`` (values) or
``NAME_code`` (raw codes). Lost scans are absent rows; what is no number is empty. Each group has a file of
its own: ``PATH``, then ``PATH`` with ``-g1``, ``-g2`` before the suffix. CSV has no place for units and
uncertainties: they stand beside it in ``PATH-metadata.json``, the name and the form of the W3C's Metadata
Vocabulary for Tabular Data (2015).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from livesense.errors import UsageError
from livesense.export.columns import Column
from livesense.export.facts import as_text, run_facts, table_facts
from livesense.export.files import Outputs, begins, numbered
from livesense.export.tables import Table, Tell, finite, silent

ROWS_AT_ONCE = 8192

_METADATA_BEGINS = '{"@context": "http://www.w3.org/ns/csvw", "rdfs:comment": "livesense export"'


def export_csv(
    tables: Sequence[Table], path: Path, outputs: Outputs, tell: Tell = silent
) -> tuple[list[Path], int]:
    """Write a table a group, and what is known of its numbers beside each.

    Returns
    -------
    tuple
        the names that the metadata files will have, and the number of rows in all.
    """
    files = [numbered(path, position, table.group) for position, table in enumerate(tables)]
    beside = [file.with_name(f"{file.name}-metadata.json") for file in files]
    parts = [outputs.part(file, is_csv) for file in files]
    notes = [outputs.part(file, is_metadata) for file in beside]
    rows = 0
    for table, file, part, note in zip(tables, files, parts, notes, strict=True):
        # RFC 4180 ends lines with CR LF; newline="" keeps Python from changing that.
        with part.open("w", encoding="utf-8", newline="") as stream:
            rows += _write_table(table, stream, tell, file.name)
        note.write_text(_metadata(table, file.name), encoding="utf-8")
    return beside, rows


def write_csv(tables: Sequence[Table], stream: TextIO) -> int:
    """Write one group into an open stream; returns the number of rows.

    Raises
    ------
    UsageError
        where there are several groups.
    """
    if len(tables) > 1:
        groups = "; ".join(
            f"group {t.group}: {', '.join(t.run.run.groups[t.group].channels)}" for t in tables
        )
        raise UsageError(
            f"standard output takes one group, and these are {len(tables)} ({groups}); "
            "choose channels of one with --channels, or write files with --out PATH"
        )
    return sum(_write_table(table, stream, silent, "") for table in tables)


def is_csv(path: Path) -> bool:
    """Tell an earlier export by its header."""
    return begins(path).startswith(b"scan,time_s")


def is_metadata(path: Path) -> bool:
    """Tell the metadata of an earlier export."""
    return begins(path).startswith(_METADATA_BEGINS.encode())


def _write_table(table: Table, file: TextIO, tell: Tell, what: str) -> int:
    headers = ["scan", "time_s", *(column.header for column in table.columns)]
    file.write(",".join(map(_quoted, headers)) + "\r\n")
    rows = 0
    for piece in table.pieces(tell, what, rows=ROWS_AT_ONCE):
        series = [piece.scans.tolist(), piece.time_s.tolist()]
        forms = ["%d", "%.9f"]
        for column in table.columns:
            form, numbers = _field(column, np.asarray(column.numbers(piece.codes)))
            forms.append(form)
            series.append(numbers)
        line = ",".join(forms) + "\r\n"
        # One formatting call for thousands of rows is several times faster than one for each.
        flat = [number for row in zip(*series, strict=True) for number in row]
        file.write(line * len(piece.scans) % tuple(flat))
        rows += len(piece.scans)
    return rows


def _quoted(field: str) -> str:
    return '"' + field.replace('"', '""') + '"' if any(c in field for c in ',"\r\n') else field


def _field(column: Column, numbers: Any) -> tuple[str, list[Any]]:
    """Format and entries of a column; one with NaN or infinity (from a device's floats) goes as text."""
    if column.decimals:
        places = column.decimals
        while places and not np.any(numbers % 10 ** (column.decimals - places + 1)):
            places -= 1
        return f"%.{places}f", (numbers / 10.0**column.decimals).tolist()
    form = "%d" if numbers.dtype.kind in "iu" else "%.9g"
    if finite(numbers):
        return form, numbers.tolist()
    return "%s", [form % number if math.isfinite(number) else "" for number in numbers.tolist()]


def _metadata(table: Table, name: str) -> str:
    described = [
        {"name": "scan", "titles": "scan", "datatype": "integer"},
        {"name": "time_s", "titles": "time_s", "datatype": "double", "dc:description": "s"},
        *(
            {
                "name": column.header,
                "titles": column.header,
                "datatype": "double" if column.dtype.kind == "f" or column.decimals else "integer",
                "null": "",
                **({"dc:description": column.unit} if column.unit else {}),
            }
            for column in table.columns
        ),
    ]
    facts = {
        "url": name,
        "dialect": {"lineTerminators": ["\r\n"], "delimiter": ",", "header": True, "encoding": "utf-8"},
        "tableSchema": {"columns": described, "primaryKey": "scan"},
        "notes": [{"run": run_facts(table), "table": table_facts(table)}],
    }
    return _METADATA_BEGINS + ", " + as_text(facts, indent=1)[1:].lstrip() + "\n"
