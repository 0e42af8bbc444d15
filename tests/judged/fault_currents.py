"""Currents of the three phases of a drawn bench, with those faults that are in the machine or in time.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

import numpy as np

THIRD = 2 * np.pi / 3
SIX_STEPS = np.array([[1, -1, 0], [1, 0, -1], [0, 1, -1], [-1, 1, 0], [-1, 0, 1], [0, -1, 1]])


def lowpass(values, share):
    """First-order recursion y += share · (x − y), in blocks of cumulative sums, as a loop is slow."""
    values = np.asarray(values, float)
    kept = 1 - share
    block = max(1, min(len(values), int(200 / max(1e-9, -np.log(max(kept, 1e-12))))))
    powers = kept ** np.arange(block)
    out, state = np.empty_like(values), values[0]
    for begin in range(0, len(values), block):
        part = values[begin : begin + block]
        weights = powers[: len(part)]
        out[begin : begin + len(part)] = np.cumsum(share * part / weights) * weights + state * weights * kept
        state = out[begin + len(part) - 1]
    return out


class PhaseWaves:
    """Three currents of one machine that add up to nothing: harmonics, some unbalance, some ripple."""

    def __init__(self, rng, bench, motion):
        self.motion = motion
        self.unbalance = rng.normal(0, 0.0015, 2)
        self.part = {
            1: 1.0,
            5: rng.uniform(0.008, 0.025),
            7: rng.uniform(0.005, 0.015),
            11: rng.uniform(0.001, 0.004),
        }
        self.phase = {order: rng.uniform(0, 2 * np.pi) for order in (5, 7, 11)} | {1: 0}
        ripple = rng.normal(0, 0.003 * bench.rated, (len(motion.t), 3)) * motion.moving[:, None]
        self.ripple = ripple - ripple.mean(1, keepdims=True)

    def late(self, channel, delay_s):
        """Current of a channel that is sampled `delay_s` late."""
        motion = self.motion
        angle = motion.angle + 2 * np.pi * motion.hertz * motion.share * delay_s
        wave = sum(
            part * np.sin(order * (angle - channel * THIRD) + self.phase[order])
            for order, part in self.part.items()
        )
        back = -angle - channel * THIRD
        wave = wave + self.unbalance[0] * np.sin(back) + self.unbalance[1] * np.cos(back)
        return motion.amplitude * wave + self.ripple[:, channel]

    def slow(self, channel, cutoff_hz):
        """Current behind a first-order filter: the exact steady answer of every harmonic."""
        motion, wave = self.motion, 0
        for order, part in self.part.items():
            answer = 1 / (1 + 1j * order * motion.hertz / cutoff_hz)
            turned = order * (motion.angle - channel * THIRD) + self.phase[order] + np.angle(answer)
            wave = wave + part * abs(answer) * np.sin(turned)
        return motion.amplitude * wave + self.ripple[:, channel] * 0.1


def _draw_delays(rng, bench):
    """Delays (s) that the file states."""
    if bench.variant == "delays" or rng.random() < 0.2:
        return np.array([0, 1e-6, 2e-6]) * float(rng.choice([0.5, 1.5]))
    return None


def _draw_channels(rng, bench):
    """Deal the faults to channels; a floating input follows its neighbour, which stays without fault."""
    dealt = rng.permutation(3).tolist()
    bench.channel_of.update(zip(bench.faults, dealt, strict=False))
    if not bench.has("floating"):
        return
    floating = int(rng.integers(1, 3))
    bench.channel_of["floating"] = floating
    taken = (floating, floating - 1)
    for fault in bench.faults:
        if fault != "floating" and bench.channel_of[fault] in taken:
            bench.channel_of[fault] = next(k for k in range(3) if k not in taken)


def _driven_otherwise(bench, motion, waves, currents):
    """Six-step, aligned, or at rest."""
    if bench.variant == "six-step":
        sector = np.floor(np.mod(motion.angle, 2 * np.pi) / (np.pi / 3)).astype(int) % 6
        steps = 0.15 * bench.rated * SIX_STEPS[sector] * motion.moving[:, None]
        share = 1 - np.exp(-1 / (bench.rate * 3e-4))
        return np.stack([lowpass(step, share) for step in steps.T], 1) + waves.ripple
    if bench.variant == "align":
        on = motion.t >= max(motion.still_s, 0.5)
        steps = np.array([1, -0.5, -0.5]) * 0.5 * bench.rated * on[:, None]
        share = 1 - np.exp(-1 / (bench.rate * 0.01))
        return np.stack([lowpass(step, share) for step in steps.T], 1)
    return np.zeros_like(currents) if motion.rest else currents


def draw_currents(rng, bench, motion):
    """Currents (scans, 3) in A, and the delays (s) that the file states, or None."""
    waves = PhaseWaves(rng, bench, motion)
    stated = _draw_delays(rng, bench)
    if bench.has("missing-phase"):
        rng.integers(0, 3)
    _draw_channels(rng, bench)
    delays = np.zeros(3) if stated is None else stated.copy()
    if bench.has("skew"):
        degrees = bench.seeded["skew_deg"] = float(rng.uniform(6, 11))
        delays[bench.channel_of["skew"]] += degrees / 360 / motion.hertz
    currents = np.stack([waves.late(k, delays[k]) for k in range(3)], 1)
    currents = _driven_otherwise(bench, motion, waves, currents)
    if bench.has("missing-phase"):
        missing = bench.channel_of["missing-phase"]
        one, other = (k for k in range(3) if k != missing)
        currents[:, missing] = 0
        currents[:, other] = -currents[:, one]
    if bench.has("aliasing"):
        folded_hz = motion.hertz * float(rng.choice([1.37, 2.43, 3.61, 0.618]))
        share = float(rng.uniform(0.07, 0.12))
        bench.seeded["folded"] = [folded_hz, share]
        for k in range(3):
            tone = np.sin(2 * np.pi * folded_hz * motion.t - k * THIRD)
            currents[:, k] += share * motion.peak * tone * motion.moving
    if bench.has("bandwidth"):
        cutoff_hz = bench.seeded["cutoff_hz"] = motion.hertz / float(rng.uniform(0.22, 0.45))
        slow = bench.channel_of["bandwidth"]
        currents[:, slow] = waves.slow(slow, cutoff_hz)
    return currents, stated
