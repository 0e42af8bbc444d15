"""What the machine does now: the newest stretch of a run, from its last seconds alone."""

from __future__ import annotations

from typing import Any

from livesense.analysis import RunAnalysis
from livesense.errors import UsageError
from livesense.stretch_facts import no_current_below, phase_channels, pieces
from livesense.stretch_words import MARKS
from livesense.timetext import run_seconds

LOOKED_AT_S = 4.0
"""Long enough to tell a steady part from a start; a few milliseconds of work."""


def newest_stretch(analysis: RunAnalysis, seconds: float = LOOKED_AT_S) -> dict[str, Any] | None:
    """Tell the stretch that a run is in, or ended in; None where its currents or its scans do not tell.

    Returns
    -------
    dict or None
        ``kind``, ``word``, ``from_s`` (None: it began before what was looked at), ``to_s``, ``frequency_hz``,
        ``sequence`` and ``current_peak_a``.
    """
    try:
        channels = phase_channels(analysis)
    except UsageError:
        return None
    group = channels[0].group
    first, stop = analysis.run.extent(group)
    if stop <= first:
        return None
    end_s = analysis.run.time_axis(group).end_s(stop - 1)
    begin_s = max(0.0, end_s - seconds)
    found = list(pieces(analysis, channels, begin_s, end_s, no_current_below(analysis, channels)))
    if not found or not found[-1].found:
        return None
    piece = found[-1]
    last = piece.found[-1]
    from_s = piece.from_s(last)
    turning = last.kind not in ("standstill", "align")
    return {
        "kind": last.kind,
        "word": MARKS.get(last.kind, last.kind),
        "from_s": None if len(piece.found) == 1 and begin_s > 0 else run_seconds(from_s),
        "to_s": run_seconds(piece.to_s(last)),
        "frequency_hz": abs(last.frequency_hz) if turning else 0.0,
        "sequence": None if not turning else "UVW" if last.frequency_hz > 0 else "UWV",
        "current_peak_a": last.length,
    }
