"""When a current that stays beyond its pick-up trips: inverse time, thermal image, I²t.

Each law takes one cycle after the other, as its mean square relative to the pick-up squared and its
count of scans, and tells after how many scans of the cycle it trips. Within a cycle the current counts
as having that rms throughout.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Protocol

UP = (1 + 1e-9) ** 2
"""Mean square above which a current is beyond its pick-up: rounding of the chain stays at it."""

DROP_OFF = 0.95
"""Share of the pick-up at or below which a stay beyond it ends (common practice, no source)."""

DOWN = DROP_OFF**2 * UP
"""Mean square at or below which it ends."""

CURVES = {"A": (0.14, 0.02), "B": (13.5, 1.0), "C": (80.0, 2.0)}
"""k and α of IEC 60255-151: standard, very and extremely inverse."""

ROUNDING = 1e-9
"""Part of a scan by which a sum may miss the trip: rounding of sums."""


class Law(Protocol):
    """What is summed, and when it trips."""

    def take(self, mean_square: float, count: int) -> int | None:
        """Take a cycle; hand back at which of its scans (from 1 on) it trips, else None.

        What is handed back after a trip means nothing.
        """

    def dropped(self) -> None:
        """Note that the current fell below its pick-up for good."""

    def lost(self, count: int) -> None:
        """Note that so many scans are missing: they count as without current."""

    def cold(self) -> None:
        """Start from cold."""


class Sum:
    """A share of the trip for each scan beyond the pick-up; the rest of the time nothing happens.

    After the current has fallen below its pick-up it starts from nothing (instantaneous reset).
    ``share`` tells which part of the way to the trip one scan at a mean square is.
    """

    def __init__(self, share: Callable[[float], float]) -> None:
        self._share = share
        self._done = 0.0

    def take(self, mean_square: float, count: int) -> int | None:
        """Take a cycle; hand back at which of its scans (from 1 on) it trips, else None."""
        if mean_square <= UP:
            return None
        share = self._share(mean_square)
        need = math.ceil((1 - self._done) / share - ROUNDING)
        self._done += share * count
        return need if need <= count else None

    def dropped(self) -> None:
        """Start from nothing."""
        self._done = 0.0

    def lost(self, count: int) -> None:
        """Keep the sum: what was not seen is not counted."""

    def cold(self) -> None:
        """Start from nothing."""
        self._done = 0.0


def inverse_time(curve: str, tms: float, rate_hz: float) -> Sum:
    """IEC 60255-151: at M times the pick-up the time to the trip is tms · k / (M^α − 1).

    A current that changes is integrated: the trip comes when ∫ dt / t(M) reaches 1.
    """
    k, alpha = CURVES[curve]
    scans = tms * k * rate_hz
    # expm1 keeps its digits where M is near 1.
    return Sum(lambda mean_square: math.expm1(alpha / 2 * math.log(mean_square)) / scans)


def i2t(limit: float, pickup: float, rate_hz: float) -> Sum:
    """Make the law that trips when ∫ i² dt reaches a limit, from cold at each pick-up."""
    each = pickup**2 / (limit * rate_hz)
    return Sum(lambda mean_square: mean_square * each)


class Thermal:
    """IEC 60255-149: a first-order thermal image of i², which trips where the pick-up would end for ever.

    With I_p before and I now, both relative to the pick-up, from cold or warm: t = τ · ln((I² − I_p²) /
    (I² − 1)); the standard writes k·I_B for the pick-up.
    """

    def __init__(self, tau_s: float, rate_hz: float, preload: float = 0.0) -> None:
        """Take the time constant and the current before the first scan, for long, relative to the pick-up."""
        self._scans = tau_s * rate_hz
        self._first = preload * preload
        self._image = self._first

    def take(self, mean_square: float, count: int) -> int | None:
        """Take a cycle; hand back at which of its scans (from 1 on) it trips, else None."""
        before = self._image
        self._image += (mean_square - before) * -math.expm1(-count / self._scans)
        if mean_square <= UP or self._image < 1:
            return None
        if before >= 1:
            return 1
        need = self._scans * math.log((mean_square - before) / (mean_square - 1))
        return min(count, max(1, math.ceil(need - ROUNDING * self._scans)))

    def dropped(self) -> None:
        """Keep the image: what was heated is still warm."""

    def lost(self, count: int) -> None:
        """Cool: what was not seen is not counted as heating."""
        self._image *= math.exp(-count / self._scans)

    def cold(self) -> None:
        """Start from cold, or as warm as a stated load before makes it."""
        self._image = self._first
