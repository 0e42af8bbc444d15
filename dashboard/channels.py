"""Which channels go into the picture, how they are told apart, and what is drawn as their limit."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Protocol

from dashboard.names import plot_text

PHASES = ("U", "V", "W")
PLACES = ("in-line", "low-side", "high-side")
MOST_TRACES = 4
"""Four line patterns can still be told apart."""

LOOKS = {"U": 0, "V": 1, "W": 2}
OTHER_LOOKS = (3, 0, 1, 2)


class ShownChannel(Protocol):
    """What the page needs of a channel of the chain."""

    @property
    def name(self) -> str:
        """Name in the bench file."""

    @property
    def unit(self) -> str:
        """Unit of its values."""

    @property
    def quantity(self) -> str:
        """What it measures: current, voltage, temperature, state or number."""

    @property
    def phase(self) -> str | None:
        """U, V, W, bus, or None."""

    @property
    def place(self) -> str:
        """Where in the bridge it is measured."""

    @property
    def group(self) -> int:
        """Number of the group it is sampled in."""

    @property
    def computed(self) -> bool:
        """Not measured but worked out from others."""

    @property
    def source(self) -> tuple[str, ...]:
        """The channels it is computed from."""

    @property
    def low(self) -> float:
        """Lowest value its chain can read."""

    @property
    def high(self) -> float:
        """Highest value its chain can read."""


class ShownLimit(Protocol):
    """What the page needs of a watch rule."""

    @property
    def kind(self) -> str:
        """Kind of the rule."""

    @property
    def instant(self) -> bool:
        """Whether scans by themselves are held against the limit; a line in the picture is for these."""

    @property
    def channels(self) -> tuple[str, ...]:
        """Names of the channels it watches."""

    @property
    def limit(self) -> float:
        """Magnitude that is still allowed."""

    @property
    def unit(self) -> str:
        """Unit of its values."""


def _place_order(channel: ShownChannel) -> int:
    return PLACES.index(channel.place) if channel.place in PLACES else len(PLACES)


def picture_channels(channels: Sequence[ShownChannel]) -> list[ShownChannel]:
    """Channels of the live picture, all of one group and one unit.

    One current per phase (in-line before low side before high side); without phases the first
    currents; without currents the first channels that share a unit.
    """
    currents = [c for c in channels if c.quantity == "current"]
    chosen: list[ShownChannel] = []
    for phase in PHASES:
        at_phase = sorted((c for c in currents if c.phase == phase), key=_place_order)
        chosen += at_phase[:1]
    chosen = chosen or currents or list(channels)
    if not chosen:
        return []
    first = chosen[0]
    return [c for c in chosen if c.group == first.group and c.unit == first.unit][:MOST_TRACES]


def description(channel: ShownChannel, look: int) -> dict[str, Any]:
    """Return what the browser is told of a channel; ``look`` picks colour and line pattern."""
    return {
        "name": channel.name,
        "plot_name": plot_text(channel.name),
        "phase": channel.phase,
        "unit": channel.unit,
        "quantity": channel.quantity,
        "computed": list(channel.source) if channel.computed else None,
        "group": channel.group,
        "low": channel.low if math.isfinite(channel.low) else None,
        "high": channel.high if math.isfinite(channel.high) else None,
        "look": look,
    }


def described(channels: Sequence[ShownChannel]) -> list[dict[str, Any]]:
    """Descriptions of several channels that are drawn together."""
    taken = {LOOKS[c.phase] for c in channels if c.phase in LOOKS}
    free = [look for look in OTHER_LOOKS if look not in taken] or [3]
    rows = []
    for channel in channels:
        if channel.phase in LOOKS:
            look = LOOKS[channel.phase]
        else:
            look = free[0]
            free = [*free[1:], look]
        rows.append(description(channel, look))
    return rows


def limits(watches: Sequence[ShownLimit], channels: Sequence[ShownChannel]) -> list[dict[str, Any]]:
    """Limits that apply to channels of the picture, each once."""
    names = {c.name for c in channels}
    seen: dict[float, dict[str, Any]] = {}
    for watch in watches:
        watched = [name for name in watch.channels if watch.instant and name in names]
        if watched and channels and watch.unit == channels[0].unit:
            row = seen.setdefault(watch.limit, {"limit": watch.limit, "unit": watch.unit, "channels": []})
            row["channels"] += [name for name in watched if name not in row["channels"]]
    return sorted(seen.values(), key=lambda row: float(row["limit"]))
