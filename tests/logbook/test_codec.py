"""What is encoded comes back, and what is damaged does not."""

from __future__ import annotations

import dataclasses
import io

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from livesense.errors import DamagedBlockError
from livesense.logbook import codec

TYPES = ("<u2", "<i2", "<i4", "<u4", "<i8", "|u1", "|i1")


@pytest.mark.parametrize("name", TYPES)
@pytest.mark.parametrize("count", [1, 2, codec.SHORTEST_FLAC_SCANS - 1, codec.SHORTEST_FLAC_SCANS, 5000])
def test_whole_range_comes_back(name: str, count: int) -> None:
    dtype = np.dtype(name)
    info = np.iinfo(dtype)
    codes = np.random.default_rng(3).integers(info.min, info.max, count, dtype=dtype, endpoint=True)
    codes[0] = info.max
    codes[-1] = info.min
    encoded = codec.encode(codes)
    back = codec.decode(encoded, count, dtype)
    assert back.dtype == dtype
    assert np.array_equal(back, codes)


@pytest.mark.parametrize(
    ("low", "high", "encoding"),
    [
        (0, 4095, "flac16"),
        (-32768, 32767, "flac16"),
        (0, 65535, "flac16"),
        (-1, 65534, "flac16"),
        (1_000_000, 1_065_535, "flac16"),
        (-32769, 32767, "flac24"),
        (-(1 << 23), (1 << 23) - 1, "flac24"),
        (0, (1 << 24) - 1, "flac24"),
        (0, 1 << 24, "delta"),
        (-(1 << 31), (1 << 31) - 1, "delta"),
    ],
)
def test_encoding_follows_the_range_that_occurs(low: int, high: int, encoding: str) -> None:
    codes = np.linspace(low, high, 1000).astype(np.int64)
    codes[0], codes[-1] = low, high
    encoded = codec.encode(codes)
    assert encoded.encoding == encoding
    assert np.array_equal(codec.decode(encoded, 1000, codes.dtype), codes)


@settings(max_examples=60, deadline=None)
@given(hnp.arrays(np.int64, st.integers(1, 400), elements=st.integers(-(2**63), 2**63 - 1)))
def test_any_64_bit_codes_come_back(codes: np.ndarray) -> None:
    for encoded in (codec.encode(codes), codec.encode_differences(codes)):
        assert np.array_equal(codec.decode(encoded, len(codes), codes.dtype), codes)


@pytest.mark.parametrize("name", ["<f4", "<f8"])
def test_floats_come_back_to_the_bit(name: str) -> None:
    codes = np.array([0.0, -0.0, 1.5e-42, np.nan, np.inf, -np.inf, 3.1415927], name)
    back = codec.decode(codec.encode(codes), len(codes), codes.dtype)
    assert back.tobytes() == codes.tobytes()


def test_big_endian_codes_are_kept_like_others() -> None:
    codes = np.arange(1000, dtype=">u2")
    assert np.array_equal(codec.decode(codec.encode(codes), 1000, np.dtype("<u2")), codes)


def test_any_flac_reader_finds_the_codes() -> None:
    codes = (2048 + 700 * np.sin(np.arange(3000) / 20)).astype("<u2")
    encoded = codec.encode(codes)
    samples, _ = soundfile.read(io.BytesIO(encoded.data), dtype="int16")
    assert np.array_equal(samples + encoded.base, codes)


def test_a_steady_clock_costs_next_to_nothing() -> None:
    ticks = np.arange(20000, dtype=np.int64) * 50 + 123_456_789_000
    assert len(codec.encode_differences(ticks).data) < 200


def test_wire_types_have_a_held_type() -> None:
    with pytest.raises(ValueError, match="expected codes of one of"):
        codec.held_as(np.dtype("complex64"))
    with pytest.raises(DamagedBlockError):
        codec.dtype_of("O")
    with pytest.raises(DamagedBlockError):
        codec.dtype_of(None)


@pytest.fixture(params=["flac16", "flac24", "delta", "float"])
def stored(request: pytest.FixtureRequest) -> tuple[codec.Encoded, np.ndarray]:
    rng = np.random.default_rng(5)
    codes = {
        "flac16": rng.integers(0, 4096, 600).astype("<u2"),
        "flac24": rng.integers(-(1 << 22), 1 << 22, 600).astype("<i4"),
        "delta": rng.integers(0, 4096, 200).astype("<u2"),
        "float": rng.normal(size=300).astype("<f4"),
    }[request.param]
    encoded = codec.encode(codes)
    assert encoded.encoding == request.param
    return encoded, codes


def test_one_flipped_bit_is_noticed(stored: tuple[codec.Encoded, np.ndarray]) -> None:
    encoded, codes = stored
    noticed = 0
    places = range(0, len(encoded.data), max(1, len(encoded.data) // 60))
    for place in places:
        data = bytearray(encoded.data)
        data[place] ^= 0x10
        try:
            back = codec.decode(dataclasses.replace(encoded, data=bytes(data)), len(codes), codes.dtype)
        except DamagedBlockError:
            noticed += 1
        else:
            # Some header bits mean nothing; what comes back is then right.
            assert np.array_equal(back, codes)
    assert noticed > len(places) * 0.8


@pytest.mark.parametrize("change", [-1, 1, 1000])
def test_a_wrong_length_is_noticed(stored: tuple[codec.Encoded, np.ndarray], change: int) -> None:
    encoded, codes = stored
    with pytest.raises(DamagedBlockError):
        codec.decode(encoded, len(codes) + change, codes.dtype)


@pytest.mark.parametrize("data", [b"", b"fLaC", b"RIFF" + bytes(40), b"\x28\xb5\x2f\xfd"])
def test_what_is_no_stream_is_refused(stored: tuple[codec.Encoded, np.ndarray], data: bytes) -> None:
    encoded, codes = stored
    with pytest.raises(DamagedBlockError):
        codec.decode(dataclasses.replace(encoded, data=data), len(codes), codes.dtype)


def test_a_truncated_stream_is_refused(stored: tuple[codec.Encoded, np.ndarray]) -> None:
    encoded, codes = stored
    with pytest.raises(DamagedBlockError):
        codec.decode(dataclasses.replace(encoded, data=encoded.data[:-20]), len(codes), codes.dtype)


@pytest.mark.parametrize("count", [0, -1, codec.LARGEST_BLOCK_SCANS + 1, 1 << 60])
def test_a_huge_declared_count_is_refused(count: int) -> None:
    encoded = codec.encode(np.arange(10, dtype="<u2"))
    with pytest.raises(DamagedBlockError, match="expected a block of 1 to"):
        codec.decode(encoded, count, np.dtype("<u2"))


def test_a_frame_that_would_fill_the_memory_is_refused() -> None:
    bomb = codec.compress(bytes(100_000_000))
    assert len(bomb) < 20_000
    encoded = codec.Encoded("delta", 0, 0, bomb)
    with pytest.raises(DamagedBlockError, match="declared"):
        codec.decode(encoded, 1000, np.dtype("<u2"))


def test_an_unknown_encoding_is_named() -> None:
    with pytest.raises(DamagedBlockError, match="'brotli'"):
        codec.decode(codec.Encoded("brotli", 0, 0, b""), 10, np.dtype("<u2"))


@pytest.mark.parametrize("end", [2**63 - 1, -(2**63)])
def test_codes_at_the_ends_of_64_bits_come_back(end: int) -> None:
    step = -1 if end > 0 else 1
    codes = np.array([end + step * (n % 1000) for n in range(5000)], dtype=np.int64)
    assert np.array_equal(codec.decode(codec.encode(codes), len(codes), codes.dtype), codes)
