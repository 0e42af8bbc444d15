"""Do the checks bite? Each of these mistakes, made by hand in a copy of the decoders, must be seen."""

from __future__ import annotations

import importlib
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from mutated import copies

pytestmark = pytest.mark.slow

SOURCES = [
    *(
        "layout.py",
        "samples.py",
        "errors.py",
        "ratefit.py",
        "timebase.py",
        "wire/__init__.py",
        "wire/cobs.py",
    ),
    *("wire/crc.py", "wire/description.py", "wire/encode.py", "wire/framed.py", "wire/packing.py"),
    *("wire/header.py", "wire/line_ends.py", "wire/pieces.py"),
    *("wire/scans.py", "wire/text.py", "wire/textalike.py", "wire/textblock.py", "wire/textline.py"),
]

# name: (file, right, wrong)
MUTANTS = {
    "a full block followed by a zero, few": (
        "wire/cobs.py",
        "        if code != FULL:\n            parts",
        "        if True:\n            parts",
    ),
    "a full block followed by a zero, many": (
        "wire/cobs.py",
        "            dropped.append(after[full])",
        "            pass",
    ),
    "a chain may overshoot": ("wire/cobs.py", "good[frame[after > end]] = False", "pass"),
    "a chain may overshoot, last few": (
        "wire/cobs.py",
        "            good[frame] = False",
        "            pass",
    ),
    "checksum big-endian": (
        "wire/framed.py",
        "stated = flat[last - 1] | (flat[last].astype(np.uint16) << 8)",
        "stated = flat[last] | (flat[last - 1].astype(np.uint16) << 8)",
    ),
    "checksum starts at zero": ("wire/crc.py", "INITIAL = 0xFFFF", "INITIAL = 0"),
    "checksum of many starts at zero": ("wire/crc.py", "padded[:, lead : lead + 2] ^= 0xFF", "pass"),
    "largest packet one less": ("wire/encode.py", "MAX_PACKET = 4096", "MAX_PACKET = 4095"),
    "no largest packet": (
        "wire/framed.py",
        "elif not MIN_PACKET <= len(packet) <= MAX_PACKET",
        "elif not MIN_PACKET <= len(packet)",
    ),
    "the first frame counts": (
        "wire/framed.py",
        "events = self._decode(whole.first, counted=False)",
        "events = self._decode(whole.first, counted=True)",
    ),
    "u12 nibbles exchanged": (
        "wire/packing.py",
        "(triples[:, :, 1] >> 4) | (triples[:, :, 2] << 4)",
        "(triples[:, :, 2] >> 4) | (triples[:, :, 1] << 4)",
    ),
    "u12 padding ignored": (
        "wire/scans.py",
        "whole = (rest != 1) & ~(padded & (padding != 0))",
        "whole = rest != 1",
    ),
    "half scans taken": (
        "wire/scans.py",
        "np.where(whole & (rest == 0), scans, 0)",
        "np.where(whole, scans, 0)",
    ),
    "signed codes big-endian": ("wire/packing.py", 'CodeType.I16: "<i2"', 'CodeType.I16: ">i2"'),
    "counter big-endian": ("wire/scans.py", '.view("<u4")', '.view(">u4")'),
    "code range one too wide": ("wire/packing.py", "return 0, (1 << bits) - 1", "return 0, 1 << bits"),
    "lowest code unchecked": ("wire/packing.py", "within &= part >= limit[0]", "pass"),
    "NaN believed": ("wire/description.py", "json.loads(text, parse_constant=_refuse)", "json.loads(text)"),
    "text checksum not verified": (
        "wire/textblock.py",
        " & (xor == high * np.uint8(16) + low)",
        "",
    ),
    "lines without checksum taken": (
        "wire/text.py",
        "good[first_checked:] &= block.checked[first_checked:]",
        "pass",
    ),
    "two separators taken": ("wire/textblock.py", "self.good[line[twice]] = False", "pass"),
    "separator at the end taken": (
        "wire/textblock.py",
        "(before < 1) | (before >= width)",
        "before < 1",
    ),
    "a plain block is not looked at": ("wire/textblock.py", "between.all()\n", "True\n"),
    "ragged lines taken": (
        "wire/textblock.py",
        "self.good &= np.diff(first, append=len(start)) == width",
        "pass",
    ),
    "letters taken for digits": (
        "wire/textblock.py",
        "return values.astype(np.int64), good",
        "return values.astype(np.int64), good == good",
    ),
    "sign lost": ("wire/textblock.py", "np.where(negative, -value, value), good", "value, good"),
    "fraction not lined up": (
        "wire/textblock.py",
        "np.where(places > 0, part, 0) * _POWERS[short]",
        "np.where(places > 0, part, 0)",
    ),
    "alike: marks not compared": ("wire/textalike.py", "found.tobytes() == marks * lines", "True"),
    "alike: missing numbers taken": (
        "wire/textalike.py",
        " and filled.tobytes() == runs * lines",
        "",
    ),
    "alike: sign lost": ("wire/textalike.py", "== MINUS, -values, values)", "== MINUS, values, values)"),
    "alike: sign inside a number": (
        "wire/textalike.py",
        "good[np.searchsorted(line_ends, block.doubtful)] = False",
        "pass",
    ),
    "alike: fraction not lined up": (
        "wire/textalike.py",
        "fraction = read[:, part] * _POWERS[np.clip(short, 0, MAX_DIGITS)]",
        "fraction = read[:, part]",
    ),
    "alike: checksum not verified": ("wire/textalike.py", "(xor == stated) & ", ""),
    "alike: checksum too long": ("wire/textalike.py", " & (alike.length[:, check] == 2)", ""),
    "alike: longer numbers cut": ("wire/textalike.py", "more *= length > done", "pass"),
    "unfinished line taken": (
        "wire/text.py",
        "        self.rejoin()\n        self._doubtful",
        "        self._line(bytes(self._lines._unfinished))\n        self._doubtful",
    ),
    "what is too long is not counted": (
        "wire/pieces.py",
        "too_long and not joining, whole[begin:]",
        "False, whole[begin:]",
    ),
    "what is too long is cut": ("wire/pieces.py", "self._too_long = True", "pass"),
    "an interrupted piece goes on": (
        "wire/pieces.py",
        "        self._unfinished.clear()\n        self._too_long = False\n        self._joining = True",
        "        pass",
    ),
    "first line from a port taken": (
        "wire/text.py",
        "torn = self._trying and self._from_port and not right",
        "torn = False",
    ),
    "a line alone before a header is a scan": (
        "wire/text.py",
        "            self._rows.clear()\n            self._doubtful = False",
        "            self._doubtful = False",
    ),
    "lines before a header are dropped": (
        "wire/text.py",
        "self._doubtful = self._trying and not right",
        "self._doubtful = not right",
    ),
    "a header that lacks a channel is a note": (
        "wire/header.py",
        "if known and not torn and len(names) > 1:",
        "if False:",
    ),
    "a line of names waits for nothing": ("wire/header.py", "if known or not self._taken:", "if False:"),
    "prose is a header": ("wire/header.py", "len(line.names) != len(fields) or ", ""),
    "prose among commas is a header": ("wire/header.py", " or not alike or", " or"),
    "prose among named columns is a header": (
        "wire/header.py",
        " or (taken and named and not line.marked)",
        "",
    ),
    "a torn header is a header": (
        "wire/header.py",
        "if torn and any(name.endswith",
        "if False and any(name.endswith",
    ),
    "what was stated does not count": (
        "wire/text.py",
        "Misfits(self._needed, columns)",
        "Misfits(self._needed)",
    ),
    "after it lines are taken": ("wire/text.py", "        self._over = True", "        pass"),
    "a wrap is a restart": (
        "timebase.py",
        "ahead = (first - group.expected) % self._modulus",
        "ahead = first - group.expected",
    ),
    "a repeat is stored": ("timebase.py", "if ahead < self._modulus // 2:", "if ahead < self._modulus:"),
    "one restart, two rows": ("timebase.py", "        self._boot = None\n", ""),
    "a burst pause is loss": (
        "timebase.py",
        "cause = GapCause.BURST if paused else GapCause.WIRE",
        "cause = GapCause.WIRE",
    ),
}


class Wire:
    """The modules of one copy."""

    def __init__(self, package: str) -> None:
        def load(name: str) -> ModuleType:
            return importlib.import_module(f"{package}.{name}")

        self.samples, self.timebase = load("samples"), load("timebase")
        self.framed, self.text = load("wire.framed"), load("wire.text")
        self.packing = load("wire.packing")

    def group(self, code: str, bits: int | None, channels: int, **more: Any) -> Any:
        names = tuple("abcdefg"[:channels])
        return self.samples.GroupInfo(1000.0, self.samples.CodeType(code), bits, names, **more)

    def told(self, decoder: Any, *reads: bytes) -> tuple[list[Any], dict[str, int]]:
        """Codes, counters and notes in order, and faults by kind."""
        content: list[Any] = []
        faults: dict[str, int] = {}
        events = [event for read in reads for event in decoder.feed(read)] + decoder.finish()
        for event in events:
            name = type(event).__name__
            if name == "LinkFault":
                faults[str(event.kind)] = faults.get(str(event.kind), 0) + event.count
            elif name == "Packets":
                rows = [row for codes in event.codes.values() for row in codes.tolist()]
                content.append((rows, None if event.first is None else event.first.tolist()))
            elif name == "Note":
                content.append(event.text)
        return content, faults


# Frames typed by hand, as in the captures.
U16 = bytes.fromhex("02 53 02 01 01 01 01 06 08 FF 07 02 08 01 03 FB 2E 00")
I16 = bytes.fromhex("02 53 07 FD FF FF FF FF FF 05 80 FF 7F 01 03 EE 35 00")
U12 = bytes.fromhex("02 53 01 01 01 01 08 23 61 45 89 07 A7 53 00")


def crc(data: bytes) -> bytes:
    register = 0xFFFF
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1 & 0xFFFF) ^ (0x1021 if register & 0x8000 else 0)
    return register.to_bytes(2, "little")


def frame(packet: bytes) -> bytes:
    """Stuff a packet with its checksum, block by block."""
    packet += crc(packet)
    out = bytearray()
    block = bytearray()
    full = False
    for byte in packet:
        full = False
        if byte:
            block.append(byte)
        if not byte or len(block) == 254:
            out += bytes([len(block) + 1]) + block
            block.clear()
            full = bool(byte)
    if not full:
        out += bytes([len(block) + 1]) + block
    return bytes(out) + b"\0"


def framed_checks(wire: Wire) -> None:
    def told(code: str, bits: int | None, channels: int, data: bytes) -> Any:
        content, faults = wire.told(wire.framed.FramedDecoder([wire.group(code, bits, channels)]), data)
        return [row for rows, _ in content for row in rows], faults

    for many in (1, 120):
        assert told("u16", 12, 4, U16 * many) == ([[2048, 2047, 2050, 0]] * many, {})
        assert told("i16", 16, 4, I16 * many) == ([[-1, -32768, 32767, 1]] * many, {})
        assert told("i16", 12, 4, I16 * many) == ([[-1, -32768, 32767, 1]] * many, {})
        assert told("u12", 12, 3, U12 * many) == ([[0x123, 0x456, 0x789]] * many, {})
        padded = frame(bytes.fromhex("53 00 00000000 23 61 45 89 17"))
        assert told("u12", 12, 3, U12 + padded * many)[1] == {"length": many}
        assert told("u16", 12, 3, b"\0" + U16 * many) == ([], {"length": many})
        long = frame(b"S\0" + b"\x01" * 300)
        assert told("u16", None, 1, long * many) == ([[0x0101]] * 148 * many, {})
        assert told("u16", 12, 4, U16 + b"\x09\x53\x01\0" * many)[1] == {"stuffing": many}
        assert told("u16", 12, 4, U16 + (b"\x02S" * 3 + b"\x30\x53\0") * many)[1] == {"stuffing": many}
        slowly = b"\x02S" * 30 + b"\x30\x53\0"
        assert told("u16", 12, 4, U16 * 120 + slowly * 3)[1] == {"stuffing": 3}
        largest = frame(b"N" + bytes(4093))
        assert told_notes(wire, largest * many) == (many, {})
        assert told_notes(wire, U16 + frame(b"N" + bytes(4094)) * many) == (0, {"length": many})
        refused = frame(b'D{"x":NaN,"groups":[{"code":"u16","channels":["a"]}]}')
        assert told("u16", 12, 4, U16 + refused * many)[1] == {"bad_description": many}
    assert told("u16", 12, 4, U16[5:] + U16) == ([[2048, 2047, 2050, 0]], {})
    content, _ = wire.told(wire.framed.FramedDecoder([wire.group("u16", 12, 4)]), U16)
    assert content[0][1] == [1]
    endless = [U16, b"\x01" * 4000, b"\x01" * 4000, b"\x01\0" + U16]
    content, faults = wire.told(wire.framed.FramedDecoder([wire.group("u16", 12, 4)]), *endless)
    assert (len(content), faults) == (2, {"length": 1})


def range_checks(wire: Wire) -> None:
    def beyond(code: str, bits: int, codes: Any) -> Any:
        limits = wire.packing.code_limits(wire.samples.CodeType(code), bits)
        return wire.packing.count_beyond(codes, [limits] * codes.shape[1])

    assert beyond("u16", 12, np.array([[0, 4095], [4096, 65535]], dtype=np.uint16)) == 2
    assert beyond("i16", 12, np.array([[-2048, 4095], [-2049, 4096]], dtype=np.int16)) == 2
    assert beyond("i16", 12, np.array([[1.0, np.nan], [np.inf, -np.inf]])) == 3


def told_notes(wire: Wire, data: bytes) -> tuple[int, dict[str, int]]:
    content, faults = wire.told(wire.framed.FramedDecoder([wire.group("u16", 12, 4)]), data)
    return sum(isinstance(item, str) for item in content), faults


def text_checks(wire: Wire) -> None:
    def told(data: bytes, from_port: bool = False, **decimals: int) -> Any:
        decoder = wire.text.TextDecoder(["a", "b"], rate_hz=1.0, decimals=decimals, from_port=from_port)
        content, faults = wire.told(decoder, data)
        return [row for rows, _ in content for row in rows], faults

    for many in (1, 40):
        assert told(b"1,-2\n" * many) == ([[1, -2]] * many, {})
        assert told(b"1,2\n" * 20 + b"1,,2\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * 20 + b"1,2,\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * 20 + b"1,2,3\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * 20 + b"1,2x3\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * 20 + b"7\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * 20 + b"1x2\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * 20 + b",2\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n-1,2\n" * 20 + b"1-1,2\n" * many)[1] == {"bad_line": many}
        assert told(b"12345,2\n1,6789\n" * many) == ([[12345, 2], [1, 6789]] * many, {})
        assert told(b"-1,2\n-1; 2\n" * many) == ([[-1, 2]] * 2 * many, {})
        assert told(b"1.5,2\n" * many, a=2) == ([[150, 2]] * many, {})
        assert told(b"1.5,2\n1.5; 2\n" * many, a=2) == ([[150, 2]] * 2 * many, {})
        assert told(b"1,2*2F\n1;2*38\n" * 40 + b"1,3*2F\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2*2F\n" * 20 + b"1,2*2F0\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2*2F\n" * 20 + b"1,3*2F\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2*2F\n" * 20 + b"1,2\n" * many)[1] == {"bad_line": many}
        assert told(b"1,2\n" * many + b"3,4") == ([[1, 2]] * many, {})
        assert told(b"9,9\n" + b"1,2\n" * many, from_port=True) == ([[1, 2]] * many, {})
        assert told(b"9,9\na,b\n" + b"1,2\n" * many) == ([[1, 2]] * many, {})
        assert told(b"9,9\n" + b"1,2\n" * many + b"a,b\n") == ([[9, 9]] + [[1, 2]] * many, {})


def header_checks(wire: Wire) -> None:
    def told(data: bytes, from_port: bool = False, columns: tuple[str, ...] = ()) -> tuple[Any, int]:
        decoder = wire.text.TextDecoder(
            ["a", "b", "c"], rate_hz=1.0, decimals={}, from_port=from_port, columns=columns
        )
        content, _ = wire.told(decoder, data)
        return decoder.groups[0].channels, sum(len(item[0]) for item in content if not isinstance(item, str))

    fits = ("a", "b", "c")
    for many in (1, 40):
        assert told(b"n,a,b\n" + b"1,2,3\n" * many) == (("n", "a", "b"), 0)
        assert told(b"n,a,b\n" + b"1,2,3,4\n" * many) == (("n", "a", "b"), 0)
        assert told(b"a,x,y\n" + b"1,2,3\n" * many) == (("a", "x", "y"), 0)
        assert told(b"a x y\n" + b"1,2,3\n" * many) == (fits, many)
        assert told(b"trip,a\n" + b"1,2,3\n" * many) == (fits, many)
        assert told(b"a b c\nx of a\n" + b"1 2 3\n" * many) == (fits, many)
        assert told(b"n,a,b,x\n" + b"1,2,3,4\n" * many, columns=("n", "a", "b", "c")) == (fits, many)
    decoder = wire.text.TextDecoder(["aa", "b"], rate_hz=1.0, decimals={}, from_port=True)
    assert wire.told(decoder, b"a,b\n1,2\n") == ([([[1, 2]], None)], {})


def interruption_checks(wire: Wire) -> None:
    decoder = wire.text.TextDecoder(["a", "b"], rate_hz=1.0, decimals={}, from_port=True)
    wire.told(decoder, b"1,2\n3,4\n5,")
    decoder.rejoin()
    assert wire.told(decoder, b"6\n7,8\n") == ([([[7, 8]], None)], {})
    endless = [b"1,2\n1,2\n", b" " * 3000, b" " * 3000, b"9,9\n1,2\n"]
    decoder = wire.text.TextDecoder(["a", "b"], rate_hz=1.0, decimals={}, from_port=False)
    assert wire.told(decoder, *endless) == ([([[1, 2]] * 2, None), ([[1, 2]], None)], {"bad_line": 1})


def accounting_checks(wire: Wire) -> None:
    def told(*sent: tuple[int, int], burst: int | None = None) -> list[str]:
        base = wire.timebase.Timebase([wire.group("u16", 12, 1, burst=burst)], boot="1")
        packets = wire.samples.Packets(
            np.zeros(len(sent), dtype=np.int64),
            np.array([first for first, _ in sent]),
            np.array([count for _, count in sent]),
            {0: np.zeros((sum(count for _, count in sent), 1), dtype=np.uint16)},
        )
        events = base.packets(packets, None)
        events += base.description(wire.samples.Description((wire.group("u16", 12, 1),), boot="2"))
        events += base.finish()
        return [
            f"{type(e).__name__} {getattr(e, 'count', '')} {getattr(e, 'cause', '')}".strip()
            for e in events
            if type(e).__name__ in {"Gap", "Restart", "LinkFault"}
        ]

    for lead in ([], [(k, 1) for k in range(-8, 0)]):
        start = [(first % 2**32, count) for first, count in lead]
        assert told(*start, (0, 4), (4, 1)) == ["Restart"]
        assert told((2**32 - 1, 1), (0, 4), (4, 1), (5, 1), (6, 1)) == ["Restart"]
        assert told(*start, (0, 4), (0, 4), (4, 1)) == ["LinkFault 1", "Restart"]
        assert told((500, 4), (0, 4), (4, 1), (5, 1), (6, 1)) == ["Restart"]
        assert told(*start, (0, 4), (6, 1)) == ["Gap 2 wire", "Restart"]
        assert told((0, 4), (10, 4), (20, 1), burst=4) == ["Gap 6 burst", "Gap 6 burst", "Restart"]


@pytest.fixture
def wire_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.syspath_prepend(str(tmp_path))
    with copies(tmp_path, SOURCES, Wire) as make:
        yield make


def all_checks(wire: Wire) -> None:
    framed_checks(wire)
    text_checks(wire)
    header_checks(wire)
    range_checks(wire)
    interruption_checks(wire)
    accounting_checks(wire)


def test_the_decoders_as_they_are_pass(wire_of: Any) -> None:
    all_checks(wire_of(None))


@pytest.mark.parametrize("change", MUTANTS.values(), ids=MUTANTS)
def test_a_mistake_is_seen(wire_of: Any, change: tuple[str, str, str]) -> None:
    wire = wire_of(change)
    # A mistake may show as a wrong result or, in a copy nobody ships, as an error.
    with pytest.raises(Exception):  # noqa: B017
        all_checks(wire)
