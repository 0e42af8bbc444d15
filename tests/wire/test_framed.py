"""The framed wire, rule by rule."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest

from livesense.samples import CodeType, Description, GroupInfo, Note, Packets
from livesense.wire import framed
from livesense.wire.cobs import stuff
from livesense.wire.encode import (
    description_packet,
    encode_frame,
    frames,
    note_packet,
    scans_packet,
    seal,
)
from livesense.wire.framed import FramedDecoder

ONE = GroupInfo(1000.0, CodeType.U16, 12, ("iu", "iv"))
GOOD = encode_frame(scans_packet(0, 5, [[1, 2], [3, 4]], CodeType.U16))
GOOD_ROWS = [(0, (5, 2, 0), (1, 2), None), (0, (5, 2, 1), (3, 4), None)]


def line(kind: int, body: bytes) -> bytes:
    return encode_frame(seal(kind, body))


def scans(body: str) -> bytes:
    return line(0x53, bytes.fromhex(body))


# Everything starts with a good packet, so that what follows counts.
FAULTS = {
    "chain overshoots": (b"\x09\x53\x01\0", {"stuffing": 1}),
    "checksum": (stuff(b"S\0\5\0\0\0\1\0\2\0\0\0") + b"\0", {"crc": 1}),
    "one byte changed": (GOOD.replace(b"\xab", b"\xac"), {"crc": 1}),
    "decodes to nothing": (b"\x01\0", {"length": 1}),
    "two bytes": (b"\x03\xff\xff\0", {"length": 1}),
    "three bytes, unknown kind": (line(0x58, b""), {"unknown_kind": 1}),
    "unknown kind": (line(0x73, b"abc"), {"unknown_kind": 1}),
    "unknown group": (scans("01 00000000 0100 0200"), {"unknown_group": 1}),
    "highest group": (scans("FF 00000000 0100 0200"), {"unknown_group": 1}),
    "no codes": (scans("00 00000000"), {"length": 1}),
    "half a head": (scans("00 0000"), {"length": 1}),
    "nothing but the kind": (scans(""), {"length": 1}),
    "odd byte": (scans("00 00000000 0100 02"), {"length": 1}),
    "half a scan": (scans("00 00000000 0100"), {"length": 1}),
    "a scan and a half": (scans("00 00000000 0100 0200 0300"), {"length": 1}),
    "not JSON": (line(0x44, b"{"), {"bad_description": 1}),
    "description not UTF-8": (line(0x44, b"\xff\xfe"), {"bad_description": 1}),
    "description empty": (line(0x44, b""), {"bad_description": 1}),
    "two frames joined": (GOOD[:-1] + b"\x01" + GOOD, {"crc": 1}),
    "empty frames": (b"\0\0\0", {}),
    "several": (
        b"\x09\x53\0\x09\x53\0\x01\0" + line(0x58, b""),
        {"stuffing": 2, "length": 1, "unknown_kind": 1},
    ),
}


@pytest.mark.parametrize("repeats", [1, 120], ids=["few", "many"])
@pytest.mark.parametrize(("bad", "faults"), FAULTS.values(), ids=FAULTS)
def test_each_bad_frame_is_one_fault_and_nothing_else(
    read: Any, bad: bytes, faults: dict[str, int], repeats: int
) -> None:
    content, counted = read(lambda: FramedDecoder([ONE]), GOOD + bad * repeats + GOOD)
    assert content == GOOD_ROWS * 2
    assert counted == {kind: count * repeats for kind, count in faults.items()}


@pytest.mark.parametrize(
    "first",
    [
        "chain overshoots",
        "checksum",
        "decodes to nothing",
        "unknown kind",
        "no codes",
        "unknown group",
        "not JSON",
    ],
)
def test_what_stands_before_the_first_zero_is_tried_and_not_counted(read: Any, first: str) -> None:
    bad = FAULTS[first][0]
    assert read(lambda: FramedDecoder([ONE]), bad + GOOD) == (GOOD_ROWS, {})
    content, faults = read(lambda: FramedDecoder([ONE], midstream=False), bad + GOOD)
    assert (content, faults) == (GOOD_ROWS, FAULTS[first][1])
    # An empty frame ends the unknown start.
    assert read(lambda: FramedDecoder([ONE]), b"\0" + bad + GOOD) == (GOOD_ROWS, FAULTS[first][1])


def test_joining_at_any_byte(once: Any) -> None:
    stream = GOOD * 3
    for at in range(1, len(GOOD)):
        content, faults = once(FramedDecoder([ONE]), stream[at:])
        assert content[-4:] == GOOD_ROWS * 2
        assert len(content) == 4
        assert faults == {}


def test_the_unfinished_end_is_dropped_and_not_counted(read: Any) -> None:
    assert read(lambda: FramedDecoder([ONE]), GOOD + GOOD[:-1]) == (GOOD_ROWS, {})


def test_an_interrupted_line_is_joined_anew() -> None:
    decoder = FramedDecoder([ONE])
    assert len(decoder.feed(GOOD + GOOD[:7])) == 1
    decoder.rejoin()
    assert decoder.feed(GOOD[9:]) == []
    assert len(decoder.feed(GOOD)) == 1
    decoder.rejoin()
    assert len(decoder.feed(GOOD)) == 1


@pytest.mark.parametrize("pad", [b"", b"\x01"])
@pytest.mark.parametrize("repeats", [1, 120])
def test_a_full_last_block_may_be_closed_or_not(read: Any, pad: bytes, repeats: int) -> None:
    # Kind and a zero, then 254 bytes without one: the last block is full.
    packet = scans_packet(0, 0x01010101, np.full((124, 1), 0x0101), CodeType.U16)
    frame = stuff(packet)
    assert len(packet) == 256
    assert frame[2] == 0xFF
    assert len(frame) == 2 + 255
    wide = GroupInfo(1000.0, CodeType.U16, None, ("a",))
    rows, faults = read(lambda: FramedDecoder([wide]), (frame + pad + b"\0") * repeats)
    assert [row[2] for row in rows] == [(0x0101,)] * 124 * repeats
    assert faults == {}


def packet_of(size: int) -> bytes:
    """Good packet of so many bytes, with zeros in it, so that its stuffed form is short."""
    return seal(0x4E, bytes(size - 3))


@pytest.mark.parametrize("repeats", [1, 60])
def test_the_largest_packet(once: Any, repeats: int) -> None:
    cuts = [1000, 20_000, 60_000][: repeats // 10]
    largest, larger = encode_frame(packet_of(4096)), encode_frame(packet_of(4097))
    content, faults = once(FramedDecoder([ONE]), GOOD + largest * repeats, cuts)
    assert content == [*GOOD_ROWS, *[Note("\0" * 4093)] * repeats]
    assert faults == {}
    # Decoded 4097 bytes, but the frame itself is not longer than a frame may be.
    assert len(larger) - 1 <= framed.MAX_FRAME
    assert once(FramedDecoder([ONE]), GOOD + larger * repeats, cuts) == (GOOD_ROWS, {"length": repeats})


def test_the_largest_packet_without_a_zero_fits(read: Any) -> None:
    packet = seal(0x4E, b"x" * 4093)
    frame = encode_frame(packet)
    assert 0 not in packet
    assert len(frame) - 1 == framed.MAX_FRAME
    assert read(lambda: FramedDecoder([ONE]), GOOD + frame) == ([*GOOD_ROWS, Note("x" * 4093)], {})


@pytest.mark.parametrize("size", [framed.MAX_FRAME + 1, 5000, 20_000])
def test_a_frame_too_long_is_one_fault(read: Any, size: int) -> None:
    endless = b"\x01" * size
    assert read(lambda: FramedDecoder([ONE]), GOOD + endless + b"\0" + GOOD) == (GOOD_ROWS * 2, {"length": 1})
    assert read(lambda: FramedDecoder([ONE]), endless + b"\0" + GOOD) == (GOOD_ROWS, {})
    assert read(lambda: FramedDecoder([ONE]), GOOD + endless) == (GOOD_ROWS, {})
    # Cut exactly behind the surplus: nothing of the frame is left but the knowledge.
    decoder = FramedDecoder([ONE])
    decoder.feed(GOOD + endless)
    assert [event.count for event in decoder.feed(b"\0") if not isinstance(event, Packets)] == [1]


def test_frames_too_long_among_many(once: Any) -> None:
    endless = b"\x01" * 5000 + b"\0"
    stream = GOOD * 60 + endless * 2 + GOOD * 60
    assert once(FramedDecoder([ONE]), stream) == (GOOD_ROWS * 120, {"length": 2})
    assert once(FramedDecoder([ONE]), stream, [len(GOOD) * 60 + 4500]) == (GOOD_ROWS * 120, {"length": 2})


def test_memory_is_bounded_when_no_zero_ever_comes() -> None:
    decoder = FramedDecoder([ONE])
    for _ in range(100):
        assert decoder.feed(b"\x02" * 65536) == []
        assert decoder._pieces.kept <= framed.MAX_FRAME


# Code types


def test_u12_with_an_even_and_an_odd_number_of_codes(read: Any) -> None:
    group = GroupInfo(1000.0, CodeType.U12, 12, ("a", "b", "c"))
    codes = np.array([[1, 4095, 7], [0, 2048, 256], [9, 10, 11]])
    one = encode_frame(scans_packet(0, 0, codes[:1], CodeType.U12))
    two = encode_frame(scans_packet(0, 1, codes[1:], CodeType.U12))
    content, faults = read(lambda: FramedDecoder([group]), one + two)
    assert [row[2] for row in content] == [tuple(row) for row in codes.tolist()]
    assert faults == {}


U12_FAULTS = {
    "padding": ("00 00000000 23 61 45 89 17", {"length": 1}),
    "highest padding bit": ("00 00000000 23 61 45 89 87", {"length": 1}),
    "one byte": ("00 00000000 23", {"length": 1}),
    "one byte over": ("00 00000000 23 61 45 89", {"length": 1}),
    "half a scan": ("00 00000000 23 61 45", {"length": 1}),
    "whole": ("00 00000000 23 61 45 89 07", {}),
    # The top four bits of an even packet are code, not padding.
    "two scans": ("00 00000000 FFFFFF FFFFFF FFFFFF", {}),
}


@pytest.mark.parametrize(("body", "faults"), U12_FAULTS.values(), ids=U12_FAULTS)
@pytest.mark.parametrize("repeats", [1, 120])
def test_u12_lengths(read: Any, body: str, faults: dict[str, int], repeats: int) -> None:
    group = GroupInfo(1000.0, CodeType.U12, 12, ("a", "b", "c"))
    content, counted = read(lambda: FramedDecoder([group]), b"\0" + scans(body) * repeats)
    assert counted == {kind: repeats for kind in faults}
    assert bool(content) == (not faults)


def test_codes_have_the_types_own_dtype() -> None:
    for code, dtype in (
        (CodeType.U16, "u2"),
        (CodeType.I16, "i2"),
        (CodeType.I32, "i4"),
        (CodeType.U12, "u2"),
    ):
        group = GroupInfo(1000.0, code, None, ("a",))
        (packets,) = FramedDecoder([group]).feed(encode_frame(scans_packet(0, 0, [1], code)))
        assert isinstance(packets, Packets)
        assert packets.codes[0].dtype == np.dtype(dtype)


# Groups and descriptions


def test_two_groups_keep_the_order_of_the_wire(read: Any, pump: tuple[GroupInfo, ...]) -> None:
    stream = b"".join(
        encode_frame(packet)
        for k in range(60)
        for packet in (
            scans_packet(0, 3 * k, np.full((3, 4), k), CodeType.U16),
            *([scans_packet(1, k, [k, 1], CodeType.U16)] if k % 5 == 0 else []),
            scans_packet(0, 3 * k, np.full((1 + k % 3, 4), k + 100), CodeType.U16),
        )
    )
    content, faults = read(lambda: FramedDecoder(pump), stream)
    assert faults == {}
    assert [row[2][0] for row in content if row[0] == 1] == list(range(0, 60, 5))
    order = [row[0] for row in content]
    assert order[:6] == [0, 0, 0, 1, 0, 0]
    (packets,) = FramedDecoder(pump, midstream=False).feed(stream)
    assert isinstance(packets, Packets)
    assert packets.group.tolist()[:4] == [0, 1, 0, 0]
    assert packets.first is not None
    assert packets.first.tolist()[:4] == [0, 0, 0, 3]


def test_scans_wait_for_the_description(read: Any, pump: tuple[GroupInfo, ...]) -> None:
    sample = encode_frame(scans_packet(0, 7, [1, 2, 3, 4], CodeType.U16))
    stream = sample + encode_frame(note_packet("hello")) + sample
    stream += encode_frame(seal(0x44, b"{}")) + encode_frame(description_packet(pump, boot=1)) + sample
    content, faults = read(FramedDecoder, stream)
    assert faults == {"bad_description": 1}
    assert content[0] == Note("hello")
    assert isinstance(content[1], Description)
    assert content[2:] == [(0, (7, 1, 0), (1, 2, 3, 4), None)] * 3


def test_waiting_is_bounded(monkeypatch: pytest.MonkeyPatch, pump: tuple[GroupInfo, ...]) -> None:
    sample = encode_frame(scans_packet(0, 7, [1, 2, 3, 4], CodeType.U16))
    monkeypatch.setattr(framed, "WAITING_LIMIT_BYTES", 100)
    decoder = FramedDecoder()
    assert not decoder.waiting
    decoder.feed(sample * 6)
    assert decoder.waiting
    assert not decoder.gave_up
    decoder.feed(sample * 50)
    assert decoder.gave_up
    assert decoder._waiting_bytes <= 100
    assert decoder.groups is None
    events = decoder.feed(encode_frame(description_packet(pump)))
    assert isinstance(events[1], Packets)
    assert len(events[1].group) == 6
    assert not decoder.waiting
    assert decoder.groups == pump


def test_faults_of_scans_that_waited_count_when_they_are_read(read: Any, pump: tuple[GroupInfo, ...]) -> None:
    stream = b"\0" + scans("07 00000000 0100") + scans("00 00000000 0100") + scans("00 00000000")
    _, faults = read(FramedDecoder, stream + encode_frame(description_packet(pump)))
    assert faults == {"unknown_group": 1, "length": 2}
    assert read(FramedDecoder, stream) == ([], {"length": 1})


def test_a_description_replaces_what_was_known(read: Any) -> None:
    other = GroupInfo(10.0, CodeType.I16, 16, ("x",))
    described = encode_frame(description_packet([other], device="pump-bench", boot=3))
    negative = encode_frame(scans_packet(0, 0, [-1, -2], CodeType.I16))
    content, faults = read(lambda: FramedDecoder([ONE]), GOOD + described * 2 + negative)
    assert faults == {}
    assert content[:2] == GOOD_ROWS
    assert content[2] == content[3]
    assert content[2].groups == (other,)
    assert (content[2].device, content[2].boot) == ("pump-bench", "3")
    assert [row[2] for row in content[4:]] == [(-1,), (-2,)]


def test_a_rate_that_a_description_leaves_out_may_be_known_already(read: Any) -> None:
    silent = GroupInfo(None, CodeType.U16, 12, ("iu", "iv"))
    other = GroupInfo(50.0, CodeType.U16, 12, ("x",))
    described = encode_frame(description_packet([silent, silent]))
    content, _ = read(lambda: FramedDecoder([ONE]), described)
    assert content[0].groups == (ONE, silent)
    content, _ = read(lambda: FramedDecoder([ONE, ONE, ONE]), encode_frame(description_packet([other])))
    assert content[0].groups == (other,)


def test_notes_keep_what_is_not_utf8_as_replacements(read: Any) -> None:
    content, faults = read(lambda: FramedDecoder([ONE]), line(0x4E, b"ramp \xff done") + line(0x4E, b""))
    assert content == [Note("ramp \ufffd done"), Note("")]
    assert faults == {}


def test_notes_and_scans_stay_in_order(read: Any) -> None:
    one = encode_frame(note_packet("one"))
    assert read(lambda: FramedDecoder([ONE]), one + GOOD + one + GOOD * 2 + one)[0] == [
        Note("one"), *GOOD_ROWS, Note("one"), *GOOD_ROWS * 2, Note("one"),
    ]  # fmt: skip


def test_counters_up_to_the_wrap(read: Any) -> None:
    stream = frames(0, 2**32 - 4, np.arange(20).reshape(-1, 2), 2, CodeType.U16)
    content, _ = read(lambda: FramedDecoder([ONE]), stream)
    assert sorted({row[1][0] for row in content}) == [0, 2, 4, 2**32 - 4, 2**32 - 2]


def test_thousands_of_frames_with_many_lengths_and_errors(once: Any) -> None:
    rng = np.random.default_rng(5)
    group = GroupInfo(1000.0, CodeType.U16, None, ("a",))
    stream, rows, faults = bytearray(b"\0"), [], {"crc": 0, "stuffing": 0, "length": 0}
    for k in range(3000):
        length = int(rng.integers(1, 400)) if k % 10 == 0 else 40
        codes = rng.integers(0, [2, 65536][k % 2], length)
        frame = bytearray(encode_frame(scans_packet(0, k, codes, CodeType.U16)))
        if k % 7 == 3:
            frame[-2] = frame[-2] ^ 0xFF or 0x01
            expected = _verdict(bytes(frame[:-1]))
            faults[expected] += 1
        else:
            rows += [(code,) for code in codes.tolist()]
        stream += frame
    content, counted = once(FramedDecoder([group]), bytes(stream), [len(stream) // 2])
    assert [row[2] for row in content] == rows
    assert counted == {kind: count for kind, count in faults.items() if count}


def _verdict(frame: bytes) -> str:
    cobs = pytest.importorskip("cobs.cobs")
    try:
        packet = cobs.decode(frame)
    except cobs.DecodeError:
        return "stuffing"
    return "length" if len(packet) < 3 else "crc"


# Hostile descriptions


def described(**changes: Any) -> bytes:
    group = {"rate_hz": 20000, "code": "u16", "bits": 12, "channels": ["iu"], **changes.pop("group", {})}
    return json.dumps({"livesense": 1, "groups": [group], **changes}).encode()


REFUSED = {
    "a list": b"[]",
    "a number": b"5",
    "null": b"null",
    "nothing": b"{}",
    "another version": described(livesense=2),
    "version true": described(livesense=True),
    "version as text": described(livesense="1"),
    "groups null": described(groups=None),
    "groups an object": described(groups={"0": 1}),
    "no groups": described(groups=[]),
    "a group that is a number": described(groups=[1]),
    "thousands of groups": described(groups=[{"code": "u16", "channels": ["a"]}] * 2000),
    "thousands of channels": described(group={"channels": [f"c{k}" for k in range(3000)]}),
    "too many channels in all": described(
        groups=[{"code": "u16", "channels": [f"c{k}" for k in range(250)]}] * 5
    ),
    "no channels": described(group={"channels": []}),
    "channels null": described(group={"channels": None}),
    "channels a text": described(group={"channels": "iu"}),
    "a channel that is a number": described(group={"channels": [1]}),
    "no code type": described(group={"code": None}),
    "another code type": described(group={"code": "f32"}),
    "the text wire's code type": described(group={"code": "text"}),
    "code type a list": described(group={"code": ["u16"]}),
    "rate zero": described(group={"rate_hz": 0}),
    "rate negative": described(group={"rate_hz": -1}),
    "rate a text": described(group={"rate_hz": "20000"}),
    "rate true": described(group={"rate_hz": True}),
    "rate a list": described(group={"rate_hz": [1]}),
    "rate NaN": described(group={"rate_hz": float("nan")}),
    "rate infinite": described(group={"rate_hz": float("inf")}),
    "rate overflows": described().replace(b"20000", b"1e999"),
    "rate huge": described(group={"rate_hz": 10**400}),
    "rate tiny": described(group={"rate_hz": 1e-300}),
    "bits zero": described(group={"bits": 0}),
    "bits 33": described(group={"bits": 33}),
    "bits broken": described(group={"bits": 11.5}),
    "bits a text": described(group={"bits": "12"}),
    "bits true": described(group={"bits": True}),
    "burst zero": described(group={"burst": 0}),
    "burst negative": described(group={"burst": -5}),
    "burst huge": described(group={"burst": 10**30}),
    "burst a text": described(group={"burst": "2000"}),
    "boot a list": described(boot=[1]),
    "boot true": described(boot=True),
    "boot overflows": described(boot=-7).replace(b"-7", b"1e999"),
    "boot endless": described(boot=10**100),
    "boot with too many digits": described(boot=-7).replace(b"-7", b"9" * 5000),
    "device a number": described(device=5),
    "nested without end": b"[" * 100_000,
    "NaN anywhere": b'{"livesense":1,"x":NaN}',
}


@pytest.mark.parametrize("text", REFUSED.values(), ids=REFUSED)
def test_hostile_descriptions_are_refused(text: bytes) -> None:
    from livesense.wire.description import parse_description

    assert parse_description(text.decode()) is None


@pytest.mark.parametrize("name", ["nothing", "rate NaN", "rate huge", "bits 33", "boot a list"])
def test_the_stream_goes_on_after_a_refused_description(read: Any, name: str) -> None:
    content, faults = read(lambda: FramedDecoder([ONE]), GOOD + line(0x44, REFUSED[name]) + GOOD)
    assert (content, faults) == (GOOD_ROWS * 2, {"bad_description": 1})


def test_faults_behind_a_new_description_stand_behind_it() -> None:
    one, other, bad = described_as("a"), described_as("a", "b"), b"\x05\x06\0"
    assert order_of(FramedDecoder(), b"\0" + bad + one + bad + one + bad * 3 + other + bad * 4 + other) == [
        1, "a", 4, "a", "a,b", 4, "a,b",
    ]  # fmt: skip
    # The first frame may be what is left of a longer one; it is a description all the same.
    decoder = FramedDecoder()
    assert order_of(decoder, one + bad) == ["a", 1]
    decoder.rejoin()
    assert order_of(decoder, other + bad) == ["a,b", 1]
    assert order_of(decoder, bad + one + bad * 2) == [1, "a", 2]


def order_of(decoder: FramedDecoder, data: bytes) -> list[Any]:
    """Counts of faults, and channels of descriptions, as they stand among the events."""
    return [
        ",".join(event.groups[0].channels) if isinstance(event, Description) else event.count  # type: ignore[union-attr]
        for event in decoder.feed(data)
    ]


def described_as(*channels: str) -> bytes:
    return encode_frame(description_packet([GroupInfo(1000.0, CodeType.U16, 12, channels)]))
