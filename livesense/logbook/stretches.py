"""Raw codes out of blocks and tail rows, put together to whole stretches."""

from __future__ import annotations

import zlib
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import DamagedBlockError
from livesense.logbook import codec
from livesense.logbook.whole import Select, whole

PIECE_SCANS = 1 << 19
"""A generator hands out at most so many scans at once."""

CACHE_BYTES = 16 << 20
"""Decoded blocks that are kept, because a live page asks for the newest one again and again."""

# One statement, hence one snapshot: a merge moves scans from the tail to a block at one instant.
_RANGE = """
SELECT first, scans, position, id, encoding, base, crc32, data, NULL FROM block
 WHERE run = :run AND scan_group = :number AND position IN ({positions})
   AND first >= coalesce((SELECT max(first) FROM block WHERE run = :run AND scan_group = :number
                           AND position = {lead} AND first <= :first), :first) AND first < :stop
UNION ALL
SELECT first, scans, -1, id, 'tail', 0, crc32, {codes}, {clock} FROM tail
 WHERE run = :run AND scan_group = :number
   AND first >= coalesce((SELECT max(first) FROM tail WHERE run = :run AND scan_group = :number
                           AND first <= :first), :first) AND first < :stop
ORDER BY 1, 3
"""
_NEXT = """
SELECT min(first) FROM (
 SELECT min(first) AS first FROM block
  WHERE run = :run AND scan_group = :number AND position = :lead AND first >= :first
 UNION ALL
 SELECT min(first) FROM tail WHERE run = :run AND scan_group = :number AND first >= :first)
"""


def _short(value: object) -> str:
    return repr(value)[:40]


class BlockCache:
    """The latest decoded blocks, up to a size."""

    def __init__(self, largest_bytes: int = CACHE_BYTES) -> None:
        self._largest = largest_bytes
        self._bytes = 0
        self._kept: OrderedDict[tuple[object, ...], NDArray[Any]] = OrderedDict()

    def get(self, key: tuple[object, ...]) -> NDArray[Any] | None:
        """Give a block's codes, if they are still kept."""
        found = self._kept.get(key)
        if found is not None:
            self._kept.move_to_end(key)
        return found

    def put(self, key: tuple[object, ...], codes: NDArray[Any]) -> None:
        """Keep a block's codes; the oldest ones make room."""
        if key not in self._kept:
            codes.setflags(write=False)
            self._kept[key] = codes
            self._bytes += codes.nbytes
        while self._bytes > self._largest:
            self._bytes -= self._kept.popitem(last=False)[1].nbytes


@dataclass(frozen=True, slots=True)
class Source:
    """Where the codes of one group are, and how they are held."""

    select: Select
    cache: BlockCache
    run: int
    number: int
    dtype: np.dtype[Any]
    channels: int
    drops: bool = False
    """Whether the logbook can have dropped scans."""

    def dropped_level(self, first: int, stop: int) -> int:
        """Tell the finest that all of a window still has: 0 its scans, 1 the sums of 64, 2 those above."""
        if not self.drops:
            return 0
        ((level,),) = self.select(
            "SELECT coalesce(max(level) + 1, 0) FROM dropped"
            " WHERE run = ? AND scan_group = ? AND first < ? AND stop > ?",
            (self.run, self.number, stop, first),
        )
        return whole(level, "level")

    def stretches(
        self, first: int, stop: int, positions: Sequence[int], clock: bool = False
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        """Read the stored scans of ``first … stop − 1``, ``(first, (n, len(positions)))`` each.

        With ``clock`` the device's ticks, ``(n,)``, and ``positions`` are not looked at.
        No transaction is open while the caller works on a piece.
        """
        wanted = [self.channels] if clock else list(positions)
        if not wanted or first >= stop:
            return
        at = max(first, 0)
        while at < stop:
            end = min(stop, at + PIECE_SCANS)
            parts = self._range(at, end, wanted, clock)
            if not parts:
                following = self._following(at, wanted[0])
                if following is None or following >= stop:
                    return
                at = max(following, end)
                continue
            yield from _stitched(parts)
            at = end

    def _following(self, first: int, lead: int) -> int | None:
        values = {"run": self.run, "number": self.number, "lead": lead, "first": first}
        ((found,),) = self.select(_NEXT, values)
        if found is None or isinstance(found, int):
            return found
        raise DamagedBlockError(
            f"run {self.run}, group {self.number}: expected scan indices, found {_short(found)}"
        )

    def _range(self, first: int, stop: int, wanted: list[int], clock: bool) -> list[tuple[int, NDArray[Any]]]:
        text = _RANGE.format(
            positions=",".join(str(int(p)) for p in wanted),
            lead=int(wanted[0]),
            codes="NULL" if clock else "codes",
            clock="clock" if clock else "NULL",
        )
        values = {"run": self.run, "number": self.number, "first": first, "stop": stop}
        rows = self.select(text, values)
        return list(self._clipped(self._decoded(rows, wanted, clock), first, stop))

    def _decoded(
        self, rows: list[tuple[Any, ...]], wanted: list[int], clock: bool
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        columns: dict[int, NDArray[Any]] = {}
        begun, covered = 0, -1
        for row in rows:
            try:
                first, scans, position = (
                    whole(row[0], "first"),
                    whole(row[1], "scans"),
                    whole(row[2], "position"),
                )
                # Rows that overlap could make a small file decode to any size.
                if first <= covered if not columns else (first != begun or position in columns):
                    raise DamagedBlockError("a channel is missing or stored twice")
                begun = first
                if position < 0:
                    part = self._tail(row, scans, wanted, clock)
                    covered = first + scans - 1
                    if part is not None:
                        yield first, part
                    continue
                columns[position] = self._block(row, scans, clock)
            except DamagedBlockError as error:
                raise DamagedBlockError(
                    f"run {self.run}, group {self.number}, {_short(row[1])} scans from {_short(row[0])}:"
                    f" {error};"
                    " read around them, or from a copy of the logbook"
                ) from error
            if len(columns) == len(set(wanted)):
                if len({len(column) for column in columns.values()}) != 1:
                    raise DamagedBlockError(
                        f"run {self.run}, group {self.number}, scan {first}: channels of unequal length"
                    )
                covered = first + scans - 1
                yield first, columns[wanted[0]] if clock else np.stack([columns[p] for p in wanted], axis=1)
                columns = {}
        if columns:
            raise DamagedBlockError(
                f"run {self.run}, group {self.number}, scan {begun}: a channel is missing"
            )

    def _block(self, row: tuple[Any, ...], scans: int, clock: bool) -> NDArray[Any]:
        _, _, position, number, encoding, base, crc32, data, _ = row
        key = (self.run, self.number, position, row[0], scans, number, crc32)
        codes = self.cache.get(key)
        if codes is None:
            if not isinstance(data, bytes) or not isinstance(encoding, str):
                raise DamagedBlockError("expected a blob and its encoding")
            encoded = codec.Encoded(encoding, whole(base, "base"), whole(crc32, "crc32"), data)
            codes = codec.decode(encoded, scans, np.dtype("<i8") if clock else self.dtype)
            self.cache.put(key, codes)
        return codes

    def _tail(self, row: tuple[Any, ...], scans: int, wanted: list[int], clock: bool) -> NDArray[Any] | None:
        crc32, codes, ticks = row[6], row[7], row[8]
        if clock:
            if ticks is None:
                return None
            if not isinstance(ticks, bytes) or len(ticks) != 8 * scans:
                raise DamagedBlockError(f"expected {scans} clock ticks in a tail row")
            return np.frombuffer(ticks, "<i8")
        size = scans * self.channels * self.dtype.itemsize
        if not isinstance(codes, bytes) or len(codes) != size:
            raise DamagedBlockError(f"expected {size} bytes in a tail row")
        if zlib.crc32(codes) != crc32:
            raise DamagedBlockError("the stored codes do not match their checksum")
        table = np.frombuffer(codes, self.dtype).reshape(scans, self.channels)
        return table if wanted == list(range(self.channels)) else table[:, wanted]

    @staticmethod
    def _clipped(
        parts: Iterator[tuple[int, NDArray[Any]]], first: int, stop: int
    ) -> Iterator[tuple[int, NDArray[Any]]]:
        for at, codes in parts:
            lead, end = max(0, first - at), min(len(codes), stop - at)
            if lead < end:
                yield at + lead, codes[lead:end]


def _stitched(parts: list[tuple[int, NDArray[Any]]]) -> Iterator[tuple[int, NDArray[Any]]]:
    begin = 0
    for number in range(1, len(parts) + 1):
        if number < len(parts) and parts[number][0] == parts[number - 1][0] + len(parts[number - 1][1]):
            continue
        run = [codes for _, codes in parts[begin:number]]
        # Always a fresh, writable array: what is cached stays as it is.
        yield parts[begin][0], np.concatenate(run)
        begin = number
