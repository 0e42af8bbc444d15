"""The fit's spread against the exact Cramér-Rao bound, where it starts from, and a general library's fit."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.signal import periodogram

from livesense.measures.noise_band import noise_in_band
from livesense.measures.sine_fit import SineFit, fit_line, fit_sine


def derivatives(n: int, rate_hz: float, hz: float, amplitude: float, phase: float) -> np.ndarray:
    """Columns of the model's derivative: amplitude, frequency (Hz), phase at the first scan, mean."""
    t = np.arange(n) / rate_hz
    angle = 2 * np.pi * hz * t + phase
    return np.stack(
        (
            np.cos(angle),
            -amplitude * 2 * np.pi * t * np.sin(angle),
            -amplitude * np.sin(angle),
            np.ones(n),
        ),
        axis=1,
    )


@pytest.mark.parametrize(
    ("n", "hz", "sigma"),
    [
        (1000, 437.123, 0.1),
        pytest.param(1000, 3321.7, 0.5, marks=pytest.mark.slow),
        pytest.param(400, 61.7, 0.3, marks=pytest.mark.slow),
        pytest.param(5000, 4.3, 1.0, marks=pytest.mark.slow),
    ],
)
def test_the_spread_is_within_3_percent_of_the_exact_bound(n: int, hz: float, sigma: float) -> None:
    """Each trial's error against that of the best linear estimate for the very same noise.

    That estimate's spread is the exact bound (inverse of the information matrix, Gaussian noise), so the
    ratio of both spreads over the same trials tells efficiency far better than so few trials tell a spread.
    """
    rate_hz, amplitude, phase = 10_000.0, 10.0, 0.7
    slope = derivatives(n, rate_hz, hz, amplitude, phase)
    best = np.linalg.solve(slope.T @ slope, slope.T)
    clean = amplitude * np.cos(2 * np.pi * hz * np.arange(n) / rate_hz + phase)
    rng = np.random.default_rng(31)
    off, bound = [], []
    for _ in range(200):
        noise = rng.normal(0, sigma, n)
        fit = fit_sine(clean + noise, rate_hz, harmonics=1)
        assert fit is not None
        found = fit.amplitude[0, 0], fit.frequency_hz.value, fit.phase_rad[0, 0], fit.mean[0]
        off.append(np.array(found) - (amplitude, hz, phase, 0.0))
        bound.append(best @ noise)
    ratio = np.std(off, axis=0) / np.std(bound, axis=0)
    assert ratio.max() <= 1.03, ratio
    assert ratio.min() >= 0.97, ratio
    if n == 1000 and sigma == 0.1:
        # The closed forms for many cycles: Rife & Boorstyn 1974; phase by Händel, IEEE TIM 49(6) 2000.
        exact = sigma * np.sqrt(np.diag(np.linalg.inv(slope.T @ slope)))
        assert exact[:3] == pytest.approx([0.00447214, 0.00246562, 0.000893757], rel=5e-3)


@pytest.mark.parametrize("share", [1e-5, 1e-4, 1e-3, 0.01, 0.05, 0.123, 0.25, 0.2999, 0.333])
def test_a_line_is_found_from_a_tenth_of_a_hertz_to_a_third_of_the_rate(share: float) -> None:
    rate_hz = 10_000.0
    hz = rate_hz * share
    n = max(2000, math.ceil(3.3 / share))
    y = 5 * np.cos(2 * np.pi * hz * np.arange(n) / rate_hz + 1) + np.random.default_rng(8).normal(0, 0.5, n)
    fit = fit_line(y, rate_hz)
    assert isinstance(fit, SineFit), fit
    assert fit.frequency_hz.value == pytest.approx(hz, abs=4 * fit.frequency_hz.u)
    assert fit.frequency_hz.u < 0.01 * hz


@pytest.mark.slow
def test_uncertainty_follows_coloured_noise() -> None:
    """Noise that is ten times as strong around the line widens u; the spread stays within it."""
    rng = np.random.default_rng(6)
    n, rate_hz, hz = 4000, 10_000.0, 100.0
    found, told = [], []
    for _ in range(80):
        white = rng.normal(0, 1, n)
        spectrum = np.fft.rfft(white)
        at = np.fft.rfftfreq(n, 1 / rate_hz)
        noise = np.fft.irfft(spectrum * np.where(at < 400, 1.0, 0.1), n)
        fit = fit_sine(10 * np.cos(2 * np.pi * hz * np.arange(n) / rate_hz) + 0.3 * noise, rate_hz)
        assert fit is not None
        found.append(fit.amplitude[0, 0])
        told.append(fit.u_amplitude[0, 0])
    assert np.std(found) == pytest.approx(np.mean(told), rel=0.25)


def test_the_same_as_a_general_least_squares_fit() -> None:
    # scipy.optimize.least_squares on the same model with three harmonics and a mean.
    rng = np.random.default_rng(2)
    n, rate_hz = 1500, 8000.0
    t = np.arange(n) / rate_hz
    y = 0.3 + sum(
        a * np.cos(2 * np.pi * h * 87.3 * t + p) for h, a, p in ((1, 5, 0.4), (2, 0.5, 1), (3, 1, 2))
    )
    y = y + rng.normal(0, 0.2, n)

    def off(x: np.ndarray) -> np.ndarray:
        model = x[1] + sum(
            x[2 * h] * np.cos(2 * np.pi * h * x[0] * t) + x[2 * h + 1] * np.sin(2 * np.pi * h * x[0] * t)
            for h in (1, 2, 3)
        )
        return np.asarray(model - y)

    theirs = least_squares(off, [87.0, 0, 5, 0, 0, 0, 0, 0], xtol=1e-14, ftol=1e-14, gtol=1e-14).x
    ours = fit_sine(y, rate_hz, harmonics=3)
    assert ours is not None
    # Steps end at a thousandth of what is known.
    assert ours.frequency_hz.value == pytest.approx(theirs[0], abs=2e-3 * ours.frequency_hz.u)
    assert ours.mean[0] == pytest.approx(theirs[1], abs=1e-5)
    sizes = [math.hypot(theirs[2 * h], theirs[2 * h + 1]) for h in (1, 2, 3)]
    assert ours.amplitude[0] == pytest.approx(sizes, abs=1e-5)


def test_noise_in_a_band_is_that_of_a_periodogram() -> None:
    # scipy.signal.periodogram, rectangular window: power density times bin width.
    noise = np.random.default_rng(1).normal(0, 1, 5000)
    at, density = periodogram(noise, 10_000.0, detrend="constant")
    band = (at >= 100) & (at <= 900)
    theirs = math.sqrt(float(np.sum(density[band])) * 2.0)
    assert noise_in_band(noise, 10_000.0, 100, 900).value == pytest.approx(theirs, rel=1e-9)
