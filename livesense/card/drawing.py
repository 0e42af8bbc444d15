"""Small drawings of where a shunt and its amplifier sit, as shapes that every printer of a card can draw.

Coordinates run to the right and down, in units of which a drawing is :data:`WIDTH` wide and
:data:`HEIGHT` high.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

WIDTH, HEIGHT = 140.0, 78.0

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points; ``bold`` for the way of the current."""

    points: tuple[Place, ...]
    bold: bool = False


@dataclass(frozen=True, slots=True)
class Area:
    """A closed outline, filled with white or, where ``solid``, with ink."""

    points: tuple[Place, ...]
    solid: bool = False


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle filled with white."""

    x: float
    y: float
    r: float


@dataclass(frozen=True, slots=True)
class Label:
    """A text; ``y`` is its baseline, ``anchor`` "start", "middle" or "end"."""

    x: float
    y: float
    text: str
    anchor: str = "middle"
    bold: bool = False


Shape = Line | Area | Circle | Label


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes in the order in which they are drawn; ``about`` says the same in words."""

    shapes: tuple[Shape, ...]
    about: str


@dataclass(frozen=True, slots=True)
class Sense:
    """What is drawn.

    Attributes
    ----------
    place, phase
        As in the bench file.
    nodes
        Names of the two nodes beside the shunt, where the current as it is counted comes from first.
    plus_first
        Whether the amplifier's + input touches the first of them.
    shunt, gain
        Texts beside the shunt and in the amplifier.
    """

    place: str
    phase: str | None
    nodes: tuple[str, str]
    plus_first: bool
    shunt: str
    gain: str


def sense_drawing(sense: Sense) -> Drawing:
    """Draw bridge and shunt, the amplifier at its nodes, and the arrow of the current as it is counted."""
    if sense.phase == "bus":
        shapes = _bus(sense)
    elif sense.place == "in-line":
        shapes = _in_line(sense)
    else:
        shapes = _in_a_leg(sense)
    first, second = sense.nodes
    plus, minus = (first, second) if sense.plus_first else (second, first)
    about = (
        f"Shunt of {sense.shunt}, {sense.place}; positive current flows from {first} to {second}; "
        f"+ input at {plus}, - input at {minus}"
    )
    return Drawing(tuple(shapes), about)


def _in_line(sense: Sense) -> Iterator[Shape]:
    yield from _rails(14.0, 60.0, "start")
    yield Line(((14, 5), (14, 60)))
    yield from _switch(14, 19)
    yield from _switch(14, 46)
    yield from _dots((14, 32))
    yield Line(((14, 32), (104, 32)), bold=True)
    yield Circle(114, 32, 10)
    yield Label(114, 34.8, "M", bold=True)
    yield from _across(sense, 62.0, 32.0)


def _bus(sense: Sense) -> Iterator[Shape]:
    low = sense.place == "low-side"
    # The amplifier needs room below the line that the shunt is in.
    top, bottom = (6.0, 30.0) if low else (15.0, 66.0)
    yield Line(((12, top), (104, top)), bold=not low)
    yield Line(((12, bottom), (104, bottom)), bold=low)
    yield Line(((12, top), (12, bottom)))
    middle = (top + bottom) / 2
    yield Circle(12, middle, 8)
    yield Label(12, middle - 0.8, "+", bold=True)
    yield Label(12, middle + 6.2, "−", bold=True)
    yield _box(104, top - 4, 30, bottom - top + 8)
    yield Label(119, middle - 1.4, "drive")
    yield Label(119, middle + 7, "motor")
    yield from _across(sense, 58.0, bottom if low else top)


def _across(sense: Sense, x: float, y: float) -> Iterator[Shape]:
    """Draw a shunt in a horizontal line around x, its amplifier below, the arrow above or beside it."""
    # The current comes from the left, but through the return line of a bus, where it goes to the left.
    leftward = sense.phase == "bus" and sense.place == "low-side"
    left, right = reversed(sense.nodes) if leftward else sense.nodes
    plus_left = sense.plus_first != leftward
    yield _box(x - 9, y - 3.5, 18, 7)
    yield Line(((x - 15, y), (x - 15, y + 14)))
    yield Line(((x + 15, y), (x + 15, y + 14)))
    yield from _dots((x - 15, y), (x + 15, y))
    yield Area(((x - 24, y + 14), (x + 24, y + 14), (x, y + 36)))
    yield Label(x - 13.5, y + 20, "+" if plus_left else "−", bold=True)
    yield Label(x + 13.5, y + 20, "−" if plus_left else "+", bold=True)
    yield Label(x, y + 24.5, sense.gain)
    yield Line(((x, y + 36), (x, y + 41), (x + 12, y + 41)))
    yield Label(x + 14, y + 43.4, "ADC pin", "start")
    yield Label(x - 17, y + 9, left, "end")
    yield Label(x + 17, y + 9, right, "start")
    yield Label(x, y + 11, sense.shunt)
    yield from (
        _arrow((x + 12, y - 8), (x - 12, y - 8)) if leftward else _arrow((x - 12, y - 8), (x + 12, y - 8))
    )
    yield Label(x - 15 if leftward else x + 15, y - 5.4, "+ I", "end" if leftward else "start", bold=True)


def _in_a_leg(sense: Sense) -> Iterator[Shape]:
    high = sense.place == "high-side"
    x, bottom = 35.0, 74.0
    yield from _rails(x, bottom, "end")
    shunt, upper, lower = (23.0, 43.0, 62.0) if high else (55.0, 15.0, 34.0)
    node = (upper + lower) / 2
    yield Line(((x, 5), (x, bottom)), bold=True)
    yield from _switch(x, upper)
    yield from _switch(x, lower)
    yield Line(((x, node), (118, node)))
    yield from _dots((x, node))
    yield Circle(125, node, 8)
    yield Label(125, node + 2.8, "M", bold=True)
    yield from _beside(sense, x, shunt)


def _beside(sense: Sense, x: float, y: float) -> Iterator[Shape]:
    """Draw a shunt in a vertical line around y, its amplifier to the right, the arrow to the left."""
    # The phase current as it is counted flows down through the high side and up through the low side.
    upward = sense.place == "low-side"
    upper, lower = reversed(sense.nodes) if upward else sense.nodes
    plus_above = sense.plus_first != upward
    yield _box(x - 3.5, y - 6, 7, 12)
    base = x + 35
    for at in (y - 8.5, y + 8.5):
        yield Line(((x, at), (base, at)))
    yield from _dots((x, y - 8.5), (x, y + 8.5))
    yield Area(((base, y - 14), (base, y + 14), (base + 26, y)))
    yield Label(base + 5, y - 5.4, "+" if plus_above else "−", bold=True)
    yield Label(base + 5, y + 10, "−" if plus_above else "+", bold=True)
    yield Label(base + 11, y + 2.6, sense.gain)
    yield Line(((base + 26, y), (base + 31, y)))
    yield Label(base + 33, y + 2.4, "ADC pin", "start")
    yield Label(x + 6, y - 10.5, upper, "start")
    yield Label(x + 6, y + 15.5, lower, "start")
    yield Label(x + 8, y + 2.6, sense.shunt, "start")
    yield from _arrow((x - 9, y + 9), (x - 9, y - 9)) if upward else _arrow((x - 9, y - 9), (x - 9, y + 9))
    yield Label(x - 14, y + 2.4, "+ I", "end", bold=True)


def _rails(x: float, bottom: float, anchor: str) -> Iterator[Shape]:
    """Draw the rails of a leg, their names to the right ("start") or to the left ("end")."""
    beside = x + 12 if anchor == "start" else x - 12
    for y, name in ((5.0, "bus +"), (bottom, "0 V")):
        yield Line(((x - 10, y), (x + 10, y)))
        yield Label(beside, y + 2.5, name, anchor)


def _switch(x: float, y: float) -> Iterator[Shape]:
    yield _box(x - 5, y - 6, 10, 12)
    yield Line(((x - 3, y + 4), (x + 3, y - 4)))


def _box(x: float, y: float, width: float, height: float) -> Area:
    return Area(((x, y), (x + width, y), (x + width, y + height), (x, y + height)))


def _dots(*places: Place) -> Iterator[Shape]:
    for x, y in places:
        yield Area(((x - 1.2, y), (x, y - 1.2), (x + 1.2, y), (x, y + 1.2)), solid=True)


def _arrow(begin: Place, end: Place) -> Iterator[Shape]:
    """Draw an arrow along an axis."""
    along = (end[0] - begin[0], end[1] - begin[1])
    length = abs(along[0]) + abs(along[1])
    ux, uy = along[0] / length, along[1] / length
    neck = (end[0] - 6 * ux, end[1] - 6 * uy)
    yield Line((begin, neck), bold=True)
    yield Area(
        (end, (neck[0] - 2.6 * uy, neck[1] + 2.6 * ux), (neck[0] + 2.6 * uy, neck[1] - 2.6 * ux)), solid=True
    )
