"""Checks at the end of records, held to catalogued check values and to the standard library."""

from __future__ import annotations

import binascii
import zlib

import numpy as np
import pytest

from livesense.layout import CHECK_WIDTHS
from livesense.wire.checksum import CHECKS, RunningChecks, check_rows

NINE = np.frombuffer(b"123456789", dtype=np.uint8)[np.newaxis]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # "check" of the catalogue of parametrised CRC algorithms (CRC RevEng), from memory.
        ("crc8", 0xF4),  # CRC-8/SMBUS
        ("crc16-ibm-3740", 0x29B1),
        ("crc16-modbus", 0x4B37),
        ("crc16-xmodem", 0x31C3),
        ("crc32", 0xCBF43926),  # CRC-32/ISO-HDLC
        # By hand: 0x31 + … + 0x39 = 477 = 0x1DD; 1 xor 2 … xor 9 = 1, with 0x30 nine times.
        ("sum8", 0xDD),
        ("xor8", 0x31),
        ("none", 0),
    ],
)
def test_check_values(name: str, value: int) -> None:
    assert check_rows(name, NINE).tolist() == [value]


def test_names_and_widths_are_those_of_declarations() -> None:
    assert {name: check.width for name, check in CHECKS.items()} == CHECK_WIDTHS


@pytest.mark.parametrize("length", [1, 2, 7, 58])
def test_many_rows_at_once_are_each_by_itself(length: int) -> None:
    rows = np.random.default_rng(length).integers(0, 256, (50, length), dtype=np.uint8)
    each = [row.tobytes() for row in rows]
    assert check_rows("crc32", rows).tolist() == [zlib.crc32(row) for row in each]
    assert check_rows("crc16-ibm-3740", rows).tolist() == [binascii.crc_hqx(row, 0xFFFF) for row in each]
    assert check_rows("crc16-xmodem", rows).tolist() == [binascii.crc_hqx(row, 0) for row in each]
    assert check_rows("sum8", rows).tolist() == [sum(row) % 256 for row in each]
    for name in CHECKS:
        alone = [check_rows(name, row[np.newaxis])[0] for row in rows]
        assert check_rows(name, rows).tolist() == alone


def test_a_modbus_request() -> None:
    # "01 04 02 FF FF" has the CRC bytes B8 80 on the line, lowest first: the worked example that
    # accompanies the Modbus over serial line guide in many handbooks; from memory.
    rows = np.array([[0x01, 0x04, 0x02, 0xFF, 0xFF]], dtype=np.uint8)
    assert int(check_rows("crc16-modbus", rows)[0]).to_bytes(2, "little") == bytes([0xB8, 0x80])


@pytest.mark.parametrize("name", [name for name, check in CHECKS.items() if check.width])
@pytest.mark.parametrize(("size", "length"), [(4, 4), (90, 7), (1000, 160)])
def test_running_checks_are_those_of_each_stretch(name: str, size: int, length: int) -> None:
    raw = np.random.default_rng(size).integers(0, 256, size, dtype=np.uint8)
    stretches = np.lib.stride_tricks.sliding_window_view(raw, length)
    running = RunningChecks(raw)
    assert (
        running.of(name, np.arange(len(stretches)), length).tolist() == check_rows(name, stretches).tolist()
    )
    assert running.of(name, np.array([[0]]), length).tolist() == [[check_rows(name, stretches)[0]]]


def test_running_checks_of_no_check() -> None:
    with pytest.raises(ValueError, match="'none' checks nothing"):
        RunningChecks(np.zeros(9, dtype=np.uint8)).of("none", np.arange(2), 4)
