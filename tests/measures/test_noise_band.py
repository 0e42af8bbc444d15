"""Noise within a band, against Parseval's theorem and the spread of many."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.noise_band import noise_in_band

RATE_HZ = 10_000.0


def test_white_noise_spreads_evenly() -> None:
    x = np.random.default_rng(7).normal(0, 2.0, 100_000)
    whole = noise_in_band(x, RATE_HZ, 0, RATE_HZ / 2)
    assert whole.value == pytest.approx(np.std(x), rel=1e-9)  # Parseval
    part = noise_in_band(x, RATE_HZ, 1000, 2000)
    assert abs(part.value - 2.0 * math.sqrt(0.2)) < 3 * part.u_random
    assert part.u_random == pytest.approx(part.value / (2 * math.sqrt(10_000)), rel=1e-3)


def test_a_tone_lies_within_its_band_alone() -> None:
    x = 3.0 * np.sin(2 * np.pi * 1234.0 * np.arange(10_000) / RATE_HZ)
    assert noise_in_band(x, RATE_HZ, 1230, 1240).value == pytest.approx(3 / math.sqrt(2))
    assert noise_in_band(x, RATE_HZ, 1300, 5000).value < 1e-9


def test_the_uncertainty_is_the_spread() -> None:
    rng = np.random.default_rng(8)
    found = [noise_in_band(rng.normal(0, 1, 2000), RATE_HZ, 100, 1000) for _ in range(400)]
    assert np.std([f.value for f in found]) == pytest.approx(np.mean([f.u_random for f in found]), rel=0.12)


@pytest.mark.parametrize("n", [1000, 1001])
def test_even_and_odd_lengths(n: int) -> None:
    x = np.random.default_rng(n).normal(0, 1, n)
    assert noise_in_band(x, RATE_HZ, 0, RATE_HZ).value == pytest.approx(np.std(x))


def test_a_band_that_holds_nothing() -> None:
    with pytest.raises(ValueError, match=r"no frequency from 1\.2 Hz to 1\.4 Hz"):
        noise_in_band(np.zeros(100), 100.0, 1.2, 1.4)
