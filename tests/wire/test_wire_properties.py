"""Streams nobody thought of: round trips, plain twins, and noise."""

from __future__ import annotations

import binascii
import itertools
import tracemalloc
from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.samples import CodeType, GroupInfo
from livesense.wire import framed, text
from livesense.wire.cobs import stuff, unstuff
from livesense.wire.encode import (
    description_packet,
    encode_frame,
    frames,
    note_packet,
    scans_packet,
    seal,
)
from livesense.wire.framed import FramedDecoder
from livesense.wire.packing import WIDTHS, code_limits, pack_rows, unpack_rows
from livesense.wire.text import TextDecoder
from livesense.wire.textblock import Block
from livesense.wire.textline import Field, LineShape, check, numbers, split

GROUPS = (
    GroupInfo(1000.0, CodeType.U16, 12, ("a", "b")),
    GroupInfo(10.0, CodeType.I16, None, ("c",)),
    GroupInfo(10.0, CodeType.U12, 12, ("d", "e", "f")),
    GroupInfo(10.0, CodeType.I32, 24, ("g",)),
)

FRAMED_TYPES = [CodeType.U16, CodeType.I16, CodeType.I32, CodeType.U12]


def twin(stream: bytes) -> tuple[list[Any], dict[str, int]]:
    """The framed wire once more, frame by frame and code by code, for whole streams joined at a frame."""
    content: list[Any] = []
    faults: Counter[str] = Counter()
    for frame in stream.split(b"\0")[:-1]:
        if not frame:
            continue
        packet = bytearray()
        at = 0
        while at < len(frame):
            code = frame[at]
            packet += frame[at + 1 : at + code]
            at += code
            if code < 255 and at < len(frame):
                packet.append(0)
        if len(frame) > framed.MAX_FRAME:
            faults["length"] += 1
        elif at > len(frame):
            faults["stuffing"] += 1
        elif len(packet) < 3 or len(packet) > 4096:
            faults["length"] += 1
        elif binascii.crc_hqx(packet[:-2], 0xFFFF) != packet[-2] + 256 * packet[-1]:
            faults["crc"] += 1
        elif packet[0] != 0x53:
            faults["unknown_kind"] += 1
        elif len(packet) <= 8:
            faults["length"] += 1
        elif packet[1] >= len(GROUPS):
            faults["unknown_group"] += 1
        else:
            info = GROUPS[packet[1]]
            codes = plain_codes(bytes(packet[6:-2]), info.code)
            if not codes or len(codes) % len(info.channels):
                faults["length"] += 1
                continue
            first = int.from_bytes(packet[2:6], "little")
            scans = [
                tuple(codes[k : k + len(info.channels)]) for k in range(0, len(codes), len(info.channels))
            ]
            content += [(packet[1], (first, len(scans), k), scan, None) for k, scan in enumerate(scans)]
    return content, {kind: count for kind, count in faults.items() if count}


def plain_codes(body: bytes, code: CodeType) -> list[int]:
    if code is not CodeType.U12:
        size = 4 if code is CodeType.I32 else 2
        if len(body) % size:
            return []
        return [
            int.from_bytes(body[k : k + size], "little", signed=code is not CodeType.U16)
            for k in range(0, len(body), size)
        ]
    codes = []
    while len(body) >= 3:
        word = int.from_bytes(body[:3], "little")
        codes += [word & 0xFFF, word >> 12]
        body = body[3:]
    if len(body) == 1 or (body and body[1] >> 4):
        return []
    return codes + ([int.from_bytes(body, "little")] if body else [])


packets = st.builds(
    lambda head, body: seal(head[0], bytes(head[1:]) + body),
    st.tuples(st.sampled_from([0x53, 0x53, 0x53, 0x58]), st.integers(0, 4)),
    st.one_of(
        st.binary(max_size=40),
        st.builds(
            lambda first, codes: first.to_bytes(4, "little") + codes,
            st.integers(0, 2**32 - 1),
            st.binary(max_size=60),
        ),
        st.builds(lambda n: bytes(4) + bytes(n), st.integers(0, 600)),
        st.builds(lambda n: bytes(4) + b"\x01" * n, st.integers(200, 600)),
    ),
)
damage = st.one_of(
    st.none(),
    st.tuples(st.integers(0, 700), st.integers(0, 255)),
)


def on_the_line(packet: bytes, harm: tuple[int, int] | None) -> bytes:
    frame = bytearray(encode_frame(packet))
    if harm is not None:
        frame[harm[0] % len(frame)] = harm[1]
    return bytes(frame)


@settings(max_examples=35, deadline=None)
@given(st.lists(st.tuples(packets, damage), max_size=40), st.integers(1, 3), st.randoms())
def test_the_decoder_equals_its_plain_twin(sent: list[Any], repeats: int, random: Any) -> None:
    stream = b"\0" + b"".join(on_the_line(*item) for item in sent) * repeats
    from_reads = FramedDecoder(GROUPS)
    cuts = sorted(random.randrange(len(stream) + 1) for _ in range(3))
    events = []
    for begin, end in itertools.pairwise([0, *cuts, len(stream)]):
        events += from_reads.feed(stream[begin:end])
    assert plain_view(events) == twin(stream)
    assert plain_view(FramedDecoder(GROUPS).feed(stream)) == twin(stream)


def plain_view(events: list[Any]) -> tuple[list[Any], dict[str, int]]:
    content: list[Any] = []
    faults: Counter[str] = Counter()
    for event in events:
        if hasattr(event, "kind"):
            faults[str(event.kind)] += event.count
            continue
        at = dict.fromkeys(event.codes, 0)
        for group, first, count in zip(
            event.group.tolist(), event.first.tolist(), event.count.tolist(), strict=True
        ):
            rows = event.codes[group][at[group] : at[group] + count].tolist()
            at[group] += count
            content += [(group, (first, count, k), tuple(row), None) for k, row in enumerate(rows)]
    return content, dict(faults)


@settings(max_examples=100, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=1500),
        st.builds(lambda n, v: bytes([v]) * n, st.integers(0, 1500), st.integers(0, 255)),
    )
)
def test_stuffing_there_and_back(packet: bytes) -> None:
    frame = stuff(packet)
    assert 0 not in frame
    assert unstuff(frame) == packet
    assert len(frame) <= len(packet) + len(packet) // 254 + 1


@settings(max_examples=35, deadline=None)
@given(st.sampled_from(FRAMED_TYPES), st.data())
def test_codes_there_and_back(code: CodeType, data: st.DataObject) -> None:
    low, high = code_limits(code, WIDTHS[code])
    rows = data.draw(st.integers(1, 5))
    row = st.lists(st.integers(low, high), min_size=1, max_size=9)
    codes = [data.draw(row)]
    codes += [codes[0][::-1]] * (rows - 1)
    packed = pack_rows(codes, code)
    assert unpack_rows(np.ascontiguousarray(packed), code).tolist() == codes


@pytest.mark.parametrize(
    ("code", "value"),
    [
        (CodeType.U16, 65536),
        (CodeType.U16, -1),
        (CodeType.I16, 32768),
        (CodeType.U12, 4096),
        (CodeType.I32, 2**31),
    ],
)
def test_codes_that_do_not_fit_are_refused(code: CodeType, value: int) -> None:
    with pytest.raises(ValueError, match=f"{code} codes from .* got .*{value}"):
        pack_rows([[value]], code)


def test_text_codes_are_refused_by_the_framed_wire() -> None:
    with pytest.raises(ValueError, match="got text"):
        pack_rows([[1]], CodeType.TEXT)


def test_many_packets_longer_than_a_stuffed_piece() -> None:
    codes = np.arange(1, 1001).reshape(-1, 1)
    one_by_one = b"".join(
        encode_frame(scans_packet(0, k, codes[k : k + 250], CodeType.U16)) for k in range(0, 1000, 250)
    )
    assert frames(0, 0, codes, 250, CodeType.U16) == one_by_one


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(FRAMED_TYPES),
    st.integers(1, 5),
    st.integers(1, 30),
    st.integers(0, 2**32 - 1),
    st.integers(0, 200),
    st.integers(0, 2**32 - 1),
)
def test_blocks_of_scans_there_and_back(
    code: CodeType, channels: int, per_packet: int, first: int, scans: int, seed: int
) -> None:
    low, high = code_limits(code, WIDTHS[code])
    codes = np.random.default_rng(seed).integers(low, high + 1, (scans, channels))
    info = GroupInfo(1000.0, code, None, tuple(f"c{k}" for k in range(channels)))
    sent = frames(0, first, codes, per_packet, code)
    one_by_one = b"".join(
        encode_frame(scans_packet(0, first + k, codes[k : k + per_packet], code))
        for k in range(0, scans, per_packet)
    )
    assert sent == one_by_one
    found = [event for event in FramedDecoder([info], midstream=False).feed(sent)]
    if scans:
        (packets_found,) = found
        assert packets_found.codes[0].tolist() == codes.tolist()  # type: ignore[union-attr]
        assert packets_found.first[0] == first  # type: ignore[union-attr, index]


# Text: the block reader against the line reader

field = st.one_of(
    st.integers(-(10**6), 10**6).map(str),
    st.integers(0, 4095).map(str),
    st.integers(-(2**64), 2**64).map(str),
    st.decimals(-1000, 1000, places=3).map(str),
    st.sampled_from(
        ["", "+5", "-", "nan", "x", "1.", ".5", "1.2.3", "1e3", "007", "12*", "#", "1.50", "-0.0", "é"]
    ),
)
separator = st.sampled_from([",", ",", ",", ";", "\t", " ", ", ", " ; ", "  ", ",,", "\t "])


@st.composite
def text_lines_of_any_kind(draw: st.DrawFn) -> bytes:
    good = draw(st.booleans())
    if good:
        fields = [str(draw(st.integers(-5000, 5000))) for _ in range(3)]
    else:
        fields = draw(st.lists(field, min_size=1, max_size=4))
    line = fields[0]
    for item in fields[1:]:
        line += ("," if good else draw(separator)) + item
    body = line.encode()
    ending = draw(st.sampled_from([b"\n", b"\n", b"\r\n", b" \n", b"\r\r\n"]))
    sum_kind = draw(st.sampled_from(["none", "none", "good", "bad"]))
    if sum_kind != "none":
        xor = 0
        for byte in body:
            xor ^= byte
        body += b"*%02X" % (xor if sum_kind == "good" else xor ^ 1)
    return body + ending


def by_line(line: bytes, shape: LineShape) -> list[int] | None:
    content, right = check(line.removesuffix(b"\r"))
    return None if right is False else numbers(split(content), shape)


@settings(max_examples=35, deadline=None)
@given(st.lists(text_lines_of_any_kind(), min_size=1, max_size=30), st.sampled_from([(0, 0, 0), (0, 2, 1)]))
def test_a_block_takes_no_line_that_the_line_reader_would_not(
    lines: list[bytes], decimals: tuple[int, ...]
) -> None:
    shape = LineShape(3, tuple(Field(k, places) for k, places in enumerate(decimals)))
    block = Block(b"".join(lines), shape)
    # A line may be left to the line reader, but what is taken must be the same.
    for at, line in enumerate(lines):
        if block.good[at]:
            assert block.values[at].tolist() == by_line(line[:-1], shape)
            assert block.checked[at] == (check(line[:-1].removesuffix(b"\r"))[1] is not None)


@settings(max_examples=40, deadline=None)
@given(st.lists(text_lines_of_any_kind(), min_size=1, max_size=40), st.booleans(), st.data())
def test_blocks_and_lines_give_the_same(lines: list[bytes], from_port: bool, data: st.DataObject) -> None:
    headers = data.draw(
        st.lists(st.sampled_from([b"n,iu,iv\n", b"iu;iv;n\n", b"iv,iu\r\n", b"hello\n"]), max_size=3)
    )
    stream_lines = list(lines)
    for header in headers:
        stream_lines.insert(data.draw(st.integers(0, len(stream_lines))), header)
    stream = b"".join(stream_lines)

    def run(few: int) -> Any:
        before, text.FEW_LINES = text.FEW_LINES, few
        try:
            made = TextDecoder(["iu", "iv"], rate_hz=1.0, decimals={"iv": 1}, from_port=from_port)
            events = made.feed(stream)
        finally:
            text.FEW_LINES = before
        return [
            (event.codes[0].tolist(), None if event.first is None else event.first.tolist())
            if hasattr(event, "codes")
            else event
            for event in events
        ]

    assert run(0) == run(10**9)


def test_ordinary_lines_never_take_the_slow_path(monkeypatch: pytest.MonkeyPatch) -> None:
    shape = LineShape(3, (Field(0), Field(1, 2), Field(2)))
    for lines in (
        b"1,2.5,3\n-1,20,+3\n" * 10,
        b"1, 2 ,3\r\n4;5;6\r\n" * 10,
        b"1\t22.50\t1234567890123456\n" * 10,
        b"  1  2  3  \n" * 10,
        b"1,2,3*30\n" * 10,
    ):
        assert Block(lines, shape).good.all()


# Noise

ALPHABETS = {
    "any byte": bytes(range(256)),
    "mostly zeros": bytes(40) + bytes(range(256)),
    "small codes": bytes(range(8)),
    "digits": b"0123456789,.-+ \n\n\n\r*;\t",
    "words": b'iuvwn,,,\n\n#{}":[]*0 ',
}


@pytest.mark.parametrize("alphabet", ALPHABETS.values(), ids=ALPHABETS)
def test_noise_never_raises_and_memory_stays(alphabet: bytes) -> None:
    rng = np.random.default_rng(11)
    makers = [
        lambda: FramedDecoder(GROUPS),
        FramedDecoder,
        lambda: TextDecoder(["iu", "iv"], rate_hz=1.0, decimals={"iv": 2}, from_port=True),
        lambda: TextDecoder(["iu"], rate_hz=None, decimals={}, from_port=False, columns=["n", "iu"]),
    ]
    letters = np.frombuffer(alphabet, dtype=np.uint8)
    genuine = encode_frame(description_packet(GROUPS, boot=1)) + encode_frame(note_packet("x"))
    genuine += (
        encode_frame(scans_packet(1, 2**32 - 1, [[1], [2]], CodeType.I16)) + b"n,iu,iv\n1,2,3\n1,2,3.25*2A\n"
    )
    for make in makers:
        decoder = make()  # type: ignore[no-untyped-call]
        tracemalloc.start()
        for round_number in range(12):
            noise = letters[rng.integers(0, len(letters), int(rng.integers(0, 6000)))].tobytes()
            at = int(rng.integers(0, len(genuine)))
            decoder.feed(noise + genuine[at:] + noise[:50] + genuine[: at + 20])
            if round_number % 5 == 4:
                decoder.rejoin()
        decoder.finish()
        held, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert held < 1_000_000
