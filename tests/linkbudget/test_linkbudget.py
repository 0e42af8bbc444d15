"""The link budget holds to the encoders and to figures reckoned by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from livesense.layout import read_layout
from livesense.linkbudget import (
    LINKS,
    USB_FULL_SPEED,
    USB_HIGH_SPEED,
    Link,
    Stream,
    advice,
    budget,
    code_bytes,
    description_bytes,
    digits,
    frame_bytes,
    highest_rate_hz,
    largest_scans,
    packet_bytes,
    record_bytes,
    serial_link,
    stuffing_bytes,
    text_line_bytes,
    usual_scans,
)
from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import (
    MAX_PACKET,
    description_packet,
    encode_frame,
    frames,
    note_packet,
    scans_packet,
    text_lines,
)

PUMP = Stream("framed", channels=4, rate_hz=20_000, code="u16", bits=12)
STREAMS = st.builds(
    Stream,
    wire=st.sampled_from(["framed", "record", "text"]),
    channels=st.integers(1, 40),
    rate_hz=st.floats(1, 1e6),
    code=st.sampled_from(["u16", "i16", "i32", "u12"]),
    bits=st.integers(8, 16),
    scans=st.integers(0, 20),
)


# ---- Against the encoders ----


@given(
    channels=st.integers(1, 16),
    scans=st.integers(1, 60),
    code=st.sampled_from(["u16", "i16", "i32", "u12"]),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_packet_is_never_larger(channels: int, scans: int, code: str, seed: int) -> None:
    stream = Stream("framed", channels, code=code, scans=scans)
    codes = np.random.default_rng(seed).integers(0, 4096, (scans, channels))
    real = encode_frame(scans_packet(0, seed, codes, CodeType(code)))
    assert len(real) <= packet_bytes(stream)


@given(
    channels=st.integers(1, 16),
    scans=st.integers(1, 60),
    code=st.sampled_from(["u16", "i16", "i32", "u12"]),
)
def test_a_packet_without_zeros_is_as_large(channels: int, scans: int, code: str) -> None:
    stream = Stream("framed", channels, code=code, scans=scans)
    codes = np.full((scans, channels), 0x01010101 if code == "i32" else 0x111)
    packet = scans_packet(1, 0x01010101, codes, CodeType(code))
    assume(0 not in packet)  # the CRC may hold one
    real = encode_frame(packet)
    assert len(real) == packet_bytes(stream)
    assert b"".join([real] * 3) == frames(1, 0x01010101, codes, scans, CodeType(code)) * 3


@pytest.mark.parametrize("size", [1, 2, 250, 251, 252, 253, 504, 505, 506, 507, 4093])
def test_frames_around_full_pieces(size: int) -> None:
    frame = encode_frame(note_packet("x" * size))
    assert b"\0" not in note_packet("x" * size)
    assert len(frame) == frame_bytes(size)


@pytest.mark.parametrize("channels", [1, 4, 40])
def test_a_description_is_not_larger(channels: int) -> None:
    names = tuple(f"phase_{at:02d}" for at in range(channels))
    groups = [GroupInfo(20_000.5, CodeType.U16, 12, names, burst=2000)]
    packet = description_packet(groups, device="pump-bench-3", boot=2**32 - 1)
    assert len(encode_frame(packet)) <= description_bytes(channels)


@pytest.mark.parametrize(("code", "bits", "codes"), [("u16", 12, [0, 4095]), ("i16", 12, [-2048, 2047])])
@pytest.mark.parametrize("checksum", [False, True])
@pytest.mark.parametrize("counter", [False, True])
def test_lines_of_text(code: str, bits: int, codes: list[int], checksum: bool, counter: bool) -> None:
    columns = [[2**32 - 1] * counter + [one] * 3 for one in codes]
    lines = text_lines(columns, checksum=checksum, end="\r\n").splitlines(keepends=True)
    each = digits(bits, signed=code == "i16")
    assert max(map(len, lines)) == text_line_bytes(3, each, counter=counter, checksum=checksum)
    if counter and not checksum:
        assert max(map(len, lines)) == packet_bytes(Stream("text", 3, code=code, bits=bits, scans=1))


@pytest.mark.parametrize(("code", "field"), [("u16", "u16"), ("i16", "i16"), ("i32", "i32"), ("u12", "u16")])
@pytest.mark.parametrize("scans", [1, 7])
def test_records_as_they_are_declared(code: str, field: str, scans: int) -> None:
    fields = ["n:u8", *(f"c{at}:{field}" for at in range(3))]
    layout = read_layout("A5 5A", "little", fields, "crc16-modbus", scans)
    assert packet_bytes(Stream("record", 3, code=code, scans=scans)) == layout.size
    bare = read_layout("", "little", fields[1:], "crc32", scans)
    assert record_bytes(bare.stride * scans, sync=0, counter=0, check=4) == bare.size


# ---- By hand ----


def test_four_channels_at_20_khz() -> None:
    # 30 scans × 4 × 2 = 240 bytes of codes; + 6 head + 2 CRC = 248, stuffed 249, closed 250.
    # 250 / 30 = 8.33 bytes a scan; × 20 000 = 166.7 kB/s, and a description a second.
    found = budget(PUMP, serial_link(3_000_000))
    assert (found.stream.scans, found.packet_bytes) == (30, 250)
    assert found.bytes_per_scan == pytest.approx(25 / 3)
    assert found.packets_per_s == pytest.approx(20_000 / 30)
    assert found.bytes_per_s == pytest.approx(500_000 / 3 + description_bytes(4))
    assert found.used == pytest.approx(0.556, abs=0.001)
    assert found.fits and found.leaves_some
    assert budget(PUMP, serial_link(2_000_000)).fits
    assert budget(PUMP, USB_FULL_SPEED).fits
    assert not budget(PUMP, serial_link(921_600)).fits


def test_what_links_carry() -> None:
    # 8N1: ten bit times a byte.
    assert [link.bytes_per_s for link in LINKS[:6]] == [11_520, 23_040, 46_080, 92_160, 200_000, 300_000]
    assert [link.name for link in LINKS] == [
        "115200 Bd", "230400 Bd", "460800 Bd", "921600 Bd", "2000000 Bd", "3000000 Bd",
        "USB full speed", "USB high speed",
    ]  # fmt: skip
    assert (USB_FULL_SPEED.bytes_per_s, USB_HIGH_SPEED.bytes_per_s) == (1e6, 4e7)


def test_sizes() -> None:
    assert [code_bytes("u12", count) for count in (1, 2, 3, 4)] == [2, 3, 5, 6]
    assert [code_bytes(code, 3) for code in ("u16", "i16", "i32")] == [6, 6, 12]
    assert [stuffing_bytes(size) for size in (3, 254, 255, 508, 509)] == [1, 1, 2, 2, 3]
    # n of ten digits, three codes of four, four separators less one, CR LF.
    assert text_line_bytes(3, 4) == len("4294967295,4095,4095,4095\r\n")
    assert text_line_bytes(3, 4, counter=False, checksum=True) == len("4095,4095,4095*7F\r\n")
    assert [digits(bits) for bits in (8, 10, 12, 16)] == [3, 4, 4, 5]
    assert [digits(bits, signed=True) for bits in (8, 12, 16)] == [4, 5, 6]
    # 2 sync, 1 counter, 3 × 2, 2 CRC
    assert record_bytes(6) == 11


def test_scans_in_a_packet() -> None:
    assert usual_scans(PUMP) == 30
    assert usual_scans(replace(PUMP, code="u12")) == 40
    assert usual_scans(replace(PUMP, rate_hz=100)) == 5  # of 50 ms
    assert usual_scans(replace(PUMP, rate_hz=1)) == 1
    assert usual_scans(replace(PUMP, wire="text")) == usual_scans(replace(PUMP, wire="record")) == 1
    assert largest_scans(PUMP) == 511
    assert largest_scans(replace(PUMP, code="u12", channels=1)) == 2725
    assert largest_scans(replace(PUMP, wire="record", channels=1)) == 2045
    assert largest_scans(replace(PUMP, wire="text")) == 1
    scans = np.full((2725, 1), 0x111)
    assert len(scans_packet(0, 0, scans, CodeType.U12)) == MAX_PACKET


def test_more_than_a_packet_holds() -> None:
    with pytest.raises(
        ValueError, match="4096 bytes in a packet, which hold 511 scans of 4 channels; got 512"
    ):
        budget(replace(PUMP, scans=512), USB_FULL_SPEED)
    with pytest.raises(ValueError, match="which hold no scan; got 1 scans"):
        budget(replace(PUMP, code="i32", channels=1100), USB_FULL_SPEED)
    with pytest.raises(ValueError, match="in a line"):
        budget(replace(PUMP, wire="text", scans=2), USB_FULL_SPEED)


# ---- The highest rate, and what to do ----


@given(stream=STREAMS, link=st.sampled_from(LINKS), part=st.sampled_from([1.0, 0.9]))
def test_the_highest_rate_takes_just_that_part(stream: Stream, link: Link, part: float) -> None:
    assume(stream.scans <= largest_scans(stream))
    rate = highest_rate_hz(stream, link, part)
    assert rate > 0
    at = budget(replace(stream, rate_hz=rate), link)
    assert at.used == pytest.approx(part)
    assert budget(replace(stream, rate_hz=rate * 1.01), link).used > part


def test_a_link_too_slow_for_the_description_carries_nothing() -> None:
    assert highest_rate_hz(PUMP, serial_link(1200)) == 0
    assert highest_rate_hz(replace(PUMP, wire="text"), serial_link(1200)) == pytest.approx(120 / 32)


def test_packets_grow_with_the_rate_of_a_slow_link() -> None:
    # At 9600 Bd 50 ms are few scans; 30 of them would be a third of a second.
    rate = highest_rate_hz(PUMP, serial_link(9600))
    assert usual_scans(replace(PUMP, rate_hz=rate)) == 3
    # 3 scans × 8 = 24 bytes of codes, 34 on the line.
    assert rate == pytest.approx((960 - description_bytes(4)) * 3 / 34)


@given(stream=STREAMS, link=st.sampled_from(LINKS))
def test_advice_fits(stream: Stream, link: Link) -> None:
    assume(stream.scans <= largest_scans(stream))
    found = advice(stream, link)
    tried = [(replace(stream, rate_hz=found.rate_hz * (1 - 1e-9)), link)]
    if found.channels:
        tried.append((replace(stream, channels=found.channels), link))
    if found.scans:
        tried.append((replace(stream, scans=found.scans), link))
    if found.code:
        tried.append((replace(stream, code=found.code), link))
    if found.link:
        tried.append((stream, found.link))
    for one, through in tried:
        assert budget(one, through).leaves_some


def test_advice_for_a_link_too_slow() -> None:
    found = advice(PUMP, serial_link(921_600))
    assert found.link is not None and found.link.baud == 2_000_000
    # Two channels: 250 / 60 × 20 000 + … = 83.5 kB/s of 92.2 leave less than a tenth.
    assert found.channels == 1
    assert found.rate_hz == pytest.approx((0.9 * 92_160 - description_bytes(4)) / (25 / 3))
    assert (found.scans, found.code) == (None, None)


def test_advice_to_pack_and_to_batch() -> None:
    # One scan a packet: 8 + 10 bytes; 9000 of them are 162 kB/s. In packets of 30: 75 kB/s.
    single = advice(replace(PUMP, rate_hz=9000, scans=1), serial_link(921_600))
    assert (single.scans, single.code) == (30, None)
    # u16: 12 000 × 8.33 = 100 kB/s; u12: 12 000 × 6.25 = 75 kB/s.
    assert advice(replace(PUMP, rate_hz=12_000), serial_link(921_600)).code == "u12"
    assert advice(replace(PUMP, rate_hz=12_000, bits=16), serial_link(921_600)).code is None


def test_no_advice_where_nothing_helps() -> None:
    found = advice(replace(PUMP, channels=1, rate_hz=1e8), serial_link(115_200))
    assert (found.link, found.channels, found.scans, found.code) == (None, None, None, None)
