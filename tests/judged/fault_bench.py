"""Benches drawn by lot, and what their motor does.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

REFERENCE_V = 3.3
SWING_V = 0.05
"""What the amplifier keeps from either rail."""

SHUNTS_AND_GAINS = [(5e-3, 20), (2e-3, 50), (1e-3, 50), (10e-3, 20), (5e-3, 50), (1e-3, 20)]
RATES = [10000, 16000, 20000, 40000, 50000]
RAMP_S = 0.6
BUS_COPPER = 3.5
"""Where the bus is wrong much of the power must be copper loss, so that it can show."""


@dataclass
class Bench:
    """A bench: its file will say this, and the faults will make some of it untrue.

    Currents in A, resistances in Ω, voltages in V, rates in 1/s. The chain takes `span` amperes each way.
    """

    faults: tuple[str, ...]
    variant: str
    wire: str
    rate: float
    bits: int
    shunt: float
    gain: int
    low_side: bool
    bus: bool
    rated: float
    span: float
    limits: dict[str, float]
    volts: float
    pole_pairs: int
    resistance: float
    seeded: dict[str, Any] = field(default_factory=dict)
    """What the faults are in numbers."""

    channel_of: dict[str, int] = field(default_factory=dict)
    """Phase channel of each fault."""

    def has(self, fault: str) -> bool:
        return fault in self.faults

    def hits(self, fault: str, channel: int) -> bool:
        return self.has(fault) and self.channel_of[fault] == channel

    @property
    def lsb(self) -> float:
        return REFERENCE_V / 2**self.bits

    @property
    def place(self) -> str:
        return "low-side" if self.low_side else "in-line"


@dataclass
class Motion:
    """What the motor does: times (s), angle (rad), share of full speed, and amplitude (A) of every scan."""

    seconds: float
    hertz: float
    load: float
    still_s: float
    rest: bool
    t: np.ndarray
    share: np.ndarray
    angle: np.ndarray
    peak: float
    amplitude: np.ndarray

    @property
    def moving(self) -> np.ndarray:
        return self.t >= self.still_s


def draw_bench(rng, faults, variant):
    has = faults.__contains__
    wire = str(rng.choice(["framed", "record", "text"], p=[0.5, 0.32, 0.18]))
    if has("rate"):
        wire = str(rng.choice(["record", "text"]))
    rate = 10000.0 if wire == "text" else float(rng.choice(RATES, p=[0.25, 0.2, 0.3, 0.15, 0.1]))
    bits = int(rng.choice([12, 12, 14, 16]))
    shunt, gain = SHUNTS_AND_GAINS[int(rng.integers(0, len(SHUNTS_AND_GAINS)))]
    span = (REFERENCE_V / 2 - SWING_V) / (shunt * gain)
    low_side = variant == "low-side" or (not variant and rng.random() < 0.2 and not has("pair"))
    bus = has("bus") or (variant != "low-side" and rng.random() < 0.4)
    rated = span * rng.uniform(0.45, 0.8) / np.sqrt(2)
    if has("range-small"):
        rated = span * rng.uniform(1.12, 1.4) / np.sqrt(2)
    if has("range-tight"):
        rated = span * rng.uniform(0.935, 0.97) / np.sqrt(2)
    limits = {
        "reference": 0.002,
        "shunt": float(rng.choice([0.005, 0.01])),
        "gain": float(rng.choice([0.003, 0.005])),
        "offset": float(rng.choice([1e-4, 1.5e-4])),
        "adc_offset": 2.0,
    }
    volts = float(rng.choice([24, 36, 48]))
    pole_pairs = int(rng.integers(2, 8))
    resistance = 0.06 * volts / np.sqrt(3) / (rated * np.sqrt(2)) * (BUS_COPPER if has("bus") else 1)
    return Bench(
        faults=tuple(faults),
        variant=variant,
        wire=wire,
        rate=rate,
        bits=bits,
        shunt=shunt,
        gain=gain,
        low_side=bool(low_side),
        bus=bool(bus),
        rated=rated,
        span=span,
        limits=limits,
        volts=volts,
        pole_pairs=pole_pairs,
        resistance=resistance,
    )


def _draw_speed_and_load(rng, bench):
    """Electrical frequency (Hz) and share of the rated current, such that every fault can show."""
    fastest = min(400, bench.rate / 30)
    hertz = float(np.exp(rng.uniform(np.log(5), np.log(fastest))))
    load = float(rng.uniform(0.05, 1.0))
    if bench.faults:
        load = float(rng.uniform(0.4, 0.9))
        hertz = max(hertz, 12.0)
    if bench.has("skew") or bench.has("bandwidth"):
        hertz = float(rng.uniform(150, fastest))
    if bench.variant == "light":
        load = float(rng.uniform(0.04, 0.07))
    if bench.has("range-small"):
        load = float(rng.uniform(0.3, 0.55))
    return hertz, load


def draw_motion(rng, bench):
    seconds = float(rng.uniform(3, 5) if bench.wire == "text" else rng.uniform(3, 8))
    if bench.rate > 20000:
        seconds = min(seconds, 5.0)
    hertz, load = _draw_speed_and_load(rng, bench)
    t = np.arange(int(seconds * bench.rate)) / bench.rate
    still_s = float(rng.choice([0, rng.uniform(0.6, 1.4)]))
    if (bench.has("zero-off") and rng.random() < 0.6) or bench.has("reference-setup"):
        still_s = float(rng.uniform(0.7, 1.3))
    rest = bench.variant == "rest" or (bench.has("drift") and rng.random() < 0.5)
    ramp_s = RAMP_S
    if bench.variant == "run-up":
        still_s, ramp_s = 0.3, seconds * 0.6
    share = np.clip((t - still_s) / ramp_s, 0, 1) if still_s else np.ones(len(t))
    angle = 2 * np.pi * np.cumsum(hertz * share) / bench.rate + rng.uniform(0, 2 * np.pi)
    peak = load * bench.rated * np.sqrt(2)
    amplitude = peak * (t >= still_s) * (1 + 0.004 * np.sin(2 * np.pi * 0.7 * t))
    return Motion(seconds, hertz, load, still_s, bool(rest), t, share, angle, peak, amplitude)
