"""What sampling cannot see, and effective bits."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.visibility import effective_bits, shortest_visible_s, unseen_peak


def test_the_peak_of_a_sine_is_never_higher_than_told() -> None:
    for per_cycle in (7.3, 20.1, 400.7):
        for start in np.linspace(0, 1, 17):
            y = 5 * np.sin(2 * np.pi * (np.arange(round(5 * per_cycle)) / per_cycle + start))
            assert 5 <= np.abs(y).max() + unseen_peak(y)


def test_a_fast_scan_hides_little() -> None:
    y = 5 * np.sin(2 * np.pi * np.arange(8000) / 400.7)
    # Closed form: the step near the peak is at most A·w·sqrt(1 − 0.95²) + A·w²/2.
    w = 2 * np.pi / 400.7
    assert unseen_peak(y) <= 5 * (w * math.sqrt(1 - 0.95**2) + w**2) / 2


def test_short_values() -> None:
    assert unseen_peak(np.array([1.0, 2.0])) == 0
    assert unseen_peak(np.array([0.0, 0.0, 9.0])) == 4.5


def test_an_excess_must_last_a_scan_and_what_the_low_pass_takes() -> None:
    assert shortest_visible_s(20_000.0, None) == pytest.approx(50e-6)
    # A first-order low-pass is within 1 % after 4.6 time constants (closed form).
    assert shortest_visible_s(20_000.0, 100e3) == pytest.approx(50e-6 + 4.60517 / (2 * math.pi * 100e3))


def test_effective_bits_of_an_ideal_converter() -> None:
    # Rounding noise of 12 bit, q/√12, is 12 bit by definition (IEEE 1241, from memory).
    q = 33 / 4096
    assert effective_bits(33, q / math.sqrt(12)) == pytest.approx(12)
    assert effective_bits(33, 2 * q / math.sqrt(12)) == pytest.approx(11)
    for span, noise in ((0.0, 1.0), (1.0, 0.0)):
        with pytest.raises(ValueError, match="expected above 0"):
            effective_bits(span, noise)


def test_effective_bits_of_a_channel() -> None:
    n, q = 20_000, 33 / 4096
    rng = np.random.default_rng(3)
    values = 6 * np.cos(2 * np.pi * 83.37 * np.arange(n) / 20_000)
    rounded = np.round((values + rng.normal(0, 2 * q, n)) / q) * q
    known = {"u_quantisation": q / math.sqrt(12), "span": 33.0, "bandwidth_hz": 500e3}
    figures = measure_group({"i": ChannelInput(rounded, **known)}, 20_000.0).channels["i"]
    assert figures.effective_bits is not None
    expected = math.log2(33 / (math.hypot(2 * q, q / math.sqrt(12)) * math.sqrt(12)))
    assert figures.effective_bits.value == pytest.approx(expected, abs=0.03)
    assert figures.shortest_visible_s == pytest.approx(50e-6, rel=0.05)
    still = measure_group({"i": ChannelInput(np.ones(500), **known)}, 20_000.0).channels["i"]
    assert still.effective_bits is None
    assert still.withheld["effective_bits"] == "there is no noise to be seen"
    open_range = measure_group({"i": ChannelInput(rounded)}, 20_000.0).channels["i"]
    assert "range" in open_range.withheld["effective_bits"]
