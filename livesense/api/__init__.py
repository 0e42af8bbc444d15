"""Logbooks from Python: arrays, figures and events in a few lines. docs/api.md shows it.

Read-only, and stable: names here change with an entry in the changelog only. What a method hands back as
plain dictionaries has the keys of docs/scripting.md.
"""

from livesense.api.arrays import Arrays, Signal
from livesense.api.book import Logbook, Run
from livesense.api.shown import Events, Figures

__all__ = ["Arrays", "Events", "Figures", "Logbook", "Run", "Signal"]
