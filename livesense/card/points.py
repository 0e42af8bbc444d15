"""What the card states of one channel, from its bench file alone.

Every number comes from :mod:`livesense.bench.pins` and :mod:`livesense.chain`, which convert recordings
as well. Zeros and scales that were calibrated are not in it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from livesense.bench import Bench, Channel, Sensor, Watch
from livesense.bench.pins import PIN_SENSORS, per_volt, zero_v
from livesense.bench.tables import file_name
from livesense.chain import Chain, ChannelChain
from livesense.chain.build import ROUNDING, Converter, converter
from livesense.errors import BenchError
from livesense.samples import CodeType, GroupInfo

PHASES = ("U", "V", "W")

NTC_POINTS_C = (0.0, 25.0, 60.0, 85.0, 100.0)
RTD_POINTS_C = (0.0, 25.0, 100.0, 200.0)
"""Where thermometers are looked at: temperatures of a bench (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Point:
    """One value and what stands for it.

    Attributes
    ----------
    what
        "zero", "one", "rated-peak", "trip", "range", "adc", "nominal" or "temperature".
    value
        In the channel's unit.
    pin_v
        Voltage at the ADC's pin; None where there is no pin.
    code
        As it is sent, unrounded. At the ends of the range: the code at which a reading counts as clipped.
    readable
        Whether the channel reads it.
    """

    what: str
    value: float
    pin_v: float | None
    code: float
    readable: bool


@dataclass(frozen=True, slots=True)
class Trip:
    """The lowest limit that is watched; ``number`` counts the rules in the file from 1.

    ``code_above`` and ``code_below`` are the first codes beyond the limit, going up and going down; None
    where the converter has none.
    """

    watch: Watch
    number: int
    code_above: int | None
    code_below: int | None


@dataclass(frozen=True, slots=True)
class Numbers:
    """A channel, its conversion, and its points in the order in which they are shown.

    ``here`` is its converter; None for channels that have no pin.
    """

    channel: Channel
    chain: ChannelChain
    here: Converter | None
    points: tuple[Point, ...]
    trip: Trip | None

    def point(self, what: str, sign: int = 1) -> Point | None:
        """Find a point on the positive or, with -1, on the negative side; zero lies on both."""
        return next((p for p in self.points if p.what == what and (p.value * sign > 0 or not p.value)), None)


def numbers(bench: Bench) -> tuple[Numbers, ...]:
    """Compute all channels of a bench, in the file's order.

    Raises
    ------
    BenchError
        where the file does not tell the bits of an ADC: a card has nothing else to go by.
    """
    chain = _chain(bench)
    return tuple(_numbers(bench, channel, chain.channels[channel.name]) for channel in bench.channels)


def _chain(bench: Bench) -> Chain:
    for channel in bench.channels:
        if channel.sensor in PIN_SENSORS and _bits(bench, channel) is None:
            raise BenchError(
                f'{file_name(bench.path)}: channel "{channel.name}": bits: expected the width of a code, '
                "such as bits = 12 in [adc], got nothing; a device may tell it while it sends, but a card "
                "has only the file"
            )
    # Where a channel stands on the wire changes none of its numbers: here each has a column of its own.
    own = [
        c if c.sensor is Sensor.COMPUTED else replace(c, column=c.name, group=None) for c in bench.channels
    ]
    columns = tuple(c.name for c in own if c.sensor is not Sensor.COMPUTED)
    return Chain(replace(bench, channels=tuple(own)), [GroupInfo(None, CodeType.I32, None, columns)])


def _bits(bench: Bench, channel: Channel) -> int | None:
    return channel.bits if channel.bits is not None else bench.adc.bits


def _numbers(bench: Bench, channel: Channel, chain: ChannelChain) -> Numbers:
    bits = _bits(bench, channel)
    if channel.sensor in PIN_SENSORS and bits is not None:
        here = converter(channel, bench.adc, bits, 1.0)
        thermometer = channel.sensor in (Sensor.NTC, Sensor.RTD)
        points = (
            _temperatures(channel, chain, here) if thermometer else _on_the_line(bench, channel, chain, here)
        )
    else:
        here, points = None, _without_pin(channel, chain)
    return Numbers(channel, chain, here, tuple(points), _trip(bench, channel, chain, here))


def _on_the_line(bench: Bench, channel: Channel, chain: ChannelChain, here: Converter) -> Iterator[Point]:
    zero, slope = zero_v(channel, bench.adc), per_volt(channel)

    def at(what: str, value: float, code: float | None = None) -> Point:
        readable = chain.low - _rounding(chain) <= value <= chain.high + _rounding(chain)
        code = float(chain.codes(value)) if code is None else code
        return Point(what, value, zero + value / slope, code, readable)

    both_ways = (1, -1) if channel.quantity == "current" else (1,)
    yield at("zero", 0.0)
    yield from (at("one", float(sign)) for sign in both_ways)
    rated = rated_a(bench, channel)
    if rated is not None:
        yield from (at("rated-peak", sign * math.sqrt(2) * rated) for sign in both_ways)
    if channel.quantity == "voltage" and channel.phase == "bus" and bench.conditions.bus_voltage_v:
        yield at("nominal", bench.conditions.bus_voltage_v)
    limit = _first_watch(bench, channel)
    if limit is not None:
        yield from (at("trip", sign * limit[1].limit) for sign in both_ways)
    rising = slope > 0
    clips = chain.clip_codes() if rising else chain.clip_codes()[::-1]
    for value, clip in ((chain.high, clips[1]), (chain.low, clips[0])):
        if abs(value) > _rounding(chain) and clip is not None:
            yield at("range", value, float(clip))
    ends = (here.stored(here.highest), here.stored(here.lowest))
    for code in ends if rising else ends[::-1]:
        value = float(chain.values(np.array(code)))
        if abs(value) > _rounding(chain):
            yield at("adc", value, code)


def _rounding(chain: ChannelChain) -> float:
    """Units within which two values are the same one, up to the rounding of the arithmetic."""
    return ROUNDING * abs(chain.per_code or 0.0)


def _temperatures(channel: Channel, chain: ChannelChain, here: Converter) -> Iterator[Point]:
    for celsius in NTC_POINTS_C if channel.sensor is Sensor.NTC else RTD_POINTS_C:
        code = float(chain.codes(celsius))
        pin_v = (code + here.code_offset) * here.lsb_v
        yield Point("temperature", celsius, pin_v, code, chain.low <= celsius <= chain.high)


def _without_pin(channel: Channel, chain: ChannelChain) -> Iterator[Point]:
    if channel.sensor is Sensor.DIRECT:
        for what, value in (("zero", 0.0), ("one", 1.0)):
            yield Point(what, value, None, float(chain.codes(value)), True)


def rated_a(bench: Bench, channel: Channel) -> float | None:
    """Rated rms current of a phase; None for others, and where the file does not state it."""
    phase = channel.quantity == "current" and channel.phase in PHASES
    return bench.motor.rated_current_a if phase and bench.motor is not None else None


def _first_watch(bench: Bench, channel: Channel) -> tuple[int, Watch] | None:
    mine = [(n, w) for n, w in enumerate(bench.watches, start=1) if w.instant and channel.name in w.channels]
    return min(mine, key=lambda numbered: numbered[1].limit, default=None)


def _trip(bench: Bench, channel: Channel, chain: ChannelChain, here: Converter | None) -> Trip | None:
    first = _first_watch(bench, channel)
    if first is None:
        return None
    number, watch = first
    if here is None or chain.per_code is None:
        return Trip(watch, number, None, None)
    low, high = sorted(float(chain.codes(sign * watch.limit)) for sign in (1, -1))
    above, below = math.floor(high + ROUNDING) + 1, math.ceil(low - ROUNDING) - 1
    return Trip(
        watch,
        number,
        above if above <= here.stored(here.highest) else None,
        below if below >= here.stored(here.lowest) else None,
    )
