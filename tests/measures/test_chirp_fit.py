"""A line whose frequency goes evenly: efficient, honest of its uncertainty, and refused where it is none."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from livesense.measures.channel_figures import ChannelInput
from livesense.measures.chirp_fit import MOST_SCANS, chirp_start, fit_chirp
from livesense.measures.group import measure_group
from livesense.measures.sine_fit import NoLine, SineFit
from livesense.measures.vectors import clarke

RATE_HZ = 5000.0
N = 2000


def currents(
    hz: float = 60.0, sweep: float = 80.0, *, n: int = N, noise: float = 0.05, seed: int = 1,
    uneven: float = 0.0,
    way: int = 1, third: float = 0.0,
) -> np.ndarray:  # fmt: skip
    """Three currents of 6 A peak; the frequency is ``hz`` in the middle."""
    t = (np.arange(n) - (n - 1) / 2) / RATE_HZ
    turn = 2 * np.pi * (hz * t + 0.5 * sweep * t**2 + uneven * t**3)
    angle = turn[:, None] - way * 2 * np.pi / 3 * np.arange(3) + 0.4
    wave = 6 * np.cos(angle) + third * np.cos(3 * angle)
    return wave + np.random.default_rng(seed).normal(0, noise, wave.shape)


def fitted(values: np.ndarray, **options: int) -> SineFit | NoLine:
    vector, _ = clarke(*values[:, :3].T)
    return fit_chirp(values, RATE_HZ, chirp_start(vector, RATE_HZ), **options)


@pytest.mark.parametrize(("hz", "sweep", "way"), [(60, 80, 1), (60, -200, -1), (500, 1500, 1), (100, 0.0, 1)])
def test_frequency_sweep_amplitudes_and_phases(hz: float, sweep: float, way: int) -> None:
    fit = fitted(currents(hz, sweep, way=way, third=0.3))
    assert isinstance(fit, SineFit)
    assert fit.sweep_hz_per_s is not None
    assert fit.frequency_hz.value == pytest.approx(hz, abs=5 * fit.frequency_hz.u + 1e-6)
    assert fit.sweep_hz_per_s.value == pytest.approx(sweep, abs=5 * fit.sweep_hz_per_s.u)
    assert fit.amplitude[:, 0] == pytest.approx(6, abs=0.01)
    assert fit.amplitude[:, 2] == pytest.approx(0.3, abs=0.01)
    turned = np.degrees(np.angle(fit.phasor_rms[:, 0] / fit.phasor_rms[0, 0]))
    assert np.mod(-way * turned, 360) == pytest.approx([0, 120, 240], abs=0.2)
    assert fit.turning(RATE_HZ) == pytest.approx(np.exp(1j * fit.turned_rad(RATE_HZ)), abs=1e-12)
    first = math.radians(0) + np.angle(np.exp(1j * (fit.turned_rad(RATE_HZ)[0] + 0.4)))
    assert np.angle(np.exp(1j * (fit.phase_rad[0, 0] - first))) == pytest.approx(0, abs=0.02)


def test_its_spread_is_that_of_the_bound_and_of_its_own_word() -> None:
    """The bound with amplitude and phase free, by the inverse of the information matrix (closed form).

    Centred time makes w and s independent: var(w) = 24 σ²/(A² N³ k) as of a steady line (Rife & Boorstyn
    1974), var(s) = 1440 σ²/(A² N⁵ k) for k channels (Peleg & Porat 1991, from memory).
    """
    found, told = [], []
    for seed in range(300):
        fit = fitted(currents(seed=seed, n=1000, noise=0.3), harmonics=1)
        assert isinstance(fit, SineFit)
        assert fit.sweep_hz_per_s is not None
        found.append((fit.frequency_hz.value, fit.sweep_hz_per_s.value))
        told.append((fit.frequency_hz.u, fit.sweep_hz_per_s.u))
    per = RATE_HZ / (2 * np.pi)
    bound = [
        per * math.sqrt(24 * 0.3**2 / (36 * 1000**3 * 3)),
        per * RATE_HZ * math.sqrt(1440 * 0.3**2 / (36 * 1000**5 * 3)),
    ]
    spread = np.std(found, axis=0)
    # Of 300 trials a spread is known to 4 %.
    assert spread == pytest.approx(bound, rel=0.12)
    assert np.mean(told, axis=0) == pytest.approx(bound, rel=0.35)
    off = np.abs(np.array(found) - [60, 80]) / np.array(told)
    assert np.mean(off < 2, axis=0).min() > 0.93


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        (currents(uneven=60.0), "not evenly"),
        (currents() * np.linspace(0.05, 1.9, N)[:, None], "frequency and amplitude change"),
        (currents(noise=200.0), "no line|settle|evenly|standstill"),
        (currents(10.0, 150.0), "standstill"),
        (currents(6.0, 0.0, n=800), "fewer than 2 cycles"),
        (currents(n=10), "10 scans"),
    ],
)
def test_what_is_no_even_line_is_refused(values: np.ndarray, reason: str) -> None:
    found = fitted(values) if len(values) > 100 else fit_chirp(values, RATE_HZ, (0.1, 0.0))
    assert isinstance(found, NoLine)
    assert re.search(reason, found.reason), found.reason


def test_what_hardly_stands_out_of_the_noise_is_no_line() -> None:
    start = 2 * np.pi * 60 / RATE_HZ, 2 * np.pi * 80 / RATE_HZ**2
    reasons = set()
    for seed in range(6):
        found = fit_chirp(currents(noise=60.0, seed=seed), RATE_HZ, start, harmonics=1)
        assert isinstance(found, NoLine)
        reasons.add(found.reason)
    assert "no line whose frequency goes evenly stands out" in reasons


def test_what_is_far_from_its_start_does_not_settle() -> None:
    found = fit_chirp(currents(400.0, 0.0), RATE_HZ, (2 * np.pi * 330 / RATE_HZ, 0.0))
    assert isinstance(found, NoLine)


def test_too_many_scans_are_refused() -> None:
    found = fit_chirp(np.zeros((MOST_SCANS + 1, 3)), RATE_HZ, (0.1, 0.0))
    assert isinstance(found, NoLine)
    assert str(MOST_SCANS) in found.reason


class TestAStart:
    def channels(self, **more: object) -> dict[str, ChannelInput]:
        values = currents(60.0, 80.0, noise=0.02)
        made = {f"i{p.lower()}": ChannelInput(values[:, k], phase=p) for k, p in enumerate("UVW")}
        made["ubus"] = ChannelInput(np.full(N, 24.0), unit="V", quantity="voltage", phase="bus")
        made["ibus"] = ChannelInput(np.full(N, 2.0), phase="bus", place="high-side")
        return made

    def test_figures_while_the_speed_changes(self) -> None:
        group = measure_group(self.channels(), RATE_HZ, pole_pairs=5)
        speed = group.speed
        assert speed.electrical_hz is not None
        assert speed.rpm is not None
        assert speed.acceleration_hz_per_s is not None
        assert speed.electrical_hz.value == pytest.approx(60, abs=0.01)
        assert speed.acceleration_hz_per_s.value == pytest.approx(80, abs=0.1)
        assert speed.rpm.value == pytest.approx(720, abs=0.1)
        assert group.three_phase is not None
        assert group.three_phase.sequence == "UVW"
        assert group.three_phase.positive_rms is not None
        assert group.three_phase.positive_rms.value == pytest.approx(6 / math.sqrt(2), rel=1e-3)
        assert group.power.input_power is not None
        assert group.power.input_power.value == pytest.approx(48)
        assert group.vector is not None
        assert group.vector.length is not None
        assert group.vector.length.value == pytest.approx(6, rel=1e-3)
        assert group.vector.quadrature_ripple_rms is not None
        assert group.vector.quadrature_ripple_rms.value < 0.03

    def test_a_steady_speed_has_no_acceleration(self) -> None:
        values = currents(60.0, 0.0)
        made = {f"i{p.lower()}": ChannelInput(values[:, k], phase=p) for k, p in enumerate("UVW")}
        speed = measure_group(made, RATE_HZ).speed
        assert speed.acceleration_hz_per_s is None
        assert "steady" in speed.withheld["acceleration_hz_per_s"]

    def test_a_computed_phase_has_no_say_and_does_no_harm(self) -> None:
        made = self.channels()
        third = -made["iu"].values - made["iv"].values
        made["iw"] = ChannelInput(third, phase="W", computed=True)
        group = measure_group(made, RATE_HZ)
        assert group.speed.acceleration_hz_per_s is not None
        assert group.speed.acceleration_hz_per_s.value == pytest.approx(80, abs=0.1)
        assert group.three_phase is not None
        assert group.three_phase.positive_rms is not None
        assert group.three_phase.positive_rms.value == pytest.approx(6 / math.sqrt(2), rel=1e-3)

    def test_two_currents_do_not_tell(self) -> None:
        made = self.channels()
        del made["iw"]
        speed = measure_group(made, RATE_HZ).speed
        assert speed.electrical_hz is None
        assert "changes" in speed.withheld["electrical_hz"] or "constant" in speed.withheld["electrical_hz"]


def test_a_short_sweep_knows_its_noise() -> None:
    # Of few cycles the fit takes a good share of the noise near the line: σ_A = σ √(2/N) all the same.
    n, rate_hz, sigma = 1800, 5000.0, 0.02
    t_s = (np.arange(n) - 0.5 * (n - 1)) / rate_hz
    angle = 2 * np.pi * (16.9 * t_s + 0.5 * 57 * t_s**2)[:, None] - 2 * np.pi / 3 * np.arange(3)
    told = []
    for seed in range(30):
        values = 5 * np.cos(angle) + np.random.default_rng(seed).normal(0, sigma, (n, 3))
        vector, _ = clarke(*values.T)
        fit = fit_chirp(values, rate_hz, chirp_start(vector, rate_hz))
        assert isinstance(fit, SineFit)
        told += fit.u_amplitude[:, 0].tolist()
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(sigma * np.sqrt(2 / n), rel=0.06)
