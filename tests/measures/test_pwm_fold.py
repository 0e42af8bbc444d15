"""Ripple of pulses far above the scan rate, out of scans that are not in step with them."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.group_pwm import group_pwm
from livesense.measures.pwm_fold import BINS, Fold, NoFold, find_pwm, fold_pwm

RATE_HZ = 20_000.0
HZ = 83.37
PWM_HZ = 16_003.7


def ripple(t: np.ndarray, pwm_hz: float, angle: np.ndarray, glitch: float = 0.0) -> np.ndarray:
    """A triangle of 0.2 A peak to peak where the angle makes most of it, and a spike after its edge."""
    place = np.mod(t * pwm_hz, 1.0)
    triangle = 0.1 * (1 - 4 * np.abs(place - 0.5)) * (0.6 + 0.4 * np.cos(2 * angle))
    return triangle + glitch * np.exp(-np.mod(place - 0.25, 1.0) / 0.03)


def channels(
    n: int = 40_000, pwm_hz: float = PWM_HZ, glitch: float = 0.0, noise: float = 0.02, **more: float
) -> dict[str, ChannelInput]:
    t = np.arange(n) / RATE_HZ
    made = {}
    for k, p in enumerate("UVW"):
        angle = 2 * np.pi * HZ * t - 2 * np.pi / 3 * k
        values = 6 * np.cos(angle) + ripple(t, pwm_hz, angle, glitch)
        values += np.random.default_rng(k).normal(0, noise, n)
        made[f"i{p.lower()}"] = ChannelInput(values, phase=p, **more)
    return made


def test_frequency_and_ripple() -> None:
    pwm = measure_group(channels(), RATE_HZ, pwm_hz=16_000.0, u_rate_relative=1e-5).pwm
    assert pwm is not None
    assert pwm.pwm_hz is not None
    assert pwm.pwm_hz.value == pytest.approx(PWM_HZ, abs=0.02)
    assert abs(pwm.pwm_hz.value - PWM_HZ) < 4 * pwm.pwm_hz.u_random + 0.0025
    assert pwm.pwm_hz.u_systematic == pytest.approx(0.16, rel=0.01)
    for found in pwm.ripple.values():
        # Means over a fortieth of the period and a twelfth of a turn flatten its top a little.
        assert found.ripple_peak_to_peak.value == pytest.approx(0.2, rel=0.12)
        share = math.sqrt(0.6**2 + 0.4**2 / 2)
        assert found.ripple_rms.value == pytest.approx(0.1 / math.sqrt(3) * share, rel=0.05)
        assert (found.glitch.value, found.settling_s) == (0.0, 0.0)


def test_an_edge_glitch_and_how_long_it_lasts() -> None:
    pwm = measure_group(channels(glitch=-0.4), RATE_HZ, pwm_hz=16_000.0).pwm
    assert pwm is not None
    found = pwm.ripple["iv"]
    # Its mean over the first fortieth of the period, of which it decays by a time constant of 0.03.
    first = -0.4 * 0.03 * 40 * (1 - math.exp(-0.025 / 0.03))
    assert found.glitch.value == pytest.approx(first, rel=0.2)
    # Time constant 0.03 of 62.5 µs: gone after some of them.
    assert 1.5e-6 < found.settling_s < 12e-6


@pytest.mark.parametrize(
    ("pwm_hz", "reason"),
    [(20_000.0, "no line of the pulses|in step"), (10_000.0, "no line of the pulses|in step")],
)
def test_scans_in_step_with_the_pulses_are_refused(pwm_hz: float, reason: str) -> None:
    pwm = measure_group(channels(pwm_hz=pwm_hz), RATE_HZ, pwm_hz=pwm_hz).pwm
    assert pwm is not None
    assert pwm.ripple == {}
    assert re.search(reason, " ".join(pwm.withheld.values()))


def test_in_step_is_told_by_the_places_that_are_never_seen() -> None:
    angle = 2 * np.pi * HZ * np.arange(40_000) / RATE_HZ
    for pwm_hz in (20_000.0, 8_000.0):
        fold = fold_pwm(np.zeros(40_000), RATE_HZ, (pwm_hz, 0.1), angle)
        assert isinstance(fold, NoFold)
        assert "in step" in fold.reason


def test_few_scans_do_not_fill_the_places() -> None:
    angle = 2 * np.pi * HZ * np.arange(2000) / RATE_HZ
    fold = fold_pwm(np.zeros(2000), RATE_HZ, (PWM_HZ, 0.1), angle)
    assert isinstance(fold, NoFold)
    assert "too few scans" in fold.reason


def test_noise_alone_has_no_pulses() -> None:
    noise = np.random.default_rng(1).normal(size=(20_000, 3))
    found = find_pwm(noise, RATE_HZ, 16_000.0, HZ)
    assert isinstance(found, NoFold)


def test_a_step_that_never_settles_lasts_the_whole_period() -> None:
    rng = np.random.default_rng(4)
    n = 200_000
    place = np.mod(np.arange(n) * PWM_HZ / RATE_HZ, 1.0)
    comb = np.where(np.floor(place * BINS) % 6 < 3, 1.0, -1.0) + rng.normal(0, 0.01, n)
    fold = fold_pwm(comb, RATE_HZ, (PWM_HZ, 0.1), 2 * np.pi * HZ * np.arange(n) / RATE_HZ)
    assert isinstance(fold, Fold)


def test_what_has_no_steady_line_is_not_folded() -> None:
    t = np.arange(8000) / RATE_HZ
    turn = 2 * np.pi * (60 * t + 100 * t**2)
    made = {f"i{p}": ChannelInput(6 * np.cos(turn - 2 * np.pi / 3 * k), phase=p) for k, p in enumerate("UVW")}
    pwm = measure_group(made, RATE_HZ, pwm_hz=16_000.0).pwm
    assert pwm is not None
    assert "steady speed" in pwm.withheld["pwm_hz"]
    still = {n: ChannelInput(np.zeros(500), phase=c.phase) for n, c in made.items()}
    pwm = measure_group(still, RATE_HZ, pwm_hz=16_000.0).pwm
    assert pwm is not None
    assert pwm.withheld["pwm_hz"] == "the values are constant"
    assert "no phase current" in group_pwm({}, None, RATE_HZ, 0.0, 16_000.0).withheld["pwm_hz"]
    assert "pwm.pwm_hz" in measure_group(still, RATE_HZ, pwm_hz=16_000.0).withheld()
