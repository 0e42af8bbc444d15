"""A declared record (`[link.record]` of a bench file) decoded with numpy alone, as docs/wire.md says.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from plain_bytes import CHECK_BYTES, check_of

TYPE_BYTES = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u24": 3, "i24": 3, "u32": 4, "i32": 4, "f32": 4}
NO_CHANNEL = ("n", "t_us", "t_ms")


@dataclass(frozen=True)
class Field:
    """One field of one scan at its place in the record."""

    name: str
    type: str
    at: int

    @property
    def width(self) -> int:
        return int(self.type[3:] or 1) if self.type.startswith("pad") else TYPE_BYTES[self.type]

    @property
    def end(self) -> int:
        return self.at + self.width

    @property
    def is_channel(self) -> bool:
        return not self.type.startswith("pad") and self.name not in NO_CHANNEL

    def meets(self, begin: int, end: int) -> bool:
        return self.end > begin and self.at < end


class Declared:
    """The layout that a bench file declares."""

    def __init__(self, record: dict[str, Any]) -> None:
        self.sync = bytes.fromhex(record.get("sync", "").replace(" ", ""))
        self.scans = int(record.get("scans", 1))
        self.check = record.get("check", "none")
        self.check_over = record.get("check_over", "fields")
        self.endian = record.get("endian", "little")
        self.check_endian = record.get("check_endian", self.endian)
        self.counts = record.get("counts", "records")
        once = [Field(*text.rsplit(":", 1), at=0) for text in record["fields"]]
        inner = [k for k, field in enumerate(once) if field.is_channel]
        first, stop = (inner[0], inner[-1] + 1) if inner else (0, 0)
        self.fields, at = [], len(self.sync)
        for field in once[:first] + once[first:stop] * self.scans + once[stop:]:
            self.fields.append(Field(field.name, field.type, at))
            at += field.width
        self.length = at + CHECK_BYTES[self.check]

    @property
    def channels(self) -> list[Field]:
        return [field for field in self.fields if field.is_channel]

    def checks_right(self, raw: np.ndarray, starts: np.ndarray) -> np.ndarray:
        """Whether the declared check holds, of records that begin at `starts`."""
        if self.check == "none" or not len(starts):
            return np.ones(len(starts), bool)
        begin = 0 if self.check_over == "all" else len(self.sync)
        end = self.length - CHECK_BYTES[self.check]
        due = check_of(self.check, bytes_at(raw, starts, begin, end - begin))
        sent = bytes_at(raw, starts, end, CHECK_BYTES[self.check])
        return due.astype(np.int64) == numbers(sent, "u", self.check_endian)

    def records(self, raw: np.ndarray) -> np.ndarray:
        """Where a decoder finds records: sync and check right, or the next sync word in its place."""
        top = len(raw) - self.length + 1
        if top < 1:
            return np.array([], int)
        syncs = self._syncs(raw)
        found = np.flatnonzero(syncs[:top])
        if self.check == "none":
            after = found + self.length
            found = found[(after < len(syncs)) & syncs[np.minimum(after, len(syncs) - 1)]]
        else:
            parts = [found[k : k + 20000] for k in range(0, len(found), 20000)]
            found = np.concatenate([part[self.checks_right(raw, part)] for part in parts] or [found])
        return _apart(found, self.length)

    def _syncs(self, raw: np.ndarray) -> np.ndarray:
        here = np.ones(len(raw) - max(len(self.sync) - 1, 0), bool)
        for k, byte in enumerate(self.sync):
            here &= raw[k : k + len(here)] == byte
        return here


def _apart(starts: np.ndarray, length: int) -> np.ndarray:
    """The first of all starts that lie inside one record."""
    kept, end = [], 0
    for start in starts.tolist():
        if start >= end:
            kept.append(start)
            end = start + length
    return np.array(kept, int)


def bytes_at(raw: np.ndarray, starts: np.ndarray, at: int, width: int) -> np.ndarray:
    """Bytes (records, width) that begin `at` bytes into each record."""
    return raw[np.asarray(starts)[:, None] + at + np.arange(width)[None, :]]


def numbers(rows: np.ndarray, kind: str, endian: str) -> np.ndarray:
    """Numbers of bytes (records, width): unsigned (u…), signed (i…) or f32."""
    if endian == "big":
        rows = rows[:, ::-1]
    if kind == "f32":
        return np.ascontiguousarray(rows).view("<f4")[:, 0].astype(float)
    value = np.zeros(len(rows), np.int64)
    for k, column in enumerate(rows.T):
        value |= column.astype(np.int64) << (8 * k)
    if kind[0] == "i":
        half = 1 << (8 * rows.shape[1] - 1)
        value = (value ^ half) - half
    return value


def is_constant(values: np.ndarray) -> bool:
    return bool((values == values[:1]).all())
