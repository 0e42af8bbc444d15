"""Streams of records with unknown layouts, made without any code of livesense's: an outside generator.

Checks are computed byte by byte from their definitions: CRC-8/SMBUS, CRC-16/MODBUS (catalogued
parameters, from memory), CRC-16/IBM-3740 and CRC-32 by the standard library.
"""

from __future__ import annotations

import binascii
import functools
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np


def crc8(data: bytes) -> int:
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = ((crc << 1) ^ 0x07) & 0xFF if crc & 0x80 else crc << 1
    return crc


def modbus(data: bytes) -> int:
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0xA001 if crc & 1 else crc >> 1
    return crc


CHECKS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda data: 0),
    "sum8": (1, lambda data: sum(data) & 0xFF),
    "xor8": (1, lambda data: functools.reduce(lambda a, b: a ^ b, data, 0)),
    "crc8": (1, crc8),
    "crc16-modbus": (2, modbus),
    "crc16-ibm-3740": (2, lambda data: binascii.crc_hqx(data, 0xFFFF)),
    "crc32": (4, zlib.crc32),
}
SYNCS = (
    b"\xa5\x5a", b"\xaa\x55", b"\xaa", b"\x55\xaa", b"\xfe\xed",
    b"\xab\xcd\xef", b"\x7e", b"\xde\xad\xbe\xef", b"\xa5",
)  # fmt: skip
WIDTHS = {"u16": 2, "i16": 2, "left": 2, "i32": 4, "u24": 3, "f32": 4}


@dataclass(frozen=True)
class Layout:
    """What was sent; ``left`` are 12-bit codes without offset, shifted to the top of 16 bits."""

    length: int
    sync: bytes
    big: bool
    check: str
    channels: int
    scans: int
    kind: str
    counter: str
    clock: bool


def make(seed: int) -> tuple[bytes, Layout]:
    """Make a stream that begins somewhere and is damaged now and then."""
    rng = np.random.default_rng(seed)
    big = bool(rng.integers(2))
    order = "big" if big else "little"
    kind = str(rng.choice(["u16", "u16", "u16", "i16", "left", "u24", "i32", "f32"]))
    channels = int(rng.integers(2, 7))
    scans = int(rng.choice([1, 1, 1, 1, 2, 4]))
    check = str(rng.choice(list(CHECKS)))
    sync = SYNCS[rng.integers(len(SYNCS))]
    counter = str(rng.choice(["", "u8", "u8", "u16", "u32"]))
    clock = bool(rng.random() < 0.25)
    pad = int(rng.choice([0, 0, 0, 2]))
    records = int(rng.integers(250, 700))
    codes = _codes(rng, kind, channels, records * scans)
    first, start_us = int(rng.integers(1 << 31)), int(rng.integers(1 << 31))
    sent = []
    for number in range(records):
        body = b""
        if counter:
            width = int(counter[1:]) // 8
            body += ((first + number) % (1 << (8 * width))).to_bytes(width, order)
        if clock:
            ticks = (start_us + 100 * number + int(rng.integers(2))) % (1 << 32)
            body += ticks.to_bytes(4, order)
        for code in codes[number * scans : (number + 1) * scans].reshape(-1):
            body += _packed(code, kind, big)
        body += bytes(pad)
        width, of = CHECKS[check]
        sent.append(sync + body + of(body).to_bytes(width, order))
    layout = Layout(len(sent[0]), sync, big, check, channels, scans, kind, counter, clock)
    if rng.random() < 0.4:
        for at in rng.integers(1, records, 4).tolist():
            sent[at] = sent[at][: int(rng.integers(len(sent[at]) + 1))]
    return b"".join(sent)[int(rng.integers(layout.length)) :], layout


def _codes(rng: np.random.Generator, kind: str, channels: int, count: int) -> np.ndarray:
    """Three sines 120° apart as of a motor, further channels steady; with noise."""
    rate_hz, electrical_hz = float(rng.choice([1e3, 5e3, 1e4, 2e4])), float(rng.uniform(10, 120))
    bits = int(rng.choice([10, 12, 12, 12, 14])) if kind in ("u16", "i16") else 12
    time_s = np.arange(count) / rate_hz
    share = rng.uniform(0.15, 0.8, channels)
    columns = []
    for channel in range(channels):
        if channel < 3:
            wave = share[channel] * np.sin(2 * np.pi * (electrical_hz * time_s - channel / 3))
        else:
            wave = np.full(count, rng.uniform(-0.3, 0.6))
        columns.append(wave + rng.normal(0, 0.002, count))
    unit = np.clip(np.column_stack(columns), -1, 1)
    half = 1 << (bits - 1)
    if kind == "f32":
        return (12 * unit).astype(np.float32)
    if kind == "u24":
        return np.round((1 << 17) * (1 + 0.95 * unit))
    if kind == "i32":
        return np.round((1 << 22) * unit)
    if kind == "left":
        return np.clip(np.round(2048 * unit), -2048, 2047) * 16
    return np.clip(np.round(half * unit), -half, half - 1) + (half if kind == "u16" else 0)


def _packed(code: float, kind: str, big: bool) -> bytes:
    if kind == "f32":
        return struct.pack(">f" if big else "<f", code)
    width = WIDTHS[kind]
    return (int(code) % (1 << (8 * width))).to_bytes(width, "big" if big else "little")
