"""What pictures of a report are made of: a few shapes that HTML and PDF can both draw sharply.

Coordinates run to the right and down, in points (1/72 inch). Colours are given by number
(:data:`COLOURS`); what is told apart by colour is told apart by dashes and by labels as well.
"""

from __future__ import annotations

from dataclasses import dataclass

INK, GREY, RULE = "#15181c", "#4a4f56", "#d4d1c8"
COLOURS = ("#0072B2", "#B25600", "#00785A", "#7A3E9D")
"""At least 3:1 on white, and apart for colour-blind readers."""

DASHES: tuple[tuple[float, ...], ...] = ((), (6.0, 2.0), (1.8, 1.8), (8.0, 2.0, 1.8, 2.0))

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Polyline:
    """A line through points."""

    points: tuple[Place, ...]
    colour: str = INK
    width: float = 0.8
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Polygon:
    """A filled outline."""

    points: tuple[Place, ...]
    colour: str
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Text:
    """A text; ``y`` is its baseline, ``anchor`` "start", "middle" or "end"."""

    x: float
    y: float
    text: str
    anchor: str = "start"
    size: float = 7.5
    colour: str = INK
    bold: bool = False


Shape = Polyline | Polygon | Text


@dataclass(frozen=True, slots=True)
class Picture:
    """Shapes in the order in which they are drawn; ``about`` says the same in words."""

    width: float
    height: float
    shapes: tuple[Shape, ...]
    about: str
