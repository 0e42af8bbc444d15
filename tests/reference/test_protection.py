"""Integrating rules and times against numbers from outside.

IEC 60255-151 (inverse time) and IEC 60255-149 (thermal image): their formulas and the constants of the
curves, read; the clauses are from memory. The times follow from them, computed apart from this project.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from livesense.bench import Watch
from livesense.watch.laws import Thermal
from livesense.watch.rules import rule_events
from livesense.watch.turns import TurnCutter

RATE_HZ = 20_000.0
PICKUP_A = 8.0
RULE = Watch(
    kind="inverse-time",
    quantity="cycle-rms",
    channels=("iu",),
    limit=PICKUP_A,
    unit="A",
    hold_s=0.0,
    release=0.95 * PICKUP_A,
    release_hold_s=0.05,
    pre_s=0.0,
    post_s=0.0,
)
CURVES = [
    ("A", 2, 10.0290),
    ("A", 5, 4.2797),
    ("A", 10, 2.9706),
    ("B", 2, 13.5),
    ("B", 5, 3.375),
    ("B", 10, 1.5),
    ("C", 2, 26.6667),
    ("C", 5, 3.3333),
    ("C", 10, 0.8081),
]


def direct(*pieces):
    """Currents of so many A for so many s, one after the other."""
    return np.concatenate([np.full(round(seconds * RATE_HZ), float(amperes)) for amperes, seconds in pieces])


def sine(rms, seconds, hz):
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return np.sqrt(2) * rms * np.sin(2 * np.pi * hz * time_s)


def trip_s(rule, current, rate_hz=RATE_HZ):
    """Seconds from the pick-up to the trip of the only event."""
    stretch = (0, current[:, None], np.zeros((current.size, 1), dtype=bool))
    (event,) = rule_events(rule, 0, ["iu"], rate_hz, 0, [stretch])
    return (event.details["trip_scan"] - event.start_scan + 1) / rate_hz


@pytest.mark.parametrize(("curve", "multiple", "seconds"), CURVES)
def test_inverse_time(curve, multiple, seconds):
    # IEC 60255-151: t = TMS · k / (M^α − 1).
    rule = dataclasses.replace(RULE, curve=curve)
    current = direct((0, 0.1), (multiple * PICKUP_A, seconds + 0.01))
    assert trip_s(rule, current) == pytest.approx(seconds, abs=0.5e-4 + 1 / RATE_HZ)


def test_the_time_multiplier():
    rule = dataclasses.replace(RULE, curve="B", tms=0.1)
    assert trip_s(rule, direct((2 * PICKUP_A, 1.5))) == pytest.approx(1.35, abs=1 / RATE_HZ)


@pytest.mark.parametrize(("curve", "multiple", "seconds"), [CURVES[1], CURVES[4], CURVES[8]])
@pytest.mark.parametrize("hz", [20.0, 133.3])
def test_inverse_time_of_an_alternating_current(curve, multiple, seconds, hz):
    # Its rms counts. Where it begins it is beyond half the pick-up some scans late.
    rule = dataclasses.replace(RULE, curve=curve)
    current = np.concatenate([np.zeros(4000), sine(multiple * PICKUP_A, seconds + 0.2, hz)])
    assert trip_s(rule, current) == pytest.approx(seconds, rel=2e-3)


def test_a_current_that_changes_is_integrated():
    # Twice for 5 s, then five times: 7.146053 s in all. A timer that starts again would say 9.2797 s.
    rule = dataclasses.replace(RULE, curve="A")
    current = direct((0, 0.05), (2 * PICKUP_A, 5), (5 * PICKUP_A, 3))
    assert trip_s(rule, current) == pytest.approx(7.146053, abs=2 / RATE_HZ)


THERMAL = [(1.5, 404.007, 136.234), (2, 193.468, 57.704), (6, 18.662, 5.008)]


@pytest.mark.parametrize(("multiple", "cold_s", "warm_s"), THERMAL)
def test_thermal_image(multiple, cold_s, warm_s):
    # IEC 60255-149: t = τ · ln((I² − Ip²) / (I² − k²)), τ 600 s, k 1.05; I and Ip by the rated current.
    rate_hz = 100.0
    rule = dataclasses.replace(RULE, kind="thermal", tau_s=600.0, limit=1.05, release=0.9975)
    cold = np.full(round(rate_hz * (cold_s + 1)), float(multiple))
    assert trip_s(rule, cold, rate_hz) == pytest.approx(cold_s, abs=0.5e-3 + 1 / rate_hz)
    # Twenty time constants at 0.9 of the rated current are for ever.
    before = np.full(round(rate_hz * 12_000), 0.9)
    warm = np.concatenate([before, np.full(round(rate_hz * (warm_s + 1)), float(multiple))])
    assert trip_s(rule, warm, rate_hz) == pytest.approx(warm_s, abs=0.5e-3 + 1 / rate_hz)


@pytest.mark.parametrize(("multiple", "cold_s", "warm_s"), THERMAL)
def test_thermal_image_with_a_stated_load_before(multiple, cold_s, warm_s):
    rate_hz = 100.0
    rule = dataclasses.replace(RULE, kind="thermal", tau_s=600.0, limit=1.05, release=0.9975, preload=0.9)
    current = np.full(round(rate_hz * (warm_s + 1)), float(multiple))
    assert trip_s(rule, current, rate_hz) == pytest.approx(warm_s, abs=0.5e-3 + 1 / rate_hz)


@pytest.mark.parametrize(("multiple", "cold_s", "warm_s"), THERMAL)
def test_thermal_image_to_the_printed_digit(multiple, cold_s, warm_s):
    rate_hz, square = 20_000.0, (multiple / 1.05) ** 2
    for before, seconds in ((0.0, cold_s), (0.9, warm_s)):
        law = Thermal(600.0, rate_hz)
        assert law.take((before / 1.05) ** 2, round(20 * 600 * rate_hz)) is None
        trip = law.take(square, round(1000 * rate_hz))
        assert trip / rate_hz == pytest.approx(seconds, abs=0.5e-3 + 1 / rate_hz)


def test_the_image_is_that_of_a_first_order_system():
    # Definition: after one time constant 1 − 1/e of the way, in one piece or many.
    law = Thermal(600.0, 10.0)
    assert [law.take(0.5, 60) for _ in range(100)] == [None] * 100
    assert law._image == pytest.approx(0.5 * (1 - np.exp(-1)), rel=1e-12)


@pytest.mark.parametrize("pickup", [0.0, 20.0])
def test_i2t(pickup):
    # 60 A against 450 A²s: 450 / 60² = 0.125 s, at 20 kS/s 2500 scans.
    rule = dataclasses.replace(RULE, kind="i2t", i2t=450.0, limit=pickup, release=0.95 * pickup)
    current = direct((0, 0.3), (60, 0.3))
    assert trip_s(rule, current) * RATE_HZ == pytest.approx(2500, abs=1)


def test_what_an_overcurrent_lets_through():
    # ∫ i² dt of 60 A over 0.125 s is 450 A²s; beyond 20 A it is (60² − 20²) · 0.125 = 400 A²s.
    rule = dataclasses.replace(RULE, kind="overcurrent", quantity="instant", limit=20.0, release=19.0)
    current = direct((0, 0.1), (60, 0.125), (0, 0.1))
    stretch = (0, current[:, None], np.zeros((current.size, 1), dtype=bool))
    (event,) = rule_events(rule, 0, ["iu"], RATE_HZ, 0, [stretch])
    assert event.details["i2t"] == pytest.approx(450.0, rel=1e-6)
    assert event.details["excess_i2t"] == pytest.approx(400.0, rel=1e-6)
    # A sine: the square of its rms times the time, in whole cycles; beyond a level L of its peak A
    # it is (A² / 2 − L²) · θ / ω + A² sin 2θ / 4ω on each side of each peak, cos θ = L / A.
    current = np.concatenate([np.zeros(2000), sine(30.0, 1.0, 50.0), np.zeros(2000)])
    stretch = (0, current[:, None], np.zeros((current.size, 1), dtype=bool))
    (event,) = rule_events(rule, 0, ["iu"], RATE_HZ, 0, [stretch])
    peak, omega, theta = 30 * np.sqrt(2), 2 * np.pi * 50, np.arccos(20 / (30 * np.sqrt(2)))
    side = (peak**2 / 2 - 400) * theta / omega + peak**2 * np.sin(2 * theta) / (4 * omega)
    assert event.details["excess_i2t"] == pytest.approx(4 * 50 * side, rel=1e-3)
    # It begins beyond 20 A and ends beyond 19 A: a little of the first and last half-wave is outside.
    assert event.details["i2t"] == pytest.approx(900.0, rel=2e-3)


def test_what_a_trip_lets_through():
    # At twice the pick-up of 8 A for 3 s: 16² · 3 = 768 A²s, of which (16² − 8²) · 3 = 576 beyond it.
    rule = dataclasses.replace(RULE, curve="B", tms=0.1)
    current = direct((0, 0.1), (16, 3), (0, 0.5))
    stretch = (0, current[:, None], np.zeros((current.size, 1), dtype=bool))
    (event,) = rule_events(rule, 0, ["iu"], RATE_HZ, 0, [stretch])
    assert event.details["i2t"] == pytest.approx(768.0, rel=1e-9)
    assert event.details["excess_i2t"] == pytest.approx(576.0, rel=1e-9)
    assert event.details["beyond_s"] == pytest.approx(3.0)


def test_definite_time():
    # 50 ms at 20 kS/s are 1000 samples, ± 1.
    rule = dataclasses.replace(RULE, kind="overcurrent", quantity="instant", hold_s=0.05)
    for scans, events in ((998, 0), (1001, 1)):
        current = direct((0, 0.1), (9.0, scans / RATE_HZ), (0, 0.1))
        stretch = (0, current[:, None], np.zeros((current.size, 1), dtype=bool))
        assert len(rule_events(rule, 0, ["iu"], RATE_HZ, 0, [stretch])) == events


@pytest.mark.parametrize(
    ("wave", "rms"),
    [
        (lambda angle: np.sin(angle), 0.707107),
        (lambda angle: np.sign(np.sin(angle)), 1.0),
        (lambda angle: 2 / np.pi * np.arcsin(np.sin(angle)), 0.577350),
        # 120° of each half-wave carry current, 60° none.
        (lambda angle: np.sign(np.sin(angle)) * (np.abs(np.sin(angle)) > 0.5), 0.816497),
    ],
    ids=["sine", "square", "triangle", "six-step"],
)
def test_rms_of_a_cycle(wave, rms):
    # Closed forms: 1/√2, 1, 1/√3, √(2/3) of the peak.
    rule = dataclasses.replace(
        RULE, kind="overcurrent", limit=0.5, release=0.475, hold_s=0.0, release_hold_s=0.05
    )
    current = wave(2 * np.pi * (np.arange(19_200) + 0.5) / 480)
    stretch = (0, current[:, None], np.zeros((current.size, 1), dtype=bool))
    (event,) = rule_events(rule, 0, ["iu"], RATE_HZ, 0, [stretch])
    assert event.peak == pytest.approx(rms, abs=2e-5)


def test_an_open_line_has_as_much_negative_as_positive_sequence():
    # 10∠0, 10∠180, 0: 5.7735∠−30 and 5.7735∠30 (textbook classic, from memory): negative over positive 100 %.
    turn = 2 * np.pi * 50 * np.arange(8000) / RATE_HZ
    line = 10 * np.cos(turn)
    turns = TurnCutter(1.0, 20_000, 1).feed(
        0, np.stack([line, -line, 0 * line], axis=1), np.zeros(8000, dtype=bool)
    )
    assert turns is not None
    assert (turns.forward[0], turns.backward[0]) == (
        pytest.approx(5.7735, abs=5e-5),
        pytest.approx(5.7735, abs=5e-5),
    )
    assert turns.ratio[0] == pytest.approx(100.0) and turns.weakest(0) == "W"


def test_a_vector_rms_is_that_of_a_balanced_current():
    # 9 A rms in each phase: 9 A, in each window (closed form: the three squares add up to a constant).
    rule = dataclasses.replace(
        RULE,
        kind="overload",
        quantity="vector-rms",
        channels=("iu", "iv", "iw"),
        limit=8.999,
        release=8.9,
        hold_s=1.0,
    )
    turn = 2 * np.pi * 50 * np.arange(40_000)[:, None] / RATE_HZ - 2 * np.pi / 3 * np.arange(3)
    values = 9 * np.sqrt(2) * np.cos(turn)
    stretch = (0, values, np.zeros(values.shape, dtype=bool))
    (event,) = rule_events(rule, 0, ["iu", "iv", "iw"], RATE_HZ, 0, [stretch])
    assert event.peak == pytest.approx(9.0, rel=1e-9)
    assert event.details["i2t"] == pytest.approx(81.0 * 2.0, rel=1e-9)
