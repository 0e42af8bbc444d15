"""States of a run from the rows of its trend: where to look, without fitting all of it.

A page cannot wait for a fit of sixty windows of two runs; the recorder has kept speed and current of every
200 ms. What is compared in the end is fitted as ever.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from livesense.analysis import RunAnalysis
from livesense.compare.matching import AT_REST, State, current_names, match
from livesense.reach import reach

ROWS = 3
"""So many rows on end make a window: about half a second."""
MOST_WINDOWS = 120
EVEN_SPEED = 1.005
EVEN_CURRENT = 1.02
"""Rows of one window differ by no more than these ratios."""
RESOLUTIONS = ((600.0, "200ms"), (7200.0, "3s"), (math.inf, "1min"))
"""Up to so many seconds of a run, rows of this length are looked at; longer ones make one window each."""
LENGTH_S = 0.5

Window = tuple[float | None, float | None]


def kept_states(analysis: RunAnalysis) -> list[State]:
    """List windows in which the machine was steady, or at rest; none where no rows are kept."""
    names = current_names(analysis)
    if not names:
        return []
    group_number = analysis.chain.channels[names[0]].group
    if not analysis.run.has_trends(group_number):
        return []
    begin_s, end_s = analysis.extent_s()
    resolution = next(name for most_s, name in RESOLUTIONS if end_s - begin_s <= most_s)
    groups = analysis.trends(resolution=resolution)["groups"]
    group = next((g for g in groups if g["group"] == group_number), None)
    if group is None:
        return []
    rest = AT_REST * reach(analysis, [analysis.chain.channels[n] for n in names])
    columns = [group["channels"][name].get("rms") for name in names]
    if any(column is None for column in columns):
        return []
    rms = [_together([column[at] for column in columns]) for at in range(len(group["from_s"]))]
    rows = ROWS if resolution == "200ms" else 1
    found = []
    for at in range(len(rms) - rows + 1):
        part = slice(at, at + rows)
        from_s = group["from_s"][at]
        to_s = group["from_s"][at + rows - 1] + group["seconds"][at + rows - 1]
        if to_s - from_s > 1.1 * sum(group["seconds"][part]):
            continue  # an outage lies within
        state = _state(from_s, to_s, rms[part], group["electrical_hz"][part], rest)
        if state is not None:
            found.append(state)
    step = max(1, math.ceil(len(found) / MOST_WINDOWS))
    return found[::step]


def _together(values: Sequence[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return math.sqrt(sum(v * v for v in known) / len(known)) if len(known) == len(values) else None


def _state(
    from_s: float, to_s: float, rms: Sequence[float | None], hz: Sequence[float | None], rest: float
) -> State | None:
    currents = [v for v in rms if v is not None]
    if len(currents) < len(rms):
        return None
    if to_s - from_s > 2 * LENGTH_S:
        # Of a long row its middle stands for it.
        middle = (from_s + to_s) / 2
        from_s, to_s = middle - LENGTH_S / 2, middle + LENGTH_S / 2
    if max(currents) < rest:
        return State(from_s, to_s, 0.0, 0.0)
    speeds = [abs(v) for v in hz if v]
    if len(speeds) < len(hz) or max(speeds) > EVEN_SPEED * min(speeds):
        return None
    if max(currents) > EVEN_CURRENT * min(currents):
        return None
    return State(from_s, to_s, sum(speeds) / len(speeds), sum(currents) / len(currents))


def alike_windows(first: RunAnalysis, second: RunAnalysis) -> tuple[Window, Window]:
    """Return where two runs are most alike by their rows; open windows where the rows cannot tell."""
    found = match(kept_states(first), kept_states(second))
    if found is None:
        return (None, None), (None, None)
    return (found.first.from_s, found.first.to_s), (found.second.from_s, found.second.to_s)
