"""Wording that the blocks of a card share: numbers with units, and the rows that several sensors have."""

from __future__ import annotations

from collections.abc import Sequence

from livesense.bench import Bench, Channel, Watch
from livesense.bench.pins import reference_v
from livesense.bench.values import engineering
from livesense.card.content import BLANK, Row, Table
from livesense.card.limits import Part, at_zero, pin_safety, reach
from livesense.card.points import PHASES, Numbers, Point
from livesense.wording import MINUS, fixed, significant

SAMPLED = {"low-on": "while the low switch conducts", "high-on": "while the high switch conducts"}


def amount(value: float, unit: str, digits: int = 4) -> str:
    """Write a value with a prefix: ``8.057 mA``."""
    return engineering(float(f"{value:.{digits}g}"), unit).replace("-", MINUS)


def pin_volts(volts: float, lsb_v: float) -> str:
    """Write a pin's voltage without unit: millivolts, and a digit more where a code is finer than 0.1 mV."""
    return fixed(volts, 4 if lsb_v < 1e-4 else 3)


def signed(value: float) -> str:
    """Write a number with its sign: ``+8.485``; 0 has none."""
    text = significant(value, 4) if abs(value) < 1e4 else fixed(value, 0)
    return f"+{text}" if value > 0 else text


def whole(code: float) -> str:
    """Write a code as the nearest whole one."""
    return f"{code:.0f}".replace("-", MINUS) if round(code) else "0"


def per_cent(part: float) -> str:
    """Write a part with at most three digits."""
    text = f"{100 * part:.0f}" if abs(part) >= 1 else f"{100 * part:.3g}"
    return f"{text} %".replace("-", MINUS)


# ── points ───────────────────────────────────────────────────────────────────────────────────────

_LABELS = {
    "zero": "at zero",
    "one": "1 {unit}",
    "rated-peak": "rated peak",
    "nominal": "nominal bus",
    "trip": "first trip",
    "range": "clips at",
    "adc": "ADC's end",
}


def points_table(found: Numbers, notes: tuple[str, ...]) -> Table:
    """Lay out the points of a channel that is linear in its pin voltage: + to the left, - to the right."""
    negative = any(p.value < 0 and p.readable for p in found.points)
    unit = found.channel.unit
    header = ("", unit, "V at pin", "code", *((unit, "V at pin", "code") if negative else ()))
    rows: list[tuple[str, ...]] = []
    strong: list[int] = []
    for what, label in _LABELS.items():
        points = [
            p for p in found.points if p.what == what and not (what == "adc" and _clips_there(found, p))
        ]
        upper = [p for p in points if p.value >= 0]
        lower = [p for p in points if p.value < 0] if negative else []
        # Where a range lies on one side of zero both of its ends do, the far one first.
        lower.sort(key=lambda p: p.value)
        for number in range(max(len(upper), len(lower))):
            name = "reads from" if what == "range" and number else label.format(unit=unit)
            cells = (*_cells(found, upper, number), *(_cells(found, lower, number) if negative else ()))
            strong += [len(rows)] if what in ("zero", "one") else []
            rows.append((name, *cells))
    return Table(header, tuple(rows), notes, tuple(strong))


def _clips_there(found: Numbers, end: Point) -> bool:
    return any(
        p.what == "range" and abs(p.value - end.value) < abs(found.chain.per_code or 0.0) / 2
        for p in found.points
    )


def _cells(found: Numbers, points: Sequence[Point], number: int) -> tuple[str, str, str]:
    if number >= len(points) or found.here is None:
        return ("", "", "")
    point, here = points[number], found.here
    value = signed(point.value)
    if point.pin_v is None or (not point.readable and point.what not in ("zero", "adc")):
        return value, "not read", ""
    code = min(max(point.code, here.stored(here.lowest)), here.stored(here.highest))
    return value, pin_volts(point.pin_v, here.lsb_v), whole(code)


def step_text(bench: Bench, found: Numbers) -> str:
    """Write how a code comes from a pin voltage: ``V at pin ÷ 0.805664 mV (3.3 V ÷ 4096)``."""
    here = found.here
    assert here is not None
    reference = amount(reference_v(found.channel, bench.adc), "V", 6)
    text = f"code = V at pin ÷ {amount(here.lsb_v, 'V', 6)} ({reference} ÷ {here.steps:.0f})"
    offset = here.code_offset
    return text + (f" {MINUS if offset > 0 else '+'} {abs(offset)} (code_offset)" if offset else "")


# ── rows ─────────────────────────────────────────────────────────────────────────────────────────


def zero_rows(bench: Bench, found: Numbers) -> tuple[Row, ...]:
    """Say what a meter and the ADC may show at zero."""
    zero = at_zero(bench, found)
    if zero is None or found.here is None:
        return ()
    lsb_v, unit = found.here.lsb_v / 10, found.channel.unit
    parts = [_part(p, "V") for p in zero.parts]
    how = "; ".join(parts) + _added(parts) if parts else "no error is stated"
    how += "; the output ends there" if zero.at_rail else ""
    in_codes = "; ".join(f"{p.key} {_in_unit(p.expanded, unit)}" for p in zero.code_parts)
    low, high = pin_volts(zero.lowest_v, lsb_v), pin_volts(zero.highest_v, lsb_v)
    text = f"{low} V to {high} V" if parts or zero.at_rail else f"{low} V, ± {BLANK} mV"
    rows = [
        Row(f"Meter at 0 {unit}", text, f"k = 2: {how}", strong=True),
        Row(
            f"Codes at 0 {unit}",
            f"{whole(zero.lowest_code)} to {whole(zero.highest_code)}",
            f"k = 2: {in_codes}{_added(zero.code_parts)}: ± {_in_unit(zero.expanded, unit)}",
        ),
    ]
    if missing := tuple(dict.fromkeys((*zero.missing, *zero.code_missing))):
        rows.append(Row("Not in these", f"{', '.join(missing)}", "not stated"))
    return tuple(rows)


def _part(part: Part, unit: str) -> str:
    return f"{part.key} {part.stated}".rstrip() + f": {_in_unit(part.expanded, unit)}"


def _in_unit(value: float, unit: str) -> str:
    return amount(value, unit, 3) if unit in ("A", "V") else f"{significant(value, 3)} {unit}".rstrip()


def _added(parts: Sequence[object]) -> str:
    return ", squares added" if len(parts) > 1 else ""


def trip_rows(found: Numbers) -> tuple[Row, ...]:
    """Say the first trip value and how far the range reaches beyond it."""
    if found.channel.quantity != "current":
        return ()
    trip, rated = found.trip, found.point("rated-peak")
    far = reach(found)
    rows = []
    if trip is None:
        rows.append(Row("First trip", f"{BLANK} A", "no [[watch]] holds its scans against a limit"))
    else:
        rows.append(Row("First trip", _trip_value(found), _trip_origin(trip.watch, trip.number), strong=True))
    known = [("trip", trip.watch.limit)] if trip is not None else []
    known += [("rated peak", rated.value)] if rated is not None else []
    if far is not None and known:
        said = ", ".join(f"{per_cent(far / level - 1)} beyond the {name}" for name, level in known)
        how = " and ".join(f"{amount(far, 'A')} ÷ {amount(level, 'A')} {MINUS} 1" for _, level in known)
        rows.append(Row("Headroom", said, how))
    return tuple(rows)


def _trip_value(found: Numbers) -> str:
    trip = found.trip
    assert trip is not None
    text = amount(trip.watch.limit, "A")
    codes = [f"from {whole(trip.code_above)} up"] if trip.code_above is not None else []
    codes += [f"from {whole(trip.code_below)} down"] if trip.code_below is not None else []
    return f"{text}: codes {' and '.join(codes)}" if codes else text


def _trip_origin(watch: Watch, number: int) -> str:
    what = "each scan" if watch.quantity == "instant" else "length of the vector of U, V, W"
    held = f" for {amount(watch.hold_s, 's')}" if watch.hold_s else ""
    return f"[[watch]] {number}: limit, {what}{held}; released at {amount(watch.release, 'A')}"


def pin_row(bench: Bench, found: Numbers) -> tuple[Row, ...]:
    """Say how far the ADC's pin can be driven."""
    pin, channel = pin_safety(bench, found), found.channel
    if pin is None:
        return ()
    reference = amount(pin.reference_v, "V")
    if pin.reaches_at is not None:
        value = (
            f"at the reference of {reference} with {amount(pin.reaches_at, 'V')} measured; beyond with more"
        )
        return (Row("ADC pin", f"{value}: clamp", "reference × ratio; see what the pin bears"),)
    driver = "pull-up" if channel.pull_up_ohm else "amplifier" if channel.shunt_ohm else "sensor"
    key = "pull_up_voltage" if channel.pull_up_ohm else "supply"
    if pin.beyond_v:
        value = (
            f"{driver} can drive it to {amount(pin.highest_v or 0, 'V')}, {amount(pin.beyond_v, 'V')} beyond "
            f"the ADC's reference: series resistor or clamp"
        )
        if pin.current_a is None:
            into = f"source_resistance = {BLANK} Ω"
        else:
            into = f"{amount(pin.current_a, 'A', 3)} into a clamp at the reference"
        return (Row("ADC pin", value, f"{key} {MINUS} reference; {into}; see what the pin bears"),)
    if isinstance(channel.pull_up_v if channel.pull_up_ohm else channel.supply, str):
        value = f"{driver} cannot drive it beyond the ADC's reference of {reference}"
        return (Row("ADC pin", value, f'{key} = "adc"'),)
    value = f"{driver} drives it to {amount(pin.highest_v or 0, 'V')} at most; ADC's reference {reference}"
    return (Row("ADC pin", value, f"{key} of the channel"),)


def sampled_row(channel: Channel, delays: tuple[tuple[str, float], ...]) -> Row:
    """Say when channels are sampled."""
    at = channel.sampled_at
    if at in SAMPLED:
        value, origin = SAMPLED[str(at)], "sampled_at"
    elif channel.phase in PHASES and channel.place != "in-line" and channel.shunt_ohm:
        side = "low" if channel.place == "low-side" else "high"
        value = f"{BLANK}; its current is there only while the {side} switch conducts"
        origin = f'sampled_at is not "{side}-on"'
    else:
        value, origin = "at any instant", "sampled_at"
    if any(delay for _, delay in delays):
        said = ", ".join(f"{name} {amount(delay, 's', 3)}" for name, delay in delays)
        value, origin = f"{value}; after the first: {said}", f"{origin}, delay"
    return Row("Sampled", value, origin)
