"""What stands on a bench card, before it is HTML or PDF: blocks of wiring, points and limits.

:func:`livesense.card.build.card_of` makes it; a renderer prints all of it and adds nothing.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from livesense.card.drawing import Drawing

BLANK = "________"
"""A line to fill by hand, for what the bench file does not state."""


WIDEST_BESIDE = 4
"""Columns of points that stand beside the rows of a small block."""


_UNIT = re.compile(r"(?<=\d) (?=[%°AVWΩKsHmµnk])")


def unbroken(text: str) -> str:
    """Keep numbers and their units on one line."""
    return _UNIT.sub("\xa0", text)


@dataclass(frozen=True, slots=True)
class Row:
    """One fact: what it is, what it amounts to, where that comes from; ``strong`` where one looks first."""

    label: str
    value: str
    origin: str = ""
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Points: a header, rows of as many cells (the first one names the row), and notes below.

    ``strong`` holds the numbers of the rows that are looked at first.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()
    strong: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Block:
    """All that is said of channels that are alike.

    With a drawing a block takes the sheet's width: ``wiring`` stands below the drawing, ``checks`` below
    the points, ``limits`` to the right. Blocks without one take half of it: ``wiring`` and ``limits``
    to the left, points and ``checks`` to the right; points to both sides of zero stand across, above both.
    """

    names: tuple[str, ...]
    about: str
    drawing: Drawing | None = None
    wiring: tuple[Row, ...] = ()
    points: Table | None = None
    checks: tuple[Row, ...] = ()
    limits: tuple[Row, ...] = ()

    def points_across(self) -> bool:
        """Tell whether the points of a small block need all of its width."""
        return self.drawing is None and self.points is not None and len(self.points.header) > WIDEST_BESIDE


@dataclass(frozen=True, slots=True)
class Card:
    """A whole card.

    ``origin`` tells what it was made from, ``guide`` how it is read, ``signed`` is a line for hands;
    ``cautions`` are pairs of a few words and the rest.
    """

    title: str
    origin: str
    guide: str
    blocks: tuple[Block, ...]
    cautions: tuple[tuple[str, str], ...]
    signed: str

    def wide(self) -> list[Block]:
        """Blocks that take the sheet's width."""
        return [block for block in self.blocks if block.drawing is not None]

    def small(self) -> list[Block]:
        """Blocks that take half of it; they come below the others."""
        return [block for block in self.blocks if block.drawing is None]
