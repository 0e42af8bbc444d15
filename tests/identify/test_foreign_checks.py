"""Checks that no bench file can declare: told as checks, left out, and what is none is not taken for one."""

from __future__ import annotations

import struct
from collections.abc import Callable

import numpy as np
import pytest

from livesense.identify.binary import FoundRecord, find_record
from livesense.identify.foreign_checks import foreign_check

RECORDS = 900


def crc(body: bytes, bits: int, polynomial: int, initial: int, final: int) -> int:
    """Bit by bit, lowest bit first, so that ``polynomial`` has its bits reversed."""
    left = initial
    for byte in body:
        left ^= byte
        for _ in range(8):
            left = left >> 1 ^ (polynomial if left & 1 else 0)
    return (left ^ final) & ((1 << bits) - 1)


def maxim(body: bytes) -> int:
    return crc(body, 8, 0x8C, 0, 0)


def x25(body: bytes) -> int:
    return crc(body, 16, 0x8408, 0xFFFF, 0xFFFF)


def fletcher(body: bytes) -> int:
    low = high = 0
    for byte in body:
        low = (low + byte) % 255
        high = (high + low) % 255
    return high << 8 | low


def test_the_checks_of_these_tests_are_those_of_the_catalogue() -> None:
    # Check values of the public catalogue of CRC algorithms, from memory: CRC-8/MAXIM-DOW, CRC-16/IBM-SDLC.
    assert (maxim(b"123456789"), x25(b"123456789")) == (0xA1, 0x906E)


def rows(seed: int = 1) -> list[bytes]:
    """Records without a check: a counter and three currents."""
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * 61 * np.arange(RECORDS)[:, None] / 8000 - 2 * np.pi / 3 * np.arange(3)
    codes = np.round(2048 + 900 * np.sin(angle) + rng.normal(0, 1.5, (RECORDS, 3))).astype(int)
    return [struct.pack("<B3H", n & 0xFF, *row) for n, row in enumerate(codes.tolist())]


def found_with(check: Callable[[bytes], int], width: int, order: str = "little") -> FoundRecord | None:
    closed = [one + check(one).to_bytes(width, "big" if order == "big" else "little") for one in rows()]
    return find_record(b"".join(b"\xa5\x5a" + one for one in closed))


@pytest.mark.parametrize(
    ("check", "width", "named"),
    [
        (lambda body: -sum(body) & 0xFF, 1, "a sum, negated"),
        (lambda body: sum(body) + 7 & 0xFF, 1, "another number than 0"),
        (lambda body: sum(body), 2, "a sum of 16 bits"),
        (fletcher, 2, "Fletcher"),
        (maxim, 1, "a CRC"),
        (x25, 2, "a CRC"),
    ],
)
@pytest.mark.parametrize("order", ["little", "big"])
def test_the_check_is_told_and_left_out(
    check: Callable[[bytes], int], width: int, named: str, order: str
) -> None:
    found = found_with(check, width, order)
    assert found is not None
    assert [one.type for one in found.fields] == ["u8", "u16", "u16", "u16", f"pad{width}"]
    assert (found.check, found.length) == ("none", 9 + width)
    assert any(named in line and "cannot be declared" in line for line in found.evidence)


def test_damage_hides_no_check() -> None:
    rng = np.random.default_rng(2)
    records = [bytearray(b"\xa5\x5a" + one + bytes([maxim(one)])) for one in rows()]
    for number in rng.choice(RECORDS, RECORDS // 60, replace=False):
        records[number][int(rng.integers(2, 10))] ^= 1 << int(rng.integers(0, 8))
    found = foreign_check(np.frombuffer(b"".join(records), np.uint8).reshape(RECORDS, -1), 2)
    assert found is not None
    assert (found.width, found.way) == (1, "a CRC")


def test_channels_states_and_bytes_sent_twice_are_no_check() -> None:
    rng = np.random.default_rng(3)
    for last in (
        lambda one, _: one[-2:],
        lambda one, _: bytes([one[0] ^ 0xFF]),
        lambda _, n: bytes([n * 3 & 0xFF]),
        lambda *_: rng.bytes(1),
    ):
        data = b"".join(b"\xa5\x5a" + one + last(one, n) for n, one in enumerate(rows()))
        assert foreign_check(np.frombuffer(data, np.uint8).reshape(RECORDS, -1), 2) is None
