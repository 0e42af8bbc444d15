"""The block of a shunt and its amplifier."""

from __future__ import annotations

from collections.abc import Iterator

from livesense.bench import Bench, Channel
from livesense.bench.pins import filter_loss, sign, supply_v, zero_v
from livesense.card.content import BLANK, Block, Row
from livesense.card.drawing import Sense, sense_drawing
from livesense.card.limits import common_mode, heat
from livesense.card.points import PHASES, Numbers, rated_a
from livesense.card.words import amount, pin_row, points_table, step_text, trip_rows, zero_rows
from livesense.wording import MINUS

_SIDES = {
    "bridge": "to the bridge's side",
    "motor": "to the motor's side",
    "supply": "to the supply's side",
    "ground": "to the 0 V side",
}
_REFERENCE_PINS = {
    "ground": ("both to ground", "no current is 0 V"),
    "supply": ("both to the amplifier's supply", "no current is the supply, the output falls"),
    "mid-supply": ("one to the supply, one to ground", "no current is half the supply"),
}


def shunt_block(bench: Bench, found: Numbers) -> Block:
    """Make the block of one channel."""
    channel = found.channel
    return Block(
        names=(channel.name,),
        about=f"{'bus ' if channel.phase == 'bus' else ''}{channel.place}, shunt {_shunt(channel)}, "
        f"gain {channel.gain:g}",
        drawing=sense_drawing(
            Sense(
                place=channel.place,
                phase=channel.phase,
                nodes=nodes(channel),
                plus_first=sign(channel) > 0,
                shunt=_shunt(channel),
                gain=f"×{channel.gain:g}",
            )
        ),
        wiring=tuple(_wiring(bench, channel)),
        points=points_table(found, tuple(_notes(bench, found))),
        checks=zero_rows(bench, found),
        limits=(
            *_wrong_way(found),
            *_steps(bench, found),
            *_heat(bench, found),
            *trip_rows(found),
            _swing(bench, channel),
            _common_mode(bench, found),
            *pin_row(bench, found),
        ),
    )


def nodes(channel: Channel) -> tuple[str, str]:
    """Name the nodes beside the shunt in the order in which the current, as it is counted, passes them."""
    if channel.phase == "bus" and channel.place == "low-side":
        return "bridge", "ground"
    return {
        "in-line": ("bridge", "motor"),
        "high-side": ("supply", "bridge"),
        "low-side": ("ground", "bridge"),
    }[channel.place]


def _shunt(channel: Channel) -> str:
    return amount(channel.shunt_ohm or 0.0, "ohm", 6)


def _wiring(bench: Bench, channel: Channel) -> Iterator[Row]:
    first, second = nodes(channel)
    plus, minus = (first, second) if sign(channel) > 0 else (second, first)
    yield Row("+ input", _SIDES[plus])
    yield Row(f"{MINUS} input", _SIDES[minus])
    runs = "rises" if sign(channel) > 0 else "falls"
    yield Row("Arrow", f"+ I from {first} to {second}: output {runs}", _counted(channel))
    volts = amount(zero_v(channel, bench.adc), "V")
    pins, meaning = _REFERENCE_PINS.get(str(channel.reference), (f"both to an outside {volts}", ""))
    key = f'reference = "{channel.reference if meaning else volts}"'
    yield Row("Reference pins", pins, f"{key}{': ' if meaning else ''}{meaning}")
    supply, key = amount(supply_v(channel, bench.adc), "V"), f'supply = "{channel.supply}"'
    if isinstance(channel.supply, str):
        yield Row("Supply", f"the ADC's reference, {supply}", key)
    else:
        yield Row("Supply", supply, "supply of the amplifier")
    if channel.filter_resistance_ohm:
        ohm = amount(channel.filter_resistance_ohm, "ohm")
        loss = f"leaves {100 * filter_loss(channel):.4g} % of the gain"
        yield Row("Input filter", f"{ohm} in each line", f"filter_resistance, input_resistance: {loss}")


def _counted(channel: Channel) -> str:
    counted = "out of the supply" if channel.phase == "bus" else "into the motor"
    return f'plus_input = "{channel.plus_input}"; positive {counted}'


def _wrong_way(found: Numbers) -> Iterator[Row]:
    """Warn where the output rests at an end of its range and positive current drives it beyond."""
    one = found.point("one")
    if one is not None and not one.readable and found.chain.high < 1e-6:
        yield Row(
            "Mind",
            f"positive current is not read: exchange + and {MINUS} input, or tie reference pins otherwise",
            "reference, plus_input",
            strong=True,
        )


def _product(channel: Channel) -> str:
    """Write volts at the pin per ampere as a product: ``20 × 5 mΩ``."""
    loss = filter_loss(channel)
    left = "" if loss == 1 else f" × {loss:.6g}"
    return f"{channel.gain:g}{left} × {_shunt(channel)}"


def _notes(bench: Bench, found: Numbers) -> Iterator[str]:
    channel, adc = found.channel, bench.adc
    zero = amount(zero_v(channel, adc), "V", 6)
    yield f"V at pin = {zero} {'+' if sign(channel) > 0 else MINUS} {_product(channel)} × I; " + step_text(
        bench, found
    )
    supply = amount(supply_v(channel, adc), "V", 6)
    origin = {"mid-supply": f"{supply} ÷ 2", "supply": "the supply", "ground": "ground"}
    said = [f"Zero: {origin.get(str(channel.reference), 'the outside voltage')} (reference, supply)"]
    rated = rated_a(bench, channel)
    if rated is not None:
        said.append(f"rated peak: √2 × {amount(rated, 'A')} ([motor] rated_current)")
    elif channel.phase in PHASES:
        said.append(f"rated peak: [motor] rated_current = {BLANK} A")
    yield "; ".join(said)


def _steps(bench: Bench, found: Numbers) -> Iterator[Row]:
    channel, here = found.channel, found.here
    assert here is not None and channel.shunt_ohm is not None and channel.gain is not None
    per_code = abs(found.chain.per_code or 0.0)
    how = f"{amount(here.lsb_v, 'V', 6)} ÷ ({_product(channel)})"
    yield Row("One code", amount(per_code, "A", 6), how, strong=True)
    at_pin = channel.shunt_ohm * channel.gain * filter_loss(channel)
    value = f"{amount(channel.shunt_ohm, 'V', 6)} at the shunt, {amount(at_pin, 'V', 6)} at the pin"
    yield Row("One ampere", value, f"shunt; {_product(channel)}")


def _heat(bench: Bench, found: Numbers) -> Iterator[Row]:
    warm, shunt = heat(bench, found), _shunt(found.channel)
    assert warm is not None
    rated, trip = rated_a(bench, found.channel), found.trip
    said, how = [], []
    if warm.rated_w is not None and rated is not None:
        said.append(f"{amount(warm.rated_w, 'W', 3)} at the rated {amount(rated, 'A')} rms")
        share = "" if warm.share == 1 else f" × {warm.share:g}"
        how.append(f"({amount(rated, 'A')})² × {shunt}{share}")
    else:
        said.append(f"{BLANK} W at a rated {BLANK} A rms")
        how.append("I² × shunt" if found.channel.phase == "bus" else "I² × shunt; [motor] rated_current")
    if warm.share != 1:
        how.append("a leg's half with sinusoidal modulation; at standstill one may carry all")
    if trip is not None and warm.trip_w is not None:
        said.append(f"{amount(warm.trip_w, 'W', 3)} if the trip value lasts")
        how.append(f"({amount(trip.watch.limit, 'A')})² × {shunt}")
    yield Row("Heat", "; ".join(said), "; ".join(how))
    yield Row("Shunt bears", f"{BLANK} W", "data sheet; no key states it")


def _swing(bench: Bench, channel: Channel) -> Row:
    low = amount(channel.swing_low_v, "V")
    high = amount(channel.swing_high_v, "V")
    top = amount(supply_v(channel, bench.adc) - channel.swing_high_v, "V")
    assumed = [key for key in ("swing_low", "swing_high") if key in channel.assumed]
    value = f"{low} to {top}" if not assumed else f"{low} to {top}, assumed"
    origin = f"swing_low {low} above ground, swing_high {high} below the supply"
    if assumed:
        origin = f"data sheet: {', '.join(f'{key} = {BLANK} mV' for key in assumed)}"
    return Row("Output swing", value, origin)


def _common_mode(bench: Bench, found: Numbers) -> Row:
    mode = common_mode(bench, found)
    bears = f"; amplifier bears {BLANK} to {BLANK} V (data sheet)"
    if mode is None:
        value = (
            f"{BLANK} V and spikes" if found.channel.place != "in-line" else f"0 V to {BLANK} V and spikes"
        )
        return Row("Common mode", value, f"[bench] bus_voltage, not stated{bears}")
    if found.channel.place == "low-side":
        value = f"0 V, ± {amount(mode.drop_v, 'V', 3)} of the shunt, and spikes to both sides"
        return Row("Common mode", value, f"ends of the range × shunt{bears}")
    bus = amount(mode.highest_v, "V")
    in_line = found.channel.place == "in-line"
    value = f"0 V to {bus} with every switching, spikes beyond" if in_line else f"{bus} always, spikes beyond"
    return Row("Common mode", value, f"[bench] bus_voltage{bears}")
