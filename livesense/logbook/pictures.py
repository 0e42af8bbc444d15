"""Pictures that belong to runs, such as a photo of the bench: in the logbook, bounded, and only real ones.

What is kept begins and ends as a PNG or a JPEG does and says a size that a page can show; what it is called
and where it came from decides nothing.
"""

from __future__ import annotations

import sqlite3
import struct
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

from livesense.errors import LogbookError, RunNotFoundError, UsageError
from livesense.logbook import connection as db
from livesense.logbook.whole import Select

LARGEST_BYTES = 1 << 20
MOST_A_RUN = 24
LONGEST_NAME = 120
LARGEST_SIDE = 8192
"""Pixels; a picture that unpacks to more is not for a page."""

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_END = b"IEND\xaeB`\x82"
_JPEG, _JPEG_END = b"\xff\xd8\xff", b"\xff\xd9"
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""JPEG markers that carry a size (ITU-T T.81, table B.1)."""


@dataclass(frozen=True, slots=True)
class PictureRow:
    """A picture without its bytes."""

    number: int
    run: int
    wall_s: float
    name: str
    media_type: str
    size: int


def media_type_of(data: bytes) -> str:
    """Tell what a picture is by its own bytes.

    Raises
    ------
    UsageError
        It is neither a whole PNG nor a whole JPEG of a size that can be shown, or too large.
    """
    if len(data) > LARGEST_BYTES:
        most, got = LARGEST_BYTES >> 10, len(data) >> 10
        raise UsageError(f"expected a picture of at most {most} KiB, got {got} KiB; make it smaller")
    size = None
    if data.startswith(_PNG) and data.endswith(_PNG_END) and data[12:16] == b"IHDR":
        media_type, size = "image/png", struct.unpack(">II", data[16:24])
    elif data.startswith(_JPEG) and data.endswith(_JPEG_END):
        media_type, size = "image/jpeg", _jpeg_size(data)
    if size is None:
        raise UsageError("expected a PNG or a JPEG picture, got something else; save it as one of these")
    if not all(0 < side <= LARGEST_SIDE for side in size):
        pixels = f"{size[0]} × {size[1]}"
        raise UsageError(f"expected at most {LARGEST_SIDE} pixels a side, got {pixels}; make it smaller")
    return media_type


def _jpeg_size(data: bytes) -> tuple[int, int] | None:
    """Read width and height from the frame header; None where there is none."""
    at = 2
    while at + 9 <= len(data) and data[at] == 0xFF:
        kind = data[at + 1]
        if kind == 0xFF:
            at += 1
            continue
        if kind in _FRAMES:
            height, width = struct.unpack(">HH", data[at + 5 : at + 9])
            return width, height
        (length,) = struct.unpack(">H", data[at + 2 : at + 4])
        if length < 2:
            return None
        at += 2 + length
    return None


def add_picture(path: Path | str, run: int, name: str, data: bytes) -> int:
    """Keep a picture with a run; returns its number.

    Raises
    ------
    UsageError
        No picture, too large, or the run has as many as it may have.
    RunNotFoundError, LogbookError
        No such run, or the logbook cannot be written.
    """
    media_type = media_type_of(data)
    kept = db.plain_text("".join(c if c.isprintable() else " " for c in name))[:LONGEST_NAME].strip()
    with _writing(path, run) as connection:
        (count,) = connection.execute("SELECT count(*) FROM picture WHERE run = ?", (int(run),)).fetchone()
        if count >= MOST_A_RUN:
            raise UsageError(f"run {run} has {count} pictures, as many as a run may have; remove one first")
        number = connection.execute(
            "INSERT INTO picture (run, wall_s, name, media_type, data) VALUES (?, ?, ?, ?, ?)",
            (int(run), time.time(), kept, media_type, sqlite3.Binary(data)),
        ).lastrowid
    return int(number or 0)


def remove_picture(path: Path | str, run: int, number: int) -> None:
    """Remove a picture of a run; that it is gone already is no error."""
    with _writing(path, run) as connection:
        connection.execute("DELETE FROM picture WHERE run = ? AND id = ?", (int(run), int(number)))


@contextmanager
def _writing(path: Path | str, run: int) -> Iterator[sqlite3.Connection]:
    """Open one transaction on a logbook that has a run."""
    file = Path(path).absolute()
    if not file.exists():
        raise LogbookError(f"{file}: no such logbook; record a run first, or name another file")
    with closing(db.open_to_write(file)) as connection, db.transaction(connection, file):
        if connection.execute("SELECT 1 FROM run WHERE number = ?", (int(run),)).fetchone() is None:
            raise RunNotFoundError(f"{file}: expected one of its runs, got {run}")
        yield connection


def pictures_of(select: Select, run: int) -> list[PictureRow]:
    """List a run's pictures, oldest first; none where the logbook's schema is older."""
    if not select("SELECT 1 FROM sqlite_master WHERE name = 'picture'", ()):
        return []
    rows = select(
        "SELECT id, run, wall_s, name, media_type, length(data) FROM picture WHERE run = ? ORDER BY id",
        (run,),
    )
    return [PictureRow(*row) for row in rows]


def picture_data(select: Select, run: int, number: int) -> tuple[str, bytes] | None:
    """Give a picture's media type, told by its bytes, and the bytes; None where there is no sound one."""
    if not any(row.number == number for row in pictures_of(select, run)):
        return None
    rows = select("SELECT data FROM picture WHERE run = ? AND id = ?", (run, number))
    if not rows or not isinstance(rows[0][0], bytes):
        return None
    try:
        # A file that came from elsewhere may call anything a picture.
        return media_type_of(rows[0][0]), rows[0][0]
    except UsageError:
        return None
