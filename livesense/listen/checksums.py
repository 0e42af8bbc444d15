"""Frames whose checksum is wrong throughout: whether it is another one, or stands another way round.

Common mistakes of new firmware (common practice, no source). The catalogued names and parameters of CRC-16s
are those of docs/wire.md and of :mod:`livesense.wire.checksum`.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable, Sequence

import numpy as np

from livesense.wire.checksum import check_rows
from livesense.wire.cobs import unstuff
from livesense.wire.crc import crc16
from livesense.wire.encode import MAX_PACKET
from livesense.wire.scans import TAIL

FEWEST = 3
"""Frames that must agree: by chance one in 65536 does."""


def _modbus(data: bytes) -> int:
    return int(check_rows("crc16-modbus", np.frombuffer(data, dtype=np.uint8)[np.newaxis])[0])


def _sum(data: bytes) -> int:
    return sum(data) & 0xFFFF


KINDS: dict[str, Callable[[bytes], int]] = {
    "the right CRC": crc16,
    "a CRC that starts from 0 instead of 0xFFFF (CRC-16/XMODEM)": lambda data: binascii.crc_hqx(data, 0),
    "CRC-16/MODBUS": _modbus,
    "a CRC that is inverted at the end": lambda data: crc16(data) ^ 0xFFFF,
    "the sum of the bytes": _sum,
}


def found_instead(frames: Sequence[bytes]) -> str | None:
    """Say which checksum these refused frames have instead; None where none fits all of them.

    Parameters
    ----------
    frames
        Stuffed, with or without the closing zero.
    """
    packets = [packet for frame in frames if (packet := _packet(frame)) is not None]
    if len(packets) < FEWEST:
        return None
    for name, kind in KINDS.items():
        for part, begin in (("", 0), (", over the body without the kind", 1)):
            for order in ("little", "big"):
                if name == "the right CRC" and order == "little" and begin == 0:
                    continue
                if all(
                    kind(packet[begin:-TAIL]) == int.from_bytes(packet[-TAIL:], order) for packet in packets
                ):
                    way = ", high byte first" if order == "big" else ""
                    return f"{name}{part}{way}"
    return None


def _packet(frame: bytes) -> bytes | None:
    stuffed = frame.removesuffix(b"\0")
    if not stuffed or len(stuffed) > MAX_PACKET:
        return None
    packet = unstuff(stuffed)
    return packet if packet is not None and len(packet) > TAIL + 1 else None
