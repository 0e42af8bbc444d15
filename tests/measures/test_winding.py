"""A winding's time constant and resistance from its currents."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.winding import Exponential, NoExponential, direct_resistance, fit_exponential
from livesense.samples import Estimate

RATE_HZ = 20_000.0
SHARE = np.array([1.0, -0.5, -0.5])


def decay(
    tau_s: float = 4e-3, n: int = 400, noise: float = 0.02, end: float = 0.0, seed: int = 1
) -> np.ndarray:
    t = np.arange(n)[:, None] / RATE_HZ
    values = SHARE * (end + (6 - end) * np.exp(-t / tau_s))
    return values + np.random.default_rng(seed).normal(0, noise, (n, 3))


def test_a_step_on_the_reference_machine() -> None:
    # 1 V on L 0.2 mH, R 50 mΩ: 4.423984 A at 1 ms, 20 A at last, τ = 4 ms (closed form).
    t = np.arange(400) / RATE_HZ
    current = 20 * (1 - np.exp(-t / 4e-3))
    assert current[20] == pytest.approx(4.423984, rel=1e-6)
    found = fit_exponential(current[:, None], RATE_HZ)
    assert isinstance(found, Exponential)
    assert found.time_constant_s.value == pytest.approx(4e-3, rel=1e-6)
    assert found.end[0] == pytest.approx(20, rel=1e-6)
    assert found.time_constant_s.value * 0.05 == pytest.approx(0.2e-3, rel=1e-6)


@pytest.mark.parametrize(
    "tau_s", [4e-3, *(pytest.param(t, marks=pytest.mark.slow) for t in (3e-4, 1e-3, 9e-3))]
)
def test_a_decay_in_noise(tau_s: float) -> None:
    off, told = [], []
    for seed in range(60):
        found = fit_exponential(decay(tau_s, seed=seed), RATE_HZ)
        assert isinstance(found, Exponential), found
        off.append(found.time_constant_s.value - tau_s)
        told.append(found.time_constant_s.u)
        assert found.start == pytest.approx(6 * SHARE, abs=0.1)
        assert found.residual.shape == (400, 3)
    assert np.mean(np.abs(off) < 2 * np.array(told)) >= 0.93
    # Not wider than need be: the bound by the inverse of the information matrix, over three phases.
    t = np.arange(400) / RATE_HZ
    e = np.exp(-t / tau_s)
    slope = np.stack((6 * e * t / tau_s**2, np.ones(400), e), axis=1)
    bound = 0.02 * math.sqrt(np.linalg.inv(slope.T @ slope)[0, 0] / 1.5)
    assert np.std(off) == pytest.approx(bound, rel=0.25)
    assert np.mean(told) < 4 * bound


def ramp() -> np.ndarray:
    """Freewheeling through diodes into the bus: the current falls in a line, then there is none."""
    return np.clip(6 - 6 * np.arange(400)[:, None] / 150, 0, None) * SHARE


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        (ramp(), "no exponential"),
        (np.random.default_rng(1).normal(0, 0.02, (400, 3)), "nothing changes|too short"),
        (np.zeros((400, 3)), "nothing changes|too short"),
        (decay(tau_s=0.05), "too short"),
        (decay(n=10), "10 scans are too few"),
        (6 * np.cos(np.arange(400)[:, None] / 40 + np.arange(3)), "no exponential|too short"),
    ],
)
def test_what_is_no_exponential_is_refused(values: np.ndarray, reason: str) -> None:
    import re

    found = fit_exponential(values, RATE_HZ)
    assert isinstance(found, NoExponential)
    assert re.search(reason, found.reason), found.reason


def test_numbers_only() -> None:
    with pytest.raises(ValueError, match="finite"):
        fit_exponential(np.full((50, 3), np.nan), RATE_HZ)


def test_resistance_by_power() -> None:
    # 3 · 10² · 0.05 = 15 W with three currents of 10 A rms; direct current: 50 mΩ (6² + 2 · 3²) = 2.7 W.
    found = direct_resistance(Estimate(2.7, 0.01, 0.02, "W"), 6 * SHARE, 0.005, 0.01)
    assert found.value == pytest.approx(0.05)
    assert found.u == pytest.approx(
        math.hypot(0.01 / 54, 0.02 / 54, 0.1 * math.hypot(0.005, 0.01 / math.sqrt(54)))
    )
    with pytest.raises(ValueError, match="expected some"):
        direct_resistance(Estimate(1.0), np.zeros(3), 0.0, 0.0)
