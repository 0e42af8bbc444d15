"""The record wire: declared bytes, damage, and any way of cutting the stream."""

from __future__ import annotations

import binascii
import struct

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from livesense.layout import WIDTHS, RecordLayout, read_layout
from livesense.samples import CodeType, FaultKind, LinkFault, Packets
from livesense.wire import record as record_module
from livesense.wire.checksum import CHECKS, check_rows
from livesense.wire.record import RecordDecoder

ORDERS = ("little", "big")


def one(layout: RecordLayout, body: bytes) -> bytes:
    """Complete a record whose fields are given."""
    width = CHECKS[layout.check].width
    covered = layout.sync + body if layout.check_over_sync else body
    value = int(check_rows(layout.check, np.frombuffer(covered, np.uint8)[np.newaxis])[0])
    return layout.sync + body + value.to_bytes(width, ORDERS[layout.check_big])


def fed(layout: RecordLayout, pieces: list[bytes], rate_hz: float | None = 1000.0) -> tuple:
    """Codes, counters, clocks and faults of a stream."""
    decoder = RecordDecoder(layout, rate_hz=rate_hz)
    codes, first, clock, faults = [], [], [], 0
    for piece in [*pieces, None]:
        for event in decoder.finish() if piece is None else decoder.feed(piece):
            if isinstance(event, Packets):
                codes.append(event.codes[0])
                assert event.codes[0].dtype == layout.code.dtype
                assert int(event.count.sum()) == len(event.codes[0])
                first += [] if event.first is None else event.first.tolist()
                clock += [] if event.clock is None else event.clock.tolist()
            else:
                assert event.kind is FaultKind.BAD_RECORD
                faults += event.count
        assert decoder.kept < layout.size + len(layout.sync)
    held = np.concatenate(codes).tolist() if codes else []
    return held, first, clock, faults


def test_golden_bytes_by_hand() -> None:
    # A5 5A, n = 7, iu = 0x0102, iv = −2, xor of 07 02 01 FE FF = 05.
    layout = read_layout("A5 5A", "little", ["n:u8", "iu:u16", "iv:i16"], "xor8")
    data = bytes.fromhex("A5 5A 07 02 01 FE FF 05  A5 5A 08 03 01 FF FF 0A")
    assert fed(layout, [data]) == ([[0x0102, -2], [0x0103, -1]], [7, 8], [], 0)


def test_golden_bytes_of_wide_fields_highest_byte_first() -> None:
    layout = read_layout("7E", "big", ["a:i24", "b:u24", "c:i8", "_:pad1", "d:u8"], "sum8")
    body = bytes.fromhex("FF FF FE  80 00 01  80  55  FF")
    sent = b"\x7e" + body + bytes([sum(body) & 0xFF])
    assert fed(layout, [sent]) == ([[-2, 0x800001, -128, 255]], [], [], 0)


def test_floats_come_as_they_are() -> None:
    layout = read_layout("A5", "big", ["a:f32", "b:u32"], "crc8")
    body = struct.pack(">fI", 1.1, 0xFFFFFFFF)
    held, *_ = fed(layout, [one(layout, body)])
    assert held == [[float(np.float32(1.1)), 4294967295.0]]
    # A signalling NaN (IEEE 754) must not bring a warning as it is widened.
    held, *_ = fed(layout, [one(layout, bytes.fromhex("7F A0 00 00  00 00 00 01"))])
    assert np.isnan(held[0][0])
    only = read_layout("A5", "little", ["a:f32"], "crc8")
    held, *_ = fed(only, [one(only, struct.pack("<f", float("nan")))])
    assert np.isnan(held[0][0])


def test_scans_repeat_and_counters_count_them() -> None:
    layout = read_layout("A5", "little", ["n:u8", "t_us:u32", "a:u8", "b:u8", "_:pad1"], "sum8", 3)
    body = struct.pack("<BI6Bx", 255, 2**32 - 1500, 1, 2, 3, 4, 5, 6)
    held, first, clock, _ = fed(layout, [one(layout, body)])
    assert held == [[1, 2], [3, 4], [5, 6]]
    assert first == [255 * 3]
    # The record's own time is that of its first scan; the others follow at the nominal 1 kHz.
    assert clock == [2**32 - 1500, 2**32 - 500, 500]


def test_a_counter_of_scans_counts_them_itself() -> None:
    fields = ["n:u8", "a:u8"]
    layout = read_layout("A5", "little", fields, "sum8", 3, counts="scans")
    body = struct.pack("<B3B", 254, 1, 2, 3)
    assert fed(layout, [one(layout, body)])[1] == [254]
    assert (layout.modulus, read_layout("A5", "little", fields, "sum8", 3).modulus) == (256, 768)


def test_golden_checks_over_the_sync_word_and_in_an_order_of_their_own() -> None:
    # xor of A5 5A 01 02 = FC; and CRC-16/XMODEM, as the standard library has it, of A5 01 02.
    layout = read_layout("A5 5A", "little", ["a:u16"], "xor8", check_over="all")
    assert fed(layout, [bytes.fromhex("A5 5A 01 02 FC")])[0] == [[0x0201]]
    crc = binascii.crc_hqx(b"\xa5\x01\x02", 0)
    for order in ORDERS:
        record = b"\xa5\x01\x02" + crc.to_bytes(2, order)
        for endian, code in (("little", 0x0201), ("big", 0x0102)):
            layout = read_layout(
                "A5", endian, ["a:u16"], "crc16-xmodem", check_over="all", check_endian=order
            )
            assert fed(layout, [record])[0] == [[code]]
            over_fields = read_layout("A5", endian, ["a:u16"], "crc16-xmodem", check_endian=order)
            assert fed(over_fields, [record])[0] == []


def test_without_a_rate_all_scans_of_a_record_have_its_time() -> None:
    layout = read_layout("A5", "little", ["t_ms:u16", "a:u8"], "sum8", 2)
    assert fed(layout, [one(layout, struct.pack("<H2B", 9, 1, 2))], None)[2] == [9, 9]


def test_a_narrow_clock_goes_on_counting() -> None:
    layout = read_layout("A5", "little", ["t_us:u16", "a:u8"], "sum8")
    ticks = [65000, 400, 1400, 64000]
    sent = [one(layout, struct.pack("<HB", tick, 0)) for tick in ticks]
    assert fed(layout, sent)[2] == [65000, 65936, 66936, 129536]


def test_group_says_what_it_holds() -> None:
    layout = read_layout("A5", "little", ["t_us:u32", "a:u16", "b:u16"], "sum8")
    (group,) = RecordDecoder(layout, rate_hz=5.0, bits=12).groups
    assert (group.rate_hz, group.code, group.bits) == (5.0, CodeType.U16, 12)
    assert (group.channels, group.clock) == (("a", "b"), "t_us")


def test_a_damaged_stretch_is_one_fault_and_the_ends_are_none() -> None:
    layout = read_layout("A5 5A", "little", ["n:u8", "a:u16"], "crc16-modbus")
    good = [one(layout, struct.pack("<BH", n, n)) for n in range(6)]
    torn = good[2][:3] + bytes([good[2][3] ^ 1]) + good[2][4:]
    stream = b"junk\xa5" + good[0] + good[1] + torn + good[3][:4] + good[4] + good[5] + b"\xa5\x5a\x01"
    assert fed(layout, [stream])[1:] == ([0, 1, 4, 5], [], 1)


def test_without_a_check_the_next_sync_word_must_follow() -> None:
    layout = read_layout("A5 5A", "little", ["n:u8", "a:u8"])
    record = [b"\xa5\x5a" + bytes([n, 9]) for n in range(5)]
    # Record 1 is whole, but what follows it is not a sync word; the last one has nothing behind it.
    stream = record[0] + record[1] + b"\x00" + record[2] + record[3] + record[4]
    assert fed(layout, [stream])[1:] == ([0, 2, 3], [], 1)


@pytest.mark.parametrize(
    ("sync", "check", "stream", "told"),
    [
        ("A5 5A", "xor8", b"\x01\x02" * 50, "the sync word A5 5A never came; declared are 4 bytes: "),
        (
            "A5 5A",
            "xor8",
            b"\xa5\x5a\x01\x02" * 50,
            "the check xor8 was never right behind the sync word A5 5A, ",
        ),
        (
            "",
            "crc32",
            b"\x01\x02" * 50,
            "the check crc32 was never right; declared are 5 bytes: byte 0 a:u8, ",
        ),
        ("A5", "none", b"\xa5\x01\x02\x03" * 50, "the sync word A5 came, but never twice 2 bytes apart; "),
    ],
)
def test_why_nothing_was_accepted(sync: str, check: str, stream: bytes, told: str) -> None:
    decoder = RecordDecoder(read_layout(sync, "little", ["a:u8"], check), rate_hz=None)
    assert decoder.feed(stream) == []
    assert decoder.misfit.startswith(told)


def test_the_line_may_be_joined_anew() -> None:
    layout = read_layout("A5", "little", ["a:u8"], "crc8")
    decoder = RecordDecoder(layout, rate_hz=None)
    whole = one(layout, b"\x07")
    assert len(decoder.feed(whole + whole[:2])) == 1
    decoder.rejoin()
    events = decoder.feed(b"\x99" + whole)
    assert [type(event) for event in events] == [Packets]


def test_a_record_that_is_all_sync_words_costs_no_more_than_its_bytes() -> None:
    layout = read_layout("A5", "little", ["a:u32", "b:u32"], "crc32")
    decoder = RecordDecoder(layout, rate_hz=None)
    for _ in range(20):
        assert decoder.feed(b"\xa5" * 10_000) == []
        assert decoder.kept < layout.size
    good = one(layout, bytes(8))
    events = decoder.feed(good + b"\xa5" * 20_000 + good)
    assert [type(event) for event in events] == [LinkFault, Packets]


LAYOUTS = st.builds(
    lambda sync, order, fields, counter, check, scans, over, check_order: read_layout(
        sync,
        order,
        [*counter, *(f"c{n}:{kind}" for n, kind in enumerate(fields)), "_:pad1"],
        check,
        scans,
        check_over=over if check != "none" else "fields",
        check_endian=check_order if check != "none" else None,
    ),
    sync=st.sampled_from(["A5 5A", "7E", "00 00", "FF"]),
    order=st.sampled_from(ORDERS),
    fields=st.lists(st.sampled_from([kind for kind in WIDTHS if kind != "f32"]), min_size=1, max_size=5),
    counter=st.sampled_from([[], ["n:u8"], ["n:u16"], ["n:u24", "t_us:u16"]]),
    check=st.sampled_from(list(CHECKS)),
    scans=st.integers(1, 4),
    over=st.sampled_from(["fields", "all"]),
    check_order=st.sampled_from(ORDERS),
)


def made(layout: RecordLayout, rng: np.random.Generator, count: int) -> tuple[list[bytes], list[list[int]]]:
    """Records with random codes, packed by int.to_bytes."""
    order = ORDERS[layout.big]
    records, codes = [], []
    for number in range(count):
        body = bytearray(layout.size - len(layout.sync) - layout.check_width)
        begin = len(layout.sync)
        if layout.counter is not None:
            width = layout.counter.width
            at = layout.counter.begin - begin
            body[at : at + width] = (number % (1 << (8 * width))).to_bytes(width, order)
        for scan in range(layout.scans):
            row = []
            for field in layout.channels:
                bits, is_signed = 8 * field.width, field.type[0] == "i"
                value = int(rng.integers(1 << bits)) - ((1 << (bits - 1)) if is_signed else 0)
                at = field.begin - begin + scan * layout.stride
                body[at : at + field.width] = value.to_bytes(field.width, order, signed=is_signed)
                row.append(value)
            codes.append(row)
        records.append(one(layout, bytes(body)))
    return records, codes


@settings(max_examples=60)
@given(LAYOUTS, st.integers(0, 1 << 30), st.data())
def test_round_trip_whatever_the_layout_and_the_reads(
    layout: RecordLayout, seed: int, data: st.DataObject
) -> None:
    rng = np.random.default_rng(seed)
    records, codes = made(layout, rng, 40)
    stream = b"".join(records) + (layout.sync if layout.check == "none" else b"")
    whole = fed(layout, [stream])
    assert whole[0] == codes
    assert whole[3] == 0
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=12)))
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert fed(layout, pieces) == whole
    assert fed(layout, [stream[n : n + 1] for n in range(len(stream))]) == whole


@settings(max_examples=60)
@given(st.integers(0, 1 << 30), st.sampled_from(["crc16-modbus", "crc32", "crc16-ibm-3740"]))
def test_after_damage_nothing_false_is_taken_and_nothing_good_is_left(seed: int, check: str) -> None:
    rng = np.random.default_rng(seed)
    layout = read_layout("A5 5A", "little", ["n:u16", "a:u16", "b:i24"], check)
    records, codes = made(layout, rng, 60)
    hit = set(rng.integers(1, 59, 8).tolist())
    sent = list(records)
    for number in hit:
        spoilt = bytearray(sent[number])
        if rng.random() < 0.5:
            spoilt[int(rng.integers(len(spoilt)))] ^= int(rng.integers(1, 256))
        else:
            del spoilt[int(rng.integers(len(spoilt))) :]
        sent[number] = bytes(spoilt)
        # The bytes behind a torn record may happen to be those that it lost.
        assume(not (sent[number] + records[number + 1]).startswith(records[number]))
    stream = b"".join(sent)
    held, first, _, faults = fed(layout, [stream])
    kept = [number for number in range(60) if number not in hit]
    assert [number for number in first if number not in hit] == kept
    assert held == [codes[number] for number in first]
    assert faults <= len(hit)
    cut = int(rng.integers(len(stream)))
    assert fed(layout, [stream[:cut], stream[cut:]]) == (held, first, [], faults)


@settings(max_examples=60)
@given(LAYOUTS, st.lists(st.binary(max_size=300), max_size=6))
def test_no_bytes_whatever_raise(layout: RecordLayout, pieces: list[bytes]) -> None:
    fed(layout, pieces)


def test_long_streams_are_looked_at_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(record_module, "SEARCHED_AT_ONCE", 16)
    monkeypatch.setattr(record_module, "MOST_AT_ONCE", 64)
    layout = read_layout("A5 5A", "little", ["n:u16", "a:u16"], "crc8")
    records, codes = made(layout, np.random.default_rng(3), 500)
    junk = b"\xa5\x5a\x00" * 200
    held, first, _, faults = fed(layout, [b"".join(records[:400]) + junk + b"".join(records[400:])])
    assert (held, first, faults) == (codes, list(range(500)), 1)
