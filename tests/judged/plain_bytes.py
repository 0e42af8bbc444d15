"""Checksums, integers and packets as bytes.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass

import numpy as np

CHECK_BYTES = {
    "none": 0,
    "sum8": 1,
    "xor8": 1,
    "crc8": 1,
    "crc16-ibm-3740": 2,
    "crc16-modbus": 2,
    "crc16-xmodem": 2,
    "crc32": 4,
}


@dataclass(frozen=True)
class Crc:
    """Parameters of a CRC as catalogues of CRCs name them."""

    poly: int
    width: int
    init: int
    reflected: bool
    xor_out: int


CRCS = {
    "crc8": Crc(0x07, 8, 0, False, 0),
    "crc16-ibm-3740": Crc(0x1021, 16, 0xFFFF, False, 0),
    "crc16-modbus": Crc(0x8005, 16, 0xFFFF, True, 0),
    "crc16-xmodem": Crc(0x1021, 16, 0, False, 0),
    "crc32": Crc(0x04C11DB7, 32, 0xFFFFFFFF, True, 0xFFFFFFFF),
}


def _mirrored(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


def _table(crc: Crc) -> np.ndarray:
    """Remainders of the 256 bytes."""
    remainders = []
    for byte in range(256):
        if crc.reflected:
            value, poly = byte, _mirrored(crc.poly, crc.width)
            for _ in range(8):
                value = (value >> 1) ^ (poly if value & 1 else 0)
        else:
            value, top = byte << (crc.width - 8), 1 << (crc.width - 1)
            for _ in range(8):
                value = ((value << 1) ^ (crc.poly if value & top else 0)) & (2 * top - 1)
        remainders.append(value)
    return np.array(remainders, np.uint64)


TABLES = {name: _table(crc) for name, crc in CRCS.items()}


def check_of(kind: str, rows: np.ndarray) -> np.ndarray:
    """Check of each row of (rows, bytes)."""
    rows = np.asarray(rows, np.uint8)
    if kind == "sum8":
        return rows.sum(1).astype(np.uint64) & np.uint64(255)
    if kind == "xor8":
        return np.bitwise_xor.reduce(rows, axis=1).astype(np.uint64)
    crc, table, low = CRCS[kind], TABLES[kind], np.uint64(255)
    value = np.full(len(rows), crc.init, np.uint64)
    for column in rows.T.astype(np.uint64):
        if crc.reflected:
            value = (value >> np.uint64(8)) ^ table[((value ^ column) & low).astype(int)]
        else:
            entry = ((value >> np.uint64(crc.width - 8)) ^ column) & low
            kept = (value << np.uint64(8)) & np.uint64((1 << crc.width) - 1)
            value = kept ^ table[entry.astype(int)]
    return value ^ np.uint64(crc.xor_out)


def to_bytes(values: np.ndarray, width: int, endian: str) -> np.ndarray:
    """Bytes (values, width) of whole numbers (values,)."""
    numbers = np.asarray(values).astype(np.int64).astype(np.uint64)
    low_first = [(numbers >> np.uint64(8 * k)) & np.uint64(255) for k in range(width)]
    rows = np.stack(low_first, 1).astype(np.uint8)
    return rows if endian == "little" else rows[:, ::-1]


def cobs(packet: bytes) -> bytes:
    """Byte stuffing of Cheshire and Baker (1999), with its closing zero."""
    out, block = bytearray(), bytearray()
    for byte in packet:
        if len(block) == 254:
            out.append(255)
            out += block
            block = bytearray()
        if byte:
            block.append(byte)
        else:
            out.append(len(block) + 1)
            out += block
            block = bytearray()
    out.append(len(block) + 1)
    out += block
    return bytes(out) + b"\0"


def packet(kind: bytes, body: bytes) -> bytes:
    """A framed packet: kind, body and CRC, stuffed."""
    plain = kind + body
    return cobs(plain + binascii.crc_hqx(plain, 0xFFFF).to_bytes(2, "little"))


def pack_codes(values: np.ndarray, code: str) -> bytes:
    """Codes of a packet; two of u12 share three bytes."""
    flat = values.reshape(-1)
    if code != "u12":
        return to_bytes(flat, 4 if code == "i32" else 2, "little").tobytes()
    out = bytearray()
    for k in range(0, len(flat) - 1, 2):
        out += (int(flat[k]) | int(flat[k + 1]) << 12).to_bytes(3, "little")
    if len(flat) % 2:
        out += int(flat[-1]).to_bytes(2, "little")
    return bytes(out)
