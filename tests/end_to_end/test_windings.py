"""`measure --winding`: what a run tells of resistance and inductance."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame
from livesense.wire.encode import frames as scan_frames

RATE_HZ = 10_000.0
COLUMNS = ("iu", "iv", "iw", "vbus", "ibus")
CHANNEL = (
    '[[channel]]\nname = "{0}"\nphase = "{1}"\nsensor = "direct"\nunit = "{2}"\nscale = 0.01\nzero = {3}\n'
)
OHM, TAU_S = 0.08, 2.5e-3


def bench(motor: str = "", bus: str = "bus") -> str:
    text = '[link]\nwire = "framed"\n[motor]\npole_pairs = 5\n' + motor
    text += "".join(CHANNEL.format(n, p, "A", 2048) for n, p in (("iu", "U"), ("iv", "V"), ("iw", "W")))
    return text + CHANNEL.format("vbus", bus, "V", 0) + CHANNEL.format("ibus", bus, "A", 0)


def stream() -> bytes:
    """Held in place with 6 A for 0.8 s, then shorted until nothing is left."""
    t = np.arange(20_000) / RATE_HZ
    held = (t >= 0.5) & (t < 1.3)
    current = np.where(held, 6.0, np.where(t >= 1.3, 6 * np.exp(-(t - 1.3) / TAU_S), 0.0))
    phases = current[:, None] * np.array([1.0, -0.5, -0.5])
    watts = np.where(held, OHM * 54.0, 0.0)
    codes = np.column_stack([2048 + phases / 0.01, np.full(t.size, 2400), watts / 24 / 0.01])
    codes = np.clip(np.rint(codes + np.random.default_rng(1).normal(0, 1, codes.shape)), 0, 4095)
    info = GroupInfo(RATE_HZ, CodeType.U16, 12, COLUMNS)
    return encode_frame(description_packet([info], device="pump")) + scan_frames(
        0, 0, codes.astype(np.uint16), 50, CodeType.U16
    )


def test_resistance_and_inductance_out_of_a_run(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    recorded(stream(), bench())
    facts = livesense("measure", "--winding", "--json").json
    (step,) = facts["steps"]
    assert step["from_s"] == pytest.approx(1.3, abs=2e-3)
    assert step["time_constant"]["value"] == pytest.approx(TAU_S, rel=0.02)
    assert facts["resistance"]["value"] == pytest.approx(OHM, rel=0.02)
    assert facts["resistance_of"] == "standstill"
    assert step["inductance"]["value"] == pytest.approx(TAU_S * OHM, rel=0.03)
    said = livesense("measure", "--winding").out
    assert "time constant 0.00" in said
    assert "at most 0.08" in said


def test_the_bench_file_s_resistance_goes_first(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    recorded(stream(), bench('resistance = "75 mΩ"\nresistance_tolerance = "5 %"\n', bus="none"))
    facts = livesense("measure", "--winding", "--from", "1.301", "--to", "1.32", "--json").json
    (step,) = facts["steps"]
    assert facts["resistance"] is None
    assert facts["resistance_of"] == "bench file"
    assert step["inductance"]["value"] == pytest.approx(TAU_S * 0.075, rel=0.02)
    assert step["inductance"]["u"] > 0.025 * step["inductance"]["value"]


def test_where_there_is_none_it_says_so(recorded: Callable[..., Any], livesense: Callable[..., Any]) -> None:
    recorded(stream(), bench())
    said = livesense("measure", "--winding", "--from", "0.6", "--to", "0.7").out
    assert "withheld: " in said
    answer = livesense("measure", "--winding", "--from", "50", "--to", "60", "--json")
    assert answer.code == 2
    assert "no scans" in answer.err


def test_a_current_that_comes_may_be_a_controller_s(
    recorded: Callable[..., Any], livesense: Callable[..., Any]
) -> None:
    data = stream()
    recorded(data[: len(data) // 2], bench())
    assert livesense("measure", "--winding", "--json").json["steps"] == []
    assert "No current goes out" in livesense("measure", "--winding").out
