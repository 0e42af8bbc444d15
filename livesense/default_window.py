"""What `measure` looks at when nobody says where: the longest steady stretch of a run."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from livesense.analysis import RunAnalysis
from livesense.chain import ChannelChain
from livesense.errors import UsageError
from livesense.measures.stretches import STEADY_CURRENT, STEADY_HZ, STEADY_SPEED
from livesense.retained import newest_kept_s
from livesense.samples import FloatArray
from livesense.stretch_facts import EDGE_S, EDGE_SHARE, no_current_below, phase_channels, pieces
from livesense.trend_facts import trends

LOOKED_AT_S = 300.0
"""A longer run is looked at by its trend first: days of scans are too much only to choose a minute."""


def longest_steady(analysis: RunAnalysis) -> tuple[float, float] | None:
    """Find the longest steady stretch, seconds of the run; None where none is, or none can be told."""
    try:
        channels = phase_channels(analysis)
    except UsageError:
        return None
    from_s, to_s = analysis.extent_s()
    # Figures want raw scans.
    from_s = max(from_s, newest_kept_s(analysis))
    if to_s - from_s > LOOKED_AT_S and not analysis.run.has_trends(channels[0].group):
        # Recorded or imported by an older livesense: to make its trend now would take hours of scans.
        from_s = to_s - LOOKED_AT_S
    if to_s - from_s > LOOKED_AT_S:
        likely = _by_trend(analysis, from_s, to_s, channels[0].group)
        if likely is None:
            return None
        from_s, to_s = likely
    best = _steady_within(analysis, channels, from_s, to_s)
    if best is None and to_s - from_s < analysis.extent_s()[1] - analysis.extent_s()[0]:
        # Codes may be dropped where the trend is still known: look at what came last.
        end_s = analysis.extent_s()[1]
        best = _steady_within(analysis, channels, end_s - LOOKED_AT_S, end_s)
    return best


def _steady_within(
    analysis: RunAnalysis, channels: Sequence[ChannelChain], from_s: float, to_s: float
) -> tuple[float, float] | None:
    best: tuple[float, float] | None = None
    still_a = no_current_below(analysis, channels)
    for piece in pieces(analysis, channels, from_s, to_s, still_a):
        for stretch in piece.found:
            if stretch.kind != "steady":
                continue
            a, b = piece.from_s(stretch), piece.to_s(stretch)
            edge = min(EDGE_S, (b - a) * EDGE_SHARE)
            # Where the piece itself begins or ends, nothing changed; less than a step may follow.
            a = a + edge if stretch.first else a
            b = b - edge if stretch.stop < piece.steps.time_s.size else b + piece.steps.step_s
            if best is None or b - a > best[1] - best[0]:
                best = a, b
    return best


def _by_trend(analysis: RunAnalysis, from_s: float, to_s: float, group: int) -> tuple[float, float] | None:
    """Find the longest row of neighbours of about one speed and current, a row longer at each end."""
    facts = trends(analysis, from_s, to_s)
    rows = next(g for g in facts["groups"] if g["group"] == group)
    hz = np.array([np.nan if v is None else v for v in rows["electrical_hz"]])
    size = np.array([np.nan if v is None else v for v in rows["three_phase"]["positive_rms"]])
    other = np.array([np.nan if v is None else v for v in rows["three_phase"]["negative_rms"]])
    size = np.fmax(size, other)
    begin_s, seconds = np.array(rows["from_s"]), np.array(rows["seconds"])
    longest: tuple[float, float] | None = None
    at = 0
    for number in range(1, len(hz) + 1):
        if number < len(hz) and _alike(hz[at : number + 1], size[at : number + 1]):
            continue
        span = float(begin_s[at]), float(begin_s[number - 1] + seconds[number - 1])
        if np.isfinite(hz[at]) and (longest is None or span[1] - span[0] > longest[1] - longest[0]):
            longest = span
        at = number
    if longest is None:
        return None
    step_s = facts["resolution_s"]
    return longest[0] - step_s, min(longest[1], longest[0] + LOOKED_AT_S) + step_s


def _alike(hz: FloatArray, size: FloatArray) -> bool:
    """Tell whether rows are of about one speed and current; those that do not turn never are."""
    alike = np.ptp(hz) <= max(STEADY_SPEED * float(hz.mean()), STEADY_HZ)
    return bool(alike and np.ptp(size) <= STEADY_CURRENT * float(size.mean()))
