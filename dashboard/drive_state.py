"""What the drive itself says it is doing, where a channel of its firmware tells."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LOOK_S = 0.2


def drive_states(analysis: RunAnalysis) -> list[dict[str, str]]:
    """Newest word of each state channel: ``{"name", "text"}``; none where the bench has no such channel."""
    names = [c.name for c in analysis.channels if c.quantity == "state"]
    if not names:
        return []
    newest: dict[str, str] = {}
    for window in analysis.latest(LOOK_S, names).values():
        for name, values in window.values.items():
            code = float(values[-1]) if len(values) else math.nan
            if math.isfinite(code):
                newest[name] = analysis.chain.channels[name].label(int(code))
    return [{"name": name, "text": newest.get(name, "not known")} for name in names]
