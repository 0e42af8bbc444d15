"""How one channel's codes become a compact blob, and back.

=========  ======================================================================
encoding   what ``data`` holds
=========  ======================================================================
flac16     FLAC (RFC 9639), mono, 16 bit; code = sample + base
flac24     FLAC, mono, 24 bit; code = sample + base
delta      zstd of differences (see :func:`pack_whole`); code = running sum + base
float      zstd of the byte planes of IEEE 754 numbers
=========  ======================================================================

FLAC comes close to what any linear prediction can give for a noisy sine, and any
audio program reads it. The sample rate in its header means nothing. Short
stretches, and codes that spread over more than 24 bits, are kept as differences.
"""

from __future__ import annotations

import io
import struct
import threading
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from livesense.errors import DamagedBlockError

BLOCK_SCANS = 65536
"""Scans in a block as written, at most: the edge of a window decodes one whole block."""

LARGEST_BLOCK_SCANS = 1 << 20
"""Scans in a block as read, at most: what a file declares is not taken on trust."""

SHORTEST_FLAC_SCANS = 256
"""Below this a FLAC stream is mostly its own header."""

_DUMMY_RATE_HZ = 44100
_ZSTD_LEVEL = 3
_HELD = frozenset({"<u1", "<i1", "<u2", "<i2", "<u4", "<i4", "<i8", "<f4", "<f8", "|u1", "|i1"})
_WIDTHS = {1: "<u1", 2: "<u2", 4: "<u4", 8: "<u8"}

_MINE = threading.local()
"""Each thread's packer and unpacker: making one anew takes longer than a page."""

Whole = NDArray[np.int64]
Bits = NDArray[np.uint64]


@dataclass(frozen=True, slots=True)
class Encoded:
    """One channel's codes as they are stored."""

    encoding: str
    base: int
    crc32: int
    data: bytes


def held_as(dtype: np.dtype[Any]) -> str:
    """Name of the little-endian type in which a code is kept."""
    name = dtype.newbyteorder("<").str
    if name not in _HELD:
        raise ValueError(f"expected codes of one of {sorted(_HELD)}, got {name!r}")
    return name


def dtype_of(name: object) -> np.dtype[Any]:
    """Type of raw codes from its stored name."""
    if not isinstance(name, str) or name not in _HELD:
        raise DamagedBlockError(f"expected a type of codes such as '<u2', found {name!r}")
    return np.dtype(name)


def crc_of(codes: NDArray[Any]) -> int:
    """CRC-32 of the raw codes, little-endian, as they are held."""
    return zlib.crc32(np.ascontiguousarray(codes.astype(held_as(codes.dtype), copy=False)).data)


def encode(codes: NDArray[Any]) -> Encoded:
    """Compress one channel's codes, ``(n,)`` with n ≥ 1."""
    crc = crc_of(codes)
    if codes.dtype.kind == "f":
        return Encoded("float", 0, crc, compress(_planes(codes.astype(held_as(codes.dtype), copy=False))))
    low, high = int(codes.min()), int(codes.max())
    for name, bits in (("flac16", 16), ("flac24", 24)):
        if high - low < 1 << bits and codes.size >= SHORTEST_FLAC_SCANS:
            base = _base(low, high, bits)
            if not -(1 << 63) <= base < 1 << 63:
                break
            return Encoded(name, base, crc, _to_flac(_less(codes, base, bits), bits))
    return encode_differences(codes)


def encode_differences(codes: NDArray[Any]) -> Encoded:
    """Keep whole numbers ``(n,)`` as differences, whatever their range."""
    whole = codes.astype(np.int64)
    base = int(whole[0])
    # Unsigned arithmetic wraps, so that any 64-bit code comes back.
    steps = np.diff(whole.view(np.uint64), prepend=whole[:1].view(np.uint64))
    return Encoded("delta", base, crc_of(codes), compress(pack_whole(_fold(steps.view(np.int64)))))


def decode(encoded: Encoded, scans: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    """Codes ``(scans,)`` of one channel.

    Raises
    ------
    DamagedBlockError
        What is stored does not fit its length, its encoding or its checksum.
    """
    if not 1 <= scans <= LARGEST_BLOCK_SCANS:
        raise DamagedBlockError(f"expected a block of 1 to {LARGEST_BLOCK_SCANS} scans, found {scans}")
    if encoded.encoding in ("flac16", "flac24"):
        whole = _from_flac(encoded.data, scans, 16 if encoded.encoding == "flac16" else 24)
        codes = (whole + encoded.base).astype(dtype)
    elif encoded.encoding == "delta":
        packed = decompress(encoded.data, 1 + 8 * scans)
        steps = _unfold(unpack_whole(packed, scans)[0])
        codes = (
            (np.cumsum(steps.view(np.uint64)) + np.array(encoded.base, np.int64).view(np.uint64))
            .view(np.int64)
            .astype(dtype)
        )
    elif encoded.encoding == "float" and dtype.kind == "f":
        packed = decompress(encoded.data, scans * dtype.itemsize)
        codes = _from_planes(packed, scans, dtype)
    else:
        raise DamagedBlockError(f"expected an encoding of this version, found {encoded.encoding!r}")
    if crc_of(codes) != encoded.crc32:
        raise DamagedBlockError("the stored codes do not match their checksum")
    return codes


def _base(low: int, high: int, bits: int) -> int:
    half = 1 << (bits - 1)
    if -half <= low and high < half:
        return 0
    if low >= 0 and high < 2 * half:
        return half
    return low + half


def _less(codes: NDArray[Any], base: int, bits: int) -> NDArray[Any]:
    """Codes less their base, which fit into so many bits, in the type that libsndfile takes."""
    if bits == 16:
        # Modulo 2¹⁶, hence right whatever the steps: half the memory of wider types.
        short = codes.astype(np.int16, copy=False)
        return short - np.array(base & 0xFFFF, np.uint16).view(np.int16) if base else short
    # libsndfile wants 24 bits at the upper end of 32.
    return ((codes.astype(np.int64) - base) << 8).astype(np.int32)


def _to_flac(samples: NDArray[Any], bits: int) -> bytes:
    import soundfile

    target = io.BytesIO()
    with soundfile.SoundFile(target, "w", _DUMMY_RATE_HZ, 1, f"PCM_{bits}", format="FLAC") as stream:
        stream.write(samples)
    return target.getvalue()


def _from_flac(data: bytes, scans: int, bits: int) -> Whole:
    import soundfile

    if data[:4] != b"fLaC":
        raise DamagedBlockError("expected a FLAC stream, found something else")
    try:
        with soundfile.SoundFile(io.BytesIO(data)) as stream:
            if (stream.format, stream.channels, stream.subtype) != ("FLAC", 1, f"PCM_{bits}"):
                raise DamagedBlockError(f"expected mono FLAC of {bits} bit, found {stream.subtype}")
            samples = stream.read(scans + 1, dtype="int16" if bits == 16 else "int32")
    except (soundfile.LibsndfileError, RuntimeError) as error:
        raise DamagedBlockError(f"a FLAC stream cannot be decoded: {error}") from error
    if samples.shape != (scans,):
        raise DamagedBlockError(f"expected a FLAC stream of {scans} samples, found {samples.shape}")
    whole: Whole = samples.astype(np.int64)
    return whole if bits == 16 else whole >> 8


def _fold(steps: Whole) -> Bits:
    """Make signed unsigned, small magnitudes first: 0, −1, 1, −2 become 0, 1, 2, 3."""
    return ((steps << 1) ^ (steps >> 63)).view(np.uint64)


def _unfold(folded: Bits) -> Whole:
    half: Whole = (folded >> np.uint64(1)).view(np.int64)
    odd: Whole = (folded & np.uint64(1)).view(np.int64)
    return half ^ -odd


def _planes(values: NDArray[Any]) -> bytes:
    """All lowest bytes, then all second bytes, …: alike bytes side by side compress well."""
    return values.view(np.uint8).reshape(len(values), -1).T.tobytes()


def _from_planes(data: bytes | memoryview, count: int, dtype: np.dtype[Any]) -> NDArray[Any]:
    if len(data) != count * dtype.itemsize:
        raise DamagedBlockError(f"expected {count * dtype.itemsize} bytes, found {len(data)}")
    planes = np.frombuffer(data, np.uint8).reshape(dtype.itemsize, count)
    return np.ascontiguousarray(planes.T).view(dtype).reshape(count)


def pack_whole(values: Bits) -> bytes:
    """Pack non-negative integers ``(n,)``: one byte for their width (0, 1, 2, 4, 8), then byte planes.

    A width of 0 means that all are 0.
    """
    highest = int(values.max()) if values.size else 0
    if highest == 0:
        return b"\0"
    width = 1 if highest < 1 << 8 else 2 if highest < 1 << 16 else 4 if highest < 1 << 32 else 8
    return struct.pack("<B", width) + _planes(values.astype(_WIDTHS[width]))


def unpack_whole(data: bytes | memoryview, count: int) -> tuple[Bits, int]:
    """Take out what :func:`pack_whole` packed at the beginning of ``data``, and how many bytes that took."""
    width = data[0] if len(data) else -1
    if width == 0:
        return np.zeros(count, np.uint64), 1
    if width not in _WIDTHS:
        raise DamagedBlockError(f"expected a width of 0, 1, 2, 4 or 8 bytes, found {width}")
    end = 1 + width * count
    if len(data) < end:
        raise DamagedBlockError(f"expected {end} bytes, found {len(data)}")
    planes = np.frombuffer(data, np.uint8, width * count, 1).reshape(width, count)
    values = planes[0].astype(np.uint64)
    for number in range(1, width):
        values |= planes[number].astype(np.uint64) << np.uint64(8 * number)
    return values, end


def compress(data: bytes) -> bytes:
    """One zstd frame with a checksum."""
    if not hasattr(_MINE, "compressor"):
        import zstandard

        _MINE.compressor = zstandard.ZstdCompressor(level=_ZSTD_LEVEL, write_checksum=True)
    packed: bytes = _MINE.compressor.compress(data)
    return packed


def decompress(data: bytes, largest: int) -> bytes:
    """Content of a zstd frame, at most ``largest`` bytes.

    Raises
    ------
    DamagedBlockError
        It is damaged, or would be larger.
    """
    import zstandard

    try:
        # A frame that declares its size is allocated in full before it is decoded.
        declared = zstandard.frame_content_size(data)
        if declared > largest:
            raise DamagedBlockError(f"expected at most {largest} bytes, found {declared} declared")
        if not hasattr(_MINE, "decompressor"):
            _MINE.decompressor = zstandard.ZstdDecompressor()
        content: bytes = _MINE.decompressor.decompress(data, max_output_size=largest)
        return content
    except zstandard.ZstdError as error:
        raise DamagedBlockError(f"a zstd frame cannot be decoded: {error}") from error
