"""Captures typed by hand from the description of the wire; no encoder had a part in them.

The checksums were worked out bit by bit from the polynomial.
"""

from __future__ import annotations

from typing import Any

import pytest

from livesense.samples import CodeType, Description, GroupInfo, Note
from livesense.wire.encode import description_packet, encode_frame, note_packet, scans_packet, text_line
from livesense.wire.framed import FramedDecoder
from livesense.wire.text import TextDecoder

# kind 53 | group 00 | first 01 00 00 00 | 0800 07FF 0802 0000 | checksum FB 2E
U16 = "02 53 02 01 01 01 01 06 08 FF 07 02 08 01 03 FB 2E 00"
# first FF FF FF FD | −1, −32768, 32767, 1
I16 = "02 53 07 FD FF FF FF FF FF 05 80 FF 7F 01 03 EE 35 00"
# group 01, first 10 | −1, −2147483648
I32 = "04 53 01 0A 01 01 05 FF FF FF FF 01 01 04 80 06 3F 00"
# first 0 | 123 and 456 in 23 61 45, an odd last 789 in 89 07
U12 = "02 53 01 01 01 01 08 23 61 45 89 07 A7 53 00"
# "ramp done"
NOTE = "0D 4E 72 61 6D 70 20 64 6F 6E 65 67 29 00"
DESCRIPTION_TEXT = (
    '{"livesense":1,"boot":7,"groups":[{"rate_hz":1000,"code":"u16","bits":12,"channels":["iu","iv"]}]}'
)
DESCRIPTION = "66 44" + DESCRIPTION_TEXT.encode().hex() + "B4 94 00"


def group(code: CodeType, channels: int) -> GroupInfo:
    return GroupInfo(1000.0, code, None, ("a", "b", "c", "d")[:channels])


CAPTURES = {
    "u16": (U16, [group(CodeType.U16, 4)], [(0, (1, 1, 0), (2048, 2047, 2050, 0), None)]),
    "u16 as two scans": (
        U16,
        [group(CodeType.U16, 2)],
        [(0, (1, 2, 0), (2048, 2047), None), (0, (1, 2, 1), (2050, 0), None)],
    ),
    "i16": (I16, [group(CodeType.I16, 4)], [(0, (0xFFFFFFFD, 1, 0), (-1, -32768, 32767, 1), None)]),
    "i32": (
        I32,
        [group(CodeType.U16, 1), group(CodeType.I32, 2)],
        [(1, (10, 1, 0), (-1, -2147483648), None)],
    ),
    "u12": (U12, [group(CodeType.U12, 3)], [(0, (0, 1, 0), (0x123, 0x456, 0x789), None)]),
    "note": (NOTE, [group(CodeType.U16, 1)], [Note("ramp done")]),
}


@pytest.mark.parametrize(("capture", "groups", "content"), CAPTURES.values(), ids=CAPTURES)
def test_framed_captures(read: Any, capture: str, groups: list[GroupInfo], content: list[Any]) -> None:
    assert read(lambda: FramedDecoder(groups), bytes.fromhex(capture)) == (content, {})


def test_captured_description(read: Any) -> None:
    content, faults = read(FramedDecoder, bytes.fromhex(DESCRIPTION + U16))
    assert content[0] == Description(
        groups=(GroupInfo(1000.0, CodeType.U16, 12, ("iu", "iv")),), boot="7", text=DESCRIPTION_TEXT
    )
    assert [row[2] for row in content[1:]] == [(2048, 2047), (2050, 0)]
    assert faults == {}


def test_encoders_make_the_captures() -> None:
    assert encode_frame(scans_packet(0, 1, [2048, 2047, 2050, 0], CodeType.U16)) == bytes.fromhex(U16)
    assert encode_frame(scans_packet(0, -3, [-1, -32768, 32767, 1], CodeType.I16)) == bytes.fromhex(I16)
    assert encode_frame(scans_packet(1, 10, [-1, -2147483648], CodeType.I32)) == bytes.fromhex(I32)
    assert encode_frame(scans_packet(0, 0, [0x123, 0x456, 0x789], CodeType.U12)) == bytes.fromhex(U12)
    assert encode_frame(note_packet("ramp done")) == bytes.fromhex(NOTE)
    packet = description_packet([GroupInfo(1000.0, CodeType.U16, 12, ("iu", "iv"))], boot=7)
    assert FramedDecoder().feed(encode_frame(packet))[0].boot == "7"  # type: ignore[union-attr]


# Checksums: XOR of the bytes before the star, worked out by hand.
TEXT = (
    b"n,iu,iv,iw*5F\r\n"
    b"0,2048,2047,2050*14\r\n"
    b"# ramp done*2D\r\n"
    b"1,2049,2046,2051*14\r\n"
    b"2,2049,2046,2051*14\r\n"
)


def test_text_capture(read: Any) -> None:
    content, faults = read(
        lambda: TextDecoder(["iu", "iv", "iw"], rate_hz=1000.0, decimals={}, from_port=True), TEXT
    )
    assert isinstance(content[0], Description)
    assert content[1:] == [
        (0, (0, 1, 0), (2048, 2047, 2050), None),
        Note("ramp done"),
        (0, (1, 1, 0), (2049, 2046, 2051), None),
    ]
    assert faults == {"bad_line": 1}
    assert text_line([0, 2048, 2047, 2050], checksum=True, end="\r\n") == TEXT.splitlines(keepends=True)[1]
