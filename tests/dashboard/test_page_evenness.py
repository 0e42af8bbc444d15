"""How even the phases are: what is known, and said steadily."""

import pytest

from dashboard.evenness import Evenness, SteadyEvenness, evenness


def measured(unbalance=0.4, u=0.1, v_deg=-120.0, w_deg=120.0, u_deg=0.01, sequence="UVW"):
    return {
        "three_phase": {
            "sequence": sequence,
            "unbalance_percent": {"value": unbalance, "u": u, "unit": "%"},
            "angles_deg": {
                "U": {"value": 0.0, "u": 0.0, "unit": "°"},
                "V": {"value": v_deg, "u": u_deg, "unit": "°"},
                "W": {"value": w_deg, "u": u_deg, "unit": "°"},
            },
        }
    }


def test_the_bound_is_the_figure_and_its_expanded_uncertainty_rounded_up():
    assert evenness(measured(0.4, 0.1)).at_most_percent == pytest.approx(0.6)
    assert evenness(measured(0.41, 0.1)).at_most_percent == pytest.approx(0.7)
    assert evenness({}).at_most_percent is None


def test_a_later_phase_has_the_more_negative_angle():
    # A healthy machine's currents are 120° apart, a later phase is negative: common practice, no source.
    assert evenness(measured(v_deg=-120.4)) == Evenness(0.6, "V", pytest.approx(0.4))
    assert evenness(measured(v_deg=-119.6)) == Evenness(0.6, "V", pytest.approx(-0.4))
    assert evenness(measured(w_deg=119.2)) == Evenness(0.6, "W", pytest.approx(0.8))
    assert evenness(measured(v_deg=120.5, w_deg=-120.0, sequence="UWV")).late_deg == pytest.approx(-0.5)
    # Across ±180°: −180.2° is 60.2° behind its place, not 299.8° ahead of it.
    assert evenness(measured(v_deg=179.8)).late_deg == pytest.approx(60.2)


def test_what_the_angle_is_not_known_to_is_not_said():
    assert evenness(measured(v_deg=-120.4, u_deg=0.3)).phase is None
    assert evenness(measured(v_deg=-120.05)).phase is None
    assert evenness(measured(v_deg=-120.3, w_deg=119.2)).phase == "W"
    assert evenness(measured(sequence=None)).phase is None


def test_what_is_said_stays_while_it_is_nearly_right():
    steady = SteadyEvenness()
    assert steady.of(measured(0.45, 0.1)).at_most_percent == pytest.approx(0.7)
    assert steady.of(measured(0.35, 0.1)).at_most_percent == pytest.approx(0.7)
    assert steady.of(measured(0.55, 0.1)).at_most_percent == pytest.approx(0.8)
    assert steady.of(measured(0.15, 0.1)).at_most_percent == pytest.approx(0.4)
    assert steady.of(measured(v_deg=-120.30)).late_deg == pytest.approx(0.3)
    assert steady.of(measured(v_deg=-120.36)).late_deg == pytest.approx(0.3)
    assert steady.of(measured(v_deg=-120.50)).late_deg == pytest.approx(0.5)
    assert steady.of(measured(w_deg=119.0)).phase == "W"
