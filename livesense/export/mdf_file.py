"""A run as ASAM MDF 4.10: one file, a channel group a group, through the library asammdf.

Each group has ``time`` (seconds) as its master channel and ``scan`` beside it, so lost scans are simply not
there. A channel that is linear in whole codes is stored as those codes with a linear conversion to its unit;
all others as 64-bit floats. What is no number is NaN.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from livesense.export.columns import Column
from livesense.export.facts import as_text, run_facts, table_facts
from livesense.export.files import Outputs
from livesense.export.needs import needed
from livesense.export.tables import Piece, Table, Tell, silent

_MARK = "livesense export"
_LOOKED_AT_BYTES = 1 << 20


def export_mdf(
    tables: Sequence[Table], path: Path, outputs: Outputs, tell: Tell = silent
) -> tuple[list[Path], int]:
    """Write all tables into one file; hands back no further files, and the number of rows in all."""
    asammdf = needed("asammdf", "export", "--format mdf4")
    part = outputs.part(path, is_mdf, suffix=".mf4")
    # What has been appended waits in the library's own temporary file until it is put together: beside
    # the target, where the room for it is needed anyway.
    folder = Path(tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.parent))
    try:
        with asammdf.MDF(version="4.10", temporary_folder=str(folder)) as mdf:
            facts = run_facts(tables[0])
            mdf.header.start_time = datetime.fromtimestamp(tables[0].run.run.row.started_wall_s).astimezone()
            mdf.header.comment = _header(facts)
            rows = sum(
                _write_table(mdf, number, table, tell, path.name) for number, table in enumerate(tables)
            )
            tell(f"{path.name}: putting together", 0, 0)
            mdf.save(part, overwrite=True)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return [], rows


def is_mdf(path: Path) -> bool:
    """Tell an earlier export by its header's comment."""
    with path.open("rb") as file:
        return file.read(3) == b"MDF" and _MARK.encode() in file.read(_LOOKED_AT_BYTES)


def _write_table(mdf: Any, number: int, table: Table, tell: Tell, what: str) -> int:
    raw = [_raw(column, table) for column in table.columns]
    rows = 0
    begun = False
    for piece in table.pieces(tell, what):
        samples = [numbers(piece) for numbers in raw]
        if begun:
            parts = [piece.time_s, piece.scans, *samples]
            mdf.extend(number, [(np.ascontiguousarray(part), None) for part in parts])
        else:
            _begin(mdf, table, piece, samples)
            begun = True
        rows += len(piece.scans)
    if not begun:
        empty = np.zeros(0)
        piece = Piece(empty.astype(np.int64), empty, _no_codes(table), True)
        _begin(mdf, table, piece, [numbers(piece) for numbers in raw])
    return rows


def _begin(mdf: Any, table: Table, piece: Piece, samples: Sequence[Any]) -> None:
    from asammdf import Signal

    facts = table_facts(table)
    signals = [Signal(piece.scans, piece.time_s, name="scan", comment=_channel("index of the scan", {}))]
    for column, numbers, about in zip(table.columns, samples, facts["columns"], strict=True):
        signals.append(
            Signal(
                np.ascontiguousarray(numbers),
                piece.time_s,
                name=column.name,
                unit=column.unit,
                conversion=_conversion(column, table),
                comment=_channel(column.header, about),
            )
        )
    mdf.append(
        signals,
        acq_name=f"group {table.group}",
        comment=as_text({key: value for key, value in facts.items() if key != "columns"}),
        common_timebase=True,
    )


def _is_raw(column: Column, table: Table) -> bool:
    whole = table.run.run.groups[table.group].code.dtype.kind in "iu"
    return column.chain is not None and column.chain.per_code is not None and whole


def _raw(column: Column, table: Table) -> Callable[[Piece], Any]:
    if _is_raw(column, table):
        position = column.position
        return lambda piece: piece.codes[:, position]
    if column.decimals:
        return lambda piece: column.numbers(piece.codes) / 10.0**column.decimals
    return lambda piece: column.numbers(piece.codes)


def _conversion(column: Column, table: Table) -> dict[str, float] | None:
    if not _is_raw(column, table) or column.chain is None:
        return None
    per_code, zero_code = column.chain.per_code or 0.0, column.chain.zero_code or 0.0
    return {"a": per_code, "b": -per_code * zero_code}


def _no_codes(table: Table) -> Any:
    info = table.run.run.groups[table.group]
    return np.zeros((0, len(info.channels)), info.code.dtype)


def _header(facts: dict[str, Any]) -> str:
    text = escape(f"{_MARK}: run {facts['run']} of {facts['bench_name']}")
    e = f'<e name="livesense">{escape(as_text(facts))}</e>'
    return f"<HDcomment><TX>{text}</TX><common_properties>{e}</common_properties></HDcomment>"


def _channel(text: str, facts: dict[str, Any]) -> str:
    more = f'<common_properties><e name="livesense">{escape(as_text(facts))}</e></common_properties>'
    return f"<CNcomment><TX>{escape(text)}</TX>{more if facts else ''}</CNcomment>"
