"""The picture of error against current: what stands where, and that it stands by itself."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from livesense.sizing_chart import (
    DASHES,
    LINE_HEIGHT,
    MARK,
    ON_DARK,
    ON_WHITE,
    Colours,
    Curve,
    ErrorChart,
    Measured,
    page,
    spread,
    svg,
)

SVG = "{http://www.w3.org/2000/svg}"

FALLING = tuple((0.1 * 10 ** (n / 20), 20 / 10 ** (n / 20) + 1) for n in range(45))
CHART = ErrorChart(
    title="Error against current: 5 mΩ × 20 is best",
    about="In-line shunt",
    curves=(
        Curve("5 mΩ × 20 (best)", FALLING, 0, 2),
        Curve("4 mΩ × 20", tuple((i, 1.2 * e) for i, e in FALLING), 0, 1),
        Curve("2 mΩ × 50 (error)", tuple((i, 1.21 * e) for i, e in FALLING), 1, 0),
    ),
    measured=(Measured(0.5, 4.0, 1.0), Measured(1.0, -3.0, 0.5), Measured(2.0, 0.5, 1.0)),
    small_a=0.5,
    allowed_percent=10.0,
    peak_a=8.5,
    trip_a=12.0,
    reach_a=13.2,
)


def drawn(chart: ErrorChart) -> ElementTree.Element:
    return ElementTree.fromstring(svg(chart))


def texts(root: ElementTree.Element) -> list[str]:
    return [text.text or "" for text in root.iter(f"{SVG}text")]


def scales(root: ElementTree.Element) -> tuple[dict[float, float], dict[float, float]]:
    """Pixels of the numbered values, by the numbers' own places."""
    x, y = {}, {}
    for text in root.iter(f"{SVG}text"):
        if re.fullmatch(r"[\d.]+", text.text or ""):
            if text.get("text-anchor") == "middle":
                x[float(text.text or "")] = float(text.get("x", ""))
            else:
                y[float(text.text or "")] = float(text.get("y", "")) - 4.5
    return x, y


def place(value: float, numbered: dict[float, float]) -> float:
    """Where a value belongs on a logarithmic axis, from two of its numbers."""
    low, high = min(numbered), max(numbered)
    part = math.log(value / low) / math.log(high / low)
    return numbered[low] + part * (numbered[high] - numbered[low])


def test_curves_stand_where_the_numbers_of_the_axes_say() -> None:
    root = drawn(CHART)
    x, y = scales(root)
    lines = [line.get("points", "").split() for line in root.iter(f"{SVG}polyline")]
    assert len(lines) == 3
    # The best one is drawn last, above the others.
    for at in (0, 20, -1):
        got = tuple(map(float, lines[-1][at].split(",")))
        assert got == pytest.approx((place(FALLING[at][0], x), place(FALLING[at][1], y)), abs=0.2)


def test_measured_points_stand_where_they_were_measured() -> None:
    root = drawn(CHART)
    x, y = scales(root)
    circles = list(root.iter(f"{SVG}circle"))
    for circle, point in zip(circles, CHART.measured, strict=True):
        at = (float(circle.get("cx", "")), float(circle.get("cy", "")))
        assert at == pytest.approx((place(point.current_a, x), place(abs(point.error_percent), y)), abs=0.2)
    # Filled: read too much; hollow: too little.
    assert [circle.get("fill") for circle in circles] == ["#222", "#fff", "#222"]
    bars = [line for line in root.iter(f"{SVG}line") if line.get("stroke-width") == "1.3"]
    first = sorted(float(bars[0].get(key, "")) for key in ("y1", "y2"))
    assert first == pytest.approx([place(5.0, y), place(3.0, y)], abs=0.2)
    # The third goes below zero, which a logarithmic axis has no place for: it has no lower end.
    assert len(bars) == 3 + 3 + 2


def test_points_far_below_are_drawn_at_the_edge() -> None:
    near = replace(CHART, measured=(Measured(0.5, 0.0001, 0.0),))
    root = drawn(near)
    _, y = scales(root)
    (circle,) = root.iter(f"{SVG}circle")
    lowest = max(float(line.get("y1", "")) for line in root.iter(f"{SVG}line"))
    assert float(circle.get("cy", "")) <= lowest
    assert min(y) > 0.01
    zero = drawn(replace(CHART, measured=(Measured(0.5, 0.0, 0.3),)))
    assert len(list(zero.iter(f"{SVG}circle"))) == 1


def test_what_is_asked_is_marked_at_its_place() -> None:
    root = drawn(CHART)
    x, y = scales(root)
    gate = next(r for r in root.iter(f"{SVG}rect") if r.get("fill-opacity"))
    assert float(gate.get("x", "")) + 4 == pytest.approx(place(0.5, x), abs=0.2)
    assert float(gate.get("y", "")) + float(gate.get("height", "")) == pytest.approx(place(10, y), abs=0.2)
    upright = {
        round(float(line.get("x1", "")), 1)
        for line in root.iter(f"{SVG}line")
        if line.get("x1") == line.get("x2") and line.get("stroke") in ("#222", "#555")
    }
    for current in (8.5, 12.0, 13.2):
        assert min(abs(at - place(current, x)) for at in upright) < 0.2
    assert {"at most 10 % at 0.5 A", "must be read", "peak 8.5 A", "trip 12 A"} <= set(texts(root))


def test_without_a_trip_level_the_peak_stands_alone() -> None:
    said = texts(drawn(replace(CHART, trip_a=8.5)))
    assert "peak 8.5 A" in said and not any(text.startswith("trip") for text in said)


def test_gains_differ_by_dashes_and_the_best_by_width() -> None:
    lines = {
        (line.get("stroke"), line.get("stroke-dasharray"), line.get("stroke-width"))
        for line in drawn(CHART).iter(f"{SVG}polyline")
    }
    assert lines == {
        (ON_WHITE.curves[0], None, "4.0"),
        (ON_WHITE.curves[0], None, "2.0"),
        (ON_WHITE.curves[1], DASHES[1], "1.2"),
    }
    assert len(set(DASHES)) == len(DASHES) == len(ON_WHITE.curves) == len(ON_DARK.curves)


def luminance(colour: str) -> float:
    """As WCAG 2.1 reckons it (the formula from memory)."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("colours", [ON_WHITE, ON_DARK])
def test_colours_are_seen_on_their_paper(colours: Colours) -> None:
    # Contrast of at least 3:1 for what is drawn (WCAG 2.1, 1.4.11), 4.5:1 for what is written (1.4.3).
    def contrast(colour: str) -> float:
        low, high = sorted((luminance(colour), luminance(colours.paper)))
        return (high + 0.05) / (low + 0.05)

    assert all(contrast(colour) >= 3 for colour in (*colours.curves, colours.frame, colours.mark))
    assert contrast(colours.ink) >= 4.5 and contrast(colours.soft) >= 4.5


def test_in_the_dark_nothing_is_left_of_the_colours_on_white() -> None:
    # Exported charts stay on white.
    assert f'fill="{ON_WHITE.paper}"' in svg(CHART) and svg(CHART) == svg(CHART, ON_WHITE)
    used = set(re.findall(r'"(#[0-9a-fA-F]{3,6})"', svg(CHART, ON_DARK)))
    dark = {ON_DARK.paper, ON_DARK.ink, ON_DARK.soft, ON_DARK.frame, ON_DARK.mark, ON_DARK.dotted}
    assert used <= dark | {ON_DARK.line, ON_DARK.faint, *ON_DARK.curves}


def test_labels_do_not_touch() -> None:
    many = tuple(
        Curve(f"{n} mΩ × 20", tuple((i, e * (1 + n / 1000)) for i, e in FALLING), 0, 1) for n in range(15)
    )
    root = drawn(replace(CHART, curves=many))
    places = sorted(
        float(t.get("y", ""))
        for t in root.iter(f"{SVG}text")
        if "mΩ × 20" in (t.text or "") and t.get("text-anchor") == "end"
    )
    assert len(places) == 15
    assert min(b - a for a, b in pairwise(places)) >= LINE_HEIGHT - 0.2
    assert places[0] > 90 and places[-1] < 510


def test_many_labels_make_it_taller() -> None:
    many = tuple(Curve(f"{n} mΩ × 20", FALLING, 0, 1) for n in range(40))
    few, tall = drawn(CHART), drawn(replace(CHART, curves=many))
    assert float(tall.get("height", "")) > float(few.get("height", "")) == 600
    assert max(float(t.get("y", "")) for t in tall.iter(f"{SVG}text")) < float(tall.get("height", ""))
    labels = [float(t.get("y", "")) for t in tall.iter(f"{SVG}text") if "mΩ × 20" in (t.text or "")][1:]
    assert max(labels) < max(float(line.get("y1", "")) for line in tall.iter(f"{SVG}line")) + 5


def test_a_curve_that_begins_late_or_not_at_all() -> None:
    late = Curve("late", FALLING[20:], 2, 1)
    none = Curve("none", (), 3, 0)
    root = drawn(replace(CHART, curves=(CHART.curves[0], late, none)))
    assert len(list(root.iter(f"{SVG}polyline"))) == 2
    assert "late" in texts(root) and "none" not in texts(root)


def test_nothing_to_draw() -> None:
    with pytest.raises(ValueError, match="at least one curve"):
        svg(replace(CHART, curves=(Curve("none", (), 0, 0),)))


def test_wide_axes_have_fewer_numbers() -> None:
    far = Curve("far", ((0.0001, 900.0), (1.0, 5.0), (500.0, 0.02)), 0, 2)
    x, y = scales(drawn(replace(CHART, curves=(far,))))
    assert all(math.log10(value) % 1 == 0 for value in x)
    assert 5 <= len(y) <= 10


def test_it_stands_by_itself() -> None:
    for text in (svg(CHART), page(CHART, "table")):
        assert MARK in text[:1000]
        assert "<script" not in text and "href" not in text and "url(" not in text and "@import" not in text
        assert [u for u in re.findall(r"https?://[^\"'\s]+", text) if u != "http://www.w3.org/2000/svg"] == []


def test_texts_are_escaped() -> None:
    nasty = replace(CHART, title="<b>&\x00", about='"<script>', curves=(Curve("<i>", FALLING, 0, 2),))
    root = drawn(nasty)
    assert "<b>&?" in texts(root) and '"<script>' in texts(root) and "<i>" in texts(root)
    assert "&lt;/pre&gt;&lt;script&gt;" in page(nasty, "</pre><script>")


@given(st.lists(st.floats(0, 400), min_size=1, max_size=20), st.floats(1, 18))
def test_spreading_keeps_order_and_distance(wanted: list[float], step: float) -> None:
    places = spread(sorted(wanted), step, 0, 400)
    assert len(places) == len(wanted)
    assert all(b - a >= step * (1 - 1e-9) for a, b in pairwise(places))
    assert min(places) >= -1e-9 and max(places) <= 400 + 1e-9


def test_spreading_moves_nothing_that_is_apart() -> None:
    assert spread([10, 50, 90], 17, 0, 100) == [10, 50, 90]
    assert spread([50, 50], 20, 0, 100) == [40, 60]


def test_spreading_at_the_edge_pushes_those_before() -> None:
    places = spread([347, 364, 383, 400], 18, 0, 400)
    assert min(b - a for a, b in pairwise(places)) >= 18 - 1e-9 and places[-1] <= 400
