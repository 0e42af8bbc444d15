"""Signs of channels: by their own movement, by where they clip, by the channels beside them, or doubted."""

from __future__ import annotations

import struct

import numpy as np
import pytest

from livesense.identify.binary import FoundRecord, find_record
from livesense.identify.signs import told_sign

DOUBTED = 0.6


def waves(count: int, size: float, level: float) -> np.ndarray:
    rng = np.random.default_rng(1)
    angle = 2 * np.pi * 61 * np.arange(count)[:, None] / 8000 - 2 * np.pi / 3 * np.arange(3)
    return np.round(level + size * np.sin(angle) + rng.normal(0, 1.5, (count, 3))).astype(int)


def summed(bodies: list[bytes]) -> FoundRecord:
    found = find_record(b"".join(b"\xa5\x5a" + one + bytes([sum(one) & 0xFF]) for one in bodies))
    assert found is not None
    return found


@pytest.mark.parametrize(("level", "sign"), [(0, "i"), (1 << 15, "u")])
@pytest.mark.parametrize("cycles_of_a_step", [0.002, 0.31])
def test_a_clipped_signal_ends_at_both_ends_of_its_range(
    level: int, sign: str, cycles_of_a_step: float
) -> None:
    wave = 40_000 * np.sin(2 * np.pi * cycles_of_a_step * np.arange(2000)) + level
    low = level - (1 << 15)
    codes = (np.clip(np.round(wave), low, low + 0xFFF0).astype(np.int64) & 0xFFF0) & 0xFFFF
    assert told_sign(codes, 2) == sign


def test_what_never_crosses_anything_tells_no_sign() -> None:
    assert told_sign(np.arange(100, dtype=np.int64), 2) is None
    assert told_sign(np.arange(100, dtype=np.int64) + 50_000, 2) is None


def test_a_voltage_in_the_upper_half_is_counted_as_the_currents_beside_it() -> None:
    rows = waves(600, 20_000, 1 << 15).tolist()
    found = summed([struct.pack("<B4H", n & 0xFF, *row, 52_000 + n % 5) for n, row in enumerate(rows)])
    assert [one.type for one in found.fields] == ["u8", "u16", "u16", "u16", "u16"]
    assert found.confidence > DOUBTED


def test_far_below_zero_or_counted_from_zero_is_doubted() -> None:
    rows = waves(600, 20_000, 0).tolist()
    found = summed([struct.pack("<B3hH", n & 0xFF, *row, 52_000 + n % 5) for n, row in enumerate(rows)])
    assert found.confidence < DOUBTED
    assert [line for line in found.evidence if "or else have a sign" in line] == [
        "bytes 9–10 may be counted from 0, or else have a sign: the firmware's source tells"
    ]


def test_a_small_negative_level_is_no_doubt() -> None:
    rows = waves(600, 20_000, 0).tolist()
    found = summed([struct.pack("<B4h", n & 0xFF, *row, -40 + n % 5) for n, row in enumerate(rows)])
    assert [one.type for one in found.fields] == ["u8", "i16", "i16", "i16", "i16"]
    assert found.confidence > DOUBTED
