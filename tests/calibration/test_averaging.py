"""Means of codes, their uncertainty, and what does not stand still."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from plain_device import Sender, bench_text, description_frame, group

from livesense.averaging import averages, hear, mean_temperatures
from livesense.bench import parse
from livesense.chain import Chain
from livesense.errors import DescriptionError, LinkError
from livesense.link.address import parse_address
from livesense.samples import CodeType, GroupInfo
from livesense.stillness import Average, average

RATE_HZ = 20_000.0
CHANNEL = Chain(parse(bench_text()), [GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv", "iw"))]).channels[
    "iu"
]


def noisy(mean: Any, noise: float = 1.2, scans: int = 40_000, seed: int = 1) -> np.ndarray:
    random = np.random.default_rng(seed)
    return np.rint(mean + random.normal(0, noise, scans)).astype("<u2")


def sine(peak: float, hz: float, scans: int = 40_000) -> np.ndarray:
    return peak * np.sin(2 * np.pi * hz * np.arange(scans) / RATE_HZ)


def moved(codes: np.ndarray) -> str | None:
    return average(codes, RATE_HZ).movement(CHANNEL)


def test_noise_alone_stands_still() -> None:
    for seed in range(20):
        assert moved(noisy(2048.3, seed=seed)) is None
    found = average(noisy(2048.3), RATE_HZ)
    assert found.noise == pytest.approx(math.hypot(1.2, 1 / math.sqrt(12)), rel=0.03)
    assert (found.line, found.line_hz, found.scans, found.step) == (0.0, None, 40_000, 1.0)


def test_two_u_hold_the_mean() -> None:
    held = [
        abs((f := average(noisy(2048 + 0.037 * n, scans=2000, seed=n), RATE_HZ)).code - (2048 + 0.037 * n))
        <= 2 * f.u_code
        for n in range(300)
    ]
    # 2 u of a mean from 32 stretches: Student's t with 31 degrees of freedom holds 94.6 % (closed form).
    assert np.mean(held) > 0.92


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.2])
def test_rounding_that_nothing_stirs_does_not_average_out(noise: float) -> None:
    for n in range(40):
        true = 2048 + 0.025 * n
        found = average(noisy(true, noise, 2000, seed=n), RATE_HZ)
        assert abs(found.code - true) <= 2 * found.u_code


def test_values_that_come_in_steps_of_four_codes_have_a_rounding_of_four() -> None:
    found = average(noisy(512.1, 0.05) * 4, RATE_HZ)
    assert found.step in (1.0, 4.0)
    found = average(noisy(512.1, 0.3) * 4, RATE_HZ)
    assert found.step == 4
    assert found.u_code > 4 / math.sqrt(12) * 0.99


@pytest.mark.parametrize("hz", [3.0, 49.7, 150.0, 1200.0])
def test_an_alternating_current_is_named_with_its_size(hz: float) -> None:
    text = moved(noisy(2048 + sine(5.0, hz)))
    assert text is not None
    assert text.startswith(("alternates by ±", "drifts"))
    found = average(noisy(2048 + sine(5.0, hz)), RATE_HZ)
    assert found.line == pytest.approx(5.0, rel=0.2)
    assert found.line_hz == pytest.approx(hz, abs=1.0)
    assert average(noisy(2048 + sine(5.0, hz)), None).line_hz is None


def test_a_faint_hum_below_the_noise_does_no_harm() -> None:
    assert moved(noisy(2048 + sine(0.3, 50.0))) is None


def test_a_drift_is_named_with_its_size() -> None:
    text = moved(noisy(2048 + np.linspace(0, 3.0, 40_000)))
    assert text is not None
    assert text.startswith("drifts by 3")
    assert "0.024" in text
    assert moved(noisy(2048 + np.linspace(0, 0.3, 40_000))) is None


def test_a_motor_that_coasts_wanders() -> None:
    at = np.arange(40_000) / RATE_HZ
    coasting = 6 * np.exp(-at / 3) * np.sin(2 * np.pi * (80 * at - 12 * at**2))
    assert moved(noisy(2048 + coasting)) is not None
    steps = np.random.default_rng(3).normal(0, 4, 40_000 // 50).repeat(50)
    text = moved(noisy(2048 + steps))
    assert text is not None
    assert text.startswith("wanders by")


def test_few_scans_are_averaged_without_a_search_for_lines() -> None:
    found = average(noisy(2048.3, scans=20), 10.0)
    assert (found.scans, found.line) == (20, 0.0)
    assert found.movement(CHANNEL) is None


def test_a_bench_may_be_heard_from_a_file(bench: Any, sent: Any) -> None:
    path = bench()
    address = parse_address(sent({"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}, device="pump 7"))
    heard = hear(parse(path.read_text()), address, 0.5)
    assert (heard.device, len(heard.codes[0])) == ("pump 7", 1000)
    chain = Chain(parse(path.read_text()), heard.groups)
    found = averages(chain, heard, ["iv"])["iv"]
    assert isinstance(found, Average)
    assert found.code == pytest.approx(2041.6, abs=0.2)
    assert mean_temperatures(chain, heard) == {}


def test_nothing_and_nonsense_are_told_apart(bench: Any, tmp_path: Any) -> None:
    known = parse(bench().read_text())
    (tmp_path / "empty").write_bytes(b"")
    with pytest.raises(LinkError, match="nothing came from"):
        hear(known, parse_address(f"file:{tmp_path / 'empty'}"), 1.0)
    (tmp_path / "noise").write_bytes(b"hello\0" * 100)
    with pytest.raises(LinkError, match=r"600 bytes came from .* but no scan was accepted"):
        hear(known, parse_address(f"file:{tmp_path / 'noise'}"), 1.0)


def test_too_few_scans_are_refused(bench: Any, sent: Any) -> None:
    known = parse(bench().read_text())
    heard = hear(known, parse_address(sent({"iu": 2048, "iv": 2048, "iw": 2048}, scans=10)), 1.0)
    with pytest.raises(LinkError, match="channel 'iu': expected at least 16 scans, got 10"):
        averages(Chain(known, heard.groups), heard, ["iu"])


def test_channels_that_change_meanwhile_are_refused(bench: Any, sent: Any, tmp_path: Any) -> None:
    known = parse(bench().read_text())
    sent({"iu": 2048, "iv": 2048, "iw": 2048}, scans=100)
    first = (tmp_path / "stream.bin").read_bytes()
    sent({"iu": 2048, "iv": 2048, "iw": 2048, "more": 1}, scans=100)
    (tmp_path / "both").write_bytes(first + (tmp_path / "stream.bin").read_bytes())
    with pytest.raises(DescriptionError, match="changed its channels"):
        hear(known, parse_address(f"file:{tmp_path / 'both'}"), 5.0)


@pytest.mark.parametrize("channels", [("iu", "iv", "iw"), ("iw", "iv", "iu")])
def test_scans_in_front_of_a_description_are_of_the_declared_groups(
    tmp_path: Any, channels: tuple[str, ...]
) -> None:
    groups = '[[group]]\nrate = "20 kHz"\ncode = "u16"\nchannels = ["iu", "iv", "iw"]'
    sender = Sender(channels=channels)
    stream = b"\0" + sender.packet(50) + description_frame([group(channels)]) + sender.packet(50)
    (tmp_path / "both").write_bytes(stream)
    address = parse_address(f"file:{tmp_path / 'both'}")
    known = parse(bench_text(groups=groups))
    if channels == ("iu", "iv", "iw"):
        assert len(hear(known, address, 5.0).codes[0]) == 100
        return
    with pytest.raises(DescriptionError, match="changed its channels"):
        hear(known, address, 5.0)
