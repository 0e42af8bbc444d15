"""A report as one HTML file: no script, nothing from elsewhere, its styles and pictures within."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape

from livesense.report.content import Block, Facts, Figure, Items, Report, Section, Source, Table, Tone, Words
from livesense.report.shapes import Picture, Place, Polygon, Polyline, Shape

MARK = "livesense report"
"""Stands in every report, so that no other file is replaced by one."""

_POLICY = "default-src 'none'; style-src 'unsafe-inline'"

_STYLE = """
@page { size: A4; margin: 16mm 17mm; }
* { box-sizing: border-box; }
html { background: #e9e7e1; color: #15181c; color-scheme: light; }
body { margin: 6mm auto; background: #fff; max-width: 210mm; padding: 12mm 14mm;
  font: 10pt/1.42 Arial, Helvetica, "Liberation Sans", "DejaVu Sans", sans-serif;
  font-variant-numeric: tabular-nums; overflow-wrap: break-word; }
@media print { html { background: #fff; } body { margin: 0; padding: 0; max-width: none; } }
h1 { font-size: 1.9em; line-height: 1.2; margin: 0 0 .15em; }
h2 { font-size: 1.3em; line-height: 1.25; margin: 1.5em 0 .45em; border-top: .5mm solid #15181c;
  padding-top: .35em; break-after: avoid; }
h3 { font-size: 1.05em; margin: 1.2em 0 .35em; break-after: avoid; }
p { margin: 0 0 .6em; }
.lead { font-size: 1.15em; font-weight: 700; }
.note, .notes, header p { font-size: .88em; color: #4a4f56; }
.caution { border-left: 1.2mm solid #15181c; padding-left: .8em; }
dl { display: grid; grid-template-columns: minmax(9em, 26%) minmax(0, 1fr); row-gap: .22em;
  margin: 0 0 .8em; overflow-wrap: anywhere; }
dt { color: #4a4f56; padding-right: .8em; }
dd { margin: 0; }
small { font-size: .88em; color: #4a4f56; padding-left: .5em; }
.wide { overflow-x: auto; margin: 0 0 .7em; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: right; padding: .2em 0 .2em .8em; border-bottom: .15mm solid #c9c6bd; font-weight: 400;
  vertical-align: top; }
th.w, td.w { text-align: left; }
th:first-child, td:first-child { padding-left: 0; }
td:not(.w) { white-space: nowrap; }
thead th { font-size: .88em; color: #4a4f56; border-bottom-color: #15181c; }
tr { break-inside: avoid; }
figure { margin: 0 0 .9em; break-inside: avoid; }
figcaption { font-size: .88em; color: #4a4f56; }
svg { display: block; max-width: 100%; height: auto; }
pre { font: .85em/1.4 "Liberation Mono", "DejaVu Sans Mono", Consolas, monospace; white-space: pre-wrap;
  background: #f5f4f0; padding: .6em .8em; margin: 0 0 .8em; }
ul { margin: 0 0 .7em; padding-left: 1.2em; }
li { margin: 0 0 .25em; }
"""


def html(report: Report) -> str:
    """Write a report; the same report makes the same text."""
    return "\n".join(
        [
            "<!doctype html>",
            f'<html lang="en"><head><meta charset="utf-8"><!-- {MARK} -->',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">',
            f"<title>{_text(report.title)}</title><style>{_STYLE}</style></head><body>",
            f"<header><h1>{_text(report.title)}</h1><p>{_text(report.about)}</p></header><main>",
            *(line for section in report.sections for line in _section(section)),
            "</main></body></html>\n",
        ]
    )


def _section(section: Section) -> Iterator[str]:
    yield f"<section><h{section.level}>{_text(section.title)}</h{section.level}>"
    for block in section.blocks:
        yield from _block(block)
    yield "</section>"


def _block(block: Block) -> Iterator[str]:
    match block:
        case Words(text, tone):
            marked = "" if tone is Tone.PLAIN else f' class="{tone}"'
            yield f"<p{marked}>{_text(text)}</p>"
        case Facts(rows):
            yield "<dl>"
            for label, value, origin in rows:
                small = f"<small>{_text(origin)}</small>" if origin else ""
                yield f"<dt>{_text(label)}</dt><dd>{_text(value)}{small}</dd>"
            yield "</dl>"
        case Table():
            yield from _table(block)
        case Items(items):
            yield "<ul>"
            yield from (f"<li>{_text(item)}</li>" for item in items)
            yield "</ul>"
        case Figure(picture, caption):
            yield f"<figure>{svg(picture)}<figcaption>{_text(caption)}</figcaption></figure>"
        case Source(text):
            yield f"<pre>{_lines(text)}</pre>"


def _table(table: Table) -> Iterator[str]:
    def marked(column: int) -> str:
        return ' class="w"' if column in table.words else ""

    head = "".join(f'<th scope="col"{marked(k)}>{_text(cell)}</th>' for k, cell in enumerate(table.header))
    # The wrapper can be scrolled in a narrow window, so it can be reached by keyboard.
    yield f'<div class="wide" tabindex="0"><table><thead><tr>{head}</tr></thead><tbody>'
    for row in table.rows:
        yield f"<tr>{''.join(f'<td{marked(k)}>{_text(cell)}</td>' for k, cell in enumerate(row))}</tr>"
    yield "</tbody></table></div>"
    if table.notes:
        yield f'<p class="notes">{"<br>".join(map(_text, table.notes))}</p>'


def svg(picture: Picture) -> str:
    """Write a picture; what it shows stands in words within."""
    shapes = "".join(map(_shape, picture.shapes))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {picture.width:g} {picture.height:g}" '
        f'width="{picture.width:g}pt" height="{picture.height:g}pt" role="img" '
        f'aria-label="{_text(picture.about)}" '
        'font-family="Arial, Helvetica, Liberation Sans, DejaVu Sans, sans-serif" stroke-linejoin="bevel">'
        f"{shapes}</svg>"
    )


def _shape(shape: Shape) -> str:
    match shape:
        case Polyline(points, colour, width, dash):
            dashes = f' stroke-dasharray="{" ".join(f"{d:g}" for d in dash)}"' if dash else ""
            return (
                f'<polyline points="{_places(points)}" fill="none" stroke="{colour}" '
                f'stroke-width="{width:g}"{dashes}/>'
            )
        case Polygon(points, colour, opacity):
            seen = f' fill-opacity="{opacity:g}"' if opacity != 1 else ""
            return f'<polygon points="{_places(points)}" fill="{colour}"{seen}/>'
        case _:
            weight = ' font-weight="700"' if shape.bold else ""
            anchor = f' text-anchor="{shape.anchor}"' if shape.anchor != "start" else ""
            return (
                f'<text x="{shape.x:.2f}" y="{shape.y:.2f}" font-size="{shape.size:g}" '
                f'fill="{shape.colour}"{anchor}{weight}>{_text(shape.text)}</text>'
            )


def _places(points: Sequence[Place]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _text(text: str) -> str:
    """Escape a text; control characters become question marks."""
    return escape("".join(c if c.isprintable() else "?" for c in text))


def _lines(text: str) -> str:
    return "\n".join(_text(line.replace("\t", "    ")) for line in text.splitlines())
