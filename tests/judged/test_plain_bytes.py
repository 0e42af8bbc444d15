"""The bytes that generators and judges here are made of, held to published values."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from plain_bytes import check_of, cobs, pack_codes

NINE_DIGITS = np.array([list(b"123456789")])


# The check values that catalogues of parametrised CRCs give for the nine digits.
@pytest.mark.parametrize(
    ("kind", "value"),
    [
        ("crc8", 0xF4),
        ("crc16-ibm-3740", 0x29B1),
        ("crc16-modbus", 0x4B37),
        ("crc16-xmodem", 0x31C3),
        ("crc32", 0xCBF43926),
        # 0x31 + … + 0x39 = 477 = 0x1DD, and 0x31 ^ … ^ 0x39 = 0x31, by hand.
        ("sum8", 0xDD),
        ("xor8", 0x31),
    ],
)
def test_checks_of_the_nine_digits(kind: str, value: int) -> None:
    assert check_of(kind, NINE_DIGITS).tolist() == [value]


# Worked examples that accounts of the stuffing give, from memory; 254 bytes fill a block that ends with them.
@pytest.mark.parametrize(
    ("packet", "stuffed"),
    [
        (b"\0", b"\x01\x01\0"),
        (b"\x11\x22\0\x33", b"\x03\x11\x22\x02\x33\0"),
        (bytes(range(1, 255)), b"\xff" + bytes(range(1, 255)) + b"\0"),
    ],
)
def test_stuffing(packet: bytes, stuffed: bytes) -> None:
    assert cobs(packet) == stuffed


def test_two_codes_of_12_bits_share_three_bytes() -> None:
    assert pack_codes(np.array([0x123, 0x456, 0x789]), "u12").hex() == "2361458907"


def test_makers_and_judges_import_no_livesense() -> None:
    here = [path for path in Path(__file__).parent.glob("*.py") if not path.name.startswith("test_")]
    assert len(here) > 10
    for path in here:
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"^\s*(from|import) (livesense|simulator|dashboard)", text, re.MULTILINE), path
