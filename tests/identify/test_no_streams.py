"""What is no stream of scans, or one that cannot be declared, is told as such."""

from __future__ import annotations

import binascii
import struct

import numpy as np
import pytest

from livesense.identify.binary import find_record
from livesense.identify.columns import Columns, FoundField
from livesense.identify.finding import identify
from livesense.identify.reading import Reading
from livesense.identify.rivals import rivals
from livesense.wire.checksum import check_rows

DOUBTED = 0.6


def closed(frame: bytes) -> bytes:
    crc = int(check_rows("crc16-modbus", np.frombuffer(frame, np.uint8)[None])[0])
    return frame + crc.to_bytes(2, "little")


@pytest.mark.parametrize("registers", [1, 4])
def test_polls_of_a_master_are_no_records(registers: int) -> None:
    rng = np.random.default_rng(1)
    frames = []
    for _ in range(80):
        frames.append(closed(bytes([17, 4, 0, 16, 0, registers])))
        codes = rng.integers(1900, 2200, registers).tolist()
        frames.append(closed(bytes([17, 4, 2 * registers]) + struct.pack(f">{registers}H", *codes)))
    found = identify(b"".join(frames)[5:], 1.0)
    assert (found.wire, found.bench) == (None, "")
    assert "80 requests of Modbus RTU" in found.evidence[0] or "79 requests" in found.evidence[0]


@pytest.mark.parametrize("line", ["{};{};{}", "{}\t{}\t{}", "{} {} {}", "{0}"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_decimal_commas_are_told(line: str, end: str) -> None:
    values = np.random.default_rng(2).normal(0, 4, (300, 3))
    text = "".join(line.format(*(f"{v:.2f}" for v in row)).replace(".", ",") + end for row in values)
    found = identify(text.encode(), 1.0)
    assert found.wire is None
    assert "decimal commas" in found.evidence[0]


@pytest.mark.parametrize("line", ["{},{},{}", "{}, {}, {}", "{};{},{}", "{},{}", "{:05d},{:05d}"])
def test_commas_between_codes_are_none(line: str) -> None:
    codes = np.random.default_rng(3).integers(600, 3000, (300, 3)).tolist()
    found = identify("".join(line.format(*row) + "\n" for row in codes).encode(), 1.0)
    assert found.wire == "text"
    assert len(found.channels) == line.count("{")


def test_channels_one_after_the_other_are_told_as_values_of_their_own() -> None:
    rng = np.random.default_rng(4)
    angle = 2 * np.pi * 0.02 * np.arange(4800)[:, None] - 2 * np.pi / 3 * np.arange(3)
    codes = np.round(2048 + 900 * np.sin(angle) + rng.normal(0, 1.5, (4800, 3))).astype(int)
    bodies = [
        struct.pack("<B24H", n & 0xFF, *block.T.ravel().tolist())
        for n, block in enumerate(codes.reshape(600, 8, 3))
    ]
    data = b"".join(b"\xa5\x5a" + b + binascii.crc_hqx(b, 0xFFFF).to_bytes(2, "little") for b in bodies)
    found = find_record(data)
    assert found is not None
    assert (found.scans, found.channels) == (1, 24)
    assert found.confidence < DOUBTED
    assert any("8 values of each" in line for line in found.evidence)


@pytest.mark.parametrize(
    ("seconds", "doubted"), [(0.9, False), (0.3, True), (None, True)], ids=["333/s", "1000/s", "unknown"]
)
def test_a_lone_counter_may_be_a_clock_where_the_rate_allows_it(seconds: float | None, doubted: bool) -> None:
    rng = np.random.default_rng(5)
    angle = 2 * np.pi * 0.02 * np.arange(300)[:, None] - 2 * np.pi / 3 * np.arange(3)
    codes = np.round(2048 + 900 * np.sin(angle) + rng.normal(0, 1.5, (300, 3))).astype(int)
    bodies = [struct.pack("<I3H", 70_000 + n, *row) for n, row in enumerate(codes.tolist())]
    data = b"".join(b"\xa5\x5a" + b + binascii.crc_hqx(b, 0xFFFF).to_bytes(2, "little") for b in bodies)
    found = identify(data, seconds)
    assert any("clock in milliseconds" in line for line in found.evidence) is doubted
    assert (found.confidence < 0.9) is doubted
    assert seconds is None or (found.confidence < DOUBTED) is doubted


def test_an_angle_that_turns_evenly_is_no_certain_clock() -> None:
    rng = np.random.default_rng(6)
    angle = 1000 * np.arange(900) + np.cumsum(np.round(rng.normal(0, 20, 900))).astype(int)
    wave = 9000 * np.sin(angle[:, None] * 2 * np.pi / 65536 - 2 * np.pi / 3 * np.arange(3))
    codes = np.round(wave + rng.normal(0, 3, (900, 3))).astype(int)
    bodies = [
        struct.pack("<3hH", *row, int(a) & 0xFFFF) for row, a in zip(codes.tolist(), angle, strict=True)
    ]
    data = b"".join(b"\xa5\x5a" + b + binascii.crc_hqx(b, 0xFFFF).to_bytes(2, "little") for b in bodies)
    found = find_record(data)
    assert found is not None
    assert not found.clock or found.confidence < DOUBTED


def test_records_of_another_kind_between_them_are_told() -> None:
    rng = np.random.default_rng(7)
    angle = 2 * np.pi * 0.02 * np.arange(900)[:, None] - 2 * np.pi / 3 * np.arange(3)
    codes = np.round(2048 + 900 * np.sin(angle) + rng.normal(0, 1.5, (900, 3))).astype(int)
    data = b""
    for n, row in enumerate(codes.tolist()):
        bodies = [struct.pack("<BH3H", 1, n, *row)]
        if n % 60 == 9:
            bodies.append(struct.pack("<B5H", 2, 250, 31, n, 7, 0))
        data += b"".join(b"\xa5\x5a" + one + bytes([sum(one) & 0xFF]) for one in bodies)
    found = find_record(data)
    assert found is not None
    assert (found.length, found.channels) == (12, 3)
    assert found.confidence < 0.9
    assert any("15 times 14 bytes" in line and "another kind" in line for line in found.evidence)


def test_one_wave_at_a_speed_that_deceives_is_not_several_channels() -> None:
    rng = np.random.default_rng(8)
    # Eight scans on, the wave is nearly where it was.
    wave = 4_000_000 * np.sin(2 * np.pi * (3 / 8 + 0.0011) * np.arange(300 * 16))
    codes = np.round(wave + rng.normal(0, 9000, wave.shape)).astype(int)
    bodies = [struct.pack("<16i", *row) for row in codes.reshape(300, 16).tolist()]
    data = b"".join(b"\xa5\x5a" + b + binascii.crc_hqx(b, 0xFFFF).to_bytes(2, "little") for b in bodies)
    found = find_record(data)
    assert found is not None
    assert (found.scans, found.channels) == (16, 1) or found.confidence < DOUBTED


@pytest.mark.parametrize(("seconds", "confidence"), [(0.9, 0.9), (None, 0.85), (0.3, 0.5)])
def test_a_lone_count_in_lines_may_be_a_clock_where_the_rate_allows_it(
    seconds: float | None, confidence: float
) -> None:
    codes = np.random.default_rng(9).integers(1900, 2200, (300, 3)).tolist()
    text = "".join(f"{70_000 + n},{a},{b},{c}\n" for n, (a, b, c) in enumerate(codes))
    found = identify(text.encode(), seconds)
    assert any("clock in milliseconds" in line for line in found.evidence) is (confidence < 0.9)
    assert found.confidence >= 0.9 if confidence == 0.9 else found.confidence <= confidence


def test_two_amplifiers_at_each_shunt_are_no_certain_scans() -> None:
    rng = np.random.default_rng(10)
    angle = 2 * np.pi * 0.07 * np.arange(900)[:, None] - 2 * np.pi / 3 * np.arange(3)
    wave = np.tile(9000 * np.sin(angle), 2)
    codes = np.round(wave + rng.normal(0, 3, wave.shape)).astype(int).tolist()
    data = b""
    for row in codes:
        body = struct.pack("<6h", *row)
        data += b"\xa5\x5a" + body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "little")
    found = find_record(data)
    assert found is not None
    assert (found.scans, found.channels) == (1, 6) or found.confidence < DOUBTED


@pytest.mark.parametrize(("beside", "doubted"), [(1, False), (2, True)])
def test_channels_that_come_once_beside_scans_of_others_are_doubted(beside: int, doubted: bool) -> None:
    rng = np.random.default_rng(12)
    angle = 2 * np.pi * 0.02 * np.arange(3600)[:, None] - 2 * np.pi / 3 * np.arange(2)
    codes = np.round(2048 + 900 * np.sin(angle) + rng.normal(0, 1.5, (3600, 2))).astype(int)
    quiet = np.round(rng.normal(1500, 3, (900, beside))).astype(int)
    rows = np.concatenate([codes.reshape(900, 8), quiet], axis=1).tolist()
    bodies = [struct.pack(f"<{8 + beside}H", *row) for row in rows]
    data = b"".join(b"\xa5\x5a" + b + binascii.crc_hqx(b, 0xFFFF).to_bytes(2, "little") for b in bodies)
    found = find_record(data)
    assert found is not None
    assert (found.scans, found.channels) == (4, 2)
    assert (found.confidence < DOUBTED) is doubted


@pytest.mark.parametrize("order", ["<", ">"])
def test_wide_codes_that_clip_are_no_certain_halves(order: str) -> None:
    rng = np.random.default_rng(13)
    angle = 2 * np.pi * 0.01 * np.arange(900)[:, None] - 2 * np.pi / 3 * np.arange(3)
    top = 700_000_000
    noisy = np.clip(1.6 * np.sin(angle), -1, 1) * top + rng.normal(0, 20_000, angle.shape)
    codes = np.round(noisy.clip(-top, top)).astype(int).tolist()
    bodies = [struct.pack(f"{order}B3i", n & 0xFF, *row) for n, row in enumerate(codes)]
    found = find_record(b"".join(b"\xa5\x5a" + one for one in bodies))
    assert found is not None
    assert [one.type for one in found.fields][1:] == ["i32"] * 3 or found.confidence < DOUBTED


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_fast_current_beside_a_quiet_voltage_is_not_half_a_number(order: str) -> None:
    rng = np.random.default_rng(14)
    current = 30_000 * np.sin(2 * np.pi * 0.07 * np.arange(900))
    both = np.stack([current, np.full(900, 20_000.0)], axis=1)
    if order == ">":
        both = both[:, ::-1]
    codes = np.round(both + rng.normal(0, 3, both.shape)).astype(int).tolist()
    bodies = [struct.pack(f"{order}2h", *row) for row in codes]
    data = b"".join(b"\xa5\x5a" + b + binascii.crc_hqx(b, 0xFFFF).to_bytes(2, "little") for b in bodies)
    found = find_record(data)
    assert found is not None
    assert [one.type for one in found.fields] == ["i16", "i16"]
    assert found.confidence > 0.9


def test_a_word_that_comes_again_in_each_record_is_doubted() -> None:
    rng = np.random.default_rng(15)
    angle = 2 * np.pi * 0.02 * np.arange(900)[:, None] - 2 * np.pi / 3 * np.arange(3)
    codes = np.round(2048 + 900 * np.sin(angle) + rng.normal(0, 1.5, (900, 3))).astype(int).tolist()
    data = b"".join(b"\xa5\x5a\x01" + struct.pack("<3H", *row) + b"\x01\xa5\x5a\x01" for row in codes)
    found = find_record(data)
    assert found is not None
    assert found.confidence < DOUBTED
    assert any("hold the word again" in line for line in found.evidence)


@pytest.mark.parametrize("slipped", [0, 9, 90])
def test_a_word_that_cuts_records_at_several_places_is_doubted(slipped: int) -> None:
    rng = np.random.default_rng(16)
    rows = np.full((300, 8), 0x7F, dtype=np.uint8)
    rows[:, 6:] = rng.integers(100, 140, (300, 2))
    # Cut a byte too early, so that what moves stands where nothing did.
    rows[:slipped, 5] = rng.integers(100, 126, slipped)
    fields = [
        FoundField(2, "pad4", 4, "pad"),
        FoundField(6, "u8", 1, "channel"),
        FoundField(7, "u8", 1, "channel"),
    ]
    said = rivals(Reading(rows, Columns(rows), b"\xa5\x7f", 8, False, False, fields, {}))
    assert any("bytes 2–5 do not stay" in line for line in said) is (slipped == 90)
