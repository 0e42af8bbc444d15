"""Paper, and how large a card may be set so that it fits one sheet.

A browser sets the HTML by itself, so its height is reckoned here from the length of its texts, with
widths of a wide sans-serif; the PDF is measured while it is set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from livesense.card.content import Block, Card, Row, Table
from livesense.card.drawing import HEIGHT, WIDTH

Stacks = tuple[Sequence[Block], Sequence[Block]]

MM_PER_PT = 25.4 / 72


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet that lies on its long side, in mm; ``css`` is its name in style sheets."""

    css: str
    width_mm: float
    height_mm: float


PAPERS = {"a4": Paper("A4", 297.0, 210.0), "letter": Paper("letter", 279.4, 215.9)}
MARGIN_MM = 7.0

SIZES_PT = (8.0, 7.5, 7.0, 6.5, 6.0)
"""Sizes of the text, the largest that fits is taken. Below 6 pt nobody reads it at a bench."""

SECOND_SHEET_PT = 7.0
"""Size of the text where one sheet is not enough."""

COLUMNS = (0.22, 0.35, 0.43)
"""Shares of a block's width: drawing and wiring, points, limits."""
SMALL_COLUMNS = (0.56, 0.44)
"""Shares of a block without drawing, which takes half the sheet: rows, points."""
GAP_MM = 5.0
CAUTION_COLUMNS = 4
LINE = 1.2
"""Height of a line in sizes of the text."""
ROW_GAP_EM = 0.2
SMALL = 0.86
"""Size of the small print, where numbers come from."""
LABEL_EM = 7.0
"""Width of the labels of rows."""
DRAWING_EM = 20.0
"""Width of a drawing in sizes of the text."""

# fmt: off
_WIDTHS = (
    318, 401, 460, 838, 636, 950, 780, 275, 390, 390, 500, 838, 318, 361, 318, 337, 636, 636, 636, 636,
    636, 636, 636, 636, 636, 636, 337, 337, 838, 838, 838, 531, 1000, 684, 686, 698, 770, 632, 575, 775,
    752, 295, 295, 656, 557, 863, 748, 787, 603, 787, 695, 635, 611, 732, 684, 989, 685, 611, 685, 390,
    337, 390, 838, 500, 500, 613, 635, 550, 635, 615, 352, 635, 634, 278, 278, 579, 278, 974, 634, 612,
    635, 635, 411, 521, 392, 634, 592, 818, 592, 592, 525, 636, 337, 636, 838,
)
# fmt: on
"""Widths of the printable ASCII characters of the widest usual sans-serif, in thousandths of its size."""
_OTHER = 750
"""Width of any other character: most signs have 600 to 840."""
WIDER = 1.03
"""How much too high a card may be reckoned at the smallest size: most fonts are narrower than these."""
BOLD = 1.13
"""How much wider bold text is, at most."""


def columns_mm(paper: Paper) -> tuple[float, float, float]:
    """Widths of the columns of a block with a drawing."""
    whole = paper.width_mm - 2 * MARGIN_MM - 2 * GAP_MM
    return COLUMNS[0] * whole, COLUMNS[1] * whole, COLUMNS[2] * whole


def small_columns_mm(paper: Paper) -> tuple[float, float]:
    """Widths of the columns of a block without one."""
    whole = (paper.width_mm - 2 * MARGIN_MM - GAP_MM) / 2 - GAP_MM
    return SMALL_COLUMNS[0] * whole, SMALL_COLUMNS[1] * whole


def html_size(card: Card, paper: Paper) -> tuple[float, bool]:
    """Tell the size of the HTML's text in pt, and whether the card then fits one sheet."""
    room = paper.height_mm - 2 * MARGIN_MM
    for size in SIZES_PT:
        if reckoned_mm(card, paper, size) <= room * (WIDER if size == SIZES_PT[-1] else 1.0):
            return size, True
    return SECOND_SHEET_PT, False


def reckoned_mm(card: Card, paper: Paper, size_pt: float) -> float:
    """Reckon the height of a card in mm."""
    em = size_pt * MM_PER_PT
    head, foot = _head(card, paper, em), _cautions(card, paper, em)
    return head + foot + sum(_block(block, paper, em) for block in card.wide()) + _stacked(card, paper, em)


def small_stacks(card: Card, paper: Paper, size_pt: float) -> Stacks:
    """Share the blocks without drawing out to two stacks of about the same height."""
    return stacks([(block, _block(block, paper, size_pt * MM_PER_PT)) for block in card.small()])


def stacks(heights: Sequence[tuple[Block, float]]) -> Stacks:
    """Put each block, the highest first, on the lower one of two stacks; within them the order stays."""
    on_left: dict[int, bool] = {}
    filled = [0.0, 0.0]
    for number in sorted(range(len(heights)), key=lambda n: -heights[n][1]):
        on_left[number] = filled[0] <= filled[1]
        filled[0 if on_left[number] else 1] += heights[number][1]
    blocks = [block for block, _ in heights]
    left = [block for n, block in enumerate(blocks) if on_left[n]]
    return left, [block for n, block in enumerate(blocks) if not on_left[n]]


def _stacked(card: Card, paper: Paper, em: float) -> float:
    sides = small_stacks(card, paper, em / MM_PER_PT)
    return max(sum(_block(block, paper, em) for block in side) for side in sides)


def _head(card: Card, paper: Paper, em: float) -> float:
    width = (paper.width_mm - 2 * MARGIN_MM) / em
    small = sum(_lines(((text, SMALL),), 0.68 * width) for text in (card.origin, card.guide))
    return (
        max(1.9 * 1.15 * _lines(((card.title, 1.9 * BOLD),), 0.3 * width), small * SMALL * LINE) * em
        + 0.4 * em
    )


def _cautions(card: Card, paper: Paper, em: float) -> float:
    count = CAUTION_COLUMNS
    width = (paper.width_mm - 2 * MARGIN_MM - (count - 1) * GAP_MM) / count
    lines = [_lines(((f"{lead} {text}", 1.0),), width / em) for lead, text in card.cautions]
    rows = [max(lines[n : n + count]) for n in range(0, len(lines), count)]
    return (sum(rows) * LINE + 0.15 * len(rows) + LINE + 1.4) * em + 0.5


def _block(block: Block, paper: Paper, em: float) -> float:
    """Reckon the height of a block in mm; within, widths and heights are in sizes of the text."""
    if block.drawing is None:
        rows, points = (width / em for width in small_columns_mm(paper))
        across = _table(block.points) if block.points_across() else 0.0
        heights = [
            across + _rows((*block.wiring, *block.limits), rows) + _notes(block.points, rows),
            (across or _table(block.points)) + _rows(block.checks, points),
        ]
        width = rows + points
    else:
        left, middle, right = (width / em for width in columns_mm(paper))
        heights = [
            min(left, DRAWING_EM) * HEIGHT / WIDTH + 0.6 + _rows(block.wiring, left),
            _table(block.points) + _notes(block.points, middle) + _rows(block.checks, middle),
            _rows(block.limits, right),
        ]
        width = left + middle + right
    head = _lines(((", ".join(block.names), 1.35 * BOLD), (f"\u2002{block.about}", 1.0)), width) * 1.35 * LINE
    return (head + max(heights) + 0.8) * em + 0.5


def _rows(rows: Sequence[Row], width: float) -> float:
    room = width - LABEL_EM
    return sum(
        LINE
        * max(
            _lines(((row.value, BOLD if row.strong else 1.0), (row.origin, SMALL)), room),
            _lines(((row.label, 1.0),), LABEL_EM),
        )
        + ROW_GAP_EM
        for row in rows
    )


def _table(table: Table | None) -> float:
    return 0.0 if table is None else len(table.rows) * (LINE + 0.4) + SMALL * LINE + 0.5


def _notes(table: Table | None, width: float) -> float:
    if table is None or not table.notes:
        return 0.0
    return SMALL * (LINE * sum(_lines(((note, 1.0),), width / SMALL) for note in table.notes) + 0.9)


def _lines(pieces: Sequence[tuple[str, float]], width: float) -> int:
    """Count the lines of pieces of text, each with its size, that follow each other between margins."""
    lines, at = 1, 0.0
    for text, size in pieces:
        for word in text.split():
            wide = size * _width(word)
            if at and at + wide > width:
                lines, at = lines + 1, 0.0
            # A word that is longer than a line is broken.
            lines, at = lines + int((at + wide) // width), (at + wide) % width
            at += size * _width(" ")
    return lines


def _width(word: str) -> float:
    return sum(_WIDTHS[ord(c) - 32] if " " <= c <= "~" else _OTHER for c in word) / 1000
