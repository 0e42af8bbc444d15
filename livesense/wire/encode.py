"""The sending side of both wires: what firmware does, for simulators and tests.

A packet is kind, body and checksum; :func:`encode_frame` makes a packet fit for
the line. :func:`frames` and :func:`text_lines` do whole blocks at once.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from livesense.samples import CodeType, GroupInfo
from livesense.wire.cobs import stuff, stuff_rows
from livesense.wire.crc import crc16, crc16_rows
from livesense.wire.packing import pack_rows

KIND_SCANS = 0x53
KIND_DESCRIPTION = 0x44
KIND_NOTE = 0x4E

MAX_PACKET = 4096
"""Largest packet in bytes, kind and checksum included: what a receiver must be ready to hold."""

COUNTER_MODULUS = 1 << 32


def seal(kind: int, body: bytes) -> bytes:
    """Packet of this kind: kind, body, checksum."""
    content = bytes([kind]) + body
    return content + crc16(content).to_bytes(2, "little")


def encode_frame(packet: bytes) -> bytes:
    """Bytes for the line: the packet stuffed, and the closing zero."""
    return stuff(packet) + b"\0"


def scans_packet(group: int, first: int, codes: ArrayLike, code_type: CodeType) -> bytes:
    """Packet of whole scans.

    Parameters
    ----------
    group
        Position of the group in the description.
    first
        Device counter of the first scan; taken modulo 2^32.
    codes
        ``(scans, channels)`` or ``(codes,)`` integers.

    Raises
    ------
    ValueError
        for codes that the type cannot hold.
    """
    head = bytes([group]) + (first % COUNTER_MODULUS).to_bytes(4, "little")
    return seal(KIND_SCANS, head + pack_rows(np.reshape(codes, (1, -1)), code_type).tobytes())


def description_text(groups: Sequence[GroupInfo], *, device: str = "", boot: int | None = None) -> str:
    """Write a description as a JSON object on one line."""
    rows = []
    for group in groups:
        row: dict[str, object] = {} if group.rate_hz is None else {"rate_hz": group.rate_hz}
        if group.code is not CodeType.TEXT:
            row["code"] = str(group.code)
        if group.bits is not None:
            row["bits"] = group.bits
        if group.burst is not None:
            row["burst"] = group.burst
        row["channels"] = list(group.channels)
        rows.append(row)
    content: dict[str, object] = {"livesense": 1}
    if device:
        content["device"] = device
    if boot is not None:
        content["boot"] = boot
    return json.dumps({**content, "groups": rows}, ensure_ascii=False)


def description_packet(groups: Sequence[GroupInfo], *, device: str = "", boot: int | None = None) -> bytes:
    """Packet in which a device says what it sends."""
    return seal(KIND_DESCRIPTION, description_text(groups, device=device, boot=boot).encode())


def note_packet(text: str) -> bytes:
    """Packet with a note from the firmware."""
    return seal(KIND_NOTE, text.encode())


def frames(group: int, first: int, codes: ArrayLike, scans_per_packet: int, code_type: CodeType) -> bytes:
    """Make many frames of scans, ready for the line; the last packet may be shorter.

    Parameters
    ----------
    group, first
        As in :func:`scans_packet`; ``first`` belongs to the first row.
    codes
        ``(scans, channels)`` integers.
    scans_per_packet
        Scans in each packet, at least 1.
    """
    scans = np.asarray(codes)
    whole = len(scans) // scans_per_packet
    out = b""
    if whole:
        body = pack_rows(scans[: whole * scans_per_packet].reshape(whole, -1), code_type)
        packets = np.empty((whole, body.shape[1] + 8), dtype=np.uint8)
        packets[:, 0] = KIND_SCANS
        packets[:, 1] = group
        counter = (first + scans_per_packet * np.arange(whole, dtype=np.int64)) % COUNTER_MODULUS
        packets[:, 2:6] = _little_endian(counter, "<u4")
        packets[:, 6:-2] = body
        packets[:, -2:] = _little_endian(crc16_rows(packets[:, :-2]), "<u2")
        out = stuff_rows(packets)
    done = whole * scans_per_packet
    if done < len(scans):
        out += encode_frame(scans_packet(group, first + done, scans[done:], code_type))
    return out


def _little_endian(values: NDArray[np.int64] | NDArray[np.uint16], dtype: str) -> NDArray[np.uint8]:
    return values.astype(dtype).view(np.uint8).reshape(len(values), -1)


def xor_checksum(data: bytes) -> int:
    """XOR of all bytes, as NMEA 0183 puts it behind the ``*`` of a sentence."""
    return int(np.bitwise_xor.reduce(np.frombuffer(data, dtype=np.uint8), initial=0))


def text_line(
    fields: Sequence[object], *, separator: str = ",", checksum: bool = False, end: str = "\n"
) -> bytes:
    """One line of fields, as ``str`` makes them."""
    line = separator.join(str(field) for field in fields).encode()
    if checksum:
        line += b"*%02X" % xor_checksum(line)
    return line + end.encode()


def text_header(
    names: Sequence[str], *, separator: str = ",", checksum: bool = False, end: str = "\n"
) -> bytes:
    """Line that names the columns."""
    return text_line(names, separator=separator, checksum=checksum, end=end)


def text_lines(columns: ArrayLike, *, separator: str = ",", checksum: bool = False, end: str = "\n") -> bytes:
    """Many lines of integers.

    Parameters
    ----------
    columns
        ``(lines, fields)`` integers, counter and clock columns included.
    """
    values = np.asarray(columns)
    if not len(values):
        return b""
    one = separator.join(["%d"] * values.shape[1])
    text = ((one + "\n") * len(values) % tuple(values.reshape(-1).tolist())).encode()
    if not checksum:
        return text.replace(b"\n", end.encode())
    return b"".join(line + b"*%02X" % xor_checksum(line) + end.encode() for line in text.splitlines())
