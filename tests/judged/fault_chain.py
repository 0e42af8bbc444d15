"""From currents to codes: shunts, amplifiers and converter of a drawn bench, with their faults.

Every error of the chain is drawn evenly within 80 % of the limit that the bench file states.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from fault_bench import REFERENCE_V, SWING_V
from fault_currents import lowpass

PHASES = ["iu", "iv", "iw"]
DIVIDER = {24.0: 11, 36.0: 16, 48.0: 21}
AMPLIFIER_RAIL_V = 0.01


@dataclass
class Chain:
    """One sensor as it really is: `zero` is its output (V) at no current."""

    shunt: float
    gain: float
    offset: float
    sign: float
    noise_v: float
    zero: float = REFERENCE_V / 2

    def volts(self, current, white):
        signal = self.zero + self.sign * self.gain * self.shunt * current + self.gain * self.offset
        return signal + white * self.noise_v


@dataclass(frozen=True)
class Channel:
    """One channel of the file: `chain` is what is really there."""

    name: str
    phase: int
    place: str
    chain: Chain
    stated_reference: str = "mid-supply"


def _within(rng, limit):
    return float(rng.uniform(-0.8, 0.8) * limit)


def _draw_chain(rng, bench, sign, noise_v):
    limits = bench.limits
    return Chain(
        shunt=bench.shunt * (1 + _within(rng, limits["shunt"])),
        gain=bench.gain * (1 + _within(rng, limits["gain"])),
        offset=_within(rng, limits["offset"]),
        sign=sign,
        noise_v=noise_v,
    )


def _wrong_scale(rng, bench, motion, chain):
    """Another gain or shunt than stated, with the tops still whole."""
    peak = motion.peak * 1.08 / bench.span
    options = [("gain", ratio) for ratio in (0.4, 0.5, 1 / 3, 2.5, 2.0) if ratio * peak < 0.8]
    options += [("shunt", ratio) for ratio in (0.5, 2.0) if ratio * peak < 0.8]
    part, ratio = options[int(rng.integers(0, len(options)))]
    setattr(chain, part, getattr(chain, part) * ratio)
    bench.seeded["scale"] = [part, ratio]


def _wrong_zero(rng, bench, motion, chain):
    shift = float(rng.choice([-1, 1])) * rng.uniform(0.035, 0.08) * REFERENCE_V
    room = REFERENCE_V / 2 - SWING_V - motion.peak * 1.1 * bench.shunt * bench.gain
    if abs(shift) > room:  # keeps the tops whole
        shift = np.sign(shift) * max(0.025 * REFERENCE_V, room * 0.8)
    chain.zero += shift
    bench.seeded["zero_v"] = float(shift)


def _seed(rng, bench, motion, chains, references, noise_v):
    """Faults of the sensors; returns from which phase each channel gets its current."""
    wired = [0, 1, 2]
    for fault in bench.faults:
        k = bench.channel_of[fault]
        if fault == "scale":
            _wrong_scale(rng, bench, motion, chains[k])
        elif fault == "reversed":
            chains[k].sign *= -1
        elif fault == "zero-off":
            _wrong_zero(rng, bench, motion, chains[k])
        elif fault == "reference-setup":
            if rng.random() < 0.5:
                chains[k].zero = 0.0
                bench.seeded["reference"] = "really ground"
            else:
                references[k] = "ground"
                bench.seeded["reference"] = "file says ground"
        elif fault == "noisy":
            wide = float(rng.uniform(0.04, 0.06)) * bench.rated * bench.shunt * bench.gain
            chains[k].noise_v = wide + 8 * noise_v
        elif fault == "swapped":
            wired = [0, 2, 1]
    return wired


def _draw_pair(rng, bench, noise_v):
    """A second sensor in a phase that has one already, or None."""
    if not (bench.has("pair") or (not bench.faults and bench.variant == "normal" and rng.random() < 0.25)):
        return None
    phase = bench.channel_of.get("pair", 0)
    chain = _draw_chain(rng, bench, -1.0, noise_v)
    if bench.has("pair"):
        wrong = bench.seeded["pair"] = float(rng.choice([-1, 1])) * rng.uniform(0.07, 0.11)
        chain.gain *= 1 + wrong
    return Channel(f"{PHASES[phase]}_low", phase, "low-side", chain)


class Converter:
    """Volts to codes, all of them by one reference that is off by some share."""

    def __init__(self, rng, bench):
        self.lsb = bench.lsb * (1 + _within(rng, bench.limits["reference"]))
        self.limit = bench.limits["adc_offset"]

    def codes(self, rng, volts):
        return np.rint(volts / self.lsb + _within(rng, self.limit))


def _phase_codes(rng, bench, motion, channel, current, converter):
    own = channel.name in PHASES
    if own and bench.hits("no-signal", channel.phase):
        current = 0 * current
    volts = channel.chain.volts(current, rng.normal(0, 1, len(motion.t)))
    if own and bench.hits("drift", channel.phase):
        counts = float(rng.choice([-1, 1])) * rng.uniform(60, 90)
        bench.seeded["drift_v"] = drift_v = counts / 4096 * REFERENCE_V * motion.seconds / 5
        volts = volts + drift_v * motion.t / motion.seconds
    if own and bench.hits("clipped", channel.phase):
        chain = channel.chain
        volts = np.minimum(volts, chain.zero + 0.72 * motion.peak * chain.gain * chain.shunt)
    return converter.codes(rng, np.clip(volts, AMPLIFIER_RAIL_V, REFERENCE_V - AMPLIFIER_RAIL_V))


def _float(rng, bench, columns, noise_lsb):
    """An input that follows what the converter sampled before it."""
    k = bench.channel_of["floating"]
    before, middle = columns[k - 1], 2**bench.bits / 2
    follows = (lowpass(before, 0.9) - middle) * rng.uniform(0.75, 0.95)
    columns[k] = np.rint(middle + follows + rng.normal(0, noise_lsb, len(before)))


def _stick(rng, bench, columns):
    """One code for ever, or one bit that is always set."""
    k = bench.channel_of["stuck"]
    if rng.random() < 0.6:
        code = float(rng.choice([0, 2**bench.bits - 1, 2 ** (bench.bits - 1) + 37]))
        columns[k] = np.full(len(columns[k]), code)
        bench.seeded["stuck"] = "code"
    else:
        bit = int(rng.integers(bench.bits - 8, bench.bits - 4))
        columns[k] = (columns[k].astype(int) | (1 << bit)).astype(float)
        bench.seeded["stuck"] = f"bit {bit}"


def _bus_current(rng, bench, motion, currents):
    """What the bus gives for the power of the phases; or, as a fault, far less or more than can be."""
    depth = 0.15 if bench.has("bus") else min(1.0, motion.hertz / 400 + 0.15) * 0.8
    shaft = 1.5 * motion.amplitude * motion.share * (depth * bench.volts / np.sqrt(3) * 0.9)
    power = shaft + 1.5 * motion.amplitude**2 * (bench.resistance + bench.shunt)
    power = power * (0 if motion.rest else 0.6 if bench.has("missing-phase") else 1)
    current = power / bench.volts
    if bench.variant in ("six-step", "align"):
        current = np.abs(currents).sum(1) / 2 * 0.3
    if bench.has("bus"):
        if rng.random() < 0.5:
            bench.seeded["bus"], current = "too little", current * 0.08
        else:
            bench.seeded["bus"] = "too much"
            level = 1.35 * motion.peak / np.sqrt(2) + 0.3 * bench.rated
            current = level * rng.uniform(1.4, 1.7) * motion.moving
    return np.clip(current, 0, None)


def _bus_codes(rng, bench, motion, currents, converter, noise_v):
    """Codes of the bus current and voltage, and the shunt (Ω) of the first."""
    current, scans = _bus_current(rng, bench, motion, currents), len(motion.t)
    shunt = bench.shunt if current.max() < 0.8 * bench.span else bench.shunt / 2
    gain = bench.gain * (1 + _within(rng, bench.limits["gain"]))
    true_shunt = shunt * (1 + _within(rng, bench.limits["shunt"]))
    offset_v = bench.gain * _within(rng, bench.limits["offset"])
    volts = REFERENCE_V / 2 + gain * true_shunt * current + offset_v + rng.normal(0, noise_v, scans)
    first = converter.codes(rng, np.clip(volts, AMPLIFIER_RAIL_V, REFERENCE_V - AMPLIFIER_RAIL_V))
    bus_v = bench.volts * (1 + _within(rng, 0.005)) - current * 0.03 + rng.normal(0, 0.01, scans)
    divided = bus_v / DIVIDER[bench.volts] * (1 + _within(rng, 0.005)) + rng.normal(0, noise_v, scans)
    return [first, converter.codes(rng, np.clip(divided, 0, REFERENCE_V))], shunt


def draw_codes(rng, bench, motion, currents):
    """Channels of the phases, codes (scans, all channels), and the shunt (Ω) of the bus or None."""
    converter = Converter(rng, bench)
    noise_lsb = float(rng.uniform(0.6, 1.3)) * max(1, 2**bench.bits / 4096 * 0.5)
    noise_v = noise_lsb * bench.lsb
    sign = -1.0 if bench.low_side else 1.0
    chains = [_draw_chain(rng, bench, sign, noise_v) for _ in PHASES]
    references = ["mid-supply"] * 3
    wired = _seed(rng, bench, motion, chains, references, noise_v)
    channels = [Channel(PHASES[k], k, bench.place, chains[k], references[k]) for k in range(3)]
    pair = _draw_pair(rng, bench, noise_v)
    channels += [pair] if pair else []
    columns = []
    for k, channel in enumerate(channels):
        if k < 3 and bench.hits("floating", k):
            columns.append(None)
            continue
        source = wired[channel.phase] if channel.place == bench.place else channel.phase
        columns.append(_phase_codes(rng, bench, motion, channel, currents[:, source], converter))
    if bench.has("floating"):
        _float(rng, bench, columns, noise_lsb)
    if bench.has("stuck"):
        _stick(rng, bench, columns)
    bus_shunt = None
    if bench.bus:
        more, bus_shunt = _bus_codes(rng, bench, motion, currents, converter, noise_v)
        columns += more
    return channels, np.clip(np.stack(columns, 1), 0, 2**bench.bits - 1).astype(np.int64), bus_shunt
