"""Small pictures, byte by byte."""

from __future__ import annotations

import struct
import zlib


def png(width: int = 3, height: int = 2) -> bytes:
    """A whole PNG, written by its own standard (ISO/IEC 15948): signature, IHDR, IDAT, IEND."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = b"".join(b"\0" + b"\x80\x90\xa0" * width for _ in range(height))
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
    return b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def jpeg(width: int = 640, height: int = 480, kind: int = 0xC0) -> bytes:
    """Markers of a JPEG as ITU-T T.81 has them: SOI, APP0, a frame header, EOI; no picture in it."""
    app0 = b"\xff\xe0" + struct.pack(">H", 16) + b"JFIF\0" + bytes(9)
    frame = bytes([0xFF, kind]) + struct.pack(">HBHHB", 17, 8, height, width, 3) + bytes(9)
    return b"\xff\xd8" + app0 + b"\xff" + frame + b"\xff\xd9"
