"""The page's screens by their names, and how a text of its own leads to them: [Record] is a way there."""

from __future__ import annotations

SCREENS = {
    "Live": "/",
    "Record": "/record",
    "Bring-up": "/bringup",
    "Walk": "/walk",
    "Runs": "/runs",
    "Bench": "/bench",
}
START = "on [Record], or in a terminal: `livesense record BENCH.toml`"
"""How a recording is started: the page's own way first."""
