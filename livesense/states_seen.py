"""What a drive's own state channels said within a window."""

from __future__ import annotations

import numpy as np

from livesense.analysis import RunAnalysis


def states_seen(analysis: RunAnalysis, from_s: float, to_s: float) -> dict[str, list[str]] | None:
    """Words of each state channel within a window, in the order they came; None where there is none."""
    names = [c.name for c in analysis.channels if c.quantity == "state"]
    if not names:
        return None
    found: dict[str, list[str]] = {name: [] for name in names}
    for window in analysis.window(from_s, to_s, names):
        for name, values in window.values.items():
            known = values[np.isfinite(values)].astype(np.int64)
            changes = known[np.concatenate([[True], known[1:] != known[:-1]])] if known.size else known
            channel = analysis.chain.channels[name]
            for code in changes[:100].tolist():
                word = channel.label(code)
                if not found[name] or found[name][-1] != word:
                    found[name].append(word)
    return found
