"""From the options of ``size`` to the curves of its chart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livesense.chain.choosing import RANGE, Choice, changes, name
from livesense.chain.sizing import Demands, Option
from livesense.cli.size_points import Point
from livesense.sizing_chart import Curve, ErrorChart, Measured
from livesense.wording import COVERAGE_FACTOR

BELOW_SMALL = 3.0
"""The chart begins at this part of the small current, or at the smallest measured one."""
BEYOND_REACH = 4.0
"""A curve that reaches further than this many times what must be read is cut there."""
PLACES = 200

_WORDS = {"dissipation": "heat", "small-current": "hidden", "reference": "range"} | dict.fromkeys(
    RANGE, "range"
)


def chart_of(
    options: Sequence[Option], choice: Choice, demands: Demands, points: Sequence[Point], about: str
) -> ErrorChart:
    """Make the chart of some options; ``about`` says what is asked."""
    gains = sorted({option.candidate.gain for option in options})
    begin = min([demands.small_a / BELOW_SMALL, *(point.current_a / 1.1 for point in points)])
    return ErrorChart(
        title="Error against current: "
        + ("none fits" if choice.best is None else f"{name(choice.best)} is best"),
        about=about,
        curves=tuple(_curve(option, choice, demands, begin, gains) for option in options),
        measured=tuple(Measured(p.current_a, 100 * p.error, 100 * COVERAGE_FACTOR * p.u) for p in points),
        small_a=demands.small_a,
        allowed_percent=100 * demands.error,
        peak_a=demands.peak_a,
        trip_a=demands.trip_a,
        reach_a=demands.reach_a,
    )


def _curve(option: Option, choice: Choice, demands: Demands, begin_a: float, gains: Sequence[float]) -> Curve:
    missed = dict.fromkeys(_WORDS.get(c.demand, c.demand) for c in changes(option, demands))
    said = [*missed, *["best"] * (option is choice.best), *["fitted"] * option.candidate.present]
    return Curve(
        label=name(option) + (f" ({', '.join(said)})" if said else ""),
        points=_points(option, begin_a, BEYOND_REACH * demands.reach_a),
        style=gains.index(option.candidate.gain),
        weight=2 if option is choice.best else 0 if missed else 1,
    )


def _points(option: Option, begin_a: float, end_a: float) -> tuple[tuple[float, float], ...]:
    low = begin_a if option.both_ways else max(begin_a, option.low_a * (1 + 1e-9))
    high = min(end_a, option.range_a * (1 - 1e-9))
    if not low < high:
        return ()
    currents = np.geomspace(low, high, PLACES)
    return tuple(zip(currents.tolist(), (100 * option.error_at(currents)).tolist(), strict=True))
