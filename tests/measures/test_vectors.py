"""The current vector: transforms, its path, and the frame of its own fundamental."""

from __future__ import annotations

import math

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.group import measure_group
from livesense.measures.group_vector import group_vector
from livesense.measures.sine_fit import NoLine
from livesense.measures.vectors import clarke, locus, own_frame, park

RATE_HZ = 10_000.0


def wave(n: int = 4000, negative: float = 0.0, fifth: float = 0.0, way: int = 1) -> np.ndarray:
    turn = 2 * np.pi * 50 * np.arange(n) / RATE_HZ
    shift = 2 * np.pi / 3 * np.arange(3)
    values = 10 * np.cos(turn[:, None] - way * shift) + negative * np.cos(turn[:, None] + way * shift + 1.0)
    return values + fifth * np.cos(5 * turn[:, None] - 5 * way * shift)


def test_the_path_of_an_unbalanced_current_is_that_of_its_values() -> None:
    values = wave(negative=2.0)
    vector, zero = clarke(*values.T)
    drawn = locus(*(10 / math.sqrt(2) * np.exp(-2j * np.pi / 3 * np.arange(3))
                    + 2 / math.sqrt(2) * np.exp(1j * (2 * np.pi / 3 * np.arange(3) + 1.0))))  # fmt: skip
    assert drawn.major == pytest.approx(12)
    assert drawn.minor == pytest.approx(8)
    assert np.abs(vector).max() == pytest.approx(12, rel=1e-3)
    assert np.abs(vector).min() == pytest.approx(8, rel=1e-3)
    longest = float(np.angle(vector[np.abs(vector).argmax()]))
    assert math.remainder(longest - drawn.tilt_rad, math.pi) == pytest.approx(0, abs=0.02)
    assert np.abs(zero).max() < 1e-9
    points = drawn.points(9)
    assert points[0] == pytest.approx(points[-1]) == pytest.approx(12 * np.exp(1j * drawn.tilt_rad))
    assert abs(points[2]) == pytest.approx(8)


def test_a_lost_phase_draws_a_line_and_a_balanced_current_a_circle() -> None:
    line = locus(1, -1, 0)
    assert line.minor == pytest.approx(0, abs=1e-12)
    assert math.degrees(line.tilt_rad) == pytest.approx(-30)
    circle = locus(*np.exp(-2j * np.pi / 3 * np.arange(3)))
    assert circle.major == pytest.approx(circle.minor) == pytest.approx(math.sqrt(2))


def test_the_fifth_harmonic_is_a_sixth_in_the_frame_of_the_fundamental() -> None:
    turn = 2 * np.pi * 50 * np.arange(4000) / RATE_HZ
    frame = own_frame(*wave(fifth=1.0).T, np.exp(1j * turn), 10 + 0j)
    assert frame.quadrature_ripple == pytest.approx(1 / math.sqrt(2))
    assert frame.direct_ripple == pytest.approx(1 / math.sqrt(2))
    steady = park(clarke(*wave().T)[0], turn)
    assert steady == pytest.approx(np.full(4000, 10 + 0j))


@pytest.mark.parametrize("way", [1, -1])
def test_figures_of_a_group(way: int) -> None:
    values = wave(negative=1.0, way=way) + np.random.default_rng(3).normal(0, 0.01, (4000, 3))
    made = {f"i{p.lower()}": ChannelInput(values[:, k], phase=p, u_scale=0.003) for k, p in enumerate("UVW")}
    vector = measure_group(made, RATE_HZ).vector
    assert vector is not None
    assert vector.length is not None
    assert vector.locus_major is not None
    assert vector.locus_minor is not None
    assert vector.locus_tilt_deg is not None
    assert vector.quadrature_ripple_rms is not None
    assert vector.length.value == pytest.approx(10, rel=1e-3)
    assert vector.locus_major.value == pytest.approx(11, abs=0.01)
    assert vector.locus_minor.value == pytest.approx(9, abs=0.01)
    assert vector.quadrature_ripple_rms.value == pytest.approx(1 / math.sqrt(2), rel=0.01)
    assert vector.length.u == pytest.approx(0.03, rel=0.1)


@pytest.mark.parametrize("way", [1, -1])
def test_the_length_does_not_hang_on_whole_cycles(way: int) -> None:
    noise = np.random.default_rng(5).normal(0, 0.01, (1130, 3))
    values = wave(1130, negative=1.0, way=way) + np.array([0.5, -0.2, 0.1]) + noise  # 5.65 cycles
    made = {f"i{p.lower()}": ChannelInput(values[:, k], phase=p) for k, p in enumerate("UVW")}
    vector = measure_group(made, RATE_HZ).vector
    assert vector is not None
    assert vector.length is not None
    assert vector.length.value == pytest.approx(10, abs=3 * vector.length.u)
    assert vector.length.u < 1e-3


def test_a_balanced_path_has_no_direction_and_no_current_none_at_all() -> None:
    made = {f"i{p.lower()}": ChannelInput(wave()[:, k], phase=p, u_scale=0.01) for k, p in enumerate("UVW")}
    vector = measure_group(made, RATE_HZ).vector
    assert vector is not None
    assert vector.locus_tilt_deg is None
    assert "circle" in vector.withheld["locus_tilt_deg"]
    still = {n: ChannelInput(np.zeros(500), phase=c.phase) for n, c in made.items()}
    vector = measure_group(still, RATE_HZ).vector
    assert vector is not None
    assert vector.length is None
    assert vector.withheld["length"] == "the values are constant"
    nothing = group_vector(still, None, RATE_HZ)
    assert nothing is not None
    assert nothing.withheld["length"] == "there is no shared line"
    assert group_vector({"iu": still["iu"]}, NoLine("x"), RATE_HZ) is None


def test_a_clipped_phase_withholds_the_vector() -> None:
    made = {f"i{p.lower()}": ChannelInput(wave()[:, k], phase=p) for k, p in enumerate("UVW")}
    made["iv"] = ChannelInput(wave()[:, 1], np.arange(4000) < 400, phase="V")
    vector = measure_group(made, RATE_HZ).vector
    assert vector is not None
    assert "end of the range" in vector.withheld["length"]


def test_values_without_any_noise_have_no_ripple() -> None:
    direct = {f"i{p.lower()}": ChannelInput(wave()[:, k] * 0 + 1.0, phase=p) for k, p in enumerate("UVW")}
    assert measure_group(direct, RATE_HZ).vector is not None
