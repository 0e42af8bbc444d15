"""Nobody says where: `measure` takes the longest steady stretch, and says so."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame
from livesense.wire.encode import frames as scan_frames

PHASE = (
    '[[channel]]\nname = "i{0}"\nphase = "{1}"\nsensor = "shunt"\n'
    'shunt = "5 mΩ"\ngain = 20\nreference = "mid-supply"\n'
)
BENCH = (
    '[link]\nwire = "framed"\n[adc]\nbits = 12\nreference = "3.3 V"\n[motor]\npole_pairs = 5\n'
    + PHASE.format("u", "U")
    + PHASE.format("v", "V")
    + PHASE.format("w", "W")
)


def stream(parts: list[tuple[float, float, float]], rate_hz: float) -> bytes:
    """Parts of so many seconds, at a frequency (to which it goes evenly) and an amplitude in codes."""
    hz: list[np.ndarray] = []
    size: list[np.ndarray] = []
    last = 0.0
    for seconds, to_hz, codes in parts:
        n = round(seconds * rate_hz)
        hz.append(np.linspace(last, to_hz, n) if to_hz != last else np.full(n, to_hz))
        size.append(np.full(n, codes))
        last = to_hz
    turned = 2 * np.pi * np.cumsum(np.concatenate(hz)) / rate_hz
    wave = np.concatenate(size)[:, None] * np.cos(turned[:, None] - 2 * np.pi / 3 * np.arange(3))
    noise = np.random.default_rng(2).normal(0, 1, wave.shape)
    codes = np.rint(2048 + wave + noise).astype(np.uint16)
    info = GroupInfo(rate_hz, CodeType.U16, 12, ("iu", "iv", "iw"))
    return encode_frame(description_packet([info], device="pump")) + scan_frames(
        0, 0, codes, 50, CodeType.U16
    )


def test_the_longest_steady_stretch_without_its_ends(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    story = [(1.0, 0.0, 0.0), (2.0, 80.0, 500.0), (3.0, 80.0, 500.0), (1.0, 60.0, 400.0), (2.0, 60.0, 400.0)]
    recorded(stream(story, 5000.0), BENCH)
    facts = livesense("measure", "--json").json
    assert facts["window"] == "steady"
    # Three seconds, half a second less at each end.
    assert facts["from_s"] == pytest.approx(3.5, abs=0.15)
    assert facts["to_s"] == pytest.approx(5.5, abs=0.15)
    assert facts["speed"]["electrical_hz"]["value"] == pytest.approx(80, abs=0.01)
    said = livesense("measure").out
    assert "Run 1, the longest steady stretch, 3." in said
    assert "--from and --to" in said
    assert livesense("measure", "--from", "1", "--json").json["window"] == "given"


def test_a_run_that_is_steady_throughout_is_measured_as_a_whole(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    recorded(stream([(0.0, 80.0, 0.0), (2.0, 80.0, 500.0)], 5000.0), BENCH)
    facts = livesense("measure", "--json").json
    assert (facts["window"], facts["from_s"], facts["to_s"]) == ("steady", 0.0, 2.0)


def test_all_of_it_where_nothing_is_steady_or_phases_are_missing(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    still = stream([(2.0, 0.0, 0.0)], 5000.0)
    recorded(still, BENCH)
    facts = livesense("measure", "--json").json
    assert (facts["window"], facts["from_s"], facts["to_s"]) == ("all", 0.0, 2.0)
    assert "Run 1, all of it, 0 s to 2 s" in livesense("measure").out
    recorded(still, BENCH.replace('phase = "W"', 'phase = "none"'))
    assert livesense("measure", "--json").json["window"] == "all"


@pytest.mark.slow
def test_a_long_run_is_looked_at_by_its_trend_first(
    recorded: Callable[..., Any], livesense: Callable[..., Any], tmp_path: Path
) -> None:
    story = [
        (20.0, 0.0, 0.0),
        (5.0, 30.0, 500.0),
        (150.0, 30.0, 500.0),
        (5.0, 20.0, 500.0),
        (140.0, 20.0, 500.0),
    ]
    recorded(stream(story, 500.0), BENCH)
    facts = livesense("measure", "--json").json
    assert facts["window"] == "steady"
    assert facts["from_s"] == pytest.approx(26, abs=0.5)
    assert facts["to_s"] == pytest.approx(174, abs=0.5)
    recorded(stream([(320.0, 0.0, 0.0)], 500.0), BENCH)
    assert livesense("measure", "--json").json["window"] == "all"


def test_a_start_tells_acceleration_and_the_most_that_torque_can_be(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    story = [(1.0, 0.0, 0.0), (2.0, 80.0, 500.0), (3.0, 80.0, 500.0)]
    recorded(
        stream(story, 5000.0), BENCH.replace("pole_pairs = 5", 'pole_pairs = 5\nflux_linkage = "10 mWb"')
    )
    rows = {row["kind"]: row for row in livesense("stretches", "--json").json["stretches"]}
    assert rows["start"]["acceleration_hz_per_s"] == pytest.approx(40, abs=2)
    # T = 1.5 p ψ i (closed form), i the length of the vector: 500 codes.
    amperes = 500 * 3.3 / 4096 / (20 * 0.005)
    assert rows["start"]["torque_at_most"]["value"] == pytest.approx(1.5 * 5 * 0.01 * amperes, rel=0.02)
    assert "torque_at_most" not in rows["steady"]
    assert rows["steady"]["measures"]["machine"]["torque"]["value"] == pytest.approx(
        1.5 * 5 * 0.01 * amperes, rel=0.01
    )
