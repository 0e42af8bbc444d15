"""Quantities as engineers write them: ``"5 mΩ"``, ``"50 ppm/K"``, ``"±2 LSB"``, ``"0.5 % (k=2)"``.

The usual spellings are read from a small table; every other unit goes to pint, which
is loaded only then (it costs about a second of start-up). A test holds the table to pint.
Pint alone would not do: it has no ``mOhm``, refuses ``ppm/°C``, and takes ``kS/s`` for
kilosiemens per second.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pint

LONGEST = 80
"""Characters in a quantity; nothing sensible is longer, and a unit parser need not see more."""

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_QUANTITY = re.compile(rf"(?P<number>{_NUMBER})\s*(?P<unit>.*)", re.DOTALL)
_COVERAGE = re.compile(r"\(\s*k\s*=\s*(?P<k>\d+(?:\.\d+)?)\s*\)$")
_PLUS_MINUS = re.compile(r"(?:±|\+/?-)\s*")
_FACTOR = r"[A-Za-z%_]+(?:\^-?[1-4])?"
_UNIT = re.compile(rf"(?:1/)?{_FACTOR}(?:[*/]{_FACTOR})*")
_SAMPLES = re.compile(r"([kM]?)(?:S|Sa|[sS]amples|[sS]cans)/s")

_SPELLINGS = (
    ("µ", "u"),  # micro sign U+00B5
    ("μ", "u"),  # Greek mu U+03BC
    ("Ω", "ohm"),  # Greek omega U+03A9
    ("Ω", "ohm"),  # ohm sign U+2126
    ("℃", "degC"),
    ("°C", "degC"),
    ("° C", "degC"),
    ("°F", "degF"),
    ("‰", "permille"),
    ("−", "-"),
    ("²", "^2"),
    ("³", "^3"),
    ("·", "*"),
    ("⋅", "*"),
    ("**", "^"),
)

_PREFIXES = {"n": "1e-9", "u": "1e-6", "m": "1e-3", "": "1", "k": "1e3", "M": "1e6"}
_PREFIXED = {
    "ohm": ("ohm", "umkM "),
    "V": ("V", "numk "),
    "A": ("A", "numk "),
    "Hz": ("Hz", "mkM "),
    "s": ("s", "num "),
    "V/K": ("V/K", "num "),
    "V/A": ("V/A", "um "),
    "A/V": ("A/V", "mk "),
}


def _table() -> dict[str, tuple[Decimal, str]]:
    table = {
        prefix.strip() + unit: (Decimal(_PREFIXES[prefix.strip()]), base)
        for unit, (base, prefixes) in _PREFIXED.items()
        for prefix in prefixes
    }
    return table | {
        **{unit: (Decimal(seconds), "s") for unit, seconds in (("min", 60), ("h", 3600), ("d", 86400))},
        **{f"{prefix}B": (Decimal(1000) ** n, "B") for n, prefix in enumerate(("", "k", "M", "G", "T"))},
        "%": (Decimal("0.01"), ""),
        "ppm": (Decimal("1e-6"), ""),
        "%/K": (Decimal("0.01"), "1/K"),
        "ppm/K": (Decimal("1e-6"), "1/K"),
        "K": (Decimal(1), "K"),
        "degC": (Decimal(1), "degC"),
        "LSB": (Decimal(1), "LSB"),
        "A^2*s": (Decimal(1), "A^2*s"),
    }


COMMON: dict[str, tuple[Decimal, str]] = _table()
"""Normalised unit → factor to a base unit; exact decimals, so that "150 µV" is 0.00015 to the last bit."""


class QuantityError(ValueError):
    """A text is no quantity of the unit that was asked for."""


@dataclass(frozen=True, slots=True)
class Parts:
    """A quantity taken apart: number as written, normalised unit, coverage factor or None."""

    number: Decimal
    unit: str
    k: float | None


def normalised(unit: str) -> str:
    """One spelling for a unit: no spaces, ``u`` for micro, ``ohm``, ``*``, ``^``."""
    for written, meant in _SPELLINGS:
        unit = unit.replace(written, meant)
    unit = re.sub(r"[Oo][Hh][Mm][Ss]?(?![A-Za-z])", "ohm", unit)
    unit = re.sub(r"\s*([*/^])\s*", r"\1", unit.strip())
    unit = re.sub(r"\s+", "*", unit)
    unit = re.sub(r"\^2(?=[A-Za-z])", "^2*", unit)  # A²s
    if "/" in unit or "*" in unit:
        # A temperature inside a compound unit is a difference.
        unit = re.sub(r"\bdegC\b", "K", unit)
    return {"LSBs": "LSB", "lsb": "LSB", "percent": "%", "C": "degC"}.get(unit, unit)


def parts(text: str) -> Parts:
    """Take a quantity apart.

    Raises
    ------
    QuantityError
        when it does not begin with a number.
    """
    if len(text) > LONGEST:
        raise QuantityError("too long")
    text = text.strip().replace("−", "-")
    k = None
    if found := _COVERAGE.search(text):
        k = float(found["k"])
        if not 0 < k <= 10:
            raise QuantityError("a coverage factor is above 0 and at most 10")
        text = text[: found.start()].rstrip()
    found = _QUANTITY.fullmatch(text)
    if found is None:
        raise QuantityError("no number")
    return Parts(Decimal(found["number"]), normalised(found["unit"]), k)


def value_in(text: str, unit: str) -> float:
    """Read a quantity and return its value in ``unit``.

    Parameters
    ----------
    text
        Such as ``"5 mΩ"``. A unit is required, except for ratios (``unit`` ``""``
        takes ``%``, ``ppm`` and the like, no bare number either).
    unit
        Any spelling; ``"°C"`` is a temperature, within compound units a difference;
        ``"LSB"`` stands for codes.

    Raises
    ------
    QuantityError
        when the text is no quantity, has no unit, an unknown one, or one of another dimension.
    """
    return _in_unit(parts(text), unit)


def _in_unit(given: Parts, unit: str) -> float:
    if given.k is not None:
        raise QuantityError("a coverage factor belongs to a tolerance")
    if not given.unit:
        raise QuantityError("no unit")
    target = normalised(unit)
    if given.unit == target:
        return _finite(float(given.number))
    if given.unit in COMMON and target in _BASES:
        factor, base = COMMON[given.unit]
        if base == target:
            return _finite(float(given.number * factor))
    return _finite(_by_pint(float(given.number), given.unit, target))


_BASES = {base for _, base in COMMON.values()}


def rate_hz(text: str) -> float:
    """Read a rate: ``"20 kHz"`` or, in samples or scans per second, ``"20 kS/s"``."""
    given = parts(text)
    given = Parts(given.number, _SAMPLES.sub(r"\1Hz", given.unit), given.k)
    return _in_unit(given, "Hz")


def limit_of_error(text: str, unit: str) -> tuple[float, float | None]:
    """Read a tolerance such as ``"±0.5 %"`` or ``"0.1 % (k=2)"``: value, and its k or None for a limit."""
    bare = _PLUS_MINUS.sub("", text.strip(), count=1) if _PLUS_MINUS.match(text.strip()) else text
    given = parts(bare)
    return _in_unit(Parts(given.number, given.unit, None), unit), given.k


def per_volt(text: str, unit: str | None) -> tuple[float, str]:
    """Read the slope of a linear sensor, as ``"25 A/V"`` or the other way round as ``"40 mV/A"``.

    Returns
    -------
    tuple
        Slope in ``unit`` per volt, and the unit: the one given, or the one in the
        text when ``unit`` is None (kelvins become ``"°C"``).

    Raises
    ------
    QuantityError
        when there are no volts in it, or it does not fit the unit.
    """
    given = parts(text)
    if given.k is not None or given.unit.count("/") < 1:
        raise QuantityError("no unit per volt")
    above, _, below = given.unit.rpartition("/")
    if _is_volt(below):
        slope, other = float(given.number) / float(COMMON[below][0]), above
    elif _is_volt(above) and given.number != 0:
        slope, other = 1 / float(given.number * COMMON[above][0]), below
    else:
        raise QuantityError("no unit per volt")
    if unit is None:
        factor, base = COMMON.get(other, (Decimal(1), other))
        return _finite(slope * float(factor)), _shown(base)
    return _finite(slope * _in_unit(Parts(Decimal(1), other, None), _difference(unit))), unit


def _per_code(unit: str) -> str:
    return unit.removesuffix("/LSB").removesuffix("/code")


def step_unit(text: str) -> str:
    """Tell the unit that a step such as ``"1 mA"`` or ``"0.1 °C/LSB"`` is best read in: A, °C."""
    unit = _per_code(parts(text).unit)
    return _shown(COMMON.get(unit, (None, unit))[1])


def difference_in(text: str, unit: str) -> float:
    """Read a difference or step in ``unit``; degrees Celsius and kelvins are the same here."""
    given = parts(text)
    plain = _per_code(given.unit)
    return _in_unit(Parts(given.number, "K" if plain == "degC" else plain, given.k), _difference(unit))


def _difference(unit: str) -> str:
    return "K" if normalised(unit) == "degC" else unit


def _is_volt(unit: str) -> bool:
    return COMMON.get(unit, (None, ""))[1] == "V"


def _shown(unit: str) -> str:
    return {"K": "°C", "degC": "°C", "ohm": "Ω"}.get(unit, unit.replace("*", "·"))


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise QuantityError("not finite")
    return value


@lru_cache(maxsize=1)
def _registry() -> pint.UnitRegistry[Any]:
    import pint

    registry: pint.UnitRegistry[Any] = pint.UnitRegistry()
    registry.define("LSB = [code]")
    return registry


def _by_pint(number: float, unit: str, target: str) -> float:
    # Numbers inside a unit would be calculated with: names, products, quotients, small powers may pass.
    if not _UNIT.fullmatch(unit):
        raise QuantityError("not a unit")
    registry = _registry()
    try:
        given = registry.Quantity(number, _for_pint(unit))
        wanted = registry.Quantity(1.0, _for_pint(target) if target else "dimensionless")
        # Base units tell rpm (radians per second) from Hz, which dimensions do not.
        if given.to_base_units().units != wanted.to_base_units().units:
            raise QuantityError("another dimension")
        return float(given.to(wanted.units).magnitude)
    except QuantityError:
        raise
    except Exception as error:  # pint raises many unrelated types for text it cannot read
        raise QuantityError("not a unit") from error


def _for_pint(unit: str) -> str:
    return unit.replace("%", "percent").replace("^", "**")
