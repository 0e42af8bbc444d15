"""What the parts of a bench file must have in common, and what is odd without being wrong."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from livesense.bench import Adc, Channel, GroupSettings, LinkSettings, Sensor, Watch
from livesense.bench.pins import PIN_SENSORS, readable, reference_v
from livesense.bench.tables import Place

if TYPE_CHECKING:
    from livesense.layout import RecordLayout

PHASES = ("U", "V", "W")
CODE_BYTES = {"u16": 2.0, "i16": 2.0, "i32": 4.0, "u12": 1.5}
CURRENT_LIMITS = ("overcurrent", "overload", "inverse-time", "thermal", "i2t", "stall")
"""Kinds whose limit is a current that the channels must show."""
SLOW_HZ = 5.0
"""Electrical frequency down to which the default release_hold keeps one overload one event."""


def place(file: str, channel: Channel) -> Place:
    """Name a channel in messages."""
    return Place(file, f'channel "{channel.name}"')


def check_channels(
    file: str, channels: Sequence[Channel], groups: Sequence[GroupSettings], adc: Adc, link: LinkSettings
) -> None:
    """Check channels against each other and against the groups and the wire."""
    columns: dict[tuple[str, int | None], Channel] = {}
    by_name = {channel.name: channel for channel in channels}
    for channel in channels:
        here = place(file, channel)
        if channel.sensor is Sensor.COMPUTED:
            _check_computed(here, channel, by_name)
            continue
        if channel.temperature is not None:
            _check_thermometer(here, channel.temperature, by_name)
        other = columns.setdefault((channel.column, channel.group), channel)
        # A status word may well be shown both as a state and as a number.
        if other is not channel and Sensor.STATE not in (other.sensor, channel.sensor):
            here.fail("column", f'a column of its own ("{other.name}" has this one)', channel.column)
        if link.wire == "text":
            if channel.group not in (None, 0):
                here.fail("group", "0: text has one group", channel.group)
            if channel.sensor in PIN_SENSORS and channel.bits is None and adc.bits is None:
                here.fail("bits", "the ADC's bits here or in [adc]: text does not tell them")
        if link.record is not None:
            _check_field(here, channel, link.record, adc)
        if groups and channel.group is not None:
            if channel.group >= len(groups):
                here.fail(
                    "group", f"one of the {len(groups)} [[group]] tables, counted from 0", channel.group
                )
            declared = groups[channel.group].channels
            if declared and channel.column not in declared:
                here.fail(
                    "column",
                    f"one of the channels of group {channel.group}: {', '.join(declared)}",
                    channel.column,
                )


def _check_field(here: Place, channel: Channel, record: RecordLayout, adc: Adc) -> None:
    """Check a channel against the fields of the record."""
    fields = {field.name: field for field in record.channels}
    if channel.column not in fields:
        here.fail("column", f"one of the fields in [link.record]: {', '.join(fields)}", channel.column)
    if channel.group not in (None, 0):
        here.fail("group", "0: records have one group", channel.group)
    if channel.sensor in PIN_SENSORS and channel.bits is None and adc.bits is None:
        here.fail("bits", "the ADC's bits here or in [adc]: records do not tell them")
    if fields[channel.column].type == "f32" and channel.sensor is not Sensor.DIRECT:
        here.fail("sensor", '"direct", since its field is f32 and holds a value', str(channel.sensor))


def _check_thermometer(here: Place, name: str, by_name: Mapping[str, Channel]) -> None:
    there = [c.name for c in by_name.values() if c.quantity == "temperature"]
    if name not in there:
        expected = f"a channel that measures °C out of {', '.join(there)}" if there else "a channel in °C"
        here.fail("temperature", expected, name)


def _check_computed(here: Place, channel: Channel, by_name: Mapping[str, Channel]) -> None:
    for name in channel.source:
        source = by_name.get(name)
        if source is None or source.sensor is Sensor.COMPUTED:
            measured = [c.name for c in by_name.values() if c.sensor is not Sensor.COMPUTED]
            here.fail(
                "from", f"channels out of {', '.join(measured)}" if measured else "measured channels", name
            )
    sources = [by_name[name] for name in channel.source]
    if len({source.unit for source in sources}) > 1:
        here.fail("from", "channels of one unit", [f"{s.name} in {s.unit or 'no unit'}" for s in sources])
    if len({source.group for source in sources}) > 1:
        here.fail("from", "channels of one group", list(channel.source))


def check_link(
    file: str, channels: Sequence[Channel], groups: Sequence[GroupSettings], link: LinkSettings
) -> None:
    """Check the columns of a text wire and the groups of any."""
    if link.columns:
        for channel in channels:
            if channel.sensor is not Sensor.COMPUTED and channel.column not in link.columns:
                place(file, channel).fail(
                    "column", f"one of the columns in [link]: {', '.join(link.columns)}", channel.column
                )
    if link.wire in ("text", "record") and len(groups) > 1:
        Place(file, "group").fail(
            "", f'one [[group]] at most: wire = "{link.wire}" has one group', f"{len(groups)} of them"
        )
    if link.record is not None:
        if not groups or groups[0].rate_hz is None:
            Place(file, "group 0").fail("rate", 'scans per second, such as "20 kHz": records do not tell it')
        for key, value in (("code", groups[0].code), ("channels", groups[0].channels)):
            if value:
                Place(file, "group 0").fail(
                    key, 'no such key with wire = "record": the fields of [link.record] tell it', value
                )


def check_watch(
    here: Place, watch: Watch, channels: Sequence[Channel], adc: Adc, given: Mapping[str, Any]
) -> None:
    """Check a rule against the channels it names."""
    by_name = {channel.name: channel for channel in channels}
    for name in watch.channels:
        if name not in by_name:
            here.fail("channels", f"channels out of {', '.join(by_name) or 'none'}", name)
        if watch.kind == "clipping":
            continue
        wanted = "A" if watch.unit == "%" else watch.unit
        if by_name[name].unit != wanted:
            unit = by_name[name].unit or "no unit"
            here.fail("channels", f"channels that read {_WHAT[wanted]} in {wanted}", f"{name} in {unit}")
    watched = [by_name[name] for name in watch.channels]
    if watch.unit != "%" and watch.kind not in ("clipping", "undervoltage"):
        _check_range(here, watch, watched, by_name, adc, given)
    if watch.quantity in ("vector", "vector-rms", "sequence"):
        what = "a vector" if watch.quantity == "vector" else f'kind = "{watch.kind}"'
        phases = sorted(channel.phase or "none" for channel in watched)
        if phases != list(PHASES):
            got = [f"{channel.name} (phase {channel.phase or 'none'})" for channel in watched]
            here.fail("channels", f"one current each of the phases U, V and W for {what}", got)
        if len({channel.group for channel in watched}) > 1:
            here.fail("channels", f"phases of one group for {what}", list(watch.channels))


_WHAT = {"A": "a current", "V": "a voltage", "°C": "a temperature"}


def _check_range(
    here: Place,
    watch: Watch,
    watched: Sequence[Channel],
    by_name: Mapping[str, Channel],
    adc: Adc,
    given: Mapping[str, Any],
) -> None:
    """Refuse a limit that a channel cannot show; one that the file did not state is told by its kind."""
    key = next((key for key in ("limit", "pickup", "above") if key in given), "kind")
    for channel in watched:
        span = range_of(channel, by_name, adc)
        if span is None:
            continue
        low, high = span
        # A magnitude is watched: one side that reaches beyond the limit is enough to see it there.
        if watch.limit >= max(abs(low), abs(high)) * (1 - 1e-9):
            unit = channel.unit
            here.fail(
                key,
                f'less than "{channel.name}" can read, {low:.5g} {unit} to {high:.5g} {unit}'
                f"{_assumed_swing(channel)}",
                given[key] if key != "kind" else f"{watch.limit:.5g} {unit}",
            )


def _assumed_swing(channel: Channel) -> str:
    if {"swing_low", "swing_high"} & set(channel.assumed):
        return " (an output swing of 50 mV is assumed; swing_low and swing_high state a better one)"
    return ""


def range_of(channel: Channel, by_name: Mapping[str, Channel], adc: Adc) -> tuple[float, float] | None:
    """Lowest and highest value a channel can read; None where its codes alone decide (direct)."""
    if channel.sensor is Sensor.COMPUTED:
        spans = [range_of(by_name[name], by_name, adc) for name in channel.source]
        known = [span for span in spans if span is not None]
        if len(known) < len(spans):
            return None
        return -sum(high for _, high in known), -sum(low for low, _ in known)
    if channel.sensor in (Sensor.SHUNT, Sensor.LINEAR, Sensor.DIVIDER):
        return readable(channel, adc)
    return None


def reach(span: tuple[float, float]) -> float:
    """How far a channel reads on both sides; on its one side where it has one."""
    low, high = -span[0], span[1]
    return min(low, high) if min(low, high) > 0.25 * max(low, high) else max(low, high)


def warnings_of(
    channels: Sequence[Channel],
    groups: Sequence[GroupSettings],
    adc: Adc,
    link: LinkSettings,
    watches: Sequence[Watch],
    *,
    baud_stated: bool,
) -> tuple[str, ...]:
    """List what does not refuse the bench, but should be said."""
    found = []
    by_name = {channel.name: channel for channel in channels}
    for channel in channels:
        if channel.sensor is Sensor.SHUNT and isinstance(channel.supply, float):
            full = reference_v(channel, adc)
            if channel.supply > full:
                found.append(
                    f'channel "{channel.name}": its amplifier, supplied with {channel.supply:g} V, can drive '
                    f"the ADC's pin above its reference of {full:g} V: see what the pin bears"
                )
    seats: dict[tuple[str | None, str, str], list[str]] = {}
    for channel in channels:
        seats.setdefault((channel.phase, channel.place, channel.unit), []).append(channel.name)
    for (phase, where, unit), names in seats.items():
        if len(names) > 1 and phase in PHASES and unit in ("A", "V"):
            found.append(
                f"phase {phase} has {len(names)} {where} channels in {unit} ({', '.join(names)}): figures of "
                f"the three phases use {names[0]}; state phase or place of the others, if it is another one"
            )
    for number, watch in enumerate(watches, start=1):
        alternating = any(c.phase in PHASES for c in channels if c.name in watch.channels)
        if (
            watch.instant
            and watch.quantity == "instant"
            and alternating
            and watch.release_hold_s < 0.25 / SLOW_HZ
        ):
            slowest = f"{0.25 / watch.release_hold_s:.3g} Hz" if watch.release_hold_s else "any frequency"
            found.append(
                f"watch {number}: below {slowest} electrical, one overload becomes an event in each "
                'half-wave: take a longer release_hold, or quantity = "vector"'
            )
        found += [
            f'watch {number}: "{name}" clips a sine of {watch.limit:g} A rms, whose peaks are '
            f"{math.sqrt(2) * watch.limit:.4g} A: it reads {low:.5g} A to {high:.5g} A"
            for name, (low, high) in _clipping(watch, by_name, adc).items()
        ]
        found += [
            f'watch {number}: "{name}" reads {low:.5g} A to {high:.5g} A, so that beyond {watch.limit:g} A '
            f"{'positive' if high < -low else 'negative'} currents are not seen"
            for name, (low, high) in _one_sided(watch, by_name, adc).items()
        ]
    if link.wire == "text" and any(group.code is not None for group in groups):
        found.append("group 0: code says nothing with text, which is read as decimal numbers")
    return (*found, *_too_fast(channels, groups, link, baud_stated))


def _one_sided(watch: Watch, by_name: Mapping[str, Channel], adc: Adc) -> dict[str, tuple[float, float]]:
    """Phase currents whose range reaches beyond the limit on one side only, with that range."""
    if watch.limit == 0 or watch.kind not in CURRENT_LIMITS:
        return {}
    return _short_of(watch.limit, watch, by_name, adc)


def _clipping(watch: Watch, by_name: Mapping[str, Channel], adc: Adc) -> dict[str, tuple[float, float]]:
    """Phase currents that read a limit on the rms on both sides, but not its peaks, with their range."""
    if watch.instant or watch.kind not in CURRENT_LIMITS:
        return {}
    short = _short_of(math.sqrt(2) * watch.limit, watch, by_name, adc)
    return {name: span for name, span in short.items() if watch.limit < min(-span[0], span[1]) * (1 - 1e-9)}


def _short_of(
    level: float, watch: Watch, by_name: Mapping[str, Channel], adc: Adc
) -> dict[str, tuple[float, float]]:
    """Phase currents whose range does not reach a level on both sides, with that range."""
    found = {}
    for name in watch.channels:
        span = range_of(by_name[name], by_name, adc)
        if span is None or by_name[name].phase not in PHASES:
            continue
        if level >= min(-span[0], span[1]) * (1 - 1e-9):
            found[name] = span
    return found


def _too_fast(
    channels: Sequence[Channel], groups: Sequence[GroupSettings], link: LinkSettings, baud_stated: bool
) -> list[str]:
    """Warn of scan rates that the baud rate cannot carry (start, eight bits, stop: ten bit times a byte)."""
    address = (link.port or "").lower()
    if not groups or address == "-" or address.startswith(("file:", "socket://")):
        return []
    if not (baud_stated or address):
        return []
    stored = [channel for channel in channels if channel.sensor is not Sensor.COMPUTED]
    needed = 0.0
    for number, group in enumerate(groups):
        count = len(group.channels) or sum((c.group or 0) == number for c in stored)
        # Text: at least one digit and one separator for each value.
        each = 2.0 if link.wire == "text" else CODE_BYTES[group.code or "u16"]
        needed += (group.rate_hz or 0.0) * count * each
    if needed <= link.baud / 10:
        return []
    return [
        f"link: {needed / 1000:.4g} kB/s of codes cannot pass at {link.baud} baud, which carries "
        f"{link.baud / 10_000:.4g} kB/s: raise baud, or lower rate (a USB link may ignore baud)"
    ]
