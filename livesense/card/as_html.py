"""A card as one HTML file: no script, no network, its styles within, set for one sheet of paper."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from livesense.card.content import BLANK, Block, Card, Row, Table, unbroken
from livesense.card.drawing import HEIGHT, WIDTH, Area, Circle, Drawing, Label, Line, Shape
from livesense.card.fit import (
    CAUTION_COLUMNS,
    COLUMNS,
    DRAWING_EM,
    GAP_MM,
    LABEL_EM,
    LINE,
    MARGIN_MM,
    ROW_GAP_EM,
    SMALL,
    SMALL_COLUMNS,
    Paper,
    Stacks,
    small_stacks,
)

MARK = "livesense bench card"
"""Stands in every card, so that no other file is replaced by one."""

_STYLE = """
@page { size: %(paper)s landscape; margin: %(margin)gmm; }
* { box-sizing: border-box; }
html { background: #fff; color: #15181c; color-scheme: light; }
body { margin: 0 auto; width: %(width)gmm; font: %(size)gpt/%(line)g Arial, Helvetica, "Liberation Sans",
  "DejaVu Sans", sans-serif; font-variant-numeric: tabular-nums; overflow-wrap: anywhere; }
h1, h2, p, dl, dd, table, figure { margin: 0; }
@media screen { html { background: #e9e7e1; }
  body { background: #fff; margin: 6mm auto; padding: %(margin)gmm; width: %(sheet)gmm; } }
header { display: flex; justify-content: space-between; align-items: flex-end; gap: 8mm;
  padding-bottom: .4em; }
h1 { font-size: 1.9em; line-height: 1.15; font-weight: 700; }
header p { text-align: right; max-width: 68%%; }
small, header p, .notes { font-size: %(small)gem; color: #4a4f56; }
section { border-top: .4mm solid #15181c; padding: .15em 0 .55em; break-inside: avoid; }
h2 { font-size: 1.35em; line-height: %(line)g; padding-bottom: .1em; }
h2 span { font-size: .74em; font-weight: 400; padding-left: 1em; }
.columns { display: grid; grid-template-columns: %(columns)s; gap: %(gap)gmm; align-items: start; }
.stacks { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); column-gap: %(gap)gmm; }
.stacks .columns { grid-template-columns: %(small_columns)s; }
svg { display: block; width: %(drawing)gem; max-width: 100%%; height: auto; margin-bottom: .6em; }
dl { display: grid; grid-template-columns: %(label)gem minmax(0, 1fr); row-gap: %(row_gap)gem; }
dt { color: #4a4f56; padding-right: .6em; }
dd b { font-weight: 700; }
table { border-collapse: collapse; width: 100%%; margin-bottom: .3em; }
th, td { text-align: right; padding: .16em 0 .16em .7em; border-bottom: .15mm solid #c9c6bd; font-weight: 400;
  white-space: nowrap; }
th:first-child { text-align: left; padding-left: 0; white-space: normal; overflow-wrap: normal; }
thead th { font-size: %(small)gem; color: #4a4f56; border-bottom-color: #15181c; }
td:nth-child(5) { padding-left: 2.2em; }
tr.strong th, tr.strong td { font-weight: 700; }
.notes { padding: .35em 0 .55em; }
.blank { border-bottom: .2mm solid #15181c; display: inline-block; width: 4.6em; height: .95em; }
footer { border-top: .4mm solid #15181c; padding-top: .35em; break-inside: avoid; }
footer ul { margin: 0; padding: 0; list-style: none; display: grid;
  grid-template-columns: repeat(%(cautions)d, minmax(0, 1fr)); gap: .15em %(gap)gmm; }
footer p { padding-top: .8em; }
"""


def html(card: Card, paper: Paper, size_pt: float) -> str:
    """Write a card for a paper with text of a size."""
    style = _STYLE % {
        "paper": paper.css,
        "margin": MARGIN_MM,
        "width": paper.width_mm - 2 * MARGIN_MM,
        "sheet": paper.width_mm,
        "size": size_pt,
        "line": LINE,
        "small": SMALL,
        "columns": " ".join(f"minmax(0, {share:g}fr)" for share in COLUMNS),
        "small_columns": " ".join(f"minmax(0, {share:g}fr)" for share in SMALL_COLUMNS),
        "cautions": CAUTION_COLUMNS,
        "gap": GAP_MM,
        "drawing": DRAWING_EM,
        "label": LABEL_EM,
        "row_gap": ROW_GAP_EM,
    }
    return "\n".join(
        [
            "<!doctype html>",
            f'<html lang="en"><head><meta charset="utf-8"><!-- {MARK} -->',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>{_plain(card.title)}: bench card</title><style>{style}</style></head><body>",
            f"<header><h1>{_plain(card.title)}</h1><p>{_text(card.origin)}<br>{_text(card.guide)}</p></header>",
            "<main>",
            *(line for block in card.wide() for line in _wide(block)),
            *_stacks(small_stacks(card, paper, size_pt)),
            "</main><footer><ul>",
            *(f"<li><b>{_text(lead)}</b> {_text(rest)}</li>" for lead, rest in card.cautions),
            f"</ul><p>{_text(card.signed)}</p></footer></body></html>\n",
        ]
    )


def _stacks(stacks: Stacks) -> Iterator[str]:
    if any(stacks):
        yield '<div class="stacks">'
        for stack in stacks:
            yield from ("<div>", *(line for block in stack for line in _small(block)), "</div>")
        yield "</div>"


def _head(block: Block) -> str:
    return f"<section><h2>{_plain(', '.join(block.names))} <span>{_text(block.about)}</span></h2>"


def _wide(block: Block) -> Iterator[str]:
    yield f'{_head(block)}<div class="columns"><div>'
    if block.drawing is not None:
        yield svg(block.drawing)
    yield from _rows(block.wiring)
    yield "</div><div>"
    yield from _table(block.points)
    yield from _notes(block.points)
    yield from _rows(block.checks)
    yield "</div><div>"
    yield from _rows(block.limits)
    yield "</div></div></section>"


def _small(block: Block) -> Iterator[str]:
    yield _head(block)
    if block.points_across():
        yield from _table(block.points)
    yield '<div class="columns"><div>'
    yield from _rows((*block.wiring, *block.limits))
    yield from _notes(block.points)
    yield "</div><div>"
    if not block.points_across():
        yield from _table(block.points)
    yield from _rows(block.checks)
    yield "</div></div></section>"


def _rows(rows: Sequence[Row]) -> Iterator[str]:
    if not rows:
        return
    yield "<dl>"
    for row in rows:
        origin = f" <small>{_text(row.origin)}</small>" if row.origin else ""
        value = f"<b>{_text(row.value)}</b>" if row.strong else _text(row.value)
        yield f"<dt>{_text(row.label)}</dt><dd>{value}{origin}</dd>"
    yield "</dl>"


def _table(table: Table | None) -> Iterator[str]:
    if table is None:
        return
    head = "".join(f'<th scope="col">{_text(cell)}</th>' for cell in table.header)
    yield f"<table><thead><tr>{head}</tr></thead><tbody>"
    for number, (name, *cells) in enumerate(table.rows):
        strong = ' class="strong"' if number in table.strong else ""
        values = "".join(f"<td>{_text(cell)}</td>" for cell in cells)
        yield f'<tr{strong}><th scope="row">{_text(name)}</th>{values}</tr>'
    yield "</tbody></table>"


def _notes(table: Table | None) -> Iterator[str]:
    if table is not None and table.notes:
        yield f'<p class="notes">{"<br>".join(map(_text, table.notes))}</p>'


def svg(drawing: Drawing) -> str:
    """Write a drawing; what it shows stands in words within."""
    shapes = "".join(map(_shape, drawing.shapes))
    return (
        f'<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" role="img" aria-label="{_plain(drawing.about)}"'
        '><g stroke-linejoin="round" stroke-linecap="round" font-size="7" fill="#15181c" stroke="#15181c" '
        f'stroke-width="0.6">{shapes}</g></svg>'
    )


def _shape(shape: Shape) -> str:
    match shape:
        case Line(points, bold):
            width = ' stroke-width="1.3"' if bold else ""
            return f'<polyline points="{_places(points)}" fill="none"{width}/>'
        case Area(points, solid):
            fill = "" if solid else ' fill="#fff"'
            return f'<polygon points="{_places(points)}"{fill}/>'
        case Circle(x, y, r):
            return f'<circle cx="{x:g}" cy="{y:g}" r="{r:g}" fill="#fff"/>'
        case Label(x, y, text, anchor, bold):
            weight = ' font-weight="700"' if bold else ""
            where = f'x="{x:g}" y="{y:g}" text-anchor="{anchor}"'
            return f'<text {where} stroke="none"{weight}>{_plain(text)}</text>'


def _places(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:g},{y:g}" for x, y in points)


def _plain(text: str) -> str:
    """Escape a text; what HTML has no place for becomes a question mark."""
    return escape("".join(c if c.isprintable() else "?" for c in text))


def _text(text: str) -> str:
    """Escape a text, keep numbers and units on one line, and draw lines to fill."""
    return unbroken(_plain(text)).replace(BLANK, '<span class="blank"></span>')
