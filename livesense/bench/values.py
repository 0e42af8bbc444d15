"""Readers for single values of a bench file: a TOML value in, a plain value in SI units out.

Each raises :class:`Unfit` with what was expected; whoever knows the place and the key
makes the message.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from livesense.bench import Bounds, Tolerance
from livesense.bench.quantities import QuantityError, limit_of_error, rate_hz, value_in

Reader = Callable[[Any], Any]

NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.\-]{0,31}")
"""Names of channels and columns: as on the wire."""
LONGEST_TEXT = 200


class Unfit(Exception):  # noqa: N818  (never leaves the reading of a bench file)
    """A value is not what its key takes; the text says what was expected."""


@dataclass(frozen=True, slots=True)
class Kind:
    """A sort of quantity: how it is called, an example, the unit its values are read in."""

    called: str
    example: str
    unit: str


RESISTANCE = Kind("a resistance", "5 mΩ", "ohm")
VOLTAGE = Kind("a voltage", "3.3 V", "V")
CURRENT = Kind("a current", "6 A", "A")
FREQUENCY = Kind("a frequency", "500 kHz", "Hz")
RATE = Kind("a rate", "20 kHz", "rate")
TIME = Kind("a time", "100 us", "s")
LONG_TIME = Kind("a time", "6 h", "s")
SIZE = Kind("a size", "20 GB", "B")
TEMPERATURE_STEP = Kind("a temperature difference", "3950 K", "K")
CURRENT_SQUARED_TIME = Kind("a current squared times a time", "50 A²s", "A²s")

SHARE = Kind("a share", "50 %", "")
RELATIVE = Kind("a relative limit of error", "0.5 %", "")
INPUT_VOLTAGE = Kind("a voltage", "150 µV", "V")
PER_KELVIN = Kind("a temperature coefficient", "50 ppm/K", "1/K")
DRIFT = Kind("a drift", "2 µV/K", "V/K")
INDUCTANCE = Kind("an inductance", "0.2 mH", "H")
CAPACITANCE = Kind("a capacitance", "8 pF", "F")
HEATING = Kind("a thermal resistance", "40 K/W", "K/W")
POWER = Kind("a power", "150 W", "W")
SPEED = Kind("a speed", "3000 rpm", "rpm")
RATIO = Kind("a ratio", "3 %", "")
TEMPERATURE = Kind("a temperature", "60 °C", "°C")


def _such_as(kind: Kind) -> str:
    return f'{kind.called} such as "{kind.example}"'


def quantity(kind: Kind, low: float, high: float, *, above: bool = False) -> Reader:
    """Read a quantity from ``low`` (or above it) to ``high``, in the kind's unit."""
    unit = "Hz" if kind.unit == "rate" else kind.unit
    bounds = f"{'above' if above else 'from'} {engineering(low, unit)} {'and at most' if above else 'to'} "
    bounds += engineering(high, unit)

    def read(given: Any) -> float:
        if not isinstance(given, str):
            raise Unfit(_such_as(kind))
        try:
            value = rate_hz(given) if kind.unit == "rate" else value_in(given, kind.unit)
        except QuantityError as error:
            comma = " with a decimal point" if "," in given else ""
            raise Unfit(_such_as(kind) + comma) from error
        if not low <= value <= high or (above and value == low):
            raise Unfit(f"{kind.called} {bounds}")
        return value

    return read


def bounds(kind: Kind, low: float, high: float) -> Reader:
    """Read the most that is allowed, or ``["least", "most"]``; the unit of ratios becomes %."""
    one = quantity(kind, low, high)
    factor, unit = (1.0, kind.unit) if kind.unit else (100.0, "%")

    def read(given: Any) -> Bounds:
        if not isinstance(given, list):
            return Bounds(None, factor * one(given), unit)
        if len(given) != 2:
            raise Unfit(f'the most that is allowed, or the least and the most: ["…", "{kind.example}"]')
        least, most = (one(value) for value in given)
        if not least < most:
            raise Unfit("the least before the most, and below it")
        return Bounds(factor * least, factor * most, unit)

    return read


def count_bounds(given: Any) -> Bounds:
    """Read the most that is allowed of something that is counted."""
    if not isinstance(given, int) or isinstance(given, bool) or not 0 <= given <= 10**9:
        raise Unfit("a whole number from 0 up")
    return Bounds(None, float(given), "")


def tolerance(kind: Kind, most: float) -> Reader:
    """Read a limit of error, with ``(k=1)`` or ``(k=2)`` where it is an expanded uncertainty."""

    def read(given: Any) -> Tolerance:
        if not isinstance(given, str):
            raise Unfit(_such_as(kind))
        try:
            value, k = limit_of_error(given, kind.unit)
        except QuantityError as error:
            raise Unfit(_such_as(kind)) from error
        if not 0 <= value <= most:
            raise Unfit(f"{kind.called} from 0 to {engineering(most, kind.unit)}")
        return Tolerance(value, k)

    return read


def torque_constant(given: Any) -> float:
    """Read newton metres per ampere: ``"60 mN·m/A"``, ``"0.06 Nm/A"``."""
    kind = Kind("a torque per current", "60 mN·m/A", "N*m/A")
    return _constant(kind, re.sub(r"Nm", "N·m", given) if isinstance(given, str) else given)


def voltage_constant(given: Any) -> float:
    """Read volts per speed, in V·s per radian: ``"4.2 V/krpm"``, ``"0.04 V·s/rad"``."""
    kind = Kind("a voltage per speed", "4.2 V/krpm", "V*s")
    if not isinstance(given, str):
        raise Unfit(_such_as(kind))
    if found := re.fullmatch(r"(.*\bm?V)\s*/\s*(k?)rpm", given.strip()):
        per_s = (1000.0 if found.group(2) else 1.0) * 2 * math.pi / 60
        return float(quantity(VOLTAGE, 0.0, 1e6, above=True)(found.group(1))) / per_s
    return _constant(kind, re.sub(r"/\s*rad$", "", given.strip()))


def _constant(kind: Kind, given: Any) -> float:
    return float(quantity(kind, 0.0, 1e6, above=True)(given))


def steinhart_hart(given: Any) -> tuple[float, float, float]:
    """Read A, B and C of ``1/T = A + B ln R + C (ln R)³``, R in ohms, T in kelvins.

    They have to tell a resistance, one that falls, for every temperature of a bench.
    """
    numbers = given if isinstance(given, list) and len(given) == 3 else []
    # NaN fails every comparison.
    if not numbers or not all(
        isinstance(one, int | float) and not isinstance(one, bool) and abs(one) <= 1 for one in numbers
    ):
        raise Unfit("three coefficients A, B and C such as [1.129148e-3, 2.34125e-4, 8.76741e-8]")
    a, b, c = (float(one) for one in numbers)
    # With C below zero, 1/T grows with R up to where its slope B + 3 C (ln R)² is gone.
    turn = math.sqrt(b / (-3 * c)) if b > 0 and c < 0 else math.inf
    least, most = (
        a + b * log + c * log**3
        for log in (max(math.log(_NTC_OHM[0]), -turn), min(math.log(_NTC_OHM[1]), turn))
    )
    if b < _LEAST_B or least > 1 / (_NTC_C[1] + 273.15) or most < 1 / (_NTC_C[0] + 273.15):
        span = f"from {_NTC_C[0]:g} °C to {_NTC_C[1]:g} °C, between {engineering(_NTC_OHM[0], 'ohm')} and "
        span += engineering(_NTC_OHM[1], "ohm")
        raise Unfit(f"A, B and C, for ohms and kelvins, of a resistance that falls {span}")
    return a, b, c


_NTC_C = (0.0, 100.0)
_NTC_OHM = (1e-3, 1e8)
_LEAST_B = 1e-9
"""What coefficients must be able to tell (common practice, no source)."""


def temperature_or_channel(given: Any) -> float | str:
    """Read a temperature, or the name of a channel that measures it."""
    try:
        return float(quantity(TEMPERATURE, -100.0, 500.0)(given))
    except Unfit as error:
        if isinstance(given, str) and NAME.fullmatch(given):
            return given
        raise Unfit('a temperature such as "80 °C", or the name of a channel that measures it') from error


def share(given: Any) -> float:
    """Read a share above 0 and at most 100 %; returned in per cent."""
    return 100.0 * float(quantity(SHARE, 0.0, 1.0, above=True)(given))


@dataclass(frozen=True, slots=True)
class OfFullScale:
    """A tolerance that was given in per cent of full scale, to be converted once the steps are known."""

    tolerance: Tolerance


def codes_tolerance(given: Any) -> Tolerance | OfFullScale:
    """Read a limit of error of the ADC, in LSB or in per cent of full scale."""
    expected = 'a limit of error such as "2 LSB" or "0.1 %"'
    if not isinstance(given, str):
        raise Unfit(expected)
    for unit, most in (("LSB", 1e6), ("", 1.0)):
        try:
            value, k = limit_of_error(given, unit)
        except QuantityError:
            continue
        if not 0 <= value <= most:
            raise Unfit("a limit of error from 0 LSB to 1000000 LSB, or from 0 % to 100 %")
        return Tolerance(value, k) if unit else OfFullScale(Tolerance(value, k))
    raise Unfit(expected)


_DECIBELS = re.compile(r"(?P<number>\d+(?:\.\d*)?)\s*dB", re.IGNORECASE)


def rejection(given: Any) -> float:
    """Read a rejection in decibels; returned is what is left: 0.00001 of "100 dB"."""
    found = _DECIBELS.fullmatch(given.strip()) if isinstance(given, str) else None
    if found is None or not 0 < float(found["number"]) <= 200:
        raise Unfit('a rejection such as "100 dB", above 0 dB and at most 200 dB')
    return float(10 ** (-float(found["number"]) / 20))


def choice(*words: str) -> Reader:
    """Read one of some words."""
    expected = listed([f'"{word}"' for word in words])

    def read(given: Any) -> str:
        if not isinstance(given, str) or given not in words:
            raise Unfit(expected)
        return given

    return read


def choice_or_voltage(*words: str, low: float = 0.0, high: float = 100.0) -> Reader:
    """Read one of some words, or a voltage."""
    read_voltage = quantity(VOLTAGE, low, high, above=low == 0.0)
    expected = listed([*(f'"{word}"' for word in words), 'a voltage such as "1.65 V"'])

    def read(given: Any) -> str | float:
        if isinstance(given, str) and given in words:
            return given
        try:
            return float(read_voltage(given))
        except Unfit as error:
            raise Unfit(expected) from error

    return read


def integer(low: int, high: int) -> Reader:
    """Read a whole number."""

    def read(given: Any) -> int:
        if not isinstance(given, int) or isinstance(given, bool) or not low <= given <= high:
            raise Unfit(f"a whole number from {low} to {high}")
        return given

    return read


def number(low: float, high: float, *, what: str = "a number", above: bool = False) -> Reader:
    """Read a number without unit."""
    bounds = f"{what} {'above' if above else 'from'} {low:g} {'and at most' if above else 'to'} {high:g}"

    def read(given: Any) -> float:
        # NaN fails every comparison; whole numbers beyond the range of floats are compared as they are.
        if not isinstance(given, int | float) or isinstance(given, bool):
            raise Unfit(bounds)
        if not low <= given <= high or (above and given == low):
            raise Unfit(bounds)
        return float(given)

    return read


def boolean(given: Any) -> bool:
    """Read true or false."""
    if not isinstance(given, bool):
        raise Unfit("true or false")
    return given


def text(given: Any) -> str:
    """Read a text."""
    if not isinstance(given, str) or not given.strip() or len(given) > LONGEST_TEXT:
        raise Unfit(f"a text of 1 to {LONGEST_TEXT} characters")
    return given


def raw(given: Any) -> Any:
    """Take a value as it is; another key of its table decides what it may be."""
    return given


def unit(given: Any) -> str:
    """Read the unit of a channel's values: any short word."""
    if (
        not isinstance(given, str)
        or len(given) > 16
        or not given.isprintable()
        or any(c in given for c in ' ,;"')
    ):
        raise Unfit('a unit of at most 16 characters without spaces, such as "A"')
    return {"degC": "°C", "℃": "°C", "C": "°C"}.get(given, given)


def name(given: Any) -> str:
    """Read the name of a channel or column."""
    if not isinstance(given, str) or not NAME.fullmatch(given):
        raise Unfit("a letter, then letters, digits, _ . - and at most 32 characters")
    return given


def names(given: Any) -> tuple[str, ...]:
    """Read a list of names, each once."""
    if not isinstance(given, list) or not given or not all(isinstance(item, str) for item in given):
        raise Unfit('a list of names such as ["iu", "iv", "iw"]')
    found = tuple(name(item) for item in given)
    if len(set(found)) < len(found):
        raise Unfit("each name once")
    return found


def texts(given: Any) -> tuple[str, ...]:
    """Read a list of texts."""
    if not isinstance(given, list) or not given:
        raise Unfit("a list of texts")
    return tuple(text(item) for item in given)


def labels(given: Any) -> tuple[tuple[int, str], ...]:
    """Read a table of code to word, or a list of words for the codes from 0 on."""
    expected = 'a table such as { 0 = "off", 1 = "run" }'
    if isinstance(given, list):
        given = {str(code): word for code, word in enumerate(given)}
    if not isinstance(given, dict) or not given:
        raise Unfit(expected)
    found = []
    for code, word in given.items():
        if not re.fullmatch(r"-?\d{1,10}", code) or not isinstance(word, str):
            raise Unfit(expected)
        found.append((int(code), text(word)))
    if len({code for code, _ in found}) < len(found):
        raise Unfit("each code once")
    return tuple(sorted(found))


_LONG_S = (("d", 86400), ("h", 3600), ("min", 60))
"""Units of a bench file for long times, the longest first."""


def listed(words: Sequence[str]) -> str:
    """Write ``a, b or c``."""
    if len(words) == 1:
        return words[0]
    return ", ".join(words[:-1]) + f" or {words[-1]}"


def engineering(value: float, unit: str) -> str:
    """Write a value with an engineering prefix, as in messages: ``5 mΩ``; long times as ``90 min``."""
    if unit in ("", "1/K"):
        return f"{100 * value:g} %" + ("/K" if unit else "")
    if unit == "s" and value >= 60:
        called, size = next(((c, s) for c, s in _LONG_S if value % s == 0), ("s", 1))
        return f"{value / size:g} {called}"
    shown = {"ohm": "Ω", "LSB": "LSB"}.get(unit, unit)
    if unit in ("K", "A²s", "°C", "LSB") or value == 0 or not math.isfinite(value):
        return f"{value:g} {shown}"
    largest = 4 if unit == "B" else 2
    exponent = min(largest, max(-3, math.floor(math.log10(abs(value)) / 3 + 1e-12)))
    return f"{value / 1000.0**exponent:g} {('n', 'µ', 'm', '', 'k', 'M', 'G', 'T')[exponent + 3]}{shown}"
