"""The fitted rate: right within its stated uncertainty, whatever the host does with the bytes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from livesense.ratefit import MAX_STRETCHES, ArrivalFit, ClockFit, t_factor
from livesense.samples import Estimate

Delays = Callable[[np.random.Generator, int], NDArray[np.float64]]


def uniform(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    return rng.uniform(0.001, 0.020, n)


def exponential(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    return 0.001 + rng.exponential(0.004, n)


def with_stalls(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    """Bursts of 1 to 20 ms, and now and then the host sleeps for up to 300 ms."""
    delays = uniform(rng, n)
    for at in rng.integers(0, n, max(1, n // 400)):
        stalled = np.arange(at, min(n, at + 15))
        delays[stalled] = np.maximum(delays[stalled], 0.3 - 0.02 * (stalled - at))
    return delays


def always_the_same(rng: np.random.Generator, n: int) -> NDArray[np.float64]:
    return np.full(n, 0.004)


def simulate(
    delays: Delays, seed: int, seconds: float, true_hz: float, nominal_hz: float | None, every_s: float = 0.02
) -> Estimate | None:
    """Fit arrivals of packets that are sent every ``every_s``."""
    rng = np.random.default_rng(seed)
    n = int(seconds / every_s)
    scans = np.round(np.arange(1, n + 1) * every_s * true_hz)
    # Bytes never overtake each other.
    times = np.maximum.accumulate(scans / true_hz + delays(rng, n))
    fit = ArrivalFit(nominal_hz)
    for scan, time_s in zip(scans.astype(int).tolist(), times.tolist(), strict=True):
        fit.add(scan, time_s)
    assert len(fit._stretches) <= MAX_STRETCHES
    return fit.estimate()


@pytest.mark.parametrize("delays", [uniform, exponential, with_stalls, always_the_same])
@pytest.mark.parametrize(("seconds", "nominal_hz"), [(3.0, 20000.0), (20.0, 20300.0), (20.0, None)])
def test_the_true_rate_lies_within_two_uncertainties(
    delays: Delays, seconds: float, nominal_hz: float | None
) -> None:
    true_hz = 20001.7
    runs = 40
    inside = 0
    for seed in range(runs):
        estimate = simulate(delays, seed, seconds, true_hz, nominal_hz)
        assert estimate is not None
        # The host's own clock is perfect here, so only the random part may be used.
        inside += abs(estimate.value - true_hz) <= 2 * estimate.u_random
        assert estimate.u_random < 0.05 / seconds * true_hz
    assert inside >= 0.925 * runs


@pytest.mark.slow
@pytest.mark.parametrize("delays", [uniform, exponential, with_stalls])
@pytest.mark.parametrize("seconds", [2.0, 5.0, 60.0])
def test_coverage_over_many_runs(delays: Delays, seconds: float) -> None:
    runs = 300
    estimates = [simulate(delays, 1000 + seed, seconds, 5000.4, 5000.0) for seed in range(runs)]
    inside = sum(e is not None and abs(e.value - 5000.4) <= 2 * e.u_random for e in estimates)
    assert inside >= 0.95 * runs


def test_a_healthy_device_is_not_flagged_and_a_slow_one_is() -> None:
    good = simulate(with_stalls, 1, 30.0, 20000.3, 20000.0)
    bad = simulate(with_stalls, 1, 30.0, 19900.0, 20000.0)
    assert good is not None
    assert bad is not None
    assert abs(good.value - 20000.0) < 2 * good.u
    assert abs(bad.value - 20000.0) > 2 * bad.u


def test_a_quartz_is_trusted_no_further_than_quartzes_are() -> None:
    estimate = simulate(always_the_same, 1, 100.0, 1000.0, 1000.0)
    assert estimate is not None
    # 50 ppm as a limit, rectangular: 29 ppm.
    assert estimate.u_systematic == pytest.approx(1000.0 * 50e-6 / 3**0.5, rel=1e-3)


def test_weeks_in_bounded_memory() -> None:
    fit = ArrivalFit(1000.0)
    rng = np.random.default_rng(3)
    for minute in range(1, 3 * 7 * 24 * 60):
        fit.add(minute * 60_000, minute * 60.0 * (1 + 20e-6) + float(rng.uniform(0, 0.02)))
    estimate = fit.estimate()
    assert len(fit._stretches) <= MAX_STRETCHES
    assert estimate is not None
    assert estimate.value == pytest.approx(1000.0 / (1 + 20e-6), rel=1e-7)


def test_too_little_to_go_by() -> None:
    fit = ArrivalFit(1000.0)
    assert fit_of([]) is None
    for k in range(9):
        fit.add(k * 1000, float(k))
    assert fit.estimate() is None
    fit.add(9000, 9.0)
    assert fit.estimate() is not None
    # Plenty, but within a moment.
    assert fit_of([(k, k * 1e-3) for k in range(100)]) is None
    # The count stands still.
    assert fit_of([(5, float(k)) for k in range(100)]) is None
    assert fit_of([(5, float(k)) for k in range(1000)]) is None
    # Everything came with two reads.
    assert fit_of([(k, float(k // 50)) for k in range(100)]) is None
    # The count goes backwards.
    assert fit_of([(-k, float(k)) for k in range(100)] + [(0, 100.0)] * 30) is None


def fit_of(arrivals: list[tuple[int, float]]) -> Estimate | None:
    fit = ArrivalFit(None)
    for scan, time_s in arrivals:
        fit.add(scan, time_s)
    return fit.estimate()


# Student's t, 95.45 % two-sided, over 2 (by scipy.stats.t).
T_OVER_2 = {2: 2.264, 3: 1.653, 5: 1.325, 10: 1.142, 30: 1.043, 1000: 1.0}


@pytest.mark.parametrize(("freedom", "factor"), T_OVER_2.items())
def test_coverage_factor(freedom: int, factor: float) -> None:
    assert t_factor(freedom) == pytest.approx(factor, rel=0.02)


# The device's clock


def clock_fit(
    rate_hz: float, nominal_hz: float | None, n: int, jitter: float = 0.0, block: int = 64
) -> ClockFit:
    fit = ClockFit(1e6, nominal_hz)
    rng = np.random.default_rng(2)
    scans = np.arange(n)
    ticks = np.floor(scans / rate_hz * 1e6 + rng.normal(0, jitter, n) + 1e9).astype(np.int64)
    for at in range(0, n, block):
        fit.add(scans[at : at + block], ticks[at : at + block])
    return fit


@pytest.mark.parametrize("nominal_hz", [None, 1000.0, 1100.0])
@pytest.mark.parametrize("block", [1, 64, 100_000])
def test_clock_fit(nominal_hz: float | None, block: int) -> None:
    fit = clock_fit(999.37, nominal_hz, 5000, jitter=20.0, block=block)
    estimate = fit.estimate()
    assert estimate is not None
    assert abs(estimate.value - 999.37) < 2 * estimate.u_random
    assert estimate.u_random < 2e-3
    assert fit.jitter_s == pytest.approx(20e-6, rel=0.1)


def test_clock_fit_over_weeks_stays_exact() -> None:
    fit = ClockFit(1e6, 1000.0)
    hour = np.arange(200)
    for at in range(0, 2_000_000_000, 20_000_000):
        scans = at + hour
        fit.add(scans, scans * 1001)
    estimate = fit.estimate()
    assert estimate is not None
    assert estimate.value == pytest.approx(1e6 / 1001, rel=1e-12)
    assert fit.jitter_s is not None
    assert fit.jitter_s < 1e-6


def test_clock_fit_with_too_little() -> None:
    assert ClockFit(1e6, None).estimate() is None
    assert ClockFit(1e6, 1000.0).jitter_s is None
    assert clock_fit(1000.0, None, 9).estimate() is None
    still = ClockFit(1e6, 1000.0)
    still.add(np.arange(100), np.zeros(100, dtype=np.int64))
    assert still.estimate() is None
    one = ClockFit(1e6, 1000.0)
    for _ in range(20):
        one.add(np.array([5]), np.array([7]))
    assert one.estimate() is None
