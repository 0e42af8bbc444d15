"""A record as it is declared: which bytes are what.

A record is ``sync``, then ``fields`` one after the other, then the check over
the fields, or over the sync word too. With several scans in a record the run from the first
channel field to the last repeats; what stands before or behind it stands once.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from livesense.samples import CodeType

COUNTER = "n"
CLOCKS = ("t_us", "t_ms")
"""Names that a wire reads as its counter and its clocks, in records and in lines of text."""

CHECK_WIDTHS = {
    "none": 0, "sum8": 1, "xor8": 1, "crc8": 1, "crc16-ibm-3740": 2, "crc16-modbus": 2, "crc16-xmodem": 2,
    "crc32": 4,
}  # fmt: skip
"""Bytes of each kind of check."""

WIDTHS = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u24": 3, "i24": 3, "u32": 4, "i32": 4, "f32": 4}
"""Bytes of each type of field; ``padN`` beside them is N bytes of anything."""

LARGEST_RECORD = 4096
LARGEST_PAD = 1024

_FIELD = re.compile(r"([A-Za-z_][A-Za-z0-9_.-]{0,31}):([a-z]+)([0-9]{1,4})")


class LayoutError(ValueError):
    """A declaration that cannot be used.

    ``key`` is the one at fault; the text says what was expected, ``got`` what stands there.
    """

    def __init__(self, key: str, expected: str, got: object) -> None:
        super().__init__(expected)
        self.key = key
        self.expected = expected
        self.got = got


@dataclass(frozen=True, slots=True)
class RecordField:
    """One field: its place in the record (of its first scan, for a channel), its type and width in bytes."""

    name: str
    type: str
    begin: int
    width: int


@dataclass(frozen=True, slots=True)
class RecordLayout:
    """A record, byte by byte.

    Attributes
    ----------
    sync
        Bytes that every record begins with; may be empty where there is a check.
    big
        Whether the highest byte of a field comes first.
    channels
        Fields of one scan, in their order.
    stride
        Bytes from one scan to the next.
    counter, clock
        Fields that count records and tell the device's time; None where there is none.
    size
        Bytes of a whole record.
    check_big, check_over_sync
        Whether the check's highest byte comes first, and whether the check covers the sync word too.
    counts_scans
        Whether the counter counts scans; else it counts records.
    told
        The declaration in words: which bytes are what.
    """

    sync: bytes
    big: bool
    channels: tuple[RecordField, ...]
    scans: int
    stride: int
    counter: RecordField | None
    clock: RecordField | None
    check: str
    size: int
    check_big: bool = False
    check_over_sync: bool = False
    counts_scans: bool = False
    told: str = ""

    @property
    def check_width(self) -> int:
        """Bytes of the check."""
        return CHECK_WIDTHS[self.check]

    @property
    def code(self) -> CodeType:
        """The narrowest type that holds every channel's codes."""
        # Not at the top: a bench file is read without numpy.
        from livesense.samples import CodeType

        types = {channel.type for channel in self.channels}
        if "f32" in types:
            return CodeType.F32 if types == {"f32"} else CodeType.F64
        if types <= {"u8", "u16"}:
            return CodeType.U16
        if types <= {"u8", "i8", "i16"}:
            return CodeType.I16
        return CodeType.I64 if "u32" in types else CodeType.I32

    @property
    def modulus(self) -> int:
        """Scans after which the counter begins anew."""
        if self.counter is None:
            return 1 << 32
        return (1 << (8 * self.counter.width)) * self.scans_per_count

    @property
    def scans_per_count(self) -> int:
        """Scans for which the counter goes up by one."""
        return 1 if self.counts_scans else self.scans


def read_layout(
    sync: str,
    endian: str,
    fields: Sequence[str],
    check: str = "none",
    scans: int = 1,
    *,
    check_over: str = "fields",
    check_endian: str | None = None,
    counts: str = "records",
) -> RecordLayout:
    """Read a declaration as it stands in a bench file; ``check_endian`` None is that of the fields.

    Raises
    ------
    LayoutError
        where it cannot be used.
    """
    word = _sync(sync)
    if not word and check == "none":
        raise LayoutError("sync", "a sync word, a check, or both: without them no record can be found", sync)
    for key, value in (("check_over", check_over == "all"), ("check_endian", check_endian)):
        if value and check == "none":
            raise LayoutError(key, "a check beside it, which it tells more of", check_endian or check_over)
    parts: list[tuple[str, str, int]] = []
    for text in fields:
        parts.append(_part(text, word, parts))
    names = [name for name, _, _ in parts if name != "_"]
    for name in names:
        if names.count(name) > 1:
            raise LayoutError("fields", f'the name "{name}" once ({_map(word, parts)})', list(fields))
    special = (COUNTER, *CLOCKS)
    at = [n for n, (name, _, _) in enumerate(parts) if name != "_" and name not in special]
    if not at:
        raise LayoutError("fields", 'at least one channel, such as "iu:u16"', list(fields))
    first, last = at[0], at[-1]
    if scans > 1 and len(at) != last - first + 1:
        inside = next(n for n in range(first, last) if n not in at)
        raise LayoutError(
            "fields",
            f"only channels between the first and the last of them, since they repeat {scans} times; "
            f'"{fields[inside]}" stands between ({_map(word, parts)})',
            list(fields),
        )
    begin, stride = len(word), 0
    channels: list[RecordField] = []
    found: dict[str, RecordField] = {}
    for number, (name, kind, width) in enumerate(parts):
        one = RecordField(name, kind, begin, width)
        if number in at:
            channels.append(one)
        elif name != "_":
            found[name] = one
        begin += width
        if number == last:
            stride = begin - channels[0].begin
            begin += stride * (scans - 1)
    for name, one in found.items():
        if one.type[0] != "u" or (name in CLOCKS and one.width < 2):
            what = "u8, u16, u24 or u32" if name == COUNTER else "u16, u24 or u32"
            expected = f'{what} for "{name}", which only goes up ({_map(word, parts)})'
            raise LayoutError("fields", expected, f"{name}:{one.type}")
    if counts == "scans" and COUNTER not in found:
        raise LayoutError("counts", 'a field "n" that counts', counts)
    clocks = [found[name] for name in CLOCKS if name in found]
    if len(clocks) > 1:
        raise LayoutError("fields", f'one clock, "t_us" or "t_ms" ({_map(word, parts)})', list(fields))
    size = begin + CHECK_WIDTHS[check]
    if size > LARGEST_RECORD:
        raise LayoutError(
            "fields",
            f"a record of at most {LARGEST_RECORD} bytes, this one has {size} ({_map(word, parts)})",
            list(fields),
        )
    return RecordLayout(
        word, endian == "big", tuple(channels), scans, stride, found.get(COUNTER),
        clocks[0] if clocks else None, check, size,
        (check_endian or endian) == "big", check_over == "all", counts == "scans",
        _told(word, parts, scans, check, size),
    )  # fmt: skip


def _sync(text: str) -> bytes:
    try:
        word = bytes.fromhex(text)
    except ValueError:
        word = None
    if word is None or len(word) > 16:
        raise LayoutError("sync", 'up to 16 bytes in hexadecimal without 0x, such as "A5 5A"', text) from None
    return word


def _part(text: str, sync: bytes, before: Sequence[tuple[str, str, int]]) -> tuple[str, str, int]:
    match = _FIELD.fullmatch(text)
    kind = match[2] + match[3] if match else ""
    if match and match[2] == "pad" and match[1] == "_" and 1 <= int(match[3]) <= LARGEST_PAD:
        return "_", kind, int(match[3])
    if match and kind in WIDTHS and not match[1].startswith("_"):
        return match[1], kind, WIDTHS[kind]
    told = _map(sync, before)
    where = f" from byte {len(sync) + sum(width for *_, width in before)} on ({told})" if told else ""
    raise LayoutError(
        "fields",
        f'"name:type" with a type of {", ".join(WIDTHS)}, or "_:padN" with up to {LARGEST_PAD} bytes, '
        f"as field {len(before) + 1}{where}",
        text,
    )


def _told(sync: bytes, parts: Sequence[tuple[str, str, int]], scans: int, check: str, size: int) -> str:
    told = f"{size} bytes: {_map(sync, parts)}"
    if scans > 1:
        told += f" (the channels {scans} times)"
    width = CHECK_WIDTHS[check]
    if width:
        where = f"byte {size - 1}" if width == 1 else f"bytes {size - width}–{size - 1}"
        told += f", {where} {check}"
    return told


def _map(sync: bytes, parts: Sequence[tuple[str, str, int]]) -> str:
    """Say which bytes of the first scan each field takes."""
    told = [f"bytes 0–{len(sync) - 1} sync" if len(sync) > 1 else "byte 0 sync"] if sync else []
    begin = len(sync)
    for name, kind, width in parts:
        where = f"byte {begin}" if width == 1 else f"bytes {begin}–{begin + width - 1}"
        told.append(f"{where} {name}:{kind}")
        begin += width
    return ", ".join(told)
