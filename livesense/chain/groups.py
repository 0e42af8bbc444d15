"""A whole bench's conversion: its channels joined to the groups of the device."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from livesense.bench import Bench, Channel, Sensor
from livesense.bench.pins import PIN_SENSORS
from livesense.chain.budget import minus_the_sum
from livesense.chain.build import build
from livesense.chain.calibration import Calibration
from livesense.chain.channels import ChannelChain
from livesense.errors import DescriptionError
from livesense.samples import BoolArray, Codes, FloatArray, GroupInfo


class Chain:
    """Conversion of every channel of a bench.

    Parameters
    ----------
    bench
        The bench file.
    groups
        The device's groups, in the order of their numbers.
    calibration
        What was measured of zeros and scales; other channels keep what the bench file says.

    Attributes
    ----------
    channels
        The bench's channels by name, computed ones too, in the file's order.
    warnings
        What does not fit, but does not stop anything.

    Raises
    ------
    DescriptionError
        when a channel's column is in no group or in several, or its ADC's bits are not known.
    """

    def __init__(
        self, bench: Bench, groups: Sequence[GroupInfo], calibration: Calibration | None = None
    ) -> None:
        self._groups = tuple(groups)
        self._columns: dict[str, int] = {}
        warnings: list[str] = []
        stored: dict[str, ChannelChain] = {}
        measured = [channel for channel in bench.channels if channel.sensor is not Sensor.COMPUTED]
        where = _find_groups(measured, self._groups)
        for channel in measured:
            group = where[channel.name]
            info = self._groups[group]
            self._columns[channel.name] = info.channels.index(channel.column)
            bits = _bits(channel, bench, group, info, warnings)
            found = build(channel, bench.adc, bench.conditions, group, info, bits)
            measured_here = (calibration or {}).get(channel.name)
            if measured_here is not None and found.per_code is not None:
                found = found.calibrated(measured_here)
                then_c = dict(measured_here.scale.temperatures) if measured_here.scale is not None else {}
                found = replace(found, measured_c=then_c.get(channel.temperature or "", found.measured_c))
            stored[channel.name] = found
        if meter := _common_meter(stored.values()):
            stored = {n: replace(c, shares=meter) if meter in _meters(c) else c for n, c in stored.items()}
        self.channels: dict[str, ChannelChain] = {
            channel.name: stored[channel.name] if channel.name in stored else _computed(channel, stored)
            for channel in bench.channels
        }
        if bench.motor is not None and bench.motor.rated_current_a:
            peak = math.sqrt(2) * bench.motor.rated_current_a
            self.channels = {n: replace(c, rated_peak=peak) for n, c in self.channels.items()}
        self.warnings: tuple[str, ...] = tuple(dict.fromkeys(warnings))

    def group_channels(self, group: int) -> list[ChannelChain]:
        """Channels of one group, computed ones too, in the bench file's order."""
        return [channel for channel in self.channels.values() if channel.group == group]

    def column(self, name: str) -> int:
        """Position of a stored channel in its group's codes; KeyError for others."""
        return self._columns[name]

    def value(self, name: str, codes: Codes) -> FloatArray:
        """Values of a channel, ``(n,)`` in its unit, from its group's codes ``(n, channels)``."""
        channel = self.channels[name]
        if not channel.computed:
            return channel.values(codes[:, self._columns[name]])
        total = self.value(channel.source[0], codes)
        for source in channel.source[1:]:
            total += self.value(source, codes)
        return np.negative(total, out=total)

    def clipped(self, name: str, codes: Codes) -> BoolArray:
        """Tell which scans of a channel are clipped, ``(n,)``; a computed one is where any source is."""
        channel = self.channels[name]
        if not channel.computed:
            return channel.clipped(codes[:, self._columns[name]])
        clipped = np.zeros(len(codes), dtype=np.bool_)
        for source in channel.source:
            clipped |= self.clipped(source, codes)
        return clipped


def _find_groups(channels: Sequence[Channel], groups: Sequence[GroupInfo]) -> dict[str, int]:
    found: dict[str, int] = {}
    missing: list[Channel] = []
    for channel in channels:
        having = [number for number, group in enumerate(groups) if channel.column in group.channels]
        if channel.group is not None:
            having = [number for number in having if number == channel.group]
        if not having:
            missing.append(channel)
        elif len(having) > 1:
            raise DescriptionError(
                f'channel "{channel.name}": expected its column {channel.column} in one group, '
                f"got it in the groups {' and '.join(map(str, having))}; "
                f"state group = {having[0]} in its [[channel]]"
            )
        else:
            found[channel.name] = having[0]
    if missing:
        wanted = ", ".join(_wanted(channel) for channel in channels)
        lacking = ", ".join(_wanted(channel) for channel in missing)
        described = (
            "; ".join(f"group {n}: {', '.join(group.channels)}" for n, group in enumerate(groups)) or "none"
        )
        raise DescriptionError(
            f"the bench file expects the channels {wanted}; the device sends {described}; "
            f"not there: {lacking}. Correct name, column or group of these channels in the bench file"
        )
    return found


def _common_meter(channels: Iterable[ChannelChain]) -> str:
    """Find the meter by which all phase currents were calibrated; empty where there is no such one.

    Where only some were, its error is each channel's own as far as anybody can rely on.
    """
    met = [_meters(c) for c in channels if c.phase in ("U", "V", "W") and c.quantity == "current"]
    return min(set.intersection(*met), default="") if met else ""


def _meters(channel: ChannelChain) -> set[str]:
    return {t.shared for t in channel.budget.terms if t.key == "calibration" and t.shared}


def _wanted(channel: Channel) -> str:
    return channel.column if channel.group is None else f"{channel.column} (group {channel.group})"


def _bits(channel: Channel, bench: Bench, group: int, info: GroupInfo, warnings: list[str]) -> int | None:
    """Width of a channel's code: the bench file's word goes before the device's."""
    if channel.sensor not in PIN_SENSORS:
        return None
    stated = channel.bits if channel.bits is not None else bench.adc.bits
    if stated is None:
        if info.bits is None:
            raise DescriptionError(
                f'channel "{channel.name}": the ADC\'s bits are not known: '
                "expected bits in [adc] of the bench file, or in the device's description"
            )
        return info.bits
    # A channel's own bits say that its converter is not the group's.
    if info.bits is not None and info.bits != stated and channel.bits is None:
        warnings.append(
            f"the device says that group {group} has {info.bits} bits, the bench file {stated}: "
            "the bench file's word is taken, see which is right"
        )
    return stated


def _computed(channel: Channel, stored: Mapping[str, ChannelChain]) -> ChannelChain:
    """Minus the sum of its sources."""
    sources = tuple(stored[name] for name in channel.source)
    groups = {source.group for source in sources}
    if len(groups) > 1:
        raise DescriptionError(
            f'channel "{channel.name}": from: expected channels of one group, got '
            + ", ".join(f"{source.name} in group {source.group}" for source in sources)
        )
    first = sources[0]
    return ChannelChain(
        name=channel.name,
        unit=first.unit,
        quantity=first.quantity,
        phase=channel.phase,
        place=channel.place,
        circuit=channel.circuit,
        group=first.group,
        computed=True,
        source=channel.source,
        sources=sources,
        shares=first.shares,
        low=-sum(source.high for source in sources),
        high=-sum(source.low for source in sources),
        budget=minus_the_sum([source.budget for source in sources]),
        u_quantisation=math.hypot(*(source.u_quantisation for source in sources)),
        u_excludes=tuple(dict.fromkeys(key for source in sources for key in source.u_excludes)),
        assumed=tuple(dict.fromkeys(key for source in sources for key in source.assumed)),
    )
