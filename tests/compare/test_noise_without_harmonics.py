"""Noise of a comparison is what the line and all its harmonics leave, not only those that figures use."""

import numpy as np
import pytest

from livesense.compare.sides import _without_line


@pytest.mark.parametrize("order", [2, 13, 25, 49])
def test_a_high_harmonic_is_no_noise(order: int) -> None:
    t = np.arange(20_000) / 20_000.0
    noise = np.random.default_rng(7).normal(0, 0.01, t.size)
    line = 10 * np.cos(2 * np.pi * 120.0 * t) + 0.2 * np.cos(2 * np.pi * 120.0 * order * t + 0.5)
    left = _without_line((line + noise)[:, None], 20_000.0)
    assert left is not None
    assert left[:, 0].std() == pytest.approx(0.01, rel=0.03)
