"""Framing and integrity against sources outside the project.

Sources: S. Cheshire and M. Baker, "Consistent overhead byte stuffing", IEEE/ACM
Transactions on Networking 7(2), 1999 (examples from memory); the PyPI package
``cobs``; the catalogue entry CRC-16/IBM-3740 with its check value; the standard
library's zlib; NMEA 0183 sentences from memory with their checksums computed.
"""

from __future__ import annotations

import numpy as np
import pytest

cobs = pytest.importorskip("cobs.cobs")

from livesense.wire.cobs import stuff, stuff_rows, unstuff  # noqa: E402
from livesense.wire.crc import crc16, crc16_rows  # noqa: E402
from livesense.wire.encode import xor_checksum  # noqa: E402


def count_up(first: int, last: int) -> bytes:
    return bytes(range(first, last + 1))


# Cheshire & Baker 1999 (from memory); the last five computed from the definition and by PyPI cobs.
STUFFED = {
    "empty": (b"", "01"),
    "one zero": (b"\0", "01 01"),
    "two zeros": (b"\0\0", "01 01 01"),
    "zero, 11, zero": (b"\0\x11\0", "01 02 11 01"),
    "zero inside": (b"\x11\x22\0\x33", "03 11 22 02 33"),
    "no zero": (b"\x11\x22\x33\x44", "05 11 22 33 44"),
    "zeros at the end": (b"\x11\0\0\0", "02 11 01 01 01"),
    "01..FE": (count_up(1, 0xFE), "FF" + count_up(1, 0xFE).hex()),
    "00..FE": (count_up(0, 0xFE), "01 FF" + count_up(1, 0xFE).hex()),
    "01..FF": (count_up(1, 0xFF), "FF" + count_up(1, 0xFE).hex() + "02 FF"),
    "02..FF,00": (count_up(2, 0xFF) + b"\0", "FF" + count_up(2, 0xFF).hex() + "01 01"),
    "03..FF,00,01": (count_up(3, 0xFF) + b"\0\1", "FE" + count_up(3, 0xFF).hex() + "02 01"),
}


@pytest.mark.parametrize(("packet", "frame"), STUFFED.values(), ids=STUFFED)
def test_byte_stuffing_of_the_paper(packet: bytes, frame: str) -> None:
    assert stuff(packet) == bytes.fromhex(frame)
    assert unstuff(bytes.fromhex(frame)) == packet
    if packet:
        row = np.frombuffer(packet, dtype=np.uint8)[np.newaxis]
        assert stuff_rows(row) == bytes.fromhex(frame) + b"\0"


@pytest.mark.parametrize("length", [1, 2, 253, 254, 255, 507, 508, 509, 1000, 4096])
@pytest.mark.parametrize("values", [1, 2, 5, 256])
def test_byte_stuffing_like_the_library(length: int, values: int) -> None:
    packet = np.random.default_rng(length).integers(0, values, length, dtype=np.uint8).tobytes()
    # The library closes a full last block with 01, which a sender may leave out.
    assert cobs.encode(packet) in {stuff(packet), stuff(packet) + b"\1"}
    assert unstuff(cobs.encode(packet)) == packet
    assert cobs.decode(stuff(packet)) == packet


def test_crc_check_value_of_the_catalogue() -> None:
    # CRC-16/IBM-3740: 0x29B1 (published).
    assert crc16(b"123456789") == 0x29B1
    digits = np.frombuffer(b"123456789", dtype=np.uint8)
    assert crc16_rows(np.stack([digits, digits])).tolist() == [0x29B1, 0x29B1]


def shift_register(data: bytes) -> int:
    """CRC-16/IBM-3740 from its definition, bit by bit."""
    register = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            feedback = (register >> 15) ^ (byte >> bit & 1)
            register = (register << 1 & 0xFFFF) ^ (0x1021 if feedback else 0)
    return register


@pytest.mark.parametrize("length", [*range(1, 20), 63, 64, 65, 66, 67, 130, 257, 1000])
def test_crc_from_the_definition(length: int) -> None:
    rows = np.random.default_rng(length).integers(0, 256, (3, length), dtype=np.uint8)
    expected = [shift_register(row.tobytes()) for row in rows]
    assert [crc16(row.tobytes()) for row in rows] == expected
    assert crc16_rows(rows).tolist() == expected


@pytest.mark.parametrize("other", [0x4B37, 0x31C3, 0x2189, 0xBB3D, 0x906E])
def test_crc_is_none_of_its_neighbours(other: int) -> None:
    # MODBUS, XMODEM, KERMIT, ARC and IBM-SDLC of the same catalogue (computed).
    assert crc16(b"123456789") != other


@pytest.mark.parametrize(
    ("sentence", "checksum"),
    [
        ("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,", 0x47),
        ("GPGLL,4916.45,N,12311.12,W,225444,A,", 0x1D),
    ],
)
def test_xor_of_nmea_sentences(sentence: str, checksum: int) -> None:
    assert xor_checksum(sentence.encode()) == checksum
