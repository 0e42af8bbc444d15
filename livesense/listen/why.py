"""Why a frame or a line was not taken: looked at once more, after the decoder has refused it."""

from __future__ import annotations

from collections.abc import Sequence

from livesense.listen.rows import Verdict
from livesense.samples import GroupInfo
from livesense.wire.cobs import unstuff
from livesense.wire.crc import crc16
from livesense.wire.encode import MAX_PACKET
from livesense.wire.framed import MAX_FRAME, MIN_PACKET
from livesense.wire.packing import CODE_BYTES
from livesense.wire.scans import HEAD, TAIL
from livesense.wire.text import LINE_LIMIT
from livesense.wire.textline import NUMBER, PRINTABLE, check, split

MOST_FIELD = 24
"""Characters of a field that a row repeats."""


def sound_packet(frame: bytes) -> bytes | None:
    """Give the packet in a frame (with its closing zero) whose checksum is right, else None."""
    stuffed = frame.removesuffix(b"\0")
    packet = unstuff(stuffed) if stuffed else None
    if packet is None or len(packet) < MIN_PACKET:
        return None
    return packet if crc16(packet[:-TAIL]) == int.from_bytes(packet[-TAIL:], "little") else None


def why_frame(
    verdict: Verdict, frame: bytes, size: int, groups: Sequence[GroupInfo] | None
) -> tuple[str, str]:
    """Words for a frame that was refused (empty: the usual ones), and why."""
    stuffed = frame.removesuffix(b"\0")
    packet = unstuff(stuffed) if stuffed and size <= MAX_FRAME + 1 else None
    if verdict is Verdict.LENGTH:
        return _why_length(packet, size, groups)
    if packet is None:
        return "", "pieces overrun its end" if verdict is Verdict.STUFFING else ""
    if verdict is Verdict.CRC:
        stated = int.from_bytes(packet[-TAIL:], "little")
        return "", f"says {stated:04X}, has {crc16(packet[:-TAIL]):04X}"
    if verdict is Verdict.UNKNOWN_KIND:
        return "", f"kind 0x{packet[0]:02X} is neither S, D nor N"
    if verdict is Verdict.UNKNOWN_GROUP:
        known = len(groups or ())
        return "", f"group {packet[1]}, described {'is' if known == 1 else 'are'} {_up_to(known)}"
    if verdict is Verdict.BAD_DESCRIPTION:
        return "", "it makes no sense: " + packet[1:-TAIL].decode("utf-8", "replace")
    return "", ""


def _up_to(known: int) -> str:
    return "none" if known == 0 else "group 0" if known == 1 else f"groups 0 to {known - 1}"


def _why_length(packet: bytes | None, size: int, groups: Sequence[GroupInfo] | None) -> tuple[str, str]:
    if packet is None or len(packet) > MAX_PACKET:
        return "too long", f"a packet has at most {MAX_PACKET} bytes"
    if len(packet) < MIN_PACKET:
        return "too short", f"a packet has at least {MIN_PACKET} bytes"
    codes = len(packet) - HEAD - TAIL
    if codes < 1:
        return "no scan", "scans without any code"
    group = packet[1]
    if groups is None or group >= len(groups):
        return "", ""
    info = groups[group]
    return "no whole scans", (
        f"{codes} bytes of codes are no whole scans of {len(info.channels)} {info.code} "
        f"({CODE_BYTES.get(info.code, 1.5) * len(info.channels):g} bytes each)"
    )


def why_line(line: bytes, size: int, width: int, *, checked: bool) -> tuple[str, str]:
    """Words for a line that was refused, and why.

    Parameters
    ----------
    line, size
        Its first bytes without its end, and how many there were.
    width
        Fields that were expected.
    checked
        Whether lines before it had a checksum that was right.
    """
    if size > LINE_LIMIT:
        return "too long", f"a line has at most {LINE_LIMIT} bytes"
    content, right = check(line)
    if right is False:
        return "checksum wrong", f"says {line.strip()[-2:].decode('ascii', 'replace').upper()}"
    printed = PRINTABLE.match(line.replace(b"\t", b" "))
    if printed is not None and printed.end() < len(line):
        return "", f"byte {printed.end() + 1} is {line[printed.end()]:02X}, no text"
    fields = split(content)
    for number, one in enumerate(fields, start=1):
        if NUMBER.fullmatch(one) is None:
            return "", f"field {number} is no number: {one[:MOST_FIELD].decode('ascii', 'replace')!r}"
    if len(fields) != width:
        return "", f"{len(fields)} {'field' if len(fields) == 1 else 'fields'}, expected {width}"
    if right is None and checked:
        return "", "it has no checksum, though lines before had one"
    return "", "a value with too many places"
