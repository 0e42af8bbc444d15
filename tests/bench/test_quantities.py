"""Quantities as engineers write them, against values typed by hand and against pint."""

import math

import pint
import pytest

from livesense.bench.quantities import (
    COMMON,
    QuantityError,
    difference_in,
    limit_of_error,
    normalised,
    parts,
    per_volt,
    rate_hz,
    value_in,
)

WRITTEN = [
    ("5 mΩ", "ohm", 0.005),
    ("5 mΩ", "ohm", 0.005),  # ohm sign U+2126
    ("5 mOhm", "ohm", 0.005),
    ("5 mohm", "ohm", 0.005),
    ("5 mOhms", "ohm", 0.005),
    ("5mΩ", "Ω", 0.005),
    ("500 µΩ", "ohm", 0.0005),
    ("10 kΩ", "ohm", 10_000),
    ("10 kOhm", "ohm", 10_000),
    ("1 MΩ", "ohm", 1e6),
    ("100 Ω", "ohm", 100),
    ("0.5 %", "", 0.005),
    ("0.5%", "", 0.005),
    ("50 ppm", "", 5e-5),
    ("50 ppm/K", "1/K", 5e-5),
    ("50 ppm/°C", "1/K", 5e-5),
    ("50 ppm / °C", "1/K", 5e-5),
    ("0.4 %/K", "1/K", 0.004),
    ("150 µV", "V", 0.00015),  # micro sign U+00B5
    ("150 μV", "V", 0.00015),  # Greek mu U+03BC
    ("150 uV", "V", 0.00015),
    ("2 µV/K", "V/K", 2e-6),
    ("2 uV/°C", "V/K", 2e-6),
    ("24 V", "V", 24),
    ("0.024 kV", "V", 24),
    ("3.3V", "V", 3.3),
    ("12 A", "A", 12),
    ("12e3 mA", "A", 12),
    ("-3 A", "A", -3),
    ("−3 A", "A", -3),  # minus sign U+2212
    ("+.5 A", "A", 0.5),
    ("500 kHz", "Hz", 500_000),
    ("1 1/s", "Hz", 1),
    ("100 us", "s", 0.0001),
    ("100 µs", "s", 0.0001),
    ("2 min", "s", 120),
    ("85 °C", "°C", 85),
    ("85 degC", "°C", 85),
    ("85 ℃", "°C", 85),
    ("358.15 K", "°C", 85),
    ("185 °F", "°C", 85),
    ("3950 K", "K", 3950),
    ("2 LSB", "LSB", 2),
    ("2 lsb", "LSB", 2),
    ("50 A²s", "A²s", 50),
    ("50 A^2 s", "A²s", 50),
    ("50 A**2*s", "A²s", 50),
    ("50 A²·s", "A²s", 50),
    ("0.2 mH", "H", 0.0002),
    ("3000 rpm", "rpm", 3000),
    ("2 N·m", "N*m", 2),
]


@pytest.mark.parametrize(("text", "unit", "value"), WRITTEN)
def test_value(text: str, unit: str, value: float) -> None:
    assert value_in(text, unit) == pytest.approx(value, rel=1e-12, abs=0)


def test_usual_values_are_the_nearest_float() -> None:
    assert value_in("150 µV", "V") == 0.00015
    assert value_in("5 mΩ", "ohm") == 0.005
    assert value_in("0.3 %", "") == 0.003


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("5 mA", "ohm"),
        ("5", "ohm"),
        ("5", ""),
        ("", "V"),
        ("V", "V"),
        ("five V", "V"),
        ("nan V", "V"),
        ("inf V", "V"),
        ("1e999 V", "V"),
        ("1e400 V", "V"),
        ("3,3 V", "V"),
        ("1_000 V", "V"),
        ("5 mR", "ohm"),
        ("5 V V", "V"),
        ("5 ppm/K", ""),
        ("60 rpm", "Hz"),
        ("50 siemens/s", "Hz"),
        ("5 no_such_unit", "V"),
        ("5 V^9", "V"),
        ("5 9**9**9**9 V", "V"),
        ("5 V; import os", "V"),
        ("5 V/0", "V"),
        ("5 %", "V"),
        ("5 degree", ""),
        ("2 LSB", "V"),
        ("5 V (k=2)", "V"),
        ("5 " + "V" * 100, "V"),
    ],
)
def test_what_is_no_quantity(text: str, unit: str) -> None:
    with pytest.raises(QuantityError):
        value_in(text, unit)


@pytest.mark.parametrize(
    ("text", "hz"),
    [
        ("20 kHz", 20e3),
        ("20 kS/s", 20e3),
        ("20 kSa/s", 20e3),
        ("1 MS/s", 1e6),
        ("10 S/s", 10),
        ("10 scans/s", 10),
    ],
)
def test_rates(text: str, hz: float) -> None:
    assert rate_hz(text) == hz


def test_siemens_are_no_rate_elsewhere() -> None:
    with pytest.raises(QuantityError):
        value_in("20 kS/s", "Hz")


@pytest.mark.parametrize(
    ("text", "unit", "value", "k"),
    [
        ("0.5 %", "", 0.005, None),
        ("±0.5 %", "", 0.005, None),
        ("± 0.5 %", "", 0.005, None),
        ("+/-0.5 %", "", 0.005, None),
        ("+-0.5 %", "", 0.005, None),
        ("0.1 % (k=1)", "", 0.001, 1),
        ("±0.1 % (k = 2)", "", 0.001, 2),
        ("2 LSB", "LSB", 2, None),
        ("±2 LSB", "LSB", 2, None),
    ],
)
def test_limits_of_error(text: str, unit: str, value: float, k: float | None) -> None:
    assert limit_of_error(text, unit) == (value, k)


@pytest.mark.parametrize("text", ["0.1 % (k=0)", "0.1 % (k=11)", "0.1 % (k)", "(k=2)", "± %"])
def test_limits_that_are_none(text: str) -> None:
    with pytest.raises(QuantityError):
        limit_of_error(text, "")


@pytest.mark.parametrize(
    ("text", "unit", "slope", "unit_found"),
    [
        ("25 A/V", None, 25, "A"),
        ("25 A/V", "A", 25, "A"),
        ("25 mA/mV", "A", 25, "A"),
        ("40 mV/A", None, 25, "A"),
        ("40 mV/A", "A", 25, "A"),
        ("-40 mV/A", "A", -25, "A"),
        ("40 mV/kA", None, 25_000, "A"),
        ("40 mV/kA", "A", 25_000, "A"),
        ("1 kA/V", None, 1000, "A"),
        ("10 mV/K", None, 100, "°C"),
        ("10 mV/°C", "°C", 100, "°C"),
        ("100 °C/V", "°C", 100, "°C"),
        ("100 rpm/V", "rpm", 100, "rpm"),
        ("2 bar/V", None, 2, "bar"),
        ("2 N·m/V", None, 2, "N·m"),
    ],
)
def test_slopes(text: str, unit: str | None, slope: float, unit_found: str) -> None:
    found, found_unit = per_volt(text, unit)
    assert found == pytest.approx(slope, rel=1e-12)
    assert found_unit == unit_found


@pytest.mark.parametrize("text", ["25 A", "25", "0 mV/A", "25 A/s", "25 A/V (k=2)", "25 V/s"])
def test_slopes_that_are_none(text: str) -> None:
    with pytest.raises(QuantityError):
        per_volt(text, "A")


@pytest.mark.parametrize(
    ("text", "unit", "step"),
    [("1 mA", "A", 0.001), ("0.1 °C", "°C", 0.1), ("0.1 K/LSB", "°C", 0.1), ("2 rpm", "rpm", 2)],
)
def test_steps(text: str, unit: str, step: float) -> None:
    assert difference_in(text, unit) == step


def test_every_unit_of_the_table_is_what_pint_says() -> None:
    registry = pint.UnitRegistry()
    for unit, (factor, base) in COMMON.items():
        if unit == "LSB":
            continue
        as_pint = {"%": "percent", "%/K": "percent/K"}.get(unit, unit).replace("^", "**")
        base_as_pint = base.replace("^", "**") or "dimensionless"
        ratio = registry.Quantity(1.0, as_pint).to(base_as_pint).magnitude
        assert float(factor) == pytest.approx(ratio, rel=1e-12), unit


def test_the_table_is_not_asked_for_what_it_cannot_tell() -> None:
    # Kelvins and degrees share a table entry each, but not their zero.
    assert value_in("0 °C", "K") == pytest.approx(273.15)


def test_normalised_is_stable() -> None:
    for unit in COMMON:
        assert normalised(unit) == unit


def test_parts_keep_the_number_exact() -> None:
    assert math.isclose(float(parts("0.1 V").number) * 3, 0.3)
    assert str(parts("0.10 V").number) == "0.10"
