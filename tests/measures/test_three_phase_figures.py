"""What three phasors say, and what is withheld when they say too little."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest

from livesense.measures.three_phase import PhasePhasor, components, three_phase


def phasors(degrees=(0.0, -120.0, 120.0), sizes=(5.0, 5.0, 5.0), **known):
    made = (cmath.rect(s, math.radians(d)) for s, d in zip(sizes, degrees, strict=True))
    return {p: PhasePhasor(z, **known) for p, z in zip("UVW", made, strict=True)}


def test_a_balanced_set():
    result = three_phase(phasors(u_component=0.001))
    assert result.sequence == "UVW"
    assert result.positive_rms.value == pytest.approx(5.0)
    assert result.negative_rms.value == pytest.approx(0.0, abs=1e-12)
    assert result.unbalance_percent.value == pytest.approx(0.0, abs=1e-9)
    assert result.unbalance_percent.u > 0.01, "an uncertainty at zero is not zero"
    assert result.angles_deg["U"].u == 0
    assert result.angles_deg["V"].value == pytest.approx(-120.0)
    assert result.angles_deg["W"].value == pytest.approx(120.0)
    assert not result.withheld


def test_reversed_rotation_keeps_its_small_unbalance():
    result = three_phase(phasors((0.0, 120.0, -120.0), (5.0, 4.9, 5.1)))
    assert result.sequence == "UWV"
    assert result.negative_rms.value > 4.9
    assert result.unbalance_percent.value < 2


@pytest.mark.parametrize("degrees", [(0.0, 180.0, 0.0), (0.0, 0.0, 0.0)])
def test_no_sequence_where_both_are_alike(degrees):
    sizes = (5.0, 5.0, 0.0) if degrees[1] else (5.0, 5.0, 5.0)
    result = three_phase(phasors(degrees, sizes, u_component=0.01))
    assert result.sequence is None
    assert "sequence" in result.withheld


def test_two_that_may_be_alike_within_their_uncertainty():
    a = cmath.exp(2j * math.pi / 3)
    true = {"U": 1.7, "V": a**2 + 0.7 * a, "W": a + 0.7 * a**2}
    assert three_phase({p: PhasePhasor(z, 0.01) for p, z in true.items()}).sequence == "UVW"
    assert three_phase({p: PhasePhasor(z, 0.2) for p, z in true.items()}).sequence is None


def test_nothing_there():
    result = three_phase(phasors(sizes=(0.0, 0.0, 0.0)))
    assert result.sequence is None
    assert result.unbalance_percent is None
    assert result.withheld["unbalance_percent"] == "the phases carry no rotating current to be seen"
    assert result.withheld["angles_deg.V"] == "there is no fundamental"


def test_an_angle_is_withheld_above_three_degrees_at_k_2():
    fine = three_phase(phasors(u_component=5.0 * math.radians(1.49) / math.sqrt(2)))
    assert fine.angles_deg["V"] is not None
    rough = three_phase(phasors(u_component=5.0 * math.radians(1.51) / math.sqrt(2)))
    assert rough.angles_deg["V"] is None
    assert "± 3° only" in rough.withheld["angles_deg.V"]
    assert "180°" in three_phase(phasors(u_component=40.0)).withheld["angles_deg.W"]


def test_a_shared_scale_error_does_not_unbalance():
    own = three_phase(phasors(u_scale=0.006))
    shared = three_phase(phasors(u_common=0.006))
    assert own.unbalance_percent.u > 0.2
    assert shared.unbalance_percent.u < 1e-6
    assert own.positive_rms.u == pytest.approx(shared.positive_rms.u) == pytest.approx(5 * 0.006)


@pytest.mark.parametrize("true_percent", [0.0, 0.5, 2.0])
def test_unbalance_is_covered_with_uneven_gains(true_percent):
    # Rectangular tolerances of 1 % (shunt) and 0.3 % (gain), as a bench file states them.
    rng = np.random.default_rng(1)
    scale = math.hypot(0.01, 0.003) / math.sqrt(3)
    a = cmath.exp(2j * math.pi / 3)
    held = []
    for _ in range(1000):
        negative = true_percent / 100 * cmath.exp(1j * rng.uniform(-3, 3))
        true = [1 + negative, a**2 + a * negative, a + a**2 * negative]
        gains = 1 + rng.uniform(-0.01, 0.01, 3) + rng.uniform(-0.003, 0.003, 3)
        seen = {p: PhasePhasor(5 * g * z, u_scale=scale) for p, g, z in zip("UVW", gains, true, strict=True)}
        unbalance = three_phase(seen).unbalance_percent
        held.append(abs(unbalance.value - true_percent) <= 2 * unbalance.u)
    assert np.mean(held) >= 0.95


def test_components_add_up_again():
    rng = np.random.default_rng(2)
    u, v, w = rng.normal(size=3) + 1j * rng.normal(size=3)
    assert sum(components(u, v, w)) == pytest.approx(u)


def test_a_missing_phase_is_named():
    with pytest.raises(ValueError, match="missing V, W"):
        three_phase({"U": PhasePhasor(1.0)})
