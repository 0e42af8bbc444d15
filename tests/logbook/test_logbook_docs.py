"""docs/logbook.md says what is there, and its queries and layouts work."""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import sqlite_utils
import zstandard

from livesense.logbook import schema
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, Event, Gap, GapCause, GroupInfo, ScanBlock

DOCS = Path(__file__).parents[2] / "docs" / "logbook.md"


@pytest.fixture
def page() -> str:
    return DOCS.read_text(encoding="utf-8")


def test_every_table_and_column_is_described(page: str, writer: LogbookWriter, path: Path) -> None:
    described = {}
    for section in page.split("\n### ")[1:]:
        name = section.split("\n")[0]
        if name in schema.TABLES:
            described[name] = re.findall(r"^\| (\w+) \|", section, re.MULTILINE)[1:]
    db = sqlite_utils.Database(path)
    there = {name: list(db[name].columns_dict) for name in schema.TABLES}
    assert described == there


def test_the_example_queries_run(
    page: str, start: Callable[..., Any], path: Path, pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start(name="with everything")
    run.append(ScanBlock(0, 0, pump_codes(1500)))
    run.merge(force=True)
    run.append(ScanBlock(0, 1510, pump_codes(100)))
    run.gap(Gap(0, 1500, 10, GapCause.WIRE))
    for peak in (-14.256, 13.0):
        run.open_event(
            Event(
                "overcurrent", "iu", 0, 0, 100, 200, peak, 150, False, 12.0, "A", "iu beyond 12 A",
                details={"keep_first": 40, "keep_last": 900} if peak > 0 else {},
            )
        )  # fmt: skip
    run.commit()
    queries = re.findall(r"```sql\n(.*?)```", page, re.DOTALL)
    assert len(queries) == 4
    db = sqlite_utils.Database(path)
    runs, lost, events, kept = (list(db.query(text.rstrip().rstrip(";"))) for text in queries)
    assert runs == [
        {
            "number": 1,
            "name": "with everything",
            "started_utc": "2023-11-14 22:13:20",
            "ended": "-",
            "scan_group": 0,
            "scans": 1600,
        }
    ]
    assert lost == [{"run": 1, "scan_group": 0, "cause": "wire", "gaps": 1, "scans": 10}]
    assert [row["peak"] for row in events] == [-14.26, 13.0]
    assert kept == [{"run": 1, "scan_group": 0, "number": 1, "kind": "overcurrent", "first": 40, "last": 900}]


def unpacked(data: bytes, count: int) -> tuple[list[int], bytes]:
    """A packed column as the page tells it, one number after the other."""
    width, planes = data[0], data[1:]
    numbers = [
        sum(planes[plane * count + at] << (8 * plane) for plane in range(width)) for at in range(count)
    ]
    return numbers, planes[width * count :]


def test_blocks_can_be_decoded_from_the_description_alone(
    start: Callable[..., Any], path: Path, pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start([GroupInfo(20000.0, CodeType.U12, 12, ("iu",)), GroupInfo(10.0, CodeType.I32, 32, ("t",))])
    currents = pump_codes(1000)[:, :1]
    wide = np.random.default_rng(1).integers(-(1 << 31), 1 << 31, (300, 1)).astype("<i4")
    run.append(ScanBlock(0, 0, currents))
    run.append(ScanBlock(1, 0, wide))
    run.merge(force=True)
    first, second = sqlite_utils.Database(path)["block"].rows
    assert (first["encoding"], second["encoding"]) == ("flac16", "delta")
    samples, _ = soundfile.read(io.BytesIO(first["data"]), dtype="int16")
    codes = samples + first["base"]
    assert np.array_equal(codes, currents[:, 0])
    assert zlib.crc32(codes.astype("<u2").tobytes()) == first["crc32"]
    folded, rest = unpacked(zstandard.ZstdDecompressor().decompress(second["data"]), second["scans"])
    assert rest == b""
    total, numbers = second["base"], []
    for z in folded:
        total += z // 2 if z % 2 == 0 else -(z + 1) // 2
        numbers.append(total)
    assert numbers == wide[:, 0].tolist()
    assert zlib.crc32(np.array(numbers, "<i4").tobytes()) == second["crc32"]


def test_pages_can_be_decoded_from_the_description_alone(
    start: Callable[..., Any], path: Path, pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start([GroupInfo(20000.0, CodeType.U12, 12, ("iu",))])
    codes = pump_codes(1500)
    run.append(ScanBlock(0, 0, codes[:600, :1]))
    run.append(ScanBlock(0, 700, codes[700:, :1]))
    run.finish("time", 1.0)
    row = next(iter(sqlite_utils.Database(path)["pyramid"].rows_where("level = 1")))
    data = zstandard.ZstdDecompressor().decompress(row["data"])
    kind, base = struct.unpack_from("<Bq", data)
    assert kind == 0
    columns, rest = [], data[9:]
    for _ in range(5):
        column, rest = unpacked(rest, row["entries"])
        columns.append(column)
    assert rest == b""
    stored = np.r_[0:600, 700:1500]
    for number, (place, missing, low, height, above) in enumerate(zip(*columns, strict=True)):
        begin = row["first"] + 64 * (number + place)
        held = codes[stored[(stored >= begin) & (stored < begin + 64)], 0].astype(int)
        low += base
        assert (64 - missing, low, low + height) == (len(held), held.min(), held.max())
        assert above + len(held) * low == held.sum()
