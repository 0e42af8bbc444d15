"""A report as PDF: the same content as the HTML, set with reportlab, its fonts embedded."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import Any
from xml.sax.saxutils import escape

from livesense.pdf_fonts import BOLD, PLAIN, register
from livesense.report.as_html import MARK
from livesense.report.content import Block, Facts, Figure, Items, Report, Source, Table, Tone, Words
from livesense.report.shapes import GREY, INK, Picture, Polygon, Polyline

_SIZE = 8.5
_MARGIN = 48.0
_RULE = "#c9c6bd"
_LARGEST_CELL = 60
"""Characters of a cell that is measured for its column's width."""


def pdf(report: Report) -> bytes:
    """Set a report on A4; the same report makes the same bytes.

    Raises
    ------
    UsageError
        where reportlab is not installed.
    """
    register()
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import SimpleDocTemplate

    file = io.BytesIO()
    document = SimpleDocTemplate(
        file, pagesize=A4, leftMargin=_MARGIN, rightMargin=_MARGIN, topMargin=_MARGIN,
        bottomMargin=_MARGIN + 6, title=report.title, author="livesense", subject=MARK, invariant=1,
        lang="en",
    )  # fmt: skip
    setter = _Setter(A4[0] - 2 * _MARGIN - 12)

    def foot(canvas: Any, _: Any) -> None:
        canvas.setFont(PLAIN, 7)
        canvas.setFillColor(GREY)
        canvas.drawString(_MARGIN, 28, setter.known(report.title)[:110])
        canvas.drawRightString(A4[0] - _MARGIN, 28, f"page {canvas.getPageNumber()}")

    document.build(setter.report(report), onFirstPage=foot, onLaterPages=foot)
    return file.getvalue()


class _Setter:
    """Turns content into what reportlab flows over pages."""

    def __init__(self, width: float) -> None:
        from reportlab.lib.styles import ParagraphStyle
        from reportlab.pdfbase import pdfmetrics

        self.width = width
        self._glyphs = pdfmetrics.getFont(PLAIN).face.charToGlyph
        self._measure = pdfmetrics.stringWidth

        def style(name: str, size: float = _SIZE, **more: Any) -> Any:
            more = {"fontName": PLAIN, "textColor": INK, "spaceAfter": 4} | more
            return ParagraphStyle(name, fontSize=size, leading=1.36 * size, splitLongWords=True, **more)

        self._styles = {
            Tone.PLAIN: style("plain"),
            Tone.LEAD: style("lead", 10.5, fontName=BOLD),
            Tone.NOTE: style("note", 7.4, textColor=GREY),
            Tone.CAUTION: style("caution", leftIndent=8, borderPadding=(0, 0, 0, 6)),
            "cell": style("cell", 7.6, spaceAfter=0),
            "number": style("number", 7.6, spaceAfter=0, alignment=2),
            "head": style("head", 7.0, spaceAfter=0, textColor=GREY),
            "head number": style("head number", 7.0, spaceAfter=0, textColor=GREY, alignment=2),
            "item": style("item", leftIndent=10, bulletIndent=1, spaceAfter=2),
            "source": style("source", 7.0, spaceAfter=0, fontName="Courier", backColor="#f5f4f0"),
            1: style("h1", 16, fontName=BOLD, spaceAfter=3),
            2: style("h2", 11.5, fontName=BOLD, spaceBefore=10, keepWithNext=1),
            3: style("h3", 9.2, fontName=BOLD, spaceBefore=6, keepWithNext=1),
        }

    def known(self, text: str) -> str:
        """Replace characters that the font lacks."""
        return "".join(c if ord(c) in self._glyphs else "?" for c in text)

    def text(self, text: str, style: Any) -> Any:
        from reportlab.platypus import Paragraph

        return Paragraph(escape(self.known(text)), self._styles[style])

    def report(self, report: Report) -> list[Any]:
        from reportlab.platypus import HRFlowable

        flow = [self.text(report.title, 1), self.text(report.about, Tone.NOTE)]
        for section in report.sections:
            if section.level == 2:
                flow.append(HRFlowable(width="100%", thickness=1, color=INK, spaceBefore=8, spaceAfter=0))
            flow.append(self.text(section.title, section.level))
            for block in section.blocks:
                flow += self.block(block)
        return flow

    def block(self, block: Block) -> list[Any]:
        match block:
            case Words(text, tone):
                return [self.text(text, tone)]
            case Facts(rows):
                body = [
                    [self.text(label, "head"), self.text(f"{value}   {origin}".rstrip(), "cell")]
                    for label, value, origin in rows
                ]
                return self._grid(body, [0.27 * self.width, 0.73 * self.width], ruled=False) if body else []
            case Table():
                return self._table(block)
            case Items(items):
                from reportlab.platypus import Paragraph

                return [
                    Paragraph(escape(self.known(item)), self._styles["item"], bulletText="–")
                    for item in items
                ]
            case Figure(picture, caption):
                return [_drawn(picture, self), self.text(caption, Tone.NOTE)]
            case Source(text):
                return self._source(text)

    def _source(self, text: str) -> list[Any]:
        from reportlab.platypus import Paragraph, Spacer

        # Courier of the PDF standard knows Latin-1 only: the file itself is hashed in the report.
        spoken = str.maketrans({"Ω": "Ohm", "−": "-", "–": "-", "…": "...", "\t": "    "})
        lines = text.translate(spoken).encode("latin-1", "replace").decode("latin-1").splitlines()
        style = self._styles["source"]
        return [
            *(Paragraph(escape(line).replace(" ", "&nbsp;") or "&nbsp;", style) for line in lines),
            Spacer(0, 6),
        ]

    def _table(self, table: Table) -> list[Any]:
        if not table.rows:
            return []
        body = [
            [
                self.text(cell, "head" if k in table.words else "head number")
                for k, cell in enumerate(table.header)
            ],
            *(
                [self.text(cell, "cell" if k in table.words else "number") for k, cell in enumerate(row)]
                for row in table.rows
            ),
        ]
        flow = self._grid(body, self._widths(table), ruled=True)
        return [*flow, *(self.text(note, Tone.NOTE) for note in table.notes)]

    def _widths(self, table: Table) -> list[float]:
        """Share the page among columns: numbers get what they need, words at least their longest word."""
        least, wants = [], []
        for k, head in enumerate(table.header):
            cells = [self.known(row[k]) for row in table.rows]
            word = max(self._longest_word(cell) for cell in (head, *cells)) + 7
            line = max([self._measure(cell[:_LARGEST_CELL], PLAIN, 7.6) + 7 for cell in cells])
            wants.append(max(word, line))
            least.append(word if k in table.words else max(word, line))
        spare = self.width - sum(wants)
        if spare >= 0:
            # Not torn apart where there is room: what is left goes to the right.
            wants[-1] += spare
            return wants
        give = sum(wants) - sum(least)
        if self.width < sum(least) or not give:
            return [w * self.width / sum(least) for w in least]
        share = (self.width - sum(least)) / give
        return [low + share * (want - low) for low, want in zip(least, wants, strict=True)]

    def _longest_word(self, text: str) -> float:
        return max((self._measure(word, PLAIN, 7.6) for word in self.known(text).split()), default=0.0)

    def _grid(self, body: Iterable[list[Any]], widths: list[float], *, ruled: bool) -> list[Any]:
        from reportlab.platypus import Spacer, TableStyle
        from reportlab.platypus import Table as Grid

        looks: list[tuple[Any, ...]] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 5),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
        ]
        if ruled:
            looks += [("LINEBELOW", (0, 0), (-1, -1), 0.3, _RULE), ("LINEBELOW", (0, 0), (-1, 0), 0.6, INK)]
        grid = Grid(list(body), colWidths=widths, repeatRows=1 if ruled else 0, hAlign="LEFT")
        grid.setStyle(TableStyle(looks))
        return [grid, Spacer(0, 5)]


def _drawn(picture: Picture, setter: _Setter) -> Any:
    """Make a picture into something that flows: reportlab counts upwards."""
    from reportlab.graphics import shapes
    from reportlab.graphics.renderPDF import GraphicsFlowable
    from reportlab.lib.colors import HexColor

    scale = min(1.0, setter.width / picture.width)
    drawing = shapes.Drawing(picture.width * scale, picture.height * scale)
    group = shapes.Group(transform=(scale, 0, 0, -scale, 0, picture.height * scale))
    for shape in picture.shapes:
        match shape:
            case Polyline(points, colour, width, dash):
                flat = [value for point in points for value in point]
                line = shapes.PolyLine(
                    flat, strokeColor=HexColor(colour), strokeWidth=width, strokeLineJoin=2
                )
                line.strokeDashArray = list(dash) or None
                group.add(line)
            case Polygon(points, colour, _):
                flat = [value for point in points for value in point]
                group.add(shapes.Polygon(flat, fillColor=HexColor(colour), strokeColor=None, strokeWidth=0))
            case _:
                # Text is set outside of the mirrored group, or it would stand on its head.
                drawing.add(group)
                drawing.add(
                    shapes.String(
                        shape.x * scale, (picture.height - shape.y) * scale, setter.known(shape.text),
                        fontName=BOLD if shape.bold else PLAIN, fontSize=shape.size * 0.92 * scale,
                        fillColor=HexColor(shape.colour), textAnchor=shape.anchor,
                    )
                )  # fmt: skip
                group = shapes.Group(transform=(scale, 0, 0, -scale, 0, picture.height * scale))
    drawing.add(group)
    flowing = GraphicsFlowable(drawing)
    # Its caption stands on the same page.
    flowing.keepWithNext = True
    return flowing
