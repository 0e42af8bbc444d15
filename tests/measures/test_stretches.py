"""Rotation in steps, and the stretches it tells: against stories whose edges are known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.rotation import Rotation, rotation
from livesense.measures.stretches import Stretch, believed, find_stretches

RATE_HZ = 10_000.0
NOISE_A = 0.01

Part = tuple[float, float, float, float, float]
"""Seconds, frequency at its begin and end, length at its begin and end."""


def currents(*parts: Part, six_step: bool = False, seed: int = 1) -> np.ndarray:
    """Three currents ``(n, 3)`` that tell a story, with noise."""
    frequency, length = [], []
    for seconds, f0, f1, a0, a1 in parts:
        n = round(seconds * RATE_HZ)
        frequency.append(np.linspace(f0, f1, n, endpoint=False))
        length.append(np.linspace(a0, a1, n, endpoint=False))
    angle = 2 * np.pi * np.cumsum(np.concatenate(frequency)) / RATE_HZ
    if six_step:
        angle = np.pi / 3 * np.round(angle / (np.pi / 3))
    size = np.concatenate(length)
    rng = np.random.default_rng(seed)
    return np.stack(
        [size * np.cos(angle - k * 2 * np.pi / 3) + rng.normal(0, NOISE_A, size.size) for k in range(3)],
        axis=1,
    )


def told(*parts: Part, still_a: float = 0.1, six_step: bool = False) -> tuple[list[Stretch], Rotation]:
    steps = rotation(currents(*parts, six_step=six_step), RATE_HZ)
    return find_stretches(believed(steps, still_a), still_a), steps


def kinds(found: list[Stretch]) -> list[str]:
    return [stretch.kind for stretch in found]


def edges(found: list[Stretch], steps: Rotation) -> list[float]:
    return [float(steps.time_s[s.first]) - steps.step_s / 2 for s in found]


def test_a_current_that_goes_out_within_a_step_turns_no_faster() -> None:
    # 2.413 s is no whole number of steps: in the last one most of the angle is that of the noise.
    found, _ = told((1.0, 0, 0, 0, 0), (1.0, 0, 48, 2, 2), (2.413, 48, 48, 2, 2), (1.0, 0, 0, 0, 0))
    assert kinds(found) == ["standstill", "start", "steady", "standstill"]
    assert found[2].frequency_hz == pytest.approx(48, abs=0.02)


def test_a_stop_whose_current_goes_out_within_a_step_is_a_braking() -> None:
    found, _ = told(
        (1.0, 0, 0, 0, 0), (1.0, 0, 11, 5, 5), (2.0, 11, 11, 5, 5), (0.893, 11, 0.2, 5, 5), (1.0, 0, 0, 0, 0)
    )
    assert kinds(found) == ["standstill", "start", "steady", "braking", "standstill"]
    assert found[3].frequency_hz == pytest.approx(5.6, abs=0.5)


@pytest.mark.parametrize(("before_s", "after_s"), [(2.3, 2.31), (2.0, 2.6), (2.6, 2.0)])
def test_a_load_that_changes_by_less_than_a_fifth_hides_no_steady_part(
    before_s: float, after_s: float
) -> None:
    # Steady windows on both sides reach into the change, and meet there.
    found, steps = told(
        (1.0, 0, 0, 0, 0),
        (1.0, 0, 11, 2.7, 6.7),
        (before_s, 11, 11, 6.7, 6.7),
        (0.15, 11, 11, 6.7, 8),
        (after_s, 11, 11, 8, 8),
    )
    assert kinds(found) == ["standstill", "start", "steady", "load change", "steady"]
    assert edges(found, steps)[2:] == pytest.approx([2, 2 + before_s, 2.15 + before_s], abs=0.15)


def test_a_speed_that_changes_by_three_and_a_half_per_cent_hides_none_either() -> None:
    found, _ = told(
        (1.0, 0, 0, 0, 0), (1.0, 0, 100, 5, 5), (2.3, 100, 100, 5, 5), (0.1, 100, 103.5, 5, 5),
        (2.3, 103.5, 103.5, 5, 5),
    )  # fmt: skip
    assert kinds(found) == ["standstill", "start", "steady", "speed change", "steady"]


def test_a_short_knock_parts_no_steady_part() -> None:
    found, _ = told(
        (1.0, 0, 0, 0, 0),
        (1.0, 0, 60, 5, 5),
        (2.0, 60, 60, 5, 5),
        (0.05, 60, 60, 6.2, 6.2),
        (2.0, 60, 60, 5, 5),
    )
    assert kinds(found) == ["standstill", "start", "steady"]


def test_slow_drift_is_not_taken_for_settling() -> None:
    found, _ = told((1.0, 0, 0, 0, 0), (1.0, 0, 60, 5, 5), (30.0, 60, 60, 5, 4))
    assert kinds(found) == ["standstill", "start", "steady"]


def test_block_commutation_is_steady_whatever_its_jumps_count() -> None:
    parts = ((1.0, 0, 0, 0, 0), (1.0, 0, 7.2, 4, 4), (2.5, 7.2, 7.2, 4, 4), (0.6, 7.2, 12, 4, 4),
             (2.0, 12, 12, 4, 4))  # fmt: skip
    found, _ = told(*parts, six_step=True)
    assert kinds(found)[-3:] == ["steady", "speed change", "steady"]


@pytest.mark.parametrize("hz", [-240.0, -3.0, 0.0, 0.7, 50.0, 1000.0])
def test_frequency_and_length_of_a_step(hz: float) -> None:
    steps = rotation(currents((1.0, hz, hz, 4.0, 4.0)), RATE_HZ, start_s=2.0)
    assert steps.step_s == pytest.approx(0.02)
    assert (steps.time_s[0], len(steps.time_s)) == (pytest.approx(2.01), 50)
    assert np.mean(steps.frequency_hz) == pytest.approx(hz, rel=5e-3, abs=0.05)
    # The mean of two neighbours is shorter by the cosine of half their angle.
    assert np.mean(steps.length) == pytest.approx(4.0 * math.cos(math.pi * hz / RATE_HZ), rel=1e-3)


def test_block_commutated_currents_turn_as_fast() -> None:
    steps = rotation(currents((2.0, 100.0, 100.0, 4.0, 4.0), six_step=True), RATE_HZ)
    assert np.mean(steps.frequency_hz) == pytest.approx(100.0, rel=5e-3)


def test_few_scans_in_a_step_are_not_averaged() -> None:
    steps = rotation(currents((1.0, 10.0, 10.0, 4.0, 4.0))[::10], RATE_HZ / 10)
    assert np.mean(steps.frequency_hz) == pytest.approx(10.0, rel=1e-2)


STORY: tuple[Part, ...] = (
    (1.0, 0, 0, 0, 0),
    (0.6, 0, 0, 3, 3),
    (1.4, 0, 200, 5, 4),
    (3.0, 200, 200, 2, 2),
    (3.0, 200, 200, 6, 6),
    (1.5, 200, 100, 6, 4),
    (2.0, 100, 100, 4, 4),
    (1.0, 100, 4, 4, 1),
    (1.0, 0, 0, 0, 0),
)
TOLD = [
    "standstill", "align", "start", "steady", "load change", "steady", "speed change", "steady", "braking",
    "standstill",
]  # fmt: skip


@pytest.mark.parametrize("six_step", [False, True])
@pytest.mark.parametrize("way", [1, -1])
def test_a_whole_story(six_step: bool, way: int) -> None:
    story = [(s, way * f0, way * f1, a0, a1) for s, f0, f1, a0, a1 in STORY]
    found, steps = told(*story, six_step=six_step)
    assert kinds(found) == TOLD
    # Stretches follow each other without a hole.
    assert [s.stop for s in found[:-1]] == [s.first for s in found[1:]]
    assert (found[0].first, found[-1].stop) == (0, len(steps.time_s))
    at = edges(found, steps)
    for stretch, expected in (
        (1, 1.0),
        (2, 1.6),
        (3, 3.0),
        (5, 6.0),
        (6, 9.0),
        (7, 10.5),
        (8, 12.5),
        (9, 13.5),
    ):
        assert abs(at[stretch] - expected) < 0.35, (stretch, at)
    assert math.copysign(1, found[3].frequency_hz) == way
    assert abs(found[3].frequency_hz) == pytest.approx(200, rel=0.01)
    assert found[5].length == pytest.approx(6, rel=0.05)


def test_a_current_that_is_let_go() -> None:
    found, _ = told((0.5, 0, 0, 0, 0), (2.0, 0, 100, 4, 4), (2.0, 100, 100, 2, 2), (1.0, 0, 0, 0, 0))
    assert kinds(found)[-2:] == ["steady", "standstill"]
    assert found[-1].let_go
    assert not found[0].let_go


def test_rest_alone_and_nothing() -> None:
    found, _ = told((1.0, 0, 0, 0, 0))
    assert kinds(found) == ["standstill"]
    empty = Rotation(*[np.zeros(0)] * 5, 0.02)
    assert find_stretches(believed(empty, 0.1), 0.1) == []


def test_a_run_that_begins_and_ends_in_the_middle() -> None:
    found, _ = told((1.0, 50, 100, 3, 3), (2.0, 100, 100, 3, 3), (0.3, 100, 120, 3, 3))
    assert kinds(found) == ["changing", "steady", "changing"]
    found, _ = told((2.0, 100, 100, 3, 3))
    assert kinds(found) == ["steady"]


def test_a_start_that_is_given_up() -> None:
    found, _ = told((0.5, 0, 0, 0, 0), (0.3, 0, 60, 4, 4), (0.3, 60, 0, 4, 4), (1.0, 0, 0, 0, 0))
    assert kinds(found) == ["standstill", "start", "standstill"]


def test_flickers_belong_to_what_was_before() -> None:
    found, _ = told((1.0, 0, 0, 0, 0), (0.04, 100, 100, 3, 3), (1.0, 0, 0, 0, 0))
    assert kinds(found) == ["standstill"]
    found, _ = told((0.04, 0, 0, 0, 0), (2.0, 100, 100, 3, 3))
    assert kinds(found) == ["steady"]


def test_slow_turning_is_no_align() -> None:
    found, _ = told((3.0, 2, 2, 3, 3))
    assert kinds(found) == ["steady"]
    found, _ = told((3.0, 0.1, 0.1, 3, 3))
    assert kinds(found) == ["align"]


@pytest.mark.parametrize("seed", range(20))
def test_noise_alone_never_starts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = rotation(rng.normal(0, NOISE_A, (20_000, 3)), RATE_HZ)
    assert kinds(find_stretches(believed(steps, 0.08), 0.08)) == ["standstill"]


def test_a_turn_shorter_than_any_steady_part() -> None:
    found, _ = told((0.5, 0, 0, 0, 0), (0.3, 50, 50, 3, 3), (0.5, 0, 0, 0, 0))
    assert kinds(found) == ["standstill", "start", "standstill"]


def test_lost_scans_leave_a_story_as_it_is() -> None:
    values = currents(*STORY)
    rng = np.random.default_rng(4)
    for at in rng.integers(0, len(values) - 300, 60):
        values[at : at + int(rng.integers(1, 300))] = np.nan
    steps = rotation(values, RATE_HZ)
    assert np.all(np.isfinite(steps.turned)) and np.all(np.isfinite(steps.length))
    found = find_stretches(believed(steps, 0.1), 0.1)
    assert kinds(found) == TOLD
    assert abs(found[3].frequency_hz) == pytest.approx(200, rel=0.01)


@pytest.mark.parametrize("hz", [18.6, 25.5, 60.0])
def test_jumps_that_beat_with_the_steps_are_no_change(hz: float) -> None:
    steps = rotation(currents((3.0, hz, hz, 4.0, 4.0), six_step=True), RATE_HZ)
    assert np.ptp(believed(steps, 0.1).frequency_hz[1:-1]) < 0.05 * hz
    assert kinds(find_stretches(believed(steps, 0.1), 0.1)) == ["steady"]


def test_soft_edges_count_every_turn_once() -> None:
    # What is taken from a step stands in its neighbours, lost scans or not.
    values = currents((2.0, 5, 105, 4.0, 4.0))
    values[5003:5047] = np.nan
    steps = rotation(values, RATE_HZ)
    soft = believed(steps, 0.1)
    assert soft.turned.sum() == pytest.approx(steps.turned.sum(), rel=1e-12)
    assert soft.turned[1:-1] == pytest.approx(steps.turned[1:-1], abs=0.03)


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_pieces_of_a_few_steps(count: int) -> None:
    steps = rotation(currents((count * 0.02, 100, 100, 4.0, 4.0)), RATE_HZ)
    assert believed(steps, 0.1).turned == pytest.approx(np.full(count, 2.0), abs=0.02)


def test_nothing_but_lost_scans() -> None:
    steps = rotation(np.full((1000, 3), np.nan), RATE_HZ)
    assert kinds(find_stretches(believed(steps, 0.1), 0.1)) == ["standstill"]
    assert rotation(np.zeros((1, 3)), 50.0).turned.tolist() == [0.0]
