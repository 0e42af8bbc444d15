"""Paper, and how large a card may be set so that it fits one sheet.

A browser sets the HTML by itself, so its height is reckoned here from the length of its texts, with
widths of a wide sans-serif; the PDF is measured while it is set.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from livesense.card.content import Block, Card, Row, Table
from livesense.card.drawing import HEIGHT, WIDTH

MM_PER_PT = 25.4 / 72


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet that lies on its long side, in mm; ``css`` is its name in style sheets."""

    css: str
    width_mm: float
    height_mm: float


PAPERS = {"a4": Paper("A4", 297.0, 210.0), "letter": Paper("letter", 279.4, 215.9)}
MARGIN_MM = 9.0

SIZES_PT = (8.0, 7.5, 7.0, 6.5, 6.0)
"""Sizes of the text, the largest that fits is taken. Below 6 pt nobody reads it at a bench."""

COLUMNS = (0.22, 0.35, 0.43)
"""Shares of a block's width: drawing and wiring, points, limits."""
GAP_MM = 5.0
LINE = 1.28
"""Height of a line in sizes of the text."""
SMALL = 0.86
"""Size of the small print, where numbers come from."""
LABEL_EM = 7.4
"""Width of the labels of rows."""
DRAWING_SHARE = 0.94
"""Part of the left column that a drawing takes."""

_CHARACTER_EM = 0.57
"""Mean width of a character of a wide sans-serif."""


def columns_mm(paper: Paper) -> tuple[float, float, float]:
    """Widths of the three columns of a block."""
    whole = paper.width_mm - 2 * MARGIN_MM - 2 * GAP_MM
    return COLUMNS[0] * whole, COLUMNS[1] * whole, COLUMNS[2] * whole


def html_size(card: Card, paper: Paper) -> tuple[float, bool]:
    """Tell the size of the HTML's text in pt, and whether the card then fits one sheet."""
    room = paper.height_mm - 2 * MARGIN_MM
    for size in SIZES_PT:
        if reckoned_mm(card, paper, size) <= room:
            return size, True
    return SIZES_PT[2], False


def reckoned_mm(card: Card, paper: Paper, size_pt: float) -> float:
    """Reckon the height of a card in mm."""
    em = size_pt * MM_PER_PT
    head, foot = 5.2 * LINE * em, _cautions(card, paper, em)
    return head + foot + sum(_block(block, columns_mm(paper), em) for block in card.blocks)


def _cautions(card: Card, paper: Paper, em: float) -> float:
    width = (paper.width_mm - 2 * MARGIN_MM - 2 * GAP_MM) / 3
    lines = [_lines(f"{lead} {text}", width, em) for lead, text in card.cautions]
    rows = (max(lines[n : n + 3]) for n in range(0, len(lines), 3))
    return (sum(rows) * LINE + 4.2) * em


def _block(block: Block, columns: Sequence[float], em: float) -> float:
    left, middle, right = columns
    drawing = 0.0 if block.drawing is None else left * DRAWING_SHARE * HEIGHT / WIDTH + em
    heights = (
        drawing + _rows(block.wiring, left, em),
        _table(block.points, middle, em) + _rows(block.checks, middle, em),
        _rows(block.limits, right, em),
    )
    head = 2.1 * LINE * em + (0 if _one_line(block, columns, em) else LINE * em)
    return head + max(heights) + 0.9 * em


def _one_line(block: Block, columns: Sequence[float], em: float) -> bool:
    text = ", ".join(block.names) + block.about
    return _lines(text, sum(columns) / 1.35, em) == 1


def _rows(rows: Sequence[Row], width: float, em: float) -> float:
    room = width - LABEL_EM * em
    return sum(
        max(
            math.ceil((_width(row.value, em) + SMALL * _width(row.origin, em)) / (room * 0.93)),
            _lines(row.label, LABEL_EM * em, em),
        )
        * LINE
        * em
        + 0.25 * em
        for row in rows
    )


def _table(table: Table | None, width: float, em: float) -> float:
    if table is None:
        return 0.0
    notes = sum(_lines(note, width / SMALL, em) for note in table.notes) * SMALL
    return (len(table.rows) * 1.62 + 1.3 + notes * LINE + 0.9) * em


def _width(text: str, em: float) -> float:
    return len(text) * _CHARACTER_EM * em


def _lines(text: str, width: float, em: float) -> int:
    return max(1, math.ceil(_width(text, em) / (width * 0.95)))
