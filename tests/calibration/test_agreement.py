"""A meter's word against a reading: E_n by its definition, and what it says."""

import pytest

from livesense.agreement import agreement, meter_estimate
from livesense.errors import UsageError
from livesense.samples import Estimate


def read(value: float, u: float) -> Estimate:
    return Estimate(value, u, 0.0, "A")


@pytest.mark.parametrize(
    ("ours", "u", "theirs", "theirs_u", "en"),
    [
        # E_n = (x − X) / √(U² + U_ref²), U = 2 u (ISO 13528:2015, 9.4; from memory): 3-4-5 triangles.
        (10.5, 0.15, 10.0, 0.20, 1.0),
        (9.0, 0.15, 10.0, 0.20, -2.0),
        (4.10, 0.03, 4.10, 0.04, 0.0),
        (1.06, 0.03, 1.00, 0.04, 0.6),
    ],
)
def test_en_is_the_difference_over_both_expanded_uncertainties(ours, u, theirs, theirs_u, en):
    found = agreement("iu", "(rms)", read(ours, u), read(theirs, theirs_u))
    assert found.en == pytest.approx(en)
    assert found.agrees == (abs(en) <= 1)
    assert found.text.startswith("They agree: iu " if found.agrees else "They disagree: iu ")


def test_a_limit_is_a_rectangle():
    # 1.5 % of 4.1 A as a limit: u = 0.0615 A / √3 (JCGM 100:2008, 4.3.7).
    assert meter_estimate("4.1 A", ["1.5 %"], "A").u == pytest.approx(0.0615 / 3**0.5)
    assert meter_estimate("4.1 A", ["1.5 % (k=2)"], "A").u == pytest.approx(0.0615 / 2)
    # A share of the reading and digits of the range, as clamp meters state it.
    both = meter_estimate("4.1 A", ["1.5 %", "30 mA"], "A").u
    assert both == pytest.approx(((0.0615**2 + 0.03**2) / 3) ** 0.5)


@pytest.mark.parametrize(
    ("value", "errors", "field"),
    [("4.1 V", ["1 %"], "value"), ("", ["1 %"], "value"), ("4.1 A", ["x"], "error"), ("4.1 A", [], "error")],
)
def test_what_is_wrong_names_its_field(value, errors, field):
    with pytest.raises(UsageError, match=f"^{field}: expected"):
        meter_estimate(value, errors, "A")


def test_numbers_stand_in_the_words():
    text = agreement("iu", "(rms)", read(4.08, 0.03), read(4.10, 0.0355)).text
    assert (
        text == "They agree: iu 4.08 ± 0.06 A (rms), the meter 4.10 ± 0.08 A; difference −0.02 A, En −0.22."
    )
    text = agreement("iu", "(rms)", read(4.5, 0.03), read(4.10, 0.0355)).text
    assert "difference 0.40 A, En 4.30, more than both uncertainties allow. Look at the meter" in text


def test_an_agreement_that_proves_little_says_so():
    assert (
        "too uncertain for this to prove much" in agreement("iu", "", read(0.10, 0.04), read(0.1, 0.01)).text
    )


def test_without_any_uncertainty_nothing_can_be_said():
    with pytest.raises(UsageError, match="limit of error"):
        agreement("iu", "", read(1.0, 0.0), read(1.0, 0.0))
