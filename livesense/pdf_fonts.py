"""Fonts of the PDFs that are written here: those that come with reportlab, embedded."""

from __future__ import annotations

from livesense.errors import UsageError

PLAIN, BOLD = "Vera", "VeraBd"
"""They hold the signs of cards and reports."""


def register() -> None:
    """Make the fonts known to reportlab.

    Raises
    ------
    UsageError
        where reportlab is not installed.
    """
    try:
        from reportlab.lib.fonts import addMapping
        from reportlab.pdfbase import pdfmetrics
        from reportlab.pdfbase.ttfonts import TTFont
    except ImportError as error:
        raise UsageError(
            "expected the package reportlab for a PDF, got none; `pip install reportlab` brings it, or take "
            "--out NAME.html and print that"
        ) from error
    for name in (PLAIN, BOLD):
        font = TTFont(name, f"{name}.ttf")
        # A space at which no line ends is drawn like any other.
        font.face.charToGlyph[0xA0] = font.face.charToGlyph[0x20]
        font.face.charWidths[0xA0] = font.face.charWidths[0x20]
        pdfmetrics.registerFont(font)
    for bold, name in ((0, PLAIN), (1, BOLD)):
        addMapping(PLAIN, bold, 0, name)
