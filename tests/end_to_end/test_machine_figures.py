"""Torque, copper loss and efficiency of a recorded run, by what the bench file says of the machine."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame
from livesense.wire.encode import frames as scan_frames

RATE_HZ = 5000.0
A_PER_CODE = 0.01
AMPERES = 6.0  # peak
HZ = 50.0
COLUMNS = ("iu", "iv", "iw", "vbus", "ibus", "torque", "speed")
CHANNEL = (
    '[[channel]]\nname = "{0}"\nphase = "{1}"\nsensor = "direct"\nunit = "{2}"\nscale = {3}\nzero = {4}\n'
)


def bench(motor: str) -> str:
    rows = [("iu", "U"), ("iv", "V"), ("iw", "W")]
    text = '[link]\nwire = "framed"\n[motor]\npole_pairs = 5\nsequence = "UWV"\n' + motor
    text += "".join(CHANNEL.format(n, p, "A", A_PER_CODE, 2048) for n, p in rows)
    text += CHANNEL.format("vbus", "bus", "V", 0.01, 0) + CHANNEL.format("ibus", "bus", "A", 0.01, 0)
    text += CHANNEL.format("torque", "none", "mN·m", 0.5, 0) + CHANNEL.format("speed", "none", "rpm", 1, 0)
    return text + '[[channel]]\nname = "t"\nsensor = "direct"\nunit = "°C"\nscale = 0.1\nzero = 0\n'


def stream(group_of_t: bool = True) -> bytes:
    n = 5000
    turn = 2 * np.pi * HZ * np.arange(n)[:, None] / RATE_HZ
    wave = 2048 + AMPERES / A_PER_CODE * np.cos(turn - 2 * np.pi / 3 * np.arange(3))
    beside = np.tile([2400, 500, 1600, 600], (n, 1))
    noise = np.random.default_rng(1).normal(0, 1, (n, 7))
    codes = np.rint(np.concatenate((wave, beside), axis=1) + noise).astype(np.uint16)
    groups = [GroupInfo(RATE_HZ, CodeType.U16, 12, COLUMNS), GroupInfo(2.0, CodeType.U16, 12, ("t",))]
    slow = np.full((2, 1), 750, dtype=np.uint16)
    return (
        encode_frame(description_packet(groups, device="pump"))
        + scan_frames(0, 0, codes, 50, CodeType.U16)
        + scan_frames(1, 0, slow, 2, CodeType.U16)
    )


@pytest.fixture
def machine(recorded: Callable[..., Any], livesense: Callable[..., Any]) -> Callable[..., dict[str, Any]]:
    def call(motor: str) -> dict[str, Any]:
        recorded(stream(), bench(motor))
        facts = livesense("measure", "--from", "0.2", "--to", "0.8", "--json").json
        assert facts["speed"]["direction"] == "backward"
        return facts["machine"] | {"of": facts["speed"]["of"]}

    return call


def test_torque_copper_loss_and_efficiency(machine: Callable[..., dict[str, Any]]) -> None:
    facts = machine(
        'torque_constant = "0.2 Nm/A"\ntorque_constant_of = "rms phase current"\nconstant_tolerance = "5 %"\n'
        'resistance = "50 mΩ"\nwinding_temperature = "t"\nshaft_torque = "torque"\nshaft_speed = "speed"\n'
    )
    rms = AMPERES / math.sqrt(2)
    assert facts["torque"]["value"] == pytest.approx(0.2 * rms, rel=2e-3)
    assert facts["torque"]["u"] == pytest.approx(0.2 * rms * 0.05 / math.sqrt(3), rel=0.05)
    assert facts["winding_c"]["value"] == pytest.approx(75)
    # Copper 20 → 75 °C: × 1.215686 (IEC 60034-1).
    assert facts["copper_loss"]["value"] == pytest.approx(3 * rms**2 * 0.05 * 1.215686, rel=2e-3)
    assert facts["u_excludes"] == ["motor.resistance_tolerance"]
    shaft = 0.8 * 600 * 2 * math.pi / 60
    assert facts["shaft_power"]["value"] == pytest.approx(shaft, rel=2e-3)
    assert facts["efficiency"]["value"] == pytest.approx(100 * shaft / (24 * 5), rel=2e-3)
    assert "i_d = 0" in facts["assumes"]


def test_the_speed_by_the_currents_does_for_a_synchronous_machine(
    machine: Callable[..., dict[str, Any]],
) -> None:
    facts = machine('shaft_torque = "torque"\nflux_linkage = "10 mWb"\nwinding_temperature = "60 °C"\n')
    assert facts["shaft_power"]["value"] == pytest.approx(0.8 * 2 * math.pi * 10, rel=2e-3)
    assert facts["torque"]["value"] == pytest.approx(1.5 * 5 * 0.01 * AMPERES, rel=2e-3)
    assert facts["withheld"]["copper_loss"] == "no resistance in [motor]"
    assert facts["of"] == "shaft"


def ramp(state: int | None, *, hz_per_s: float = 20.0) -> bytes:
    """One second in which the speed rises, with a state beside the currents."""
    t = np.arange(5000) / RATE_HZ
    turn = 2 * np.pi * (HZ * t + 0.5 * hz_per_s * t**2)
    wave = 2048 + AMPERES / A_PER_CODE * np.cos(turn[:, None] - 2 * np.pi / 3 * np.arange(3))
    codes = np.rint(wave + np.random.default_rng(1).normal(0, 1, wave.shape)).astype(np.uint16)
    names: tuple[str, ...] = ("iu", "iv", "iw")
    if state is not None:
        codes = np.column_stack([codes, np.full(len(codes), state, dtype=np.uint16)])
        names = (*names, "mode")
    group = GroupInfo(RATE_HZ, CodeType.U16, 12, names)
    return encode_frame(description_packet([group], device="pump")) + scan_frames(
        0, 0, codes, 50, CodeType.U16
    )


MODE = (
    '[[channel]]\nname = "mode"\nsensor = "state"\n'
    'labels = { 0 = "off", 1 = "open loop", 2 = "run", 3 = "stop", 4 = "align" }\n'
)


@pytest.mark.parametrize(
    ("state", "hz_per_s", "why"),
    [
        (None, 20.0, "the speed changes, as while a drive starts in open loop"),
        (None, 0.0, None),
        (1, 20.0, 'the drive says "open loop"'),
        (1, 0.0, 'the drive says "open loop"'),
        (4, 0.0, 'the drive says "align"'),
        (2, 20.0, None),
        (3, -20.0, None),
        (0, 20.0, "the speed changes, as while a drive starts in open loop"),
    ],
)
def test_torque_is_at_most_where_current_may_lie_off_its_axis(
    recorded: Callable[..., Any],
    livesense: Callable[..., Any],
    state: int | None,
    hz_per_s: float,
    why: str | None,
) -> None:
    text = '[link]\nwire = "framed"\n[motor]\npole_pairs = 5\nflux_linkage = "10 mWb"\n'
    text += "".join(CHANNEL.format(f"i{p.lower()}", p, "A", A_PER_CODE, 2048) for p in "UVW")
    recorded(ramp(state, hz_per_s=hz_per_s), text + (MODE if state is not None else ""))
    words = "measure", "--from", "0.2", "--to", "0.8"
    facts = livesense(*words, "--json").json["machine"]
    assert facts["torque"]["value"] == pytest.approx(1.5 * 5 * 0.01 * AMPERES, rel=5e-3)
    printed = livesense(*words).out
    if why is None:
        assert "at_most" not in facts["torque"] and "at most" not in printed
        assert facts["assumes"].endswith("the most that the torque can be")
    else:
        assert facts["torque"]["at_most"] is True and facts["assumes"].endswith(f"so here: {why}")
        assert "at most 0.4" in printed and why in printed


def test_an_induction_machine(machine: Callable[..., dict[str, Any]]) -> None:
    facts = machine('kind = "induction"\nshaft_torque = "torque"\nresistance = "50 mΩ"\n')
    assert facts["of"] == "field"
    assert "synchronous speed only" in facts["withheld"]["shaft_power"]
    assert facts["withheld"]["efficiency"] == facts["withheld"]["shaft_power"]
    assert "induction" in facts["withheld"]["torque"]
    assert "motor.winding_temperature" in facts["u_excludes"]


OF_RMS = 'torque_constant_of = "rms phase current"\n'


def test_wrong_motor_keys_are_told(livesense: Callable[..., Any], tmp_path: Any) -> None:
    cases = {
        'torque_constant = "0.2 Nm/A"\n': "torque_constant_of: expected what it is stated of",
        OF_RMS: "torque_constant_of: expected torque_constant beside it",
        'torque_constant = "0.2 Nm/A"\n' + OF_RMS + 'flux_linkage = "1 mWb"\n': (
            "flux_linkage: expected one of torque_constant or flux_linkage"
        ),
        'kind = "induction"\nflux_linkage = "1 mWb"\n': "expected no such constant of an induction machine",
        'shaft_torque = "speed"\n': "shaft_torque: expected the name of a channel in N·m",
        'shaft_speed = "nobody"\n': "shaft_speed: expected the name of a channel in rpm",
        'winding_temperature = "iu"\n': "winding_temperature: expected the name of a channel in °C",
        "winding_temperature = 3\n": 'winding_temperature: expected a temperature such as "80 °C"',
        'voltage_constant = "4 V"\n': "expected a voltage per speed",
        "voltage_constant = 4\n": "expected a voltage per speed such as",
        'torque_constant = "4 V"\n': "expected a torque per current such as",
    }
    for motor, message in cases.items():
        (tmp_path / "pump.toml").write_text(bench(motor), encoding="utf-8")
        answer = livesense("record", "pump.toml", "--port", "file:nowhere", "--json")
        assert answer.code == 2
        assert message in answer.err, answer.err
