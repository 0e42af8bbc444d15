"""How far currents may go: what their chains can read, or what the run shows where nobody states a range.

Shares of it tell rest from load. Recordings from elsewhere and devices that send amperes have no range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from livesense.analysis import RunAnalysis


class Ranged(Protocol):
    """A channel, and what it can read."""

    @property
    def name(self) -> str:
        """Its name in the run."""

    @property
    def low(self) -> float:
        """Smallest value that can be read."""

    @property
    def high(self) -> float:
        """Largest value that can be read."""


def reach(analysis: RunAnalysis, channels: Sequence[Ranged]) -> float:
    """Give the largest magnitude (A) that all of some channels may have; 0 where nothing but zeros came."""
    known = min((max(abs(c.low), abs(c.high)) for c in channels), default=0.0)
    return known if math.isfinite(known) else largest(analysis, channels)


def largest(analysis: RunAnalysis, channels: Sequence[Ranged]) -> float:
    """Give the largest finite magnitude that any of some channels has in a run."""
    bands = [analysis.envelope(c.name, *analysis.extent_s(), 1) for c in channels]
    ends = (abs(float(end)) for band in bands for part in (band.low, band.high) for end in part)
    return max((end for end in ends if math.isfinite(end)), default=0.0)
