"""Pictures of a report stay within their frames and say what they show."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from livesense.report.as_html import svg
from livesense.report.plots import Plot, Trace, beside, harmonics, nice_ticks, phasors, plot
from livesense.report.shapes import Picture, Polygon, Polyline, Text


def places(picture: Picture) -> list[tuple[float, float]]:
    found = []
    for shape in picture.shapes:
        found += [(shape.x, shape.y)] if isinstance(shape, Text) else list(shape.points)
    return found


def within(picture: Picture) -> bool:
    return all(
        -1 <= x <= picture.width + 1
        and -1 <= y <= picture.height + 1
        and math.isfinite(x)
        and math.isfinite(y)
        for x, y in places(picture)
    )


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e6))
def test_ticks_are_round_and_within(low: float, width: float) -> None:
    high = low + width
    if not low < high or width < 1e-9 * abs(low):
        return
    ticks = nice_ticks(low, high)
    assert 1 <= len(ticks) <= 8
    slack = 1e-6 * width + 1e-9
    assert all(low - slack <= tick <= high + slack for tick in ticks)


def test_ticks_by_hand() -> None:
    assert nice_ticks(-16.5, 16.5) == [-15, -10, -5, 0, 5, 10, 15]
    assert nice_ticks(0, 1) == [0, 0.2, 0.4, 0.6, 0.8, 1.0]
    with pytest.raises(ValueError, match="expected a range"):
        nice_ticks(1.0, 1.0)


@given(st.lists(st.floats(-100, 100) | st.just(math.nan), min_size=2, max_size=50))
def test_a_line_stays_within_its_frame(values: list[float]) -> None:
    y = np.array(values)
    trace = Trace("iu", np.arange(len(y)) / 1000, y)
    made = plot(
        Plot("a", "s", "A", ((trace,),), ((0, 1, "steady"),), ((0.001, "begins"),), ((12.0, "limit"),))
    )
    assert within(made)


def test_a_line_is_not_drawn_across_what_is_missing() -> None:
    y = np.array([0.0, 1.0, np.nan, 1.0, 0.0])
    made = plot(Plot("a", "s", "A", ((Trace("iu", np.arange(5.0), y),),)))
    lines = [s for s in made.shapes if isinstance(s, Polyline) and s.colour == "#0072B2"]
    assert [len(line.points) for line in lines] == [2, 2]


def test_a_band_holds_every_peak() -> None:
    low, high = np.array([-1.0, -2.0, -1.0]), np.array([1.0, 9.0, 1.0])
    made = plot(Plot("a", "s", "A", ((Trace("iu", np.arange(3.0), (low + high) / 2, low, high),),)))
    (area,) = (s for s in made.shapes if isinstance(s, Polygon) and s.colour == "#0072B2")
    tops = [y for _, y in area.points]
    # 9 A is the highest place of the band, four times as far above its middle as 1 A is.
    assert min(tops) == area.points[1][1]
    assert within(made)


def test_a_limit_far_off_the_scale_does_not_flatten_the_curve() -> None:
    trace = Trace("iu", np.arange(3.0), np.array([-1.0, 0.0, 1.0]))
    near = plot(Plot("a", "s", "A", ((trace,),), limits=((1.5, "limit"),)))
    far = plot(Plot("a", "s", "A", ((trace,),), limits=((100.0, "limit"),)))
    assert [s.text for s in near.shapes if isinstance(s, Text)].count("limit") == 1
    assert [s.text for s in far.shapes if isinstance(s, Text)].count("limit") == 0


def test_names_at_the_right_end_do_not_cover_each_other() -> None:
    traces = tuple(
        Trace(name, np.arange(3.0), np.zeros(3), style=k) for k, name in enumerate(("iu", "iv", "iw"))
    )
    made = plot(Plot("a", "s", "A", (traces,)))
    names = sorted(s.y for s in made.shapes if isinstance(s, Text) and s.text in ("iu", "iv", "iw"))
    assert len(names) == 3
    assert all(b - a >= 7.9 for a, b in itertools.pairwise(names))


def test_nothing_to_draw_is_told() -> None:
    with pytest.raises(ValueError, match="at least one value"):
        plot(Plot("a", "s", "A", ((Trace("iu", np.zeros(0), np.zeros(0)),),)))


def test_phasors_point_where_they_should() -> None:
    made = phasors([("iu", 4.0, 0.0), ("iv", 4.0, -120.0), ("iw", 2.0, 120.0)], "A", "phasors")
    middle = made.width / 2
    tips = [s.points[1] for s in made.shapes if isinstance(s, Polyline) and s.width == 1.6]
    assert tips[0][0] > middle
    assert tips[0][1] == pytest.approx(middle)
    # −120° points down: later in time, clockwise.
    assert tips[1][1] > middle > tips[2][1]
    lengths = [math.dist(tip, (middle, middle)) for tip in tips]
    assert lengths[0] == pytest.approx(2 * lengths[2])
    assert within(made)


def test_harmonics_and_pictures_side_by_side() -> None:
    bars = harmonics([2, 3, 5], [("iu", [0.1, 0.2, 5.0]), ("iv", [0.1, 0.1, 4.0])], "harmonics", 300)
    assert within(bars)
    heights = [
        max(y for _, y in s.points) - min(y for _, y in s.points)
        for s in bars.shapes
        if isinstance(s, Polygon)
    ]
    assert max(heights) == pytest.approx(50 * sorted(heights)[0], rel=1e-6) or max(heights) > 40
    both = beside(phasors([("iu", 1.0, 0.0)], "A", "phasors"), bars)
    assert within(both)
    assert both.width == 158 + 300
    assert svg(both).count("<svg") == 1
