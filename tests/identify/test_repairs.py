"""Cuts that movement alone gets wrong: sign words, odd fields among alike ones, clocks beside other bytes."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from livesense.identify.binary import FoundRecord, find_record

SYNC = b"\xaa\x55"


def three(count: int, size: float, rng: np.random.Generator, level: float = 0.0) -> np.ndarray:
    angle = 2 * np.pi * 61 * np.arange(count)[:, None] / 8000 - 2 * np.pi / 3 * np.arange(3)
    return np.round(level + size * np.sin(angle) + rng.normal(0, size / 200, (count, 3))).astype(int)


def found_in(records: list[bytes]) -> FoundRecord:
    """What is found in records with a sync word and a sum of all bytes."""
    data = b"".join(SYNC + r + bytes([sum(r) & 0xFF]) for r in records)
    found = find_record(data)
    assert found is not None
    assert (found.length, found.sync, found.check) == (len(records[0]) + 3, SYNC, "sum8")
    return found


def kinds(found: FoundRecord) -> list[str]:
    return [f.type for f in found.fields]


@pytest.mark.parametrize("size", [300, 5_000, 150_000])
@pytest.mark.parametrize("order", ["<", ">"])
def test_a_sign_word_belongs_to_its_code(size: float, order: str) -> None:
    codes = three(400, size, np.random.default_rng(1))
    found = found_in([struct.pack(f"{order}3i", *row) for row in codes.tolist()])
    assert kinds(found) == ["i32", "i32", "i32"]
    assert found.big == (order == ">")


def test_empty_high_halves_between_other_fields() -> None:
    rng = np.random.default_rng(2)
    codes = three(400, 900, rng, 2048)
    found = found_in([struct.pack(">BH3IB", 7, 1000 + n, *row, 0) for n, row in enumerate(codes.tolist())])
    assert [f.width for f in found.fields if f.role == "channel"] == [4, 4, 4]
    assert [f.type for f in found.fields if f.role == "counter"] == ["u16"]


def test_two_real_channels_are_not_joined() -> None:
    """A quiet channel beside a moving one moves by itself."""
    rng = np.random.default_rng(3)
    moving = three(600, 900, rng, 2048)
    quiet = np.round(rng.normal(0, 20, (600, 3))).astype(int)
    rows = [(a, b, c, d, e, f) for (a, c, e), (b, d, f) in zip(moving.tolist(), quiet.tolist(), strict=True)]
    found = found_in([struct.pack("<HhHhHh", *row) for row in rows])
    assert [f.width for f in found.fields] == [2] * 6


@pytest.mark.parametrize("upper", [0, 411_000_000])
def test_a_clock_of_microseconds_is_not_moved_over_its_neighbour(upper: int) -> None:
    rng = np.random.default_rng(4)
    codes = three(900, 900, rng, 2048)
    time_us = upper + 25 * np.arange(900) + rng.integers(0, 2, 900)
    found = found_in(
        [struct.pack(">I3H", int(t), *row) for t, row in zip(time_us, codes.tolist(), strict=True)]
    )
    clock = next(f for f in found.fields if f.role == "clock")
    assert (clock.begin, clock.type) == (2, "u32")
    assert found.rate_hz == pytest.approx(40_000, rel=0.03)


def test_a_counter_of_scans_tells_how_many_a_record_holds_at_rest() -> None:
    rng = np.random.default_rng(5)
    noise = np.round(rng.normal(2048, 3, (400, 24))).astype(int)
    found = found_in([struct.pack("<H24H", (8 * n) % 65536, *row) for n, row in enumerate(noise.tolist())])
    assert (found.scans, found.channels, found.counts_scans) == (8, 3, True)


def test_the_rate_leaves_lost_records_out() -> None:
    rng = np.random.default_rng(6)
    codes = three(2000, 900, rng, 2048)
    kept = rng.random(2000) > 0.03
    rows = [
        struct.pack("<BI3H", n & 0xFF, 5000 + int(0.4 * n), *row)
        for n, row in enumerate(codes.tolist())
        if kept[n]
    ]
    assert found_in(rows).rate_hz == pytest.approx(2500, rel=0.01)


def test_a_check_that_holds_over_several_records_together() -> None:
    """XOR of XORs is right for three records as for one."""
    rng = np.random.default_rng(7)
    codes = three(3000, 4000, rng, 8192)[:, :2]
    data = b""
    for row in codes.tolist():
        record = struct.pack(">2H", *row)
        check = 0
        for byte in record:
            check ^= byte
        data += record + bytes([check])
    found = find_record(data)
    assert found is not None
    assert (found.length, found.check) == (5, "xor8")
