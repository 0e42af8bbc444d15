"""What ``size`` is asked: its options, a bench file and defaults, joined to a bench and to demands."""

from __future__ import annotations

import argparse
import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from livesense.bench import Bench, Channel, Sensor, load, parse
from livesense.chain.choosing import amount
from livesense.chain.shunt_values import shunt_values
from livesense.chain.sizing import Candidate, Demands, carried_share
from livesense.errors import BenchError, UsageError

DEFAULT_ADC: dict[str, Any] = {
    "bits": 12,
    "reference": "3.3 V",
    "reference_tolerance": "0.2 %",
    "offset_error": "2 LSB",
    "inl": "1.5 LSB",
}
DEFAULT_CHANNEL: dict[str, Any] = {
    "place": "in-line",
    "shunt_tolerance": "1 %",
    "gain_error": "0.3 %",
    "offset": "150 µV",
    "reference": "mid-supply",
}
"""Of a chain without bench file: the figures of the file that ``livesense init`` writes."""

DEFAULT_GAINS = (10.0, 20.0, 50.0, 100.0)
"""Gains that current-sense amplifiers come in (common practice, no source)."""

MOST_GAINS = 12
MOST_SHUNTS = 24
"""So that table and chart stay readable."""

DEFAULT_HEADROOM = 0.1
DEFAULT_DISSIPATION_W = 1.0
DEFAULT_ERROR = 0.1
DEFAULT_SMALL = 0.1
"""The small current, as a part of the peak."""

ADC_KEYS = {
    "bits": "bits",
    "adc_reference": "reference",
    "reference_tolerance": "reference_tolerance",
    "adc_offset": "offset_error",
    "adc_gain_error": "gain_error",
    "inl": "inl",
}
CHANNEL_KEYS = {
    key: key
    for key in (
        "place",
        "reference",
        "supply",
        "shunt_tolerance",
        "shunt_tempco",
        "shunt_heating",
        "gain_error",
        "offset",
    )
}
"""Options (as argparse names them) and the keys of the bench file that they stand for."""

_OWN = {"bits": "bits", "adc_reference": "adc_reference"}
"""Keys of a channel that go before those of ``[adc]``."""


@dataclass(frozen=True)
class Question:
    """All that is needed to answer.

    ``bench`` has one shunt channel. ``assumed`` holds what nobody stated, by the option that would.
    """

    bench: Bench
    demands: Demands
    candidates: tuple[Candidate, ...]
    assumed: Mapping[str, str] = field(default_factory=dict)

    @property
    def channel(self) -> Channel:
        """The channel that is sized."""
        return self.bench.channels[0]


def question(args: argparse.Namespace) -> Question:
    """Join options, bench file and defaults.

    Raises
    ------
    BenchError, UsageError
        where they do not make a chain or contradict each other.
    """
    assumed: dict[str, str] = {}
    file = None if args.bench is None else load(args.bench)
    fitted = None if file is None else _fitted(file, args.channel)
    if fitted is None and args.channel is not None:
        raise UsageError(f"expected --bench FILE beside --channel {args.channel}, got none")
    bench = _bench(args, file, fitted, assumed)
    demands = _demands(args, file, bench.channels[0], assumed)
    return Question(bench, demands, _candidates(args, file, fitted, bench.channels[0], assumed), assumed)


def _fitted(bench: Bench, name: str | None) -> Channel:
    """Return the shunt channel of a bench file that is asked for: by name, else the first phase's."""
    shunts = [channel for channel in bench.channels if channel.sensor is Sensor.SHUNT]
    if name is not None:
        found = [channel for channel in shunts if channel.name == name]
        if not found:
            names = ", ".join(channel.name for channel in shunts) or "none"
            raise UsageError(f"expected --channel out of the shunts in {bench.path}: {names}; got {name}")
        return found[0]
    if not shunts:
        raise BenchError(f'{bench.path}: expected a [[channel]] with sensor = "shunt", got none')
    return min(shunts, key=lambda channel: channel.phase not in ("U", "V", "W"))


def _bench(
    args: argparse.Namespace, file: Bench | None, fitted: Channel | None, assumed: dict[str, str]
) -> Bench:
    """Make the bench of one channel that candidates are made from, as a text that is then read."""
    if file is None or fitted is None:
        about: dict[str, Any] = {}
        adc, channel = dict(DEFAULT_ADC), dict(DEFAULT_CHANNEL)
        channel |= {"name": "size", "sensor": "shunt", "shunt": "1 mΩ", "gain": 1}
        channel["phase"] = "bus" if args.bus else "U"
        _assume_chain(args, assumed)
    else:
        document = tomllib.loads(file.text)
        about, adc = document.get("bench", {}), dict(document.get("adc", {}))
        (channel,) = (dict(c) for c in document["channel"] if c["name"] == fitted.name)
        if args.bus:
            channel["phase"] = "bus"
        if args.place is not None or args.bus:
            # The other place has other inputs.
            channel.pop("plus_input", None)
    for option, key in ADC_KEYS.items():
        if (given := getattr(args, option)) is not None:
            adc[key] = given
            channel.pop(_OWN.get(option, ""), None)
    channel |= {key: getattr(args, o) for o, key in CHANNEL_KEYS.items() if getattr(args, o) is not None}
    if args.swing is not None:
        channel |= {"swing_low": args.swing, "swing_high": args.swing}
    if file is None:
        _join_supplies(args, adc, channel)
    if "bits" not in adc and "bits" not in channel:
        adc["bits"] = DEFAULT_ADC["bits"]
        assumed["bits"] = str(DEFAULT_ADC["bits"])
    if file is None and channel["reference"] == "supply" and args.bus:
        # The output falls as the current grows: so are the inputs connected.
        channel["plus_input"] = "ground" if channel["place"] == "low-side" else "bridge"
    text = _toml("[bench]", about) + _toml("[adc]", adc) + _toml("[[channel]]", channel)
    if file is not None:
        return parse(text, file.path)
    try:
        return parse(text)
    except BenchError as error:
        # No file is there to name: the message begins with the option.
        where, _, rest = str(error).partition('"size": ')
        raise UsageError(f"--{_option(rest)}" if rest else where) from error


def _option(message: str) -> str:
    key, _, rest = message.partition(":")
    if key == "reference":
        rest += " (where the amplifier's zero lies; the ADC's own reference is --adc-reference)"
    return f"{key.removesuffix('_low').replace('_', '-')}:{rest}"


def _join_supplies(args: argparse.Namespace, adc: dict[str, Any], channel: dict[str, Any]) -> None:
    """Where one of amplifier's supply and ADC's reference is given, or both alike, they are one node."""
    supply, reference = args.supply, args.adc_reference
    if supply is None or supply == "adc":
        return
    if reference is None or reference == supply:
        adc["reference"] = supply
        channel["supply"] = "adc"


def _assume_chain(args: argparse.Namespace, assumed: dict[str, str]) -> None:
    for keys, defaults in ((ADC_KEYS, DEFAULT_ADC), (CHANNEL_KEYS, DEFAULT_CHANNEL)):
        for option, key in keys.items():
            if key in defaults and getattr(args, option) is None:
                assumed[option.replace("_", "-")] = str(defaults[key])
    if args.supply is not None:
        assumed.pop("adc-reference", None)
    if args.swing is None:
        assumed["swing"] = "50 mV"


def _toml(head: str, table: Mapping[str, Any]) -> str:
    lines = [f"{key} = {_value(value)}" for key, value in table.items() if not isinstance(value, dict)]
    return "\n".join([head, *lines, ""])


def _value(value: Any) -> str:
    """Write a value that came from TOML: of these kinds JSON's notation is TOML's, but for one character."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _demands(
    args: argparse.Namespace, file: Bench | None, channel: Channel, assumed: dict[str, str]
) -> Demands:
    bus = channel.phase == "bus"
    peak, rms = _currents(args, file, bus, assumed)
    trip = _trip(args, file, channel)
    if trip is None:
        trip = peak
        assumed["trip"] = f"{amount(peak, 'A', 4)} (the peak)"
    if trip < peak * (1 - 1e-9):
        raise UsageError(
            f"expected a trip level of at least the peak current, {amount(peak, 'A', 4)}, got "
            f"{amount(trip, 'A', 4)}: "
            "raise --trip or lower --current"
        )
    small = args.small_current
    if small is None:
        small = DEFAULT_SMALL * peak
        assumed["small-current"] = f"{amount(small, 'A', 4)} (a tenth of the peak)"
    if small >= peak:
        raise UsageError(
            f"expected --small-current below the peak current of {amount(peak, 'A', 4)}, "
            f"got {amount(small, 'A', 4)}"
        )
    share = args.share
    if share is None:
        share = carried_share(channel.place, channel.phase)
        if share < 1:
            assumed["share"] = f"{100 * share:g} % (of a leg with sinusoidal modulation)"

    def demand(option: str, default: float, text: str) -> float:
        given = getattr(args, option)
        if given is None:
            assumed[option] = text
            return default
        return float(given)

    return Demands(
        peak_a=peak,
        rms_a=rms,
        trip_a=trip,
        headroom=demand("headroom", DEFAULT_HEADROOM, "10 %"),
        dissipation_w=demand("dissipation", DEFAULT_DISSIPATION_W, "1 W"),
        small_a=small,
        error=demand("error", DEFAULT_ERROR, "10 %"),
        share=share,
        both_ways=not bus,
        frequency_hz=args.frequency,
    )


def _currents(
    args: argparse.Namespace, file: Bench | None, bus: bool, assumed: dict[str, str]
) -> tuple[float, float]:
    """Peak and rms: what is stated, else the motor's rated current, else a sine's (of the bus: constant)."""
    rated = file.motor.rated_current_a if file is not None and file.motor is not None and not bus else None
    peak, rms = args.current, args.rms
    if peak is None:
        if rms is None:
            rms = rated
        if rms is None:
            raise UsageError(
                "expected --current, the largest current in normal use, such as --current 8.5A "
                "(or --rms, or --bench with a rated_current); got none"
            )
        peak = rms * (1.0 if bus else math.sqrt(2))
        assumed["current"] = f"{amount(peak, 'A', 4)} (rms{'' if bus else ' × √2'})"
    elif rms is None and rated is not None and rated <= peak:
        rms = rated
    elif rms is None:
        rms = peak / (1.0 if bus else math.sqrt(2))
        assumed["rms"] = f"{amount(rms, 'A', 4)} (peak{'' if bus else ' / √2'})"
    if rms > peak * (1 + 1e-9):
        raise UsageError(
            f"expected --rms of at most the peak current, {amount(peak, 'A', 4)}, got {amount(rms, 'A', 4)}"
        )
    return peak, rms


def _trip(args: argparse.Namespace, file: Bench | None, channel: Channel) -> float | None:
    """Return what is stated, else the highest limit that a bench file watches for."""
    if args.trip is not None or file is None:
        return args.trip if args.trip is None else float(args.trip)
    limits = [watch.limit for watch in file.watches if watch.instant and channel.name in watch.channels]
    return max(limits, default=None)


def _candidates(
    args: argparse.Namespace,
    file: Bench | None,
    fitted: Channel | None,
    channel: Channel,
    assumed: dict[str, str],
) -> tuple[Candidate, ...]:
    gains = _gains(args, file, assumed)
    if not args.shunt and not args.series:
        assumed["series"] = "usual"
    shunts = (
        tuple(sorted(set(_at_most(args.shunt, MOST_SHUNTS, "shunts"))))
        if args.shunt
        else shunt_values(args.series or "usual")
    )
    bandwidths = _bandwidths(args.bandwidth, gains, channel)
    found = [Candidate(ohm, gain, bandwidths[gain]) for gain in gains for ohm in shunts]
    if fitted is None or fitted.shunt_ohm is None or fitted.gain is None:
        return tuple(found)
    mine = Candidate(
        fitted.shunt_ohm, fitted.gain, bandwidths.get(fitted.gain, channel.bandwidth_hz), present=True
    )
    return (*(c for c in found if not _alike(c, mine)), mine)


def _gains(args: argparse.Namespace, file: Bench | None, assumed: dict[str, str]) -> tuple[float, ...]:
    """Return the gains that are asked for, in their order; else those in the bench file, else the usual."""
    if args.gain:
        return tuple(dict.fromkeys(_at_most(args.gain, MOST_GAINS, "gains")))
    if file is not None:
        return tuple(sorted({channel.gain for channel in file.channels if channel.gain is not None}))
    assumed["gain"] = ", ".join(f"{gain:g}" for gain in DEFAULT_GAINS)
    return DEFAULT_GAINS


def _at_most(given: Sequence[float], most: int, what: str) -> Sequence[float]:
    if len(given) > most:
        raise UsageError(f"expected at most {most} {what}, got {len(given)}")
    return given


def _bandwidths(
    given: Sequence[float] | None, gains: Sequence[float], channel: Channel
) -> dict[float, float | None]:
    if not given:
        return dict.fromkeys(gains, channel.bandwidth_hz)
    if len(given) == 1:
        return dict.fromkeys(gains, given[0])
    if len(given) != len(gains):
        raise UsageError(
            f"expected --bandwidth once, or once for each of the {len(gains)} gains, got {len(given)}"
        )
    return dict(zip(gains, given, strict=True))


def _alike(one: Candidate, other: Candidate) -> bool:
    return math.isclose(one.shunt_ohm, other.shunt_ohm, rel_tol=1e-9) and one.gain == other.gain
