"""A run as Apache Parquet, streamed: a file a group, one row a stored scan.

Columns are those of the CSV. Each field's metadata has its unit and uncertainty, the schema's has the run,
the bench file and the gaps, as JSON under ``livesense``. What is no number is null.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from livesense.export.columns import Column
from livesense.export.facts import as_text, run_facts, table_facts
from livesense.export.files import Outputs, numbered
from livesense.export.needs import needed
from livesense.export.tables import Piece, Table, Tell, silent

ROW_GROUP = 1 << 19
"""Rows in a row group: what a reader must hold at once, and the writer too."""

KEY = b"livesense"


def export_parquet(
    tables: Sequence[Table], path: Path, outputs: Outputs, tell: Tell = silent
) -> tuple[list[Path], int]:
    """Write a file a group; hands back no further files, and the number of rows in all."""
    needed("pyarrow", "export", "--format parquet")
    files = [numbered(path, position, table.group) for position, table in enumerate(tables)]
    parts = [outputs.part(file, is_parquet) for file in files]
    rows = 0
    for table, file, part in zip(tables, files, parts, strict=True):
        with part.open("wb") as stream:
            rows += write_rows(table, stream, schema_of(table), tell, file.name)
    return [], rows


def write_rows(
    table: Table,
    stream: Any,
    schema: Any,
    tell: Tell,
    what: str,
    *,
    row_group: int = ROW_GROUP,
    raw: bool = False,
) -> int:
    """Write a table into an open binary file; returns the number of rows.

    With ``raw`` codes stay as they were stored: decimals as integers, floats that are no numbers as they are.
    """
    import pyarrow as pa
    from pyarrow import parquet

    names = [column.header for column in table.columns]
    rows = 0
    with parquet.ParquetWriter(
        stream,
        schema,
        compression="zstd",
        write_page_checksum=True,
        # An ADC has few codes, so values repeat: a dictionary of them is small.
        use_dictionary=names,
        column_encoding={"scan": "DELTA_BINARY_PACKED", "time_s": "BYTE_STREAM_SPLIT"},
    ) as writer:
        waiting: list[Any] = []
        held = 0
        for piece in table.pieces(tell, what):
            batch = pa.record_batch(_arrays(pa, piece, table.columns, raw=raw), schema=schema)
            waiting.append(batch)
            held += len(piece.scans)
            rows += len(piece.scans)
            if held >= row_group:
                writer.write_table(pa.Table.from_batches(waiting, schema))
                waiting, held = [], 0
        if waiting:
            writer.write_table(pa.Table.from_batches(waiting, schema))
    return rows


def schema_of(table: Table, *, raw: bool = False) -> Any:
    """Make the schema of a table, with its metadata."""
    import pyarrow as pa

    facts = table_facts(table)
    fields = [pa.field("scan", pa.int64(), nullable=False), _field(pa, "time_s", pa.float64(), {"unit": "s"})]
    for column, about in zip(table.columns, facts["columns"], strict=True):
        fields.append(_field(pa, column.header, _type(pa, column, raw=raw), about))
    metadata: dict[Any, Any] = {KEY: as_text({"run": run_facts(table), "table": facts})}
    return pa.schema(fields, metadata=metadata)


def is_parquet(path: Path) -> bool:
    """Tell an earlier export by the metadata of its schema."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        return KEY in (parquet.read_schema(path).metadata or {})
    except pa.ArrowInvalid:
        return False


def _field(pa: Any, name: str, kind: Any, about: dict[str, Any]) -> Any:
    unit = {"unit": about["unit"]} if about.get("unit") else {}
    more = {} if name == "time_s" else {KEY.decode(): as_text(about)}
    return pa.field(name, kind, nullable=name != "time_s", metadata={**unit, **more})


def _type(pa: Any, column: Column, *, raw: bool) -> Any:
    return pa.float64() if column.decimals and not raw else pa.from_numpy_dtype(column.dtype)


def _arrays(pa: Any, piece: Piece, columns: Sequence[Column], *, raw: bool = False) -> list[Any]:
    arrays = [pa.array(piece.scans), pa.array(piece.time_s)]
    for column in columns:
        numbers = np.ascontiguousarray(column.numbers(piece.codes))
        if raw and column.chain is None:
            arrays.append(pa.array(numbers))
            continue
        if column.decimals:
            numbers = numbers / 10.0**column.decimals
        # NaN and infinity of devices that send floats: not a number, so null.
        mask = ~np.isfinite(numbers) if numbers.dtype.kind == "f" else None
        arrays.append(pa.array(numbers, mask=mask if mask is not None and mask.any() else None))
    return arrays
