"""Measures of one signal against numbers from outside: closed forms, standards, published bounds.

No figure weighs its samples by a window such as Hann's or Blackman and Harris': lines are fitted, spectra are
taken of whole cycles. So there is nothing to hold to those windows' gains and noise bandwidths (Harris, Proc.
IEEE 66(1) 1978); what stands in their place is that nothing leaks (below, and in test_harmonic_groups).
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.basic import plain_figures, trapezoid
from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.harmonics import thd_percent
from livesense.measures.sine_fit import fit_sine


def wave(name, n=360_000):
    """Give one period of a wave of peak 1, ``(n,)``, sampled in the middle of n equal steps."""
    x = (np.arange(n) + 0.5) / n
    if name == "sine":
        return np.sin(2 * np.pi * x)
    if name == "square":
        return np.where(x < 0.5, 1.0, -1.0)
    if name == "triangle":
        return 1 - 4 * np.abs(np.mod(x + 0.25, 1) - 0.5)
    on = np.mod(x, 0.5)
    return np.where((on > 1 / 12) & (on < 5 / 12), 1.0, 0.0) * np.where(x < 0.5, 1.0, -1.0)


# Closed forms from the definitions, computed independently.
@pytest.mark.parametrize(
    ("name", "rms", "mean_abs", "crest"),
    [
        ("sine", 0.7071068, 0.6366198, 1.4142136),
        ("square", 1.0, 1.0, 1.0),
        ("triangle", 0.5773503, 0.5, 1.7320508),
        ("six-step", math.sqrt(2 / 3), 2 / 3, 1.2247449),
    ],
)
def test_rms_and_crest_of_known_waves(name, rms, mean_abs, crest):
    y = wave(name)
    plain = plain_figures(y)
    assert plain.rms == pytest.approx(rms, rel=1e-5)
    assert plain.crest_factor == pytest.approx(crest, rel=1e-5)
    assert plain_figures(np.abs(y)).mean == pytest.approx(mean_abs, rel=1e-5)


def test_rms_holds_the_mean():
    # A ramp from 0 to 20: rms 20/√3, without its mean 10/√3 (closed form).
    plain = plain_figures(20 * (np.arange(10_000) + 0.5) / 10_000)
    assert plain.rms == pytest.approx(20 / math.sqrt(3), rel=1e-6)
    assert plain.ac_rms == pytest.approx(10 / math.sqrt(3), rel=1e-6)


# THD of the fundamental from Fourier series: closed form, all orders; to order 40 for the six-step wave.
@pytest.mark.parametrize(
    ("series", "orders", "percent"),
    [
        (lambda h: np.where(h % 2 == 1, 1 / h, 0), 200_000, 48.3426),
        (lambda h: np.where(h % 2 == 1, 1 / h**2, 0), 2_000, 12.1153),
        (lambda h: np.where((h % 2 == 1) & (h % 3 != 0), 1 / h, 0), 200_000, 31.0842),
        (lambda h: np.where((h % 2 == 1) & (h % 3 != 0), 1 / h, 0), 40, 29.6794),
    ],
)
def test_distortion_of_known_waves(series, orders, percent):
    amplitude = series(np.arange(1, orders + 1, dtype=float))
    assert thd_percent(amplitude, np.zeros(orders)).value == pytest.approx(percent, rel=1e-5)


def test_a_sampled_six_step_current():
    # h5 20 %, h7 14.2857 %; fundamental rms over the direct current √6/π = 0.779697 (closed form).
    n, rate_hz, frequency = 100_000, 200_000.0, 101.3
    turns = np.mod(frequency * np.arange(n) / rate_hz, 1)
    on = np.mod(turns, 0.5)
    y = np.where((on > 1 / 12) & (on < 5 / 12), 1.0, 0.0) * np.where(turns < 0.5, 1.0, -1.0)
    fit = fit_sine(y, rate_hz)
    assert fit.amplitude[0, 0] / math.sqrt(2) == pytest.approx(0.779697, rel=1e-3)
    assert fit.amplitude[0, 4] / fit.amplitude[0, 0] == pytest.approx(0.2, rel=5e-3)
    assert fit.amplitude[0, 6] / fit.amplitude[0, 0] == pytest.approx(0.142857, rel=5e-3)
    # To order 13: √(1/5² + 1/7² + 1/11² + 1/13²) = 27.362 %, from the same series.
    figures = measure_group({"i": ChannelInput(y)}, rate_hz).channels["i"]
    expected = 100 * math.sqrt(1 / 25 + 1 / 49 + 1 / 121 + 1 / 169)
    assert figures.thd_percent.value == pytest.approx(expected, rel=5e-3)
    assert figures.thd_order == 13
    assert figures.rms.value == pytest.approx(math.sqrt(2 / 3), rel=1e-3)


def test_a_sine_fit_is_efficient():
    # IEEE 1057/1241 four-parameter fit; bounds of Rife & Boorstyn 1974 and Händel, IEEE TIM 49(6) 2000
    # for A = 10, σ = 0.1, N = 1000, fs = 10 kHz. Efficient: a Monte Carlo spread of 0.93 to 1.07 of these.
    bound = np.array([0.00447214, 0.00246562, 0.000893757])
    n, rate_hz, frequency = 1000, 10_000.0, 437.123
    clean = 10 * np.cos(2 * np.pi * frequency * np.arange(n) / rate_hz + 0.7)
    rng = np.random.default_rng(11)
    found = []
    for _ in range(500):
        fit = fit_sine(clean + rng.normal(0, 0.1, n), rate_hz, harmonics=1)
        found.append((fit.amplitude[0, 0], fit.frequency_hz.value, fit.phase_rad[0, 0]))
    ratio = np.std(found, axis=0) / bound
    assert np.all((ratio > 0.93) & (ratio < 1.07)), ratio


def test_three_currents_share_what_they_know_of_the_frequency():
    # Three equal channels hold three times the information: the bound falls by √3 (closed form).
    n, rate_hz, frequency = 1000, 10_000.0, 437.123
    angle = 2 * np.pi * frequency * np.arange(n) / rate_hz
    clean = 10 * np.cos(angle[:, None] - 2 * np.pi / 3 * np.arange(3))
    rng = np.random.default_rng(12)
    found = [
        fit_sine(clean + rng.normal(0, 0.1, (n, 3)), rate_hz, harmonics=1).frequency_hz.value
        for _ in range(250)
    ]
    assert np.std(found) * math.sqrt(3) / 0.00246562 == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize("cycles", [10.0, 10.5, 10.37])
def test_a_strong_line_does_not_leak_into_its_harmonics(cycles):
    # Half a bin off its place a Hann window reads 1.4236 dB (15 %) too little, Blackman-Harris .8256 dB;
    # no window leaks about 1/(π·distance). A fit at the line's own frequency does neither.
    n, rate_hz = 4096, 10_000.0
    turn = 2 * np.pi * cycles * np.arange(n) / n
    fit = fit_sine(10 * np.cos(turn + 0.3) + 0.001 * np.cos(3 * turn), rate_hz)
    assert fit.amplitude[0, 0] == pytest.approx(10.0, rel=1e-9)
    assert fit.amplitude[0, 1] == pytest.approx(0.0, abs=1e-9)
    assert fit.amplitude[0, 2] == pytest.approx(0.001, rel=1e-6)


def test_trapezoid_of_a_parabola():
    # Integral of t² over 0…1 from 11 points by the trapezoid rule (closed form): 0.335.
    assert trapezoid(np.linspace(0, 1, 11) ** 2, 10.0) == pytest.approx(0.335, rel=1e-12)


def test_a_recording_of_115_2_scans_a_cycle_from_a_start_of_60_hz():
    # Cycles of 50 Hz at 5760 S/s never hold whole scans: the asynchronous case (common practice, no source).
    rng = np.random.default_rng(13)
    angle = 2 * np.pi * 49.9889 * np.arange(1152) / 5760.0
    values = 1906.6 * np.cos(angle[:, None] - 2 * np.pi / 3 * np.arange(3)) + rng.normal(0, 10, (1152, 3))
    fit = fit_sine(values, 5760.0, start_hz=60.0)
    assert abs(fit.frequency_hz.value - 49.9889) < 3 * fit.frequency_hz.u < 0.02
