"""Numbers as the page shows them. Two digits at most for an uncertainty: JCGM 100:2008, 7.2.6."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.digits import PATIENCE, SteadyDigits, decimals_for, fixed, lasting, shown


def quantity(value, u, unit="A"):
    return {"value": value, "u": u, "unit": unit}


@pytest.mark.parametrize(
    ("value", "u", "text", "expanded"),
    [
        (4.23123, 0.021, "4.23", "0.05"),
        (4.23123, 0.0104, "4.231", "0.021"),
        (-0.0004, 0.021, "0.00", "0.05"),
        (-1.26, 0.2, "\u22121.3", "0.4"),
        (1432.3, 20.0, "1430", "40"),
        (1432.3, 0.5, "1432.3", "1.0"),
        (24.0, 0.0, "24", ""),
        (24.0321, None, "24.03", None),
    ],
)
def test_value_has_the_digits_its_uncertainty_allows(value, u, text, expanded):
    figure = shown(quantity(value, u))
    assert (figure.value, figure.expanded) == (text, expanded)


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_no_number_no_text(value):
    assert shown(quantity(value, 0.1)) is None


@given(st.floats(1e-6, 1e6), st.floats(-1e6, 1e6))
def test_expanded_uncertainty_is_never_rounded_down_by_more_than_dust(u, value):
    figure = shown(quantity(value, u))
    assert float(figure.expanded) >= 2 * u * (1 - 1e-5)
    assert float(figure.expanded) <= 2 * u * 1.4
    assert (
        len(figure.value.rpartition(".")[2]) == len(figure.expanded.rpartition(".")[2])
        or "." not in figure.value
    )


def test_uncertainty_must_be_positive():
    with pytest.raises(ValueError, match="above 0"):
        decimals_for(0.0)


def test_decimals_stay_while_the_uncertainty_hovers():
    digits = SteadyDigits()
    texts = {digits.shown("rms", quantity(4.2, u)).value for u in [0.0145, 0.0152] * 10}
    assert len(texts) == 1


def test_decimals_follow_a_change_that_lasts():
    digits = SteadyDigits()
    digits.shown("rms", quantity(4.2, 0.014))
    for _ in range(PATIENCE - 1):
        assert digits.shown("rms", quantity(4.2, 0.02)).value == "4.200"
    assert digits.shown("rms", quantity(4.2, 0.02)).value == "4.20"


def test_decimals_follow_a_large_change_at_once():
    digits = SteadyDigits()
    digits.shown("rms", quantity(4.2, 0.0014))
    assert digits.shown("rms", quantity(4.2, 0.2)).value == "4.2"


def test_no_negative_zero():
    assert fixed(-0.0004, 2) == "0.00"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.02, "20 ms"), (0.3, "0.30 s"), (4.2, "4.2 s"), (59.4, "59 s"), (185, "3 min 05 s"),
     (7800, "2 h 10 min"), (190000, "2 d 4 h")],
)  # fmt: skip
def test_lengths_of_time_in_words(seconds, text):
    assert lasting(seconds) == text
