"""Figures of benches drawn from their own limits hold the truth (JCGM 101:2008, as a check of JCGM 100:2008).

Each bench has errors of its own, drawn once: they shape every code of its recording. The physics below
know nothing of the budget.
"""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest

from livesense.bench import parse
from livesense.chain import Chain
from livesense.chain.calibration import MeterError, Scale
from livesense.figures import channel_input, shared_by_phases
from livesense.measures.group import GroupMeasures, measure_group
from livesense.samples import CodeType, Estimate, GroupInfo

RATE_HZ, SCANS = 20_000.0, 2000
OHM, GAIN, VREF, STEPS = 0.005, 20.0, 3.3, 4096
LIMITS = {"shunt": 0.01, "gain": 0.003, "offset": 150e-6, "adc_offset": 2.0, "tempco": 50e-6, "drift": 2e-6}
REFERENCE, RAIL, CHANGE_K, BUS_V, LEFT = 0.005, 0.002, 20.0, 24.0, 1e-5
DELAYS_S, DELAY_LIMIT_S = (0.0, 2e-6, 4e-6), 1e-6

BENCH = f"""
[bench]
bus_voltage = "{BUS_V:g} V"
temperature_change = "{CHANGE_K:g} K"
[adc]
bits = 12
reference = "{VREF} V"
reference_tolerance = "{100 * REFERENCE:g} %"
offset_error = "{LIMITS["adc_offset"]:g} LSB"
inl = "0 LSB"
gain_error = "0 %"
[motor]
pole_pairs = 5
""" + "".join(
    f"""
[[channel]]
name = "i{phase.lower()}"
phase = "{phase}"
sensor = "shunt"
shunt = "{1e3 * OHM:g} mΩ"
shunt_tolerance = "{100 * LIMITS["shunt"]:g} %"
shunt_tempco = "{1e6 * LIMITS["tempco"]:g} ppm/K"
gain = {GAIN:g}
gain_error = "{100 * LIMITS["gain"]:g} %"
offset = "{1e6 * LIMITS["offset"]:g} µV"
offset_drift = "{1e6 * LIMITS["drift"]:g} µV/K"
reference = "1.65 V"
zero_tolerance = "{100 * RAIL:g} %"
rail = "the board's"
common_mode_rejection = "{-20 * math.log10(LEFT):g} dB"
delay = "{1e6 * delay:g} us"
delay_tolerance = "{1e6 * DELAY_LIMIT_S:g} us"
"""
    for phase, delay in zip("UVW", DELAYS_S, strict=True)
)


def drawn(rng: np.random.Generator) -> tuple[GroupMeasures, dict[str, float]]:
    """One bench: its figures, and the truth."""
    group = GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv", "iw"))
    chain = Chain(parse(BENCH), [group])
    f_hz, amplitude = rng.uniform(60, 300), rng.uniform(1.0, 12.0)
    negative, turn = rng.uniform(0, 0.02) * amplitude, rng.uniform(0, 2 * math.pi)
    load = rng.uniform(0, math.pi / 3)
    t = np.arange(SCANS) / RATE_HZ
    reference_v = VREF * (1 + rng.uniform(-REFERENCE, REFERENCE))
    rail_v = 1.65 * (1 + rng.uniform(-RAIL, RAIL))
    warmer_k = rng.uniform(-CHANGE_K, CHANGE_K)
    codes = np.empty((SCANS, 3))
    for column in range(3):
        e = {key: rng.uniform(-limit, limit) for key, limit in LIMITS.items()}
        at = t + DELAYS_S[column] + rng.uniform(-DELAY_LIMIT_S, DELAY_LIMIT_S)
        step = -2 * math.pi / 3 * column
        angle = 2 * math.pi * f_hz * at
        current = amplitude * np.cos(angle + step) + negative * np.cos(angle - step + turn)
        modulation = rng.uniform(0, 1)
        leg_v = BUS_V / 2 * (1 + modulation * np.cos(angle + step + load))
        at_inputs_v = current * OHM * (1 + e["shunt"] + e["tempco"] * warmer_k) + e["offset"]
        at_inputs_v += e["drift"] * warmer_k + leg_v * LEFT * rng.uniform(-1, 1)
        pin_v = rail_v + GAIN * (1 + e["gain"]) * at_inputs_v
        pin_v += GAIN * OHM * rng.normal(0, 0.02, SCANS)
        codes[:, column] = pin_v / reference_v * STEPS + e["adc_offset"]
    stored = np.round(codes).astype(np.uint16)
    inputs = {c.name: channel_input(chain, c, stored) for c in chain.group_channels(0)}
    truth = {
        "positive_rms": amplitude / math.sqrt(2),
        "negative_rms": negative / math.sqrt(2),
        "zero_rms": 0.0,
        "residual_rms": math.sqrt(3) * 0.02,
        "unbalance_percent": 100 * negative / amplitude,
        "mean": 0.0,
        "electrical_hz": f_hz,
    }
    for column, name in enumerate(("iu", "iv", "iw")):
        step = -2 * math.pi / 3 * column
        phasor = amplitude * np.exp(1j * step) + negative * np.exp(1j * (turn - step))
        truth[f"{name}.fundamental_rms"] = abs(phasor) / math.sqrt(2)
        truth[f"{name}.angle"] = math.degrees(np.angle(phasor))
    return measure_group(inputs, RATE_HZ, pole_pairs=5), truth


def checked(figures: GroupMeasures, truth: dict[str, float]) -> dict[str, list[bool]]:
    """Whether the k = 2 interval of each figure holds the truth."""
    held: dict[str, list[bool]] = defaultdict(list)

    def put(key: str, figure: Estimate | None, value: float) -> None:
        if figure is not None:
            held[key].append(abs(figure.value - value) <= 2 * figure.u)

    three = figures.three_phase
    assert three is not None
    for key in ("positive_rms", "negative_rms", "zero_rms", "unbalance_percent", "residual_rms"):
        put(key, getattr(three, key), truth[key])
    put("electrical_hz", figures.speed.electrical_hz, truth["electrical_hz"])
    reference = truth["iu.angle"]
    for name, phase in (("iu", "U"), ("iv", "V"), ("iw", "W")):
        channel = figures.channels[name]
        put("mean", channel.mean, 0.0)
        put("fundamental_rms", channel.fundamental_rms, truth[f"{name}.fundamental_rms"])
        if phase != "U" and (angle := three.angles_deg[phase]) is not None:
            off = (angle.value - (truth[f"{name}.angle"] - reference) + 180) % 360 - 180
            held["angle"].append(abs(off) <= 2 * angle.u)
    return held


@pytest.mark.slow
def test_figures_of_a_thousand_benches_hold_the_truth() -> None:
    rng = np.random.default_rng(20261129)
    held: dict[str, list[bool]] = defaultdict(list)
    for _ in range(1000):
        for key, answers in checked(*drawn(rng)).items():
            held[key] += answers
    shares = {key: float(np.mean(answers)) for key, answers in held.items()}
    print({key: round(share, 4) for key, share in shares.items()})
    assert len(shares) == 9
    assert all(len(answers) >= 900 for answers in held.values()), {k: len(v) for k, v in held.items()}
    assert min(shares.values()) >= 0.95, shares


def test_a_rail_that_is_shared_shows_in_the_sum_and_not_in_the_unbalance() -> None:
    """Three zeros moved by one rail: the mean of the sum moves three times as far, not √3 times."""
    group = GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv", "iw"))
    t = np.arange(SCANS) / RATE_HZ
    wave = np.stack([np.cos(2 * math.pi * (100 * t - k / 3)) for k in range(3)], axis=1)
    codes = np.round(2048 + 500 * wave).astype(np.uint16)

    def residual(rail: str) -> Estimate:
        text = BENCH.replace('rail = "the board\'s"', rail)
        for tolerance in ("shunt_tolerance", "gain_error", "offset", "offset_drift"):
            text = "\n".join(line for line in text.splitlines() if not line.startswith(f"{tolerance} ="))
        text = text.replace(f'reference_tolerance = "{100 * REFERENCE:g} %"\n', "")
        text = text.replace(f'offset_error = "{LIMITS["adc_offset"]:g} LSB"\n', "")
        chain = Chain(parse(text), [group])
        inputs = {c.name: channel_input(chain, c, codes) for c in chain.group_channels(0)}
        three = measure_group(inputs, RATE_HZ).three_phase
        assert three is not None and three.residual_rms is not None
        return three.residual_rms

    u_rail_a = 16.5 * RAIL / math.sqrt(3)
    assert residual('rail = "one"').u == pytest.approx(3 * u_rail_a, rel=0.15)
    assert residual("").u == pytest.approx(math.sqrt(3) * u_rail_a, rel=0.15)


def test_one_meter_for_all_three_unbalances_nothing() -> None:
    """Phases calibrated with one meter share its error; a meter of one phase alone is that phase's own."""
    group = GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv", "iw"))
    t = np.arange(SCANS) / RATE_HZ
    wave = np.stack([np.cos(2 * math.pi * (100 * t - k / 3)) for k in range(3)], axis=1)
    codes = np.round(2048 + 1000 * wave).astype(np.uint16)

    def unbalance(*meters: str) -> Estimate:
        chain = Chain(
            parse(BENCH.replace(f'common_mode_rejection = "{-20 * math.log10(LEFT):g} dB"', "")), [group]
        )
        channels = [
            c.with_scale(Scale(c.per_code or 0.0, 2048.0, 0.0, 1e-5, 1e-5, (MeterError(m, 0.01, 0.0),)))
            for c, m in zip(chain.group_channels(0), meters, strict=True)
        ]
        common = shared_by_phases(channels)
        inputs = {c.name: channel_input(chain, c, codes, None, common) for c in channels}
        three = measure_group(inputs, RATE_HZ).three_phase
        assert three is not None and three.unbalance_percent is not None
        return three.unbalance_percent

    # What is left is the shunts' drift with temperature, 50 ppm/K over 20 K.
    assert unbalance("one", "one", "one").u < 0.05
    assert unbalance("one", "two", "three").u > 0.3
    assert unbalance("one", "one", "two").u > 0.3
