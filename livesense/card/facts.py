"""The numbers of a card for programs; docs/scripting.md describes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from livesense.bench import Bench, Channel, Sensor
from livesense.bench.pins import PIN_SENSORS, per_volt, reference_v, sign, supply_v, zero_v
from livesense.card.limits import at_zero, common_mode, heat, pin_safety, reach
from livesense.card.points import Numbers, Point, Trip
from livesense.card.shunt_block import nodes


def channel_facts(bench: Bench, found: Sequence[Numbers]) -> list[dict[str, Any]]:
    """One object for each channel."""
    return [_channel(bench, one) for one in found]


def _channel(bench: Bench, found: Numbers) -> dict[str, Any]:
    channel, chain, here = found.channel, found.chain, found.here
    linear = here is not None and chain.per_code is not None
    pin = pin_safety(bench, found)
    return {
        "name": channel.name,
        "sensor": str(channel.sensor),
        "phase": channel.phase,
        "place": channel.place,
        "unit": channel.unit,
        "wiring": _wiring(bench, channel) if channel.sensor is Sensor.SHUNT else None,
        "adc_reference_V": reference_v(channel, bench.adc) if channel.sensor in PIN_SENSORS else None,
        "step_V": None if here is None else here.lsb_v,
        "per_code": None if chain.per_code is None else abs(chain.per_code),
        "zero_V": zero_v(channel, bench.adc) if linear else None,
        "pin_V_per_unit": 1 / per_volt(channel) if linear else None,
        "shunt_V_per_A": channel.shunt_ohm,
        "points": [_point(point) for point in found.points],
        "range": [chain.low, chain.high],
        "at_zero": _at_zero(bench, found),
        "heat": _heat(bench, found),
        "trip": None if found.trip is None else _trip(found.trip),
        "headroom_percent": _headroom(found),
        "swing_V": _swing(bench, channel) if channel.sensor is Sensor.SHUNT else None,
        "common_mode": _common_mode(bench, found),
        "pin": None
        if pin is None
        else {
            "reference_V": pin.reference_v,
            "highest_V": pin.highest_v,
            "beyond_V": pin.beyond_v,
            "reaches_at": pin.reaches_at,
            "current_A": pin.current_a,
        },
        "sampled_at": channel.sampled_at,
        "delay_s": channel.delay_s,
        "assumed": list(channel.assumed),
    }


def _wiring(bench: Bench, channel: Channel) -> dict[str, Any]:
    first, second = nodes(channel)
    rises = sign(channel) > 0
    return {
        "positive_from": first,
        "positive_to": second,
        "plus_input": first if rises else second,
        "minus_input": second if rises else first,
        "output_rises": rises,
        "reference": channel.reference if isinstance(channel.reference, str) else "outside",
        "supply_V": supply_v(channel, bench.adc),
    }


def _point(point: Point) -> dict[str, Any]:
    return {
        "at": point.what,
        "value": point.value,
        "pin_V": point.pin_v,
        "code": point.code,
        "readable": point.readable,
    }


def _at_zero(bench: Bench, found: Numbers) -> dict[str, Any] | None:
    zero = at_zero(bench, found)
    if zero is None:
        return None
    return {
        "lowest_V": zero.lowest_v,
        "highest_V": zero.highest_v,
        "errors": [{"key": p.key, "stated": p.stated, "expanded_V": p.expanded} for p in zero.parts],
        "not_stated": list(zero.missing),
        "lowest_code": zero.lowest_code,
        "highest_code": zero.highest_code,
        "expanded": zero.expanded,
        "code_errors": [{"key": p.key, "stated": p.stated, "expanded": p.expanded} for p in zero.code_parts],
        "codes_not_stated": list(zero.code_missing),
    }


def _heat(bench: Bench, found: Numbers) -> dict[str, Any] | None:
    warm = heat(bench, found)
    if warm is None:
        return None
    return {"rated_W": warm.rated_w, "share": warm.share, "trip_W": warm.trip_w, "range_W": warm.range_w}


def _trip(trip: Trip) -> dict[str, Any]:
    watch = trip.watch
    return {
        "limit": watch.limit,
        "watch": trip.number,
        "quantity": watch.quantity,
        "hold_s": watch.hold_s,
        "release": watch.release,
        "code_above": trip.code_above,
        "code_below": trip.code_below,
    }


def _headroom(found: Numbers) -> dict[str, float | None]:
    far, rated = reach(found), found.point("rated-peak")
    levels = {
        "trip": None if found.trip is None else found.trip.watch.limit,
        "rated_peak": None if rated is None else rated.value,
    }
    return {
        name: None if far is None or level is None else 100 * (far / level - 1)
        for name, level in levels.items()
    }


def _swing(bench: Bench, channel: Channel) -> list[float]:
    return [channel.swing_low_v, supply_v(channel, bench.adc) - channel.swing_high_v]


def _common_mode(bench: Bench, found: Numbers) -> dict[str, float] | None:
    mode = common_mode(bench, found)
    return None if mode is None else {f"{key.removesuffix('_v')}_V": v for key, v in asdict(mode).items()}
