"""Error against current as a picture: one curve a candidate, and measured points on it.

Written as SVG by hand: it needs no network and no script, prints sharply, and tells curves apart by
dashes and by labels at their beginnings, not by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape

MARK = "livesense size chart"
"""Stands in every chart, so that no other file is replaced by one."""

WIDTH = 960
LEAST_HEIGHT = 406
"""Of the field; many labels make it taller."""
LEFT, RIGHT, TOP, BOTTOM = 62, 24, 92, 102
LABELS = 232
"""Width of the strip at the left end where the curves' labels stand."""
LINE_HEIGHT = 17

DASHES = ("", "9 3", "2.5 2.5", "12 3 2 3", "6 2 2 2 2 2")
"""Of each gain, with a colour of its own."""


@dataclass(frozen=True, slots=True)
class Colours:
    """Colours of a chart: what is written and drawn, from strongest to faintest, and one for each dash."""

    paper: str
    ink: str
    soft: str
    frame: str
    mark: str
    dotted: str
    line: str
    faint: str
    curves: tuple[str, ...]


# Colours of curves that colour-blind readers tell apart, all of at least 3:1 on their paper.
ON_WHITE = Colours(
    "#fff", "#222", "#444", "#555", "#888", "#999", "#ddd", "#f0f0f0",
    ("#0072B2", "#B25600", "#00785A", "#7A3E9D", "#444444"),
)  # fmt: skip
ON_DARK = Colours(
    "#171c22", "#e9e7e1", "#a6acb3", "#8d949c", "#8d949c", "#7d858e", "#39424c", "#232a32",
    ("#56B4E9", "#E69F00", "#2BC49A", "#B9A6E8", "#C8CDD3"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Curve:
    """One candidate.

    Attributes
    ----------
    label
        Written at its left end.
    points
        ``(current in A, error in %)``, currents rising, both above zero; ends where the chain clips.
    style
        Number of its gain among the gains; picks colour and dashes.
    weight
        2 for the best one, 1 for others that fit, 0 for those that do not.
    """

    label: str
    points: tuple[tuple[float, float], ...]
    style: int
    weight: int


@dataclass(frozen=True, slots=True)
class Measured:
    """A measured error: current in A, error in % with its sign, expanded uncertainty in %."""

    current_a: float
    error_percent: float
    expanded_percent: float


@dataclass(frozen=True, slots=True)
class ErrorChart:
    """All that is drawn; currents in A, errors in %."""

    title: str
    about: str
    curves: tuple[Curve, ...]
    measured: tuple[Measured, ...]
    small_a: float
    allowed_percent: float
    peak_a: float
    trip_a: float
    reach_a: float
    caption: str = (
        "Curves end where the chain clips. One kind of dash for each gain. "
        "Thick: best. Thin: misses what its label says."
    )


@dataclass(frozen=True, slots=True)
class _Axis:
    """A logarithmic axis: values ``low`` to ``high`` lie at pixels ``start`` to ``end``."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        part = math.log(value / self.low) / math.log(self.high / self.low)
        return self.start + part * (self.end - self.start)

    def holds(self, value: float) -> bool:
        return self.low * (1 - 1e-9) <= value <= self.high * (1 + 1e-9)

    def ticks(self) -> list[tuple[float, bool]]:
        """Values with a line, and whether they have a number."""
        decades = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        several = math.log10(self.high / self.low) > 2.5
        numbered = (1,) if math.log10(self.high / self.low) > 4 else (1, 3) if several else (1, 2, 5)
        found = [(m * 10.0**d, m in numbered) for d in decades for m in range(1, 10)]
        return [(value, has) for value, has in found if self.holds(value)]


def svg(chart: ErrorChart, colours: Colours = ON_WHITE) -> str:
    """Draw a chart; on white unless other colours are given, as for a screen in the dark.

    Raises
    ------
    ValueError
        when there is no curve with at least two points.
    """
    if not any(len(curve.points) > 1 for curve in chart.curves):
        raise ValueError("expected at least one curve of two points, got none")
    x, y = _axes(chart)
    parts = [
        *_frame(chart, x, y, colours),
        *_marks(chart, x, y, colours),
        *(_curve(curve, x, y, colours) for curve in sorted(chart.curves, key=lambda c: c.weight)),
        *_labels(chart.curves, x, y, colours),
        *(_measured(point, x, y, colours) for point in chart.measured),
        *_caption(chart, y, colours),
    ]
    body = "\n".join(part for part in parts if part)
    height = round(y.start) + BOTTOM
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" '
        f'height="{height}" role="img" aria-label="{_safe(chart.title)}" '
        f'font-family="system-ui, Helvetica, Arial, sans-serif" font-size="13" fill="{colours.ink}">\n'
        f"<!-- {MARK} -->\n"
        f'<rect width="{WIDTH}" height="{height}" fill="{colours.paper}"/>\n{body}\n</svg>\n'
    )


def page(chart: ErrorChart, text: str) -> str:
    """Put a chart and a text under it on a page of its own: no script, nothing from elsewhere."""
    return (
        f'<!doctype html>\n<!-- {MARK} -->\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"<title>{_safe(chart.title)}</title>\n"
        "<style>\n"
        "  :root { color-scheme: light dark; }\n"
        "  body { max-width: 960px; margin: 1rem auto; padding: 0 1rem; }\n"
        "  svg { width: 100%; height: auto; border-radius: 6px; }\n"
        "  pre { overflow-x: auto; font-size: 0.85rem; line-height: 1.4; }\n"
        "  @media print { pre { white-space: pre-wrap; } body { margin: 0; } }\n"
        "</style>\n</head>\n<body>\n"
        f'{svg(chart)}<pre tabindex="0">{_safe(text)}</pre>\n</body>\n</html>\n'
    )


def _axes(chart: ErrorChart) -> tuple[_Axis, _Axis]:
    curves = [point for curve in chart.curves for point in curve.points]
    currents = [current for current, _ in curves] + [m.current_a for m in chart.measured]
    currents += [chart.small_a, chart.reach_a]
    errors = [error for _, error in curves] + [chart.allowed_percent]
    errors += [abs(m.error_percent) for m in chart.measured if m.error_percent]
    errors += [abs(m.error_percent) + m.expanded_percent for m in chart.measured if m.error_percent]
    # A measured error next to nothing must not stretch the axis without end: it is drawn at its edge.
    lowest = max(min(errors), min(min(e for _, e in curves), chart.allowed_percent) / 10)
    x = _Axis(min(currents) / 1.02, max(currents) * 1.05, LEFT + LABELS, WIDTH - RIGHT)
    bottom = TOP + max(LEAST_HEIGHT, LINE_HEIGHT * len(chart.curves))
    y = _Axis(_nice(lowest / 1.1, down=True), _nice(max(errors) * 1.1, down=False), bottom, TOP)
    return x, y


def _nice(value: float, *, down: bool) -> float:
    """Go to the next 1, 2 or 5 of a decade."""
    decade = 10.0 ** math.floor(math.log10(value))
    steps = [decade * m for m in (1, 2, 5, 10)]
    if down:
        return max(step for step in steps if step <= value * (1 + 1e-9))
    return min(step for step in steps if step >= value * (1 - 1e-9))


def _frame(chart: ErrorChart, x: _Axis, y: _Axis, colours: Colours) -> Iterator[str]:
    yield f'<text x="{LEFT}" y="28" font-size="17" font-weight="600">{_safe(chart.title)}</text>'
    yield f'<text x="{LEFT}" y="48" fill="{colours.soft}">{_safe(chart.about)}</text>'
    for value, numbered in x.ticks():
        at = x.at(value)
        shade = colours.line if numbered else colours.faint
        yield _line(at, y.start, at, y.end, f'stroke="{shade}"')
        if numbered:
            yield _text(at, y.start + 18, f"{value:g}", "middle", colours)
    for value, numbered in y.ticks():
        at = y.at(value)
        shade = colours.line if numbered else colours.faint
        yield _line(x.start, at, x.end, at, f'stroke="{shade}"')
        if numbered:
            yield _text(LEFT - 8, at + 4.5, f"{value:g}", "end", colours)
    yield _line(x.start, y.start, x.end, y.start, f'stroke="{colours.frame}"')
    yield _line(LEFT, y.start, LEFT, y.end, f'stroke="{colours.frame}"')
    yield _text((x.start + x.end) / 2, y.start + 38, "current, A", "middle", colours)
    middle = (y.start + y.end) / 2
    yield (
        f'<text x="18" y="{middle:.1f}" text-anchor="middle" transform="rotate(-90 18 {middle:.1f})">'
        "error of one reading, % (k = 2)</text>"
    )


def _marks(chart: ErrorChart, x: _Axis, y: _Axis, colours: Colours) -> Iterator[str]:
    """Draw what is asked: a gate that curves pass below, a line that they must reach, and the levels."""
    small, allowed = x.at(chart.small_a), y.at(chart.allowed_percent)
    yield (
        f'<rect x="{small - 4:.1f}" y="{y.end:.1f}" width="8" height="{allowed - y.end:.1f}" '
        f'fill="{colours.mark}" fill-opacity="0.35"/>'
    )
    yield _line(small - 9, allowed, small + 9, allowed, f'stroke="{colours.ink}" stroke-width="2"')
    yield _text(
        small, y.end - 8, f"at most {chart.allowed_percent:.3g} % at {chart.small_a:.3g} A", "middle", colours
    )
    reach = x.at(chart.reach_a)
    yield _line(reach, y.start, reach, y.end, f'stroke="{colours.ink}" stroke-width="2"')
    yield _text(reach + 5, y.end - 8, "must be read", "start" if reach < x.end - 100 else "end", colours)
    level = x.at(chart.trip_a)
    if chart.trip_a > chart.peak_a * (1 + 1e-9):
        peak = x.at(chart.peak_a)
        yield _line(peak, y.start, peak, y.end, f'stroke="{colours.frame}" stroke-dasharray="1 4"')
        yield _text(peak - 4, y.end + 14, f"peak {chart.peak_a:.3g} A", "end", colours)
        yield _text(level - 4, y.end + 30, f"trip {chart.trip_a:.3g} A", "end", colours)
    else:
        yield _text(level - 4, y.end + 14, f"peak {chart.peak_a:.3g} A", "end", colours)
    yield _line(level, y.start, level, y.end, f'stroke="{colours.frame}" stroke-dasharray="5 4"')


def _curve(curve: Curve, x: _Axis, y: _Axis, colours: Colours) -> str:
    if not curve.points:
        return ""
    colour, dashes = colours.curves[curve.style % len(DASHES)], DASHES[curve.style % len(DASHES)]
    width = (1.2, 2.0, 4.0)[curve.weight]
    places = " ".join(f"{x.at(current):.1f},{y.at(error):.1f}" for current, error in curve.points)
    dash = f' stroke-dasharray="{dashes}"' if dashes else ""
    end_x, end_y = x.at(curve.points[-1][0]), y.at(curve.points[-1][1])
    return (
        f'<polyline points="{places}" fill="none" stroke="{colour}" stroke-width="{width}"{dash}/>'
        + _line(end_x, end_y - 6, end_x, end_y + 6, f'stroke="{colour}" stroke-width="{max(width, 2):g}"')
    )


def _labels(curves: Sequence[Curve], x: _Axis, y: _Axis, colours: Colours) -> Iterator[str]:
    drawn = sorted((c for c in curves if c.points), key=lambda c: y.at(c.points[0][1]))
    wanted = [y.at(curve.points[0][1]) for curve in drawn]
    for curve, place, want in zip(drawn, spread(wanted, LINE_HEIGHT, y.end, y.start), wanted, strict=True):
        colour = colours.curves[curve.style % len(DASHES)]
        begin = x.at(curve.points[0][0])
        yield _line(
            x.start - 26, place, min(begin, x.start) - 2, want, f'stroke="{colour}" stroke-width="0.8"'
        )
        if begin > x.start + 1:
            yield _line(x.start - 2, want, begin, want, f'stroke="{colours.dotted}" stroke-dasharray="1 3"')
        weight = ' font-weight="700"' if curve.weight == 2 else ""
        yield (
            f'<text x="{x.start - 30:.1f}" y="{place + 4.5:.1f}" text-anchor="end" fill="{colour}"{weight}>'
            f"{_safe(curve.label)}</text>"
        )


def spread(wanted: Sequence[float], step: float, low: float, high: float) -> list[float]:
    """Move places apart so that neighbours are ``step`` from each other, as little as it takes.

    Parameters
    ----------
    wanted
        Rising.
    low, high
        Between which they stay, unless they are too many.
    """
    groups: list[tuple[float, int]] = []
    for want in wanted:
        middle, count = want, 1
        while True:
            half = (count - 1) * step / 2
            middle = max(low + half, min(high - half, middle))
            if not groups or groups[-1][0] + groups[-1][1] * step / 2 <= middle - count * step / 2:
                break
            # Groups that touch become one around their common middle.
            other, many = groups.pop()
            middle = (other * many + middle * count) / (many + count)
            count += many
        groups.append((middle, count))
    return [middle + (n - (count - 1) / 2) * step for middle, count in groups for n in range(count)]


def _measured(point: Measured, x: _Axis, y: _Axis, colours: Colours) -> str:
    size = abs(point.error_percent)
    low, high = max(size - point.expanded_percent, y.low), min(size + point.expanded_percent, y.high)
    at, place = x.at(point.current_a), y.at(min(max(size, y.low), y.high))
    fill = colours.ink if point.error_percent >= 0 else colours.paper
    bar = ""
    if high > low and point.expanded_percent:
        top, bottom = y.at(high), y.at(low)
        bar = _line(at, bottom, at, top, f'stroke="{colours.ink}" stroke-width="1.3"')
        bar += _line(at - 5, top, at + 5, top, f'stroke="{colours.ink}" stroke-width="1.3"')
        if low > y.low:
            bar += _line(at - 5, bottom, at + 5, bottom, f'stroke="{colours.ink}" stroke-width="1.3"')
    return (
        bar + f'<circle cx="{at:.1f}" cy="{place:.1f}" r="4.5" fill="{fill}" '
        f'stroke="{colours.ink}" stroke-width="1.5"/>'
    )


def _caption(chart: ErrorChart, y: _Axis, colours: Colours) -> Iterator[str]:
    said = [chart.caption]
    if chart.measured:
        said.append("Circles: measured errors with ± (k = 2); filled: read too much, hollow: too little.")
    for number, line in enumerate(said):
        place = y.start + BOTTOM - 38 + 19 * number
        yield f'<text x="{LEFT}" y="{place:.0f}" fill="{colours.soft}">{line}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, how: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {how}/>'


def _text(x: float, y: float, text: str, anchor: str, colours: Colours) -> str:
    # A rim of the paper keeps a text readable where a line crosses it.
    rim = f'paint-order="stroke" stroke="{colours.paper}" stroke-width="4"'
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" {rim}>{_safe(text)}</text>'


def _safe(text: str) -> str:
    """Escape a text; what XML has no place for becomes a question mark."""
    return escape("".join(c if c.isprintable() or c in "\n\t" else "?" for c in text))
