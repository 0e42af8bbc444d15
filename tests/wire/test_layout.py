"""Declarations of records: where each field lies, and what is refused."""

from __future__ import annotations

import pytest

from livesense.layout import LayoutError, read_layout
from livesense.samples import CodeType


def test_places_by_hand() -> None:
    layout = read_layout(
        "A5 5A", "big", ["n:u8", "_:pad1", "iu:u16", "iv:u24", "_:pad2", "t_us:u32"], "crc32", 3
    )
    assert (layout.sync, layout.big, layout.scans, layout.stride) == (b"\xa5\x5a", True, 3, 5)
    assert [(c.name, c.type, c.begin, c.width) for c in layout.channels] == [
        ("iu", "u16", 4, 2),
        ("iv", "u24", 6, 3),
    ]
    assert layout.counter is not None
    assert layout.clock is not None
    assert (layout.counter.begin, layout.clock.name, layout.clock.begin) == (2, "t_us", 4 + 15 + 2)
    assert (layout.size, layout.check_width, layout.modulus) == (25 + 4, 4, 256 * 3)


@pytest.mark.parametrize(
    ("fields", "code"),
    [
        (["a:u8", "b:u16"], CodeType.U16),
        (["a:i8", "b:i16", "c:u8"], CodeType.I16),
        (["a:u16", "b:i16"], CodeType.I32),
        (["a:u24"], CodeType.I32),
        (["a:u32", "b:i8"], CodeType.I64),
        (["a:f32"], CodeType.F32),
        (["a:f32", "b:u32"], CodeType.F64),
    ],
)
def test_codes_are_held_in_the_narrowest_type(fields: list[str], code: CodeType) -> None:
    assert read_layout("A5", "little", fields).code is code


@pytest.mark.parametrize(
    ("given", "key", "expected"),
    [
        (("", "little", ["a:u16"]), "sync", "without them no record can be found"),
        (("A", "little", ["a:u16"]), "sync", "hexadecimal"),
        (("A5" * 17, "little", ["a:u16"]), "sync", "up to 16 bytes"),
        (("A5", "little", []), "fields", "at least one channel"),
        (("A5", "little", ["n:u8"]), "fields", "at least one channel"),
        (("A5", "little", ["a:u12"]), "fields", "as field 1"),
        (
            ("A5", "little", ["a:u16", "b"]),
            "fields",
            "as field 2 from byte 3 on (byte 0 sync, bytes 1–2 a:u16)",
        ),
        (
            ("A5 5A", "little", ["a:u16", "a:u8"]),
            "fields",
            "once (bytes 0–1 sync, bytes 2–3 a:u16, byte 4 a:u8)",
        ),
        (("0xA5", "little", ["a:u16"]), "sync", "hexadecimal without 0x"),
        (("A5", "little", ["a:u16", "_:pad0"]), "fields", "as field 2"),
        (("A5", "little", ["a:u16", "_:pad1025"]), "fields", "as field 2"),
        (("A5", "little", ["a:u16", "b:pad2"]), "fields", "as field 2"),
        (("A5", "little", ["_a:u16"]), "fields", "as field 1"),
        (("A5", "little", ["a:u16", "a:u16"]), "fields", 'the name "a" once'),
        (("A5", "little", ["n:i8", "a:u16"]), "fields", 'for "n", which only goes up'),
        (("A5", "little", ["t_us:u8", "a:u16"]), "fields", 'for "t_us"'),
        (("A5", "little", ["t_us:f32", "a:u16"]), "fields", 'for "t_us"'),
        (("A5", "little", ["t_us:u16", "t_ms:u16", "a:u16"]), "fields", "one clock"),
        (
            ("A5 5A", "little", ["a:u16", "n:u8", "b:u16"], "sum8", 2),
            "fields",
            '"n:u8" stands between (bytes 0–1 sync, bytes 2–3 a:u16, byte 4 n:u8, bytes 5–6 b:u16)',
        ),
        (("A5", "little", ["a:u16", "_:pad1", "b:u16"], "sum8", 2), "fields", "(byte 0 sync, "),
        (("A5", "little", ["a:u32"], "none", 1025), "fields", "at most 4096 bytes, this one has 4101"),
    ],
)
def test_what_cannot_be_used_is_refused(given: tuple, key: str, expected: str) -> None:
    with pytest.raises(LayoutError) as caught:
        read_layout(*given)
    assert caught.value.key == key
    assert expected in caught.value.expected


@pytest.mark.parametrize(
    ("more", "key"),
    [
        ({"check_over": "all"}, "check_over"),
        ({"check_endian": "big"}, "check_endian"),
        ({"counts": "scans"}, "counts"),
    ],
)
def test_what_tells_more_of_nothing_is_refused(more: dict, key: str) -> None:
    with pytest.raises(LayoutError) as caught:
        read_layout("A5", "little", ["a:u16"], **more)
    assert caught.value.key == key


def test_a_declaration_is_told_byte_by_byte() -> None:
    layout = read_layout("A5 5A", "little", ["n:u8", "a:u16"], "crc32", 2)
    # By hand: 2 + 1 + 2 · 2 + 4 bytes.
    assert layout.told == (
        "11 bytes: bytes 0–1 sync, byte 2 n:u8, bytes 3–4 a:u16 (the channels 2 times), bytes 7–10 crc32"
    )
    assert read_layout("", "big", ["a:u8"], "xor8").told == "2 bytes: byte 0 a:u8, byte 1 xor8"


def test_no_sync_is_needed_with_a_check() -> None:
    assert read_layout("", "little", ["a:u16"], "crc8").size == 3
