"""Pictures of a report: values over time, phasors, harmonics; pure functions from numbers to shapes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from livesense.report.shapes import (
    COLOURS,
    DASHES,
    GREY,
    INK,
    RULE,
    Picture,
    Place,
    Polygon,
    Polyline,
    Shape,
    Text,
)
from livesense.samples import FloatArray
from livesense.wording import significant

WIDTH = 500.0
"""Of a picture as wide as the page's text."""

_LEFT, _RIGHT, _TOP, _BOTTOM = 44.0, 34.0, 8.0, 26.0
_LIMIT = "#8A1C1C"
_DIGIT = 4.2
"""Width of a character of the small print, about."""


@dataclass(frozen=True, slots=True)
class Trace:
    """One channel: ``y`` over ``x``, or the band ``low`` to ``high`` of too many scans; all ``(n,)``."""

    name: str
    x: FloatArray
    y: FloatArray
    low: FloatArray | None = None
    high: FloatArray | None = None
    style: int = 0


@dataclass(frozen=True, slots=True)
class Plot:
    """Values over time.

    Attributes
    ----------
    about
        What it shows, in words.
    x_label, y_label
        With units.
    panels
        Traces that share a panel; panels share the time axis and one scale.
    spans
        ``(from, to, text)``: stretches, told above the first panel.
    marks
        ``(x, text)``: instants.
    limits
        ``(value, text)``: drawn where they fall into the scale.
    """

    about: str
    x_label: str
    y_label: str
    panels: tuple[tuple[Trace, ...], ...]
    spans: tuple[tuple[float, float, str], ...] = ()
    marks: tuple[tuple[float, str], ...] = ()
    limits: tuple[tuple[float, str], ...] = ()
    panel_height: float = 150.0


def nice_ticks(low: float, high: float, most: int = 7) -> list[float]:
    """Find round numbers within a range, at steps of 1, 2 or 5 times a power of ten.

    Raises
    ------
    ValueError
        when the range is empty or not finite.
    """
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ValueError(f"expected a range, got {low!r} to {high!r}")
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 12) for k in range(first, last + 1)]


@dataclass(frozen=True, slots=True)
class _Scale:
    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def places(self, values: FloatArray) -> FloatArray:
        return self.start + (values - self.low) / (self.high - self.low) * (self.end - self.start)


def plot(made: Plot) -> Picture:
    """Draw values over time.

    Raises
    ------
    ValueError
        when there is nothing to draw.
    """
    traces = [trace for panel in made.panels for trace in panel]
    seen = [_extent(trace) for trace in traces if trace.x.size]
    if not seen:
        raise ValueError("expected at least one value to draw, got none")
    from_x, to_x = min(s[0] for s in seen), max(s[1] for s in seen)
    to_x = to_x if to_x > from_x else from_x + 1e-6
    low, high = min(s[2] for s in seen), max(s[3] for s in seen)
    reach = high - low or abs(high) or 1.0
    near = [v for v, _ in made.limits if low - reach / 2 <= v <= high + reach / 2]
    low, high = min([low, *near]), max([high, *near])
    pad = 0.06 * ((high - low) or 1.0)
    top = _TOP + (11.0 if made.spans else 0.0)
    gap = 7.0
    height = top + len(made.panels) * (made.panel_height + gap) - gap + _BOTTOM
    x = _Scale(from_x, to_x, _LEFT, WIDTH - _RIGHT)
    shapes: list[Shape] = []
    for number, panel in enumerate(made.panels):
        above = top + number * (made.panel_height + gap)
        y = _Scale(low - pad, high + pad, above + made.panel_height, above)
        shapes += _panel(made, panel, x, y)
    below = height - _BOTTOM
    shapes += _time_axis(made, x, top, below)
    shapes.append(Text(_LEFT, top - 2.0 if not made.spans else 7.0, made.y_label, "end", 7.0, GREY))
    return Picture(WIDTH, height, tuple(shapes), made.about)


def _extent(trace: Trace) -> tuple[float, float, float, float]:
    low = trace.y if trace.low is None else trace.low
    high = trace.y if trace.high is None else trace.high
    known = np.isfinite(low) & np.isfinite(high)
    if not known.any():
        return float(trace.x[0]), float(trace.x[-1]), 0.0, 0.0
    return float(trace.x[0]), float(trace.x[-1]), float(low[known].min()), float(high[known].max())


def _panel(made: Plot, traces: Sequence[Trace], x: _Scale, y: _Scale) -> Iterator[Shape]:
    yield Polygon(_box(x.start, y.end, x.end, y.start), "#ffffff")
    for begin, end, _ in made.spans[1::2]:
        yield Polygon(_box(max(x.at(begin), x.start), y.end, min(x.at(end), x.end), y.start), "#f1efe9")
    for value in nice_ticks(y.low, y.high, max(4, int((y.start - y.end) / 16))):
        at = y.at(value)
        yield Polyline(((x.start, at), (x.end, at)), GREY if value == 0 else RULE, 0.5)
        yield Text(x.start - 4, at + 2.4, significant(value), "end", 7.0, GREY)
    for value, text in made.limits:
        if y.low <= value <= y.high:
            yield Polyline(((x.start, y.at(value)), (x.end, y.at(value))), _LIMIT, 0.8, (4.0, 2.0))
            yield Text(x.end - 2, y.at(value) - 2, text, "end", 6.5, _LIMIT)
    for at, _ in made.marks:
        yield Polyline(((x.at(at), y.end), (x.at(at), y.start)), INK, 0.6, (1.0, 2.0))
    ends: list[tuple[float, Trace]] = []
    for trace in traces:
        colour, dash = COLOURS[trace.style % len(COLOURS)], DASHES[trace.style % len(DASHES)]
        if trace.low is not None and trace.high is not None:
            yield from _band(trace, colour, x, y)
            known = np.flatnonzero(np.isfinite(trace.low))
            middle = (trace.low[known[-1]] + trace.high[known[-1]]) / 2 if known.size else 0.0
            ends.append((y.at(float(middle)), trace))
        else:
            for part in _parts(trace, x, y):
                yield Polyline(part, colour, 0.9, dash)
            known = np.flatnonzero(np.isfinite(trace.y))
            ends.append((y.at(float(trace.y[known[-1]])) if known.size else y.start, trace))
    yield from _labels(ends, x.end + 4, y)


def _labels(ends: list[tuple[float, Trace]], x: float, y: _Scale) -> Iterator[Shape]:
    """Name each trace at its right end, none over another."""
    ends = sorted(ends, key=lambda pair: pair[0])
    at = y.end + 2.0
    room = y.start - 8.0 * (len(ends) - 1)
    for place, trace in ends:
        at = min(max(place + 2.4, at), room + 2.4)
        yield Text(x, at, trace.name, "start", 7.5, COLOURS[trace.style % len(COLOURS)], bold=True)
        at, room = at + 8.0, room + 8.0


def _parts(trace: Trace, x: _Scale, y: _Scale) -> Iterator[tuple[Place, ...]]:
    """Cut a line where values are missing."""
    known = np.isfinite(trace.y)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        xs, ys = x.places(trace.x[begin:end]), y.places(trace.y[begin:end])
        yield tuple(zip(xs.tolist(), ys.tolist(), strict=True))


def _band(trace: Trace, colour: str, x: _Scale, y: _Scale) -> Iterator[Shape]:
    assert trace.low is not None
    assert trace.high is not None
    known = np.isfinite(trace.low) & np.isfinite(trace.high)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(np.int8)))
    for begin, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        xs = x.places(trace.x[begin:end])
        # A hair of thickness, so that direct current is seen as well.
        high = y.places(trace.high[begin:end]) - 0.25
        low = y.places(trace.low[begin:end]) + 0.25
        upper = list(zip(xs.tolist(), high.tolist(), strict=True))
        lower = list(zip(xs.tolist(), low.tolist(), strict=True))
        yield Polygon((*upper, *reversed(lower)), colour)


def _time_axis(made: Plot, x: _Scale, top: float, below: float) -> Iterator[Shape]:
    for value in nice_ticks(x.low, x.high, 8):
        at = x.at(value)
        yield Polyline(((at, below), (at, below + 3)), GREY, 0.6)
        yield Text(at, below + 11, significant(value, 7), "middle", 7.0, GREY)
    yield Polyline(((x.start, below), (x.end, below)), GREY, 0.6)
    yield Text(x.end, below + 21, made.x_label, "end", 7.0, GREY)
    for begin, end, text in made.spans:
        left, right = max(x.at(begin), x.start), min(x.at(end), x.end)
        if right - left >= _DIGIT * len(text):
            yield Text((left + right) / 2, top - 4, text, "middle", 6.5, GREY)
    for at, text in made.marks:
        yield Text(x.at(at) + 2, top + 7, text, "start", 6.5, INK)


def _box(left: float, top: float, right: float, bottom: float) -> tuple[Place, ...]:
    return (left, top), (right, top), (right, bottom), (left, bottom)


def phasors(vectors: Sequence[tuple[str, float, float]], unit: str, about: str) -> Picture:
    """Draw phasors ``(name, rms, angle in degrees)``: 0° to the right, positive angles counterclockwise."""
    size, radius = 158.0, 56.0
    middle = size / 2
    longest = max((length for _, length, _ in vectors), default=0.0) or 1.0
    full = _round_up(longest)
    shapes: list[Shape] = []
    for share in (0.5, 1.0):
        shapes.append(Polyline(_circle(middle, middle, share * radius), RULE, 0.5))
    for degrees in range(0, 360, 30):
        out = _polar(middle, radius, degrees)
        shapes.append(Polyline(((middle, middle), out), RULE, 0.4))
    shapes.append(
        Text(middle + 3, middle - radius - 3, f"{significant(full)} {unit} rms", "start", 6.5, GREY)
    )
    for style, (name, length, angle) in enumerate(vectors):
        colour, dash = COLOURS[style % len(COLOURS)], DASHES[style % len(DASHES)]
        tip = _polar(middle, radius * length / full, angle)
        shapes.append(Polyline(((middle, middle), tip), colour, 1.6, dash))
        if length > 0.08 * full:
            shapes.append(Polygon(_head(middle, radius * length / full, angle), colour))
        x, y = _polar(middle, radius + 12, angle)
        shapes.append(Text(x, y + 2.5, name, "middle", 8.0, colour, bold=True))
    return Picture(size, size, tuple(shapes), about)


def _polar(middle: float, radius: float, degrees: float) -> Place:
    angle = math.radians(degrees)
    return middle + radius * math.cos(angle), middle - radius * math.sin(angle)


def _circle(x: float, y: float, radius: float) -> tuple[Place, ...]:
    turns = [2 * math.pi * k / 72 for k in range(73)]
    return tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in turns)


def _head(middle: float, radius: float, degrees: float) -> tuple[Place, ...]:
    tip = _polar(middle, radius, degrees)
    angle = math.radians(degrees)
    along, across = (math.cos(angle), -math.sin(angle)), (math.sin(angle), math.cos(angle))
    back = tip[0] - 7 * along[0], tip[1] - 7 * along[1]
    return tip, *((back[0] + s * 2.6 * across[0], back[1] + s * 2.6 * across[1]) for s in (1, -1))


def _round_up(value: float) -> float:
    power = float(10.0 ** math.floor(math.log10(value)))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= value * (1 - 1e-9))


def harmonics(
    orders: Sequence[int], series: Sequence[tuple[str, Sequence[float]]], about: str, width: float = WIDTH
) -> Picture:
    """Draw harmonics in % of the fundamental, one group of bars an order, one bar a channel."""
    height, top = 150.0, 14.0
    highest = max((value for _, values in series for value in values), default=0.0)
    y = _Scale(0.0, 1.1 * highest or 1.0, height - _BOTTOM, top)
    left, right = _LEFT, width - 6.0
    step = (right - left) / max(1, len(orders))
    bar = 0.7 * step / max(1, len(series))
    shapes: list[Shape] = [Text(left, 7.0, "% of the fundamental", "start", 7.0, GREY)]
    for value in nice_ticks(0.0, y.high, 5):
        shapes.append(Polyline(((left, y.at(value)), (right, y.at(value))), RULE, 0.5))
        shapes.append(Text(left - 4, y.at(value) + 2.4, significant(value), "end", 7.0, GREY))
    for number, order in enumerate(orders):
        at = left + (number + 0.5) * step
        shapes.append(Text(at, y.start + 10, str(order), "middle", 7.0, GREY))
        for style, (_, values) in enumerate(series):
            begin = at + (style - len(series) / 2) * bar
            colour = COLOURS[style % len(COLOURS)]
            shapes.append(Polygon(_box(begin, y.at(values[number]), begin + 0.86 * bar, y.start), colour))
    shapes.append(Polyline(((left, y.start), (right, y.start)), GREY, 0.6))
    shapes.append(Text(right, y.start + 21, "order", "end", 7.0, GREY))
    for style, (name, _) in enumerate(series):
        at = left + 92 + 44 * style
        shapes.append(Polygon(_box(at, 2.0, at + 6, 8.0), COLOURS[style % len(COLOURS)]))
        # Bars of one order stand in the order of this legend.
        shapes.append(Text(at + 9, 8.0, name, "start", 7.0))
    return Picture(width, height, tuple(shapes), about)


def beside(left: Picture, right: Picture) -> Picture:
    """Put two pictures side by side, the tops of both at one height."""
    moved = tuple(_moved(shape, left.width) for shape in right.shapes)
    height = max(left.height, right.height)
    return Picture(left.width + right.width, height, left.shapes + moved, f"{left.about}. {right.about}")


def _moved(shape: Shape, by: float) -> Shape:
    if isinstance(shape, Text):
        return replace(shape, x=shape.x + by)
    return replace(shape, points=tuple((x + by, y) for x, y in shape.points))
