"""The options of ``size`` and how their texts are read: by the readers of the bench file."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from typing import Any

from livesense.bench.keys import ADC, CHANNEL
from livesense.bench.values import CURRENT, FREQUENCY, RELATIVE, Kind, Reader, Unfit, quantity
from livesense.chain.shunt_values import SERIES
from livesense.cli.options import add_json, file_name

POWER = Kind("a power", "0.5 W", "W")
_PLAIN = re.compile(r"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*", re.ASCII)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    _add_currents(parser.add_argument_group("what has to be measured"))
    _add_demands(parser.add_argument_group("what is allowed"))
    _add_candidates(parser.add_argument_group("candidates"))
    _add_chain(
        parser.add_argument_group(
            "the chain around them", "Written as in the bench file, whose defaults are those of its starter."
        )
    )
    group = parser.add_argument_group("what comes out")
    group.add_argument(
        "--chart", metavar="FILE", type=chart_name, help="draw error against current: .svg or .html"
    )
    group.add_argument("--points", metavar="CSV", type=file_name, help="measured errors to lay on the chart")
    group.add_argument("--force", action="store_true", help="replace a chart that is there")
    add_json(parser)


def _add_currents(group: Any) -> None:
    amps = quantity(CURRENT, 0.0, 1e6, above=True)
    group.add_argument(
        "--bench", metavar="FILE", type=file_name, help="take what it states from a bench file"
    )
    group.add_argument("--channel", metavar="NAME", help="its channel (the first phase with a shunt)")
    group.add_argument("--current", metavar="A", type=value(amps, "A"), help="peak current in normal use")
    group.add_argument("--rms", metavar="A", type=value(amps, "A"), help="its rms value (peak / √2)")
    group.add_argument(
        "--trip", metavar="A", type=value(amps, "A"), help="level that must be seen (the peak)"
    )
    group.add_argument("--bus", action="store_true", help="the shunt carries the bus current, one direction")
    group.add_argument(
        "--place", choices=("in-line", "low-side", "high-side"), help="where it sits (in-line)"
    )
    group.add_argument(
        "--share",
        metavar="%",
        type=value(quantity(RELATIVE, 0.0, 1.0, above=True), ""),
        help="part of the current's mean square that the shunt carries (in a leg 50 %%, else 100 %%)",
    )
    group.add_argument(
        "--frequency",
        metavar="HZ",
        type=value(quantity(FREQUENCY, 0.0, 1e6, above=True), "Hz"),
        help="highest electrical frequency",
    )


def _add_demands(group: Any) -> None:
    amps = quantity(CURRENT, 0.0, 1e6, above=True)
    group.add_argument(
        "--headroom", metavar="%", type=value(quantity(RELATIVE, 0.0, 10.0), ""), help="beyond --trip (10 %%)"
    )
    group.add_argument(
        "--dissipation",
        metavar="W",
        type=value(quantity(POWER, 0.0, 1e6, above=True), "W"),
        help="mean heat in the shunt (1 W)",
    )
    group.add_argument(
        "--small-current", metavar="A", type=value(amps, "A"), help="where the error counts (peak / 10)"
    )
    group.add_argument(
        "--error",
        metavar="%",
        type=value(quantity(RELATIVE, 0.0, 1.0, above=True), ""),
        help="expanded error (k = 2) of one reading there (10 %%)",
    )


def _add_candidates(group: Any) -> None:
    group.add_argument(
        "--gain",
        metavar="G,…",
        action="extend",
        type=_gains,
        help="gains (10,20,50,100; with --bench its own)",
    )
    group.add_argument(
        "--shunt", metavar="R,…", action="extend", type=_shunts, help='shunts, such as "4mΩ,5mΩ"'
    )
    group.add_argument(
        "--series", choices=SERIES, help="usual values of shunts (default), or those of IEC 60063"
    )
    group.add_argument(
        "--bandwidth",
        metavar="HZ,…",
        action="extend",
        type=_bandwidths,
        help="of amplifier and filter: one, or one a gain",
    )


_CHAIN = (
    ("--bits", "N", ADC["bits"], "of the ADC (12)"),
    ("--adc-reference", "V", ADC["reference"], "its reference voltage (3.3 V, or --supply)"),
    ("--supply", "V", CHANNEL["supply"], "of the amplifier (adc: the ADC's reference)"),
    ("--reference", "WHERE", CHANNEL["reference"], "where the amplifier's zero lies (mid-supply)"),
    ("--swing", "V", CHANNEL["swing_low"], "how near to the rails its output comes (50 mV)"),
    ("--shunt-tolerance", "%", CHANNEL["shunt_tolerance"], "(1 %%)"),
    ("--shunt-tempco", "PPM/K", CHANNEL["shunt_tempco"], "for self-heating, with --shunt-heating (none)"),
    ("--shunt-heating", "K/W", CHANNEL["shunt_heating"], "thermal resistance of the shunt (none)"),
    ("--gain-error", "%", CHANNEL["gain_error"], "(0.3 %%)"),
    ("--offset", "µV", CHANNEL["offset"], "of the amplifier, at its input (150 µV)"),
    ("--reference-tolerance", "%", ADC["reference_tolerance"], "of the ADC's reference (0.2 %%)"),
    ("--adc-offset", "LSB", ADC["offset_error"], "(2 LSB)"),
    ("--adc-gain-error", "%", ADC["gain_error"], "(none)"),
    ("--inl", "LSB", ADC["inl"], "non-linearity of the ADC (1.5 LSB)"),
)


def _add_chain(group: Any) -> None:
    for option, metavar, key, text in _CHAIN:
        # A bare number has a unit only where the unit leaves no doubt: volts, not per cent or parts of one.
        read = (
            _number(key.read, _whole)
            if option == "--bits"
            else text_of(key.read, "V" if metavar == "V" else "")
        )
        group.add_argument(option, metavar=metavar, type=read, help=text)


def _with_unit(text: str, unit: str) -> str:
    """Give a bare number the unit that its option is named by; without one it stays, to be refused."""
    return f"{text.strip()} {unit}" if unit and _PLAIN.fullmatch(text) else text


def value(read: Reader, unit: str) -> Callable[[str], Any]:
    """Read an option's quantity by a reader of the bench file."""

    def reader(text: str) -> Any:
        try:
            return read(_with_unit(text, unit))
        except Unfit as unfit:
            raise argparse.ArgumentTypeError(f"expected {unfit}, got {text!r}") from unfit

    return reader


def text_of(read: Reader, unit: str) -> Callable[[str], str]:
    """Check an option's text by a reader of the bench file and keep the text, for a bench file."""

    def reader(text: str) -> str:
        value(read, unit)(text)
        return _with_unit(text, unit)

    return reader


def _several(read: Callable[[str], float]) -> Callable[[str], list[float]]:
    return lambda text: [read(part.strip()) for part in text.split(",")]


def _whole(text: str) -> float:
    """Make 12 of "12", and leave 12.5 what it is."""
    number = float(text)
    return int(number) if number.is_integer() else number


def _number(read: Reader, kind: Callable[[str], float]) -> Callable[[str], Any]:
    """Read an option without unit by a reader of the bench file, which takes numbers for these."""

    def as_number(text: str) -> Any:
        return read(kind(text) if _PLAIN.fullmatch(text) else text)

    return value(as_number, "")


_gains = _several(_number(CHANNEL["gain"].read, float))
_shunts = _several(value(CHANNEL["shunt"].read, ""))
_bandwidths = _several(value(CHANNEL["bandwidth"].read, "Hz"))


def chart_name(text: str) -> Any:
    """Read the name of a chart's file."""
    path = file_name(text)
    if path.suffix.lower() not in (".svg", ".html"):
        raise argparse.ArgumentTypeError(f"expected a file that ends in .svg or .html, got {text!r}")
    return path
