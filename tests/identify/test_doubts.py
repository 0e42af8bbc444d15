"""Readings that the bytes do not exclude: told right, or said with less confidence than 0.6 and why."""

from __future__ import annotations

import struct
from collections.abc import Sequence

import numpy as np
import pytest

from livesense.identify.binary import FoundRecord, find_record
from livesense.identify.finding import identify
from livesense.identify.tickers import belongs_below

DOUBTED = 0.6
SYNC = b"\xa5\x5a"


def waves(count: int, size: float, level: float, channels: int = 3, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    angle = 2 * np.pi * 61 * np.arange(count)[:, None] / 8000 - 2 * np.pi / 3 * np.arange(channels)
    return np.round(level + size * np.sin(angle) + rng.normal(0, 1.5, (count, channels))).astype(int)


def summed(records: Sequence[bytes], sync: bytes = SYNC) -> FoundRecord:
    """What is found in records with a sync word and a sum."""
    found = find_record(b"".join(sync + one + bytes([sum(one) & 0xFF]) for one in records))
    assert found is not None
    return found


def bare(records: Sequence[bytes], sync: bytes = SYNC) -> FoundRecord:
    """What is found in records with a sync word alone."""
    found = find_record(b"".join(sync + one for one in records))
    assert found is not None
    return found


def kinds(found: FoundRecord) -> list[str]:
    return [f"{one.role}:{one.type}" for one in found.fields]


def said(found: FoundRecord, words: str) -> bool:
    return found.confidence < DOUBTED and any(words in text for text in found.evidence)


def test_a_clock_takes_no_high_byte_of_the_channel_before_it() -> None:
    # The high byte of a slow 16-bit channel moves little: with the clock above it, it goes up by 16000.
    codes = waves(900, 20000, 32768)
    time_us = 577_000_000 + np.floor(62.5 * np.arange(900)).astype(int)
    rows = zip(codes.tolist(), time_us.tolist(), strict=True)
    found = bare([struct.pack("<3HI", *row, t) for row, t in rows], b"\xaa")
    clock = next(one for one in found.fields if one.role == "clock")
    assert (clock.type, found.rate_hz) == ("u32", pytest.approx(16000, rel=0.01))
    assert [one.type for one in found.fields if one.role == "channel"] == ["u16"] * 3


@pytest.mark.parametrize("jitter", [0, 1, 3])
def test_a_clock_whose_lowest_byte_rests_is_doubted_or_right(jitter: int) -> None:
    codes = waves(400, 900, 2048)
    rng = np.random.default_rng(2)
    time_us = 50_000_000 + 1280 * np.arange(400) + rng.integers(0, 1 + jitter, 400)
    rows = zip(codes.tolist(), time_us.tolist(), strict=True)
    found = summed([struct.pack(">I3H", t, *row) for row, t in rows])
    clock = [(one.begin, one.width) for one in found.fields if one.role == "clock"]
    assert clock == [(2, 4)] or said(found, "the firmware's source tells")


def test_high_bytes_of_a_counter_may_be_type_and_length() -> None:
    codes = waves(400, 900, 2048)
    found = summed([struct.pack(">BBH3H", 7, 11, 500 + n, *row) for n, row in enumerate(codes.tolist())])
    counter = next(one for one in found.fields if one.role == "counter")
    assert counter.type == "u16" or said(found, "may stand beside a narrower counter")


def test_bytes_behind_a_length_byte_may_be_joined_with_it() -> None:
    rng = np.random.default_rng(3)
    codes = np.clip(np.round(rng.normal(128, 1.5, (800, 3))), 0, 255).astype(int)
    found = bare([bytes([7, *row, 0, 0, 0]) for row in codes.tolist()])
    widths = [one.width for one in found.fields if one.role == "channel"]
    assert widths == [1, 1, 1] or said(found, "may as well be")


def test_a_state_behind_the_last_of_alike_channels_is_none_of_it() -> None:
    codes = waves(600, 2_000_000, 0, 4)
    rows = [
        b"".join(code.to_bytes(3, "little", signed=True) for code in row) + bytes([1 + (n > 300)])
        for n, row in enumerate(codes.tolist())
    ]
    found = summed([struct.pack("<H", n) + row for n, row in enumerate(rows)])
    widths = [one.width for one in found.fields if one.role == "channel"]
    assert widths == [3, 3, 3, 3, 1] or said(found, "may as well be")


def test_few_records_of_floats_are_doubted_or_right() -> None:
    rng = np.random.default_rng(4)
    values = (np.round(waves(52, 900, 0, 24) + rng.normal(0, 2, (52, 24))) * 33 / 4096).astype(">f4")
    found = summed([struct.pack(">H", n) + row.tobytes() for n, row in enumerate(values)])
    types = {one.type for one in found.fields if one.role == "channel"}
    assert types == {"f32"} or said(found, "the firmware's source tells")


@pytest.mark.parametrize("layout", ["<12i", "<12f"])
def test_scans_at_rest_are_not_told_with_confidence(layout: str) -> None:
    rng = np.random.default_rng(5)
    codes = np.round(rng.normal(0, 2, (300, 12)))
    whole = [struct.pack(layout, *(row.astype(int) if "i" in layout else row / 125)) for row in codes]
    found = summed([struct.pack("<H", n) + row for n, row in enumerate(whole)])
    assert (found.scans, found.channels) in ((4, 3), (1, 12)) or found.confidence < DOUBTED


def test_a_byte_in_front_of_the_word_may_end_the_record_before() -> None:
    codes = waves(600, 900, 2048)
    found = bare(
        [struct.pack("<B3HB", n & 0xFF, *row, 1) for n, row in enumerate(codes.tolist())], b"\xc0\xff\xee"
    )
    assert found.sync[0] == 0xC0 or said(found, "may be the last byte of the record before it")


@pytest.mark.parametrize(
    ("step", "jitter", "own"), [(62.5, 1, True), (16000.3, 3, True), (256.0, 0, None), (1000.0, 40, True)]
)
def test_carries_show_the_lowest_byte_of_a_clock(step: float, jitter: int, own: bool | None) -> None:
    rng = np.random.default_rng(6)
    clock = (
        np.floor(step * np.arange(600)).astype(np.int64) + 5_000_000 + rng.integers(-jitter, jitter + 1, 600)
    )
    assert belongs_below(clock >> 8, clock & 0xFF, 1) is own
    other = rng.integers(0, 256, 600)
    assert belongs_below(clock >> 8, other, 1) is False


def text(lines: Sequence[str]) -> bytes:
    return "".join(line + "\n" for line in lines).encode()


def test_columns_are_named_as_most_headers_name_them() -> None:
    codes = waves(400, 900, 2048)
    lines = [f"{5_000_000 + 500 * n},{n},{row[0]},{row[1]}" for n, row in enumerate(codes.tolist())]
    heads = ["s,n,iu,iv", "t_us,n,iu,iv", "t_u,n,iu,iv", "t_us,n,iu,iv"]
    found = identify(
        text([one for k, head in enumerate(heads) for one in (head, *lines[100 * k : 100 * k + 100])]), None
    )
    assert found.channels == ("iu", "iv")
    assert found.confidence > DOUBTED


@pytest.mark.parametrize("name", ["seq", "time"])
def test_a_column_that_counts_under_another_name_is_doubted(name: str) -> None:
    codes = waves(400, 900, 2048)
    lines = [
        f"{5_000 + 20 * n if name == 'time' else n},{row[0]},{row[1]}" for n, row in enumerate(codes.tolist())
    ]
    found = identify(text([f"{name},iu,iv", *lines]), None)
    assert found.confidence < DOUBTED
    assert any(f"is named '{name}'" in line for line in found.evidence)


def test_a_check_that_is_not_known_is_said_to_be_one() -> None:
    codes = waves(400, 900, 2048)
    records = [struct.pack("<B3H", n & 0xFF, *row) for n, row in enumerate(codes.tolist())]
    found = bare([one + bytes([sum(k * byte for k, byte in enumerate(one, 3)) & 0xFF]) for one in records])
    assert found.check == "none"
    assert said(found, "may be a check that livesense does not know")


def test_at_some_speeds_other_scans_tell_as_much() -> None:
    # 40° from scan to scan, 120° from channel to channel: three scans on, the next channel is where one was.
    rng = np.random.default_rng(7)
    angle = np.deg2rad(40.0) * np.arange(2000)[:, None] - 2 * np.pi / 3 * np.arange(3)
    codes = np.round(512 + 300 * np.sin(angle) + rng.normal(0, 1, angle.shape)).astype(int)
    found = summed([struct.pack("<30H", *row) for row in codes.reshape(200, 30).tolist()])
    assert (found.scans, found.channels) == (10, 3) or said(found, "how many scans a record holds")


def test_a_counter_is_no_half_of_a_float() -> None:
    codes = waves(276, 3, 512)
    records = [
        struct.pack(">I4H", 9_000_000 + 80 * n, 16_700 + n, *row) for n, row in enumerate(codes.tolist())
    ]
    assert "channel:f32" not in kinds(summed(records))


@pytest.mark.parametrize("head", ["iu iv", "n iv"])
def test_a_note_that_comes_again_and_again_is_no_header(head: str) -> None:
    lines = [f"{n} {row[0]}" for n, row in enumerate(waves(300, 900, 2048).tolist())]
    lines = [head, *(one for k in range(6) for one in (*lines[50 * k : 50 * k + 50], "ramp done"))]
    found = identify(text(lines), None)
    assert found.channels == (("iu", "iv") if head == "iu iv" else ("iv",))
    # A counter's name proves a header; else both may be one.
    assert (found.confidence < DOUBTED) == (head == "iu iv")
    assert any("ramp done" in one for one in found.evidence)


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_counter_below_a_state_is_not_surely_a_channel(order: str) -> None:
    rng = np.random.default_rng(3)
    state = np.repeat([3, 1027, 3], [742, 4, 754])
    wide = (1 << 23) + np.cumsum(rng.integers(-7000, 7001, (1500, 4)), axis=0)
    rows = zip(((state << 16) + np.arange(1500)).tolist(), wide.tolist(), strict=True)
    found = bare([struct.pack(f"{order}IIIII", first, *row) for first, row in rows], b"\xfa\xfb")
    assert "counter:u16" in kinds(found) or said(found, "goes up steadily by itself")
