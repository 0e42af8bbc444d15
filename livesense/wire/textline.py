"""One line of the text wire: what it is, and what its fields say.

This is the plain form of the rules. :mod:`livesense.wire.textalike` and
:mod:`livesense.wire.textblock` read whole blocks of ordinary lines by the same rules,
and tests hold the three together.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

SEPARATOR = re.compile(rb" *[,;\t] *| +")

NUMBER = re.compile(rb"([+-]?)(?:([0-9]+)(?:\.([0-9]*))?|\.([0-9]+))")

CHECKSUM = re.compile(rb"(.*)\*([0-9A-Fa-f]{2}) *", re.DOTALL)

PRINTABLE = re.compile(rb"[ -~]*")

NOT_WORDS = frozenset({"nan", "inf", "infinity"})

WORD_WITHOUT_DIGITS = re.compile(r"[^\W\d_][^\d]*")

CODE_LIMIT = 1 << 63
"""Values are held in 64 bits with sign."""


@dataclass(frozen=True, slots=True)
class Field:
    """What one used field of a line is: ``column`` is its position, ``decimals`` its power of ten."""

    column: int
    decimals: int = 0


@dataclass(frozen=True, slots=True)
class LineShape:
    """What the lines of numbers look like: so many fields, of which these are used."""

    width: int
    fields: tuple[Field, ...]


def check(line: bytes) -> tuple[bytes, bool | None]:
    """Part a line from the checksum at its end.

    Returns
    -------
    content, right
        ``right`` is None for a line without checksum; the XOR covers all bytes
        before the ``*``, as in NMEA 0183.
    """
    match = CHECKSUM.fullmatch(line)
    if match is None:
        return line, None
    content, stated = match.groups()
    xor = int(np.bitwise_xor.reduce(np.frombuffer(content, dtype=np.uint8), initial=0))
    return content, content != b"" and xor == int(stated, 16)


def split(content: bytes) -> list[bytes]:
    """Fields of a line, spaces around them removed."""
    return SEPARATOR.split(content.strip(b" "))


def number(field: bytes, decimals: int) -> int | None:
    """Value times ten to the power of ``decimals``; None unless it is a number and exactly that."""
    match = NUMBER.fullmatch(field)
    if match is None:
        return None
    sign, whole, part, only = match.groups()
    fraction = (part or only or b"").rstrip(b"0")
    if len(fraction) > decimals:
        return None
    digits = ((whole or b"") + fraction.ljust(decimals, b"0")).lstrip(b"0") or b"0"
    if len(digits) > 19 or int(digits) >= CODE_LIMIT:
        return None
    return -int(digits) if sign == b"-" else int(digits)


def numbers(fields: Sequence[bytes], shape: LineShape) -> list[int] | None:
    """Values of the used fields; None where the line is not one of the shape."""
    if len(fields) != shape.width:
        return None
    values = []
    for wanted in shape.fields:
        value = number(fields[wanted.column], wanted.decimals)
        if value is None:
            return None
        values.append(value)
    # An unused column may hold anything that was meant to be read, but nothing torn or garbled.
    if not all(field and PRINTABLE.fullmatch(field) for field in fields):
        return None
    return values


def words(fields: Sequence[bytes]) -> list[str] | None:
    """Names in a line in which every field starts with a letter; None for any other line."""
    names = [field.decode("utf-8", "replace") for field in fields]
    if all(name[:1].isalpha() and name.lower() not in NOT_WORDS for name in names):
        return names
    return None


def is_prose(content: bytes) -> bool:
    """Whether a line is words with some numbers among them, such as ``offset trimmed to 12``.

    Every part between commas, semicolons and tabs starts with a letter, the first
    word holds no digit, and at least half of all are words: a garbled line of
    numbers does not look like that.
    """
    text = content.decode("utf-8", "replace")
    parts = re.split(r"[,;\t]", text)
    if not all(part.strip(" ")[:1].isalpha() for part in parts):
        return False
    every = [word for part in parts for word in part.split(" ") if word]
    wordy = [word for word in every if word[:1].isalpha() and word.lower() not in NOT_WORDS]
    return (
        WORD_WITHOUT_DIGITS.fullmatch(every[0]) is not None
        and every[0].lower() not in NOT_WORDS
        and 2 * len(wordy) >= len(every)
    )
