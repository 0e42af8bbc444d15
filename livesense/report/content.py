"""What stands in a report, before it is HTML or PDF: sections of words, facts, tables and figures.

:mod:`livesense.report.build` makes it; a renderer prints all of it and adds nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from livesense.report.shapes import Picture


class Tone(StrEnum):
    """How a text is set."""

    PLAIN = "plain"
    LEAD = "lead"
    """The sentence that is read first."""
    NOTE = "note"
    """Small print."""
    CAUTION = "caution"


@dataclass(frozen=True, slots=True)
class Words:
    """A paragraph."""

    text: str
    tone: Tone = Tone.PLAIN


@dataclass(frozen=True, slots=True)
class Facts:
    """Rows of a label, what it amounts to, and where that comes from (may be empty)."""

    rows: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A header and rows of as many cells; columns in ``words`` hold text and are set to the left."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    words: tuple[int, ...] = (0,)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Items:
    """A list."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Figure:
    """A picture and what is said below it."""

    picture: Picture
    caption: str


@dataclass(frozen=True, slots=True)
class Source:
    """Text set as it is: a command, a file."""

    text: str


Block = Words | Facts | Table | Items | Figure | Source


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands below it; ``level`` 2, or 3 for a part of the one before."""

    title: str
    blocks: tuple[Block, ...]
    level: int = 2


@dataclass(frozen=True, slots=True)
class Report:
    """A whole report: what it is of, and its sections."""

    title: str
    about: str
    sections: tuple[Section, ...]
