"""A card as PDF: the same content as the HTML, set with reportlab, its fonts embedded.

Everything is placed first and drawn afterwards, so that the largest size that fits one sheet is known.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol
from xml.sax.saxutils import escape

from livesense.card.as_html import MARK
from livesense.card.content import Block, Card, Row, Table, unbroken
from livesense.card.drawing import HEIGHT, WIDTH, Area, Circle, Drawing, Label, Line
from livesense.card.fit import (
    CAUTION_COLUMNS,
    DRAWING_EM,
    GAP_MM,
    LABEL_EM,
    LINE,
    MARGIN_MM,
    MM_PER_PT,
    ROW_GAP_EM,
    SECOND_SHEET_PT,
    SIZES_PT,
    SMALL,
    Paper,
    columns_mm,
    small_columns_mm,
    stacks,
)
from livesense.pdf_fonts import BOLD, PLAIN, register

SMALLEST_PT = SIZES_PT[-1]
INK, GREY, RULE = "#15181c", "#4a4f56", "#c9c6bd"


class Part(Protocol):
    """Something of a known height that can be drawn below a place; in pt."""

    height: float

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw it with its upper left corner there."""


def pdf(card: Card, paper: Paper) -> tuple[bytes, int]:
    """Set a card; returns the file and how many sheets it takes. The same card makes the same bytes.

    Raises
    ------
    UsageError
        where reportlab is not installed.
    """
    register()
    for size in SIZES_PT:
        placed = _place(card, paper, _Set(size))
        if _sheets(placed) == 1:
            return _drawn(card, paper, placed), 1
    placed = _place(card, paper, _Set(SECOND_SHEET_PT))
    return _drawn(card, paper, placed), _sheets(placed)


class _Set:
    """Makes parts with text of one size."""

    def __init__(self, size: float) -> None:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.pdfbase import pdfmetrics

        self.size = size
        self._known = pdfmetrics.getFont(PLAIN).face.charToGlyph
        self._style = ParagraphStyle
        self._width = pdfmetrics.stringWidth

    def text(
        self, text: str, width: float, *, of: float = 1.0, colour: str = INK, right: bool = False
    ) -> _Text:
        """Set a text in lines of a width; ``of`` is its size in sizes of the text; may hold markup."""
        from reportlab.platypus import Paragraph

        size = of * self.size
        style = self._style(
            "card",
            fontName=PLAIN,
            fontSize=size,
            leading=size * LINE,
            textColor=colour,
            alignment=2 if right else 0,
            splitLongWords=True,
        )
        return _Text(Paragraph(text, style), width)

    def plain(self, text: str) -> str:
        """Escape a text; characters that the fonts lack become question marks."""
        return escape("".join(c if ord(c) in self._known else "?" for c in unbroken(text)))

    def small(self, text: str) -> str:
        """Mark a text as small print."""
        return (
            f'<font size="{SMALL * self.size:.2f}" color="{GREY}">{self.plain(text)}</font>' if text else ""
        )

    def rows(self, rows: Iterable[Row], width: float) -> list[Part]:
        """Set rows: label to the left, value and small print beside it."""
        label = LABEL_EM * self.size
        parts: list[Part] = []
        for row in rows:
            value = f"<b>{self.plain(row.value)}</b>" if row.strong else self.plain(row.value)
            left = self.text(self.plain(row.label), label - 0.5 * self.size, colour=GREY)
            right = self.text(f"{value} {self.small(row.origin)}", width - label)
            parts.append(_Beside([(0.0, left), (label, right)]))
            parts.append(_Space(ROW_GAP_EM * self.size))
        return parts

    def table(self, table: Table | None, width: float) -> list[Part]:
        """Set points."""
        if table is None:
            return []
        cells = [[self._unescaped(cell) for cell in row] for row in (table.header, *table.rows)]
        return [_Points(cells, table.strong, width, self.size), _Space(0.3 * self.size)]

    def _unescaped(self, text: str) -> str:
        return "".join(c if ord(c) in self._known else "?" for c in text)

    def notes(self, table: Table | None, width: float) -> list[Part]:
        """Set the notes below points."""
        if table is None or not table.notes:
            return []
        lines = [self.text(self.plain(note), width, of=SMALL, colour=GREY) for note in table.notes]
        return [_Space(0.2 * self.size), *lines, _Space(0.4 * self.size)]


@dataclass
class _Space:
    height: float

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Nothing."""


class _Text:
    def __init__(self, paragraph: Any, width: float) -> None:
        self._paragraph = paragraph
        self.height = float(paragraph.wrap(width, 1e6)[1])

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw its lines."""
        self._paragraph.drawOn(canvas, x, top - self.height)


class _Beside:
    """Parts beside each other, each with its distance from the left."""

    def __init__(self, parts: Sequence[tuple[float, Part]]) -> None:
        self._parts = parts
        self.height = max((part.height for _, part in parts), default=0.0)

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw all at one height."""
        for across, part in self._parts:
            part.draw(canvas, x + across, top)


class _Below:
    """Parts below each other."""

    def __init__(self, parts: Sequence[Part]) -> None:
        self._parts = parts
        self.height = sum(part.height for part in parts)

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw one after the other."""
        for part in self._parts:
            part.draw(canvas, x, top)
            top -= part.height


class _Rule:
    """A line across, with room below."""

    def __init__(self, width: float, size: float) -> None:
        self._width = width
        self.height = 0.3 * size

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw the line."""
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(1.1)
        canvas.line(x, top, x + self._width, top)


class _Points:
    """A table of short texts on one line each."""

    def __init__(
        self, cells: Sequence[Sequence[str]], strong: Sequence[int], width: float, size: float
    ) -> None:
        self._cells, self._strong, self._width, self._size = cells, strong, width, size
        self._row = (LINE + 0.36) * size
        self._head = SMALL * LINE * size + 0.3 * size
        self.height = self._head + self._row * (len(cells) - 1)

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw header and rows: the first cell to the left, the others to the right of their columns."""
        count = len(self._cells[0]) - 1
        # Between the two sides of zero there is more room.
        first, between = 6.2 * self._size, 1.6 * self._size if count > 3 else 0.0
        each = (self._width - first - between) / count
        edges = [first + each * (n + 1) + (between if n > 2 else 0.0) for n in range(count)]
        at = top - self._head
        for number, row in enumerate(self._cells):
            bold = number - 1 in self._strong
            size = self._size * (1.0 if number else SMALL)
            canvas.setFont(BOLD if bold else PLAIN, size)
            canvas.setFillColor(INK if number else GREY)
            base = at + 0.36 * self._size
            canvas.drawString(x, base, row[0])
            for edge, cell in zip(edges, row[1:], strict=True):
                canvas.drawRightString(x + edge, base, cell)
            canvas.setStrokeColor(RULE if number else INK)
            canvas.setLineWidth(0.5)
            canvas.line(x, at, x + self._width, at)
            at -= self._row


class _Sketch:
    """A drawing of a sense point."""

    def __init__(self, drawing: Drawing, width: float) -> None:
        self._drawing, self._scale = drawing, width / WIDTH
        self.height = HEIGHT * self._scale

    def draw(self, canvas: Any, x: float, top: float) -> None:
        """Draw the shapes; their y runs down."""
        canvas.saveState()
        canvas.translate(x, top)
        canvas.scale(self._scale, self._scale)
        canvas.setLineJoin(1)
        canvas.setLineCap(1)
        for shape in self._drawing.shapes:
            canvas.setStrokeColor(INK)
            canvas.setLineWidth(0.6)
            match shape:
                case Line(points, bold):
                    canvas.setLineWidth(1.3 if bold else 0.6)
                    canvas.drawPath(_path(canvas, points), stroke=1, fill=0)
                case Area(points, solid):
                    canvas.setFillColor(INK if solid else "#ffffff")
                    path = _path(canvas, points)
                    path.close()
                    canvas.drawPath(path, stroke=1, fill=1)
                case Circle(cx, cy, r):
                    canvas.setFillColor("#ffffff")
                    canvas.circle(cx, -cy, r, stroke=1, fill=1)
                case Label(lx, ly, text, anchor, bold):
                    canvas.setFillColor(INK)
                    canvas.setFont(BOLD if bold else PLAIN, 7)
                    write = {"start": canvas.drawString, "end": canvas.drawRightString}
                    write.get(anchor, canvas.drawCentredString)(lx, -ly, text)
        canvas.restoreState()


def _path(canvas: Any, points: Sequence[tuple[float, float]]) -> Any:
    path = canvas.beginPath()
    path.moveTo(points[0][0], -points[0][1])
    for x, y in points[1:]:
        path.lineTo(x, -y)
    return path


# ── blocks ───────────────────────────────────────────────────────────────────────────────────────


def _pt(mm: float) -> float:
    return mm / MM_PER_PT


def _head(block: Block, s: _Set, width: float) -> list[Part]:
    about = f'<font size="{s.size:.2f}">{s.plain(block.about)}</font>'
    title = s.text(f"<b>{s.plain(', '.join(block.names))}</b> \xa0 {about}", width, of=1.35)
    return [_Rule(width, s.size), title, _Space(0.2 * s.size)]


def _wide(block: Block, s: _Set, paper: Paper) -> Part:
    left, middle, right = map(_pt, columns_mm(paper))
    gap = _pt(GAP_MM)
    drawing: list[Part] = []
    if block.drawing is not None:
        drawing = [_Sketch(block.drawing, min(left, DRAWING_EM * s.size)), _Space(0.6 * s.size)]
    columns = _Beside(
        [
            (0.0, _Below([*drawing, *s.rows(block.wiring, left)])),
            (
                left + gap,
                _Below(
                    [
                        *s.table(block.points, middle),
                        *s.notes(block.points, middle),
                        *s.rows(block.checks, middle),
                    ]
                ),
            ),
            (left + middle + 2 * gap, _Below(s.rows(block.limits, right))),
        ]
    )
    return _Below([*_head(block, s, left + middle + right + 2 * gap), columns, _Space(0.5 * s.size)])


def _small(block: Block, s: _Set, paper: Paper) -> Part:
    left, right = map(_pt, small_columns_mm(paper))
    gap = _pt(GAP_MM)
    whole = left + right + gap
    across = block.points_across()
    columns = _Beside(
        [
            (0.0, _Below([*s.rows((*block.wiring, *block.limits), left), *s.notes(block.points, left)])),
            (
                left + gap,
                _Below([*([] if across else s.table(block.points, right)), *s.rows(block.checks, right)]),
            ),
        ]
    )
    above = s.table(block.points, whole) if across else []
    return _Below([*_head(block, s, whole), *above, columns, _Space(0.5 * s.size)])


def _top(card: Card, s: _Set, paper: Paper) -> Part:
    width = _pt(paper.width_mm - 2 * MARGIN_MM)
    title = s.text(f"<b>{s.plain(card.title)}</b>", 0.31 * width, of=1.9)
    small = [
        s.text(s.plain(t), 0.68 * width, of=SMALL, colour=GREY, right=True) for t in (card.origin, card.guide)
    ]
    return _Below([_Beside([(0.0, title), (0.32 * width, _Below(small))]), _Space(0.5 * s.size)])


def _foot(card: Card, s: _Set, paper: Paper) -> Part:
    whole, gap = _pt(paper.width_mm - 2 * MARGIN_MM), _pt(GAP_MM)
    width = (whole - (CAUTION_COLUMNS - 1) * gap) / CAUTION_COLUMNS
    said = [s.text(f"<b>{s.plain(lead)}</b> {s.plain(text)}", width) for lead, text in card.cautions]
    lines: list[Part] = [_Rule(whole, s.size)]
    for n in range(0, len(said), CAUTION_COLUMNS):
        row = said[n : n + CAUTION_COLUMNS]
        lines += [_Beside([(k * (width + gap), part) for k, part in enumerate(row)]), _Space(0.2 * s.size)]
    return _Below([*lines, _Space(0.8 * s.size), s.text(s.plain(card.signed), whole)])


# ── sheets ───────────────────────────────────────────────────────────────────────────────────────


@dataclass
class _Cursor:
    """Where the next part goes: the sheet, and the distance from its upper edge."""

    sheet: int
    down: float


@dataclass(frozen=True)
class _Placed:
    sheet: int
    x: float
    down: float
    part: Part


def _place(card: Card, paper: Paper, s: _Set) -> list[_Placed]:
    margin, bottom = _pt(MARGIN_MM), _pt(paper.height_mm - MARGIN_MM)
    placed: list[_Placed] = []

    def put(part: Part, x: float, cursor: _Cursor) -> None:
        if cursor.down + part.height > bottom and cursor.down > margin:
            cursor.sheet, cursor.down = cursor.sheet + 1, margin
        placed.append(_Placed(cursor.sheet, x, cursor.down, part))
        cursor.down += part.height

    at = _Cursor(0, margin)
    for part in (_top(card, s, paper), *(_wide(block, s, paper) for block in card.wide())):
        put(part, margin, at)
    parts = [(block, _small(block, s, paper)) for block in card.small()]
    by_block = {id(block): part for block, part in parts}
    ends = []
    for side, stack in enumerate(stacks([(block, part.height) for block, part in parts])):
        own = _Cursor(at.sheet, at.down)
        for block in stack:
            put(by_block[id(block)], margin + side * _pt((paper.width_mm - 2 * MARGIN_MM + GAP_MM) / 2), own)
        ends.append(own)
    last = max(ends, key=lambda end: (end.sheet, end.down))
    put(_foot(card, s, paper), margin, last)
    return placed


def _sheets(placed: Sequence[_Placed]) -> int:
    return max(one.sheet for one in placed) + 1


def _drawn(card: Card, paper: Paper, placed: Sequence[_Placed]) -> bytes:
    from reportlab.pdfgen.canvas import Canvas

    file = io.BytesIO()
    size = (_pt(paper.width_mm), _pt(paper.height_mm))
    # Without the time of day in it.
    canvas = Canvas(file, pagesize=size, invariant=1, pageCompression=1, lang="en")
    canvas.setTitle(f"{card.title}: bench card")
    canvas.setSubject(MARK)
    canvas.setCreator("livesense")
    for sheet in range(_sheets(placed)):
        for one in placed:
            if one.sheet == sheet:
                one.part.draw(canvas, one.x, size[1] - one.down)
        if _sheets(placed) > 1:
            canvas.setFont(PLAIN, SMALLEST_PT)
            canvas.setFillColor(GREY)
            canvas.drawRightString(
                size[0] - _pt(MARGIN_MM), _pt(MARGIN_MM) / 3, f"page {sheet + 1} of {_sheets(placed)}"
            )
        canvas.showPage()
    canvas.save()
    return file.getvalue()
