"""Channels that do not show what the others do: stuck, silent, open, or repeating their neighbour."""

from __future__ import annotations

import cmath
import itertools
import math
from collections.abc import Sequence

import numpy as np

from livesense.checks.evidence import PHASES, Evidence, Sensed
from livesense.checks.findings import SAFE, Finding, Kind, fault
from livesense.checks.kirchhoff import sequence_of
from livesense.checks.looks import Look, Motion
from livesense.samples import FloatArray

SILENT = 0.05
"""Below this share of the other phases a channel shows nothing: cross-talk is less, and no gain is wrong
by twenty (common practice, no source)."""

CLEAR = 8.0
"""The others count as alternating from so many times their noise, rms."""

OPPOSITE_DEG = 25.0
"""Two phases within this of opposite carry one and the same current: the third is open. Healthy ones are 120°
apart, reversed ones 60°."""

REPEATS_DEG = 12.0
REPEATS_SHARE = (0.5, 1.15)
"""Angle and size within which a channel repeats the one before it: no two phases are so near."""

QUIET_CODES = 0.4
"""With less noise than this a channel that shows nothing may well stay at one code."""

FEWEST_TURNS = 6
"""Changes of sign that tell an alternating current from a step, where there is no steady line."""

FEWEST_CODES = 8
"""Codes that the others must sweep before a constant one is odd."""


def dead_channels(evidence: Evidence, looks: Sequence[Look]) -> dict[str, Finding]:
    """Find them in all stretches; the first finding of each channel is kept."""
    found: dict[str, Finding] = {}
    for place in evidence.places().values():
        measured = [c for c in place.values() if c.measured]
        for one in looks:
            for channel, finding in _in_look(evidence, one, measured):
                found.setdefault(channel, finding)
    for name, finding in _stuck_bits(evidence, looks).items():
        found.setdefault(name, finding)
    for name, finding in _constant(evidence, looks).items():
        found.setdefault(name, finding)
    return found


def _in_look(evidence: Evidence, one: Look, place: Sequence[Sensed]) -> list[tuple[str, Finding]]:
    here = [c for c in place if c.name in one.seen]
    everywhere = [c for c in evidence.channels.values() if c.is_phase_current and c.measured]
    like = [c for c in everywhere if c.name in one.seen]
    if one.motion is Motion.STILL or not here or len(like) < 2:
        return []
    found = []
    repeating = _repeating(evidence, one, here)
    for channel, other in repeating.items():
        found.append((channel, _floating(one, channel, other)))
    rest = [c for c in here if c.name not in repeating]
    for part in one.pieces:
        spread = {c.name: float(one.values(c.name)[part].std()) for c in like}
        clear = [n for n in spread if spread[n] > CLEAR * max(one.seen[n].noise, _rounding(evidence, n))]
        if not clear:
            continue
        loud = max(clear, key=lambda name: spread[name])
        most = spread[loud]
        if one.fit is None and _turns(one.values(loud)[part]) < FEWEST_TURNS:
            continue
        for c in rest:
            codes = one.codes(c)[part]
            still = bool(np.all(codes == codes[0]))
            if still and most > FEWEST_CODES * evidence.channels[loud].lsb:
                quiet = all(one.seen[o.name].noise < QUIET_CODES * o.lsb for o in rest if o is not c)
                at_zero = quiet and abs(float(one.values(c.name)[part][0])) < max(1.5 * c.lsb, c.u_zero)
                if not at_zero and not _open(one, c, rest, part):
                    found.append((c.name, _stuck(c, float(codes[0]), one, part)))
                    continue
            size = _alternating(one, c.name, part)
            if size < SILENT * _alternating(one, loud, part):
                of_phase = [o for o in like if o.phase == c.phase]
                others = rest if len(rest) > 1 else of_phase
                share = size / _alternating(one, loud, part)
                found.append((c.name, _silent(one, c, others, part, share)))
    return found


def _rounding(evidence: Evidence, name: str) -> float:
    return evidence.channels[name].lsb / math.sqrt(12)


def _alternating(one: Look, name: str, part: slice) -> float:
    """Size of a channel's alternating part, rms: at the line where there is one, else what noise is not."""
    values = one.values(name)[part]
    if one.fit is None:
        return math.sqrt(max(float(values.var()) - one.seen[name].noise ** 2, 0.0))
    angle = 2 * np.pi * one.frequency_hz / one.stretch.rate_hz * np.arange(len(values))
    return abs(complex(np.mean((values - values.mean()) * np.exp(-1j * angle)))) * math.sqrt(2)


def _turns(values: FloatArray) -> int:
    """How often values go from well above their mean to well below, and back."""
    off = values - values.mean()
    beyond = off[np.abs(off) > 0.5 * off.std()] > 0
    return int(np.count_nonzero(beyond[1:] != beyond[:-1]))


def _angle_between(one: Look, a: str, b: str, part: slice) -> float | None:
    """Angle between two channels within a part, degrees from 0 to 180; None where it is not known."""
    if one.fit is None:
        x, y = one.values(a)[part], one.values(b)[part]
        x, y = x - x.mean(), y - y.mean()
        size = math.sqrt(float(x @ x) * float(y @ y))
        return math.degrees(math.acos(max(-1.0, min(1.0, float(x @ y) / size)))) if size else None
    angle = 2 * np.pi * one.frequency_hz / one.stretch.rate_hz * np.arange(part.start, part.stop)
    turn = np.exp(-1j * angle)
    za, zb = (complex(np.mean((one.values(n)[part] - one.values(n)[part].mean()) * turn)) for n in (a, b))
    return abs(math.degrees(cmath.phase(za / zb))) if abs(zb) and abs(za) else None


def _open(one: Look, channel: Sensed, place: Sequence[Sensed], part: slice) -> bool:
    """Whether the other two carry one current, so that this phase's line is open and reads about zero."""
    others = [c.name for c in place if c.name != channel.name]
    if len(others) != 2:
        return False
    angle = _angle_between(one, others[0], others[1], part)
    if angle is None or min(angle, 180 - angle) > OPPOSITE_DEG:
        return False
    size = max(float(np.abs(one.values(n)[part]).max()) for n in others)
    return abs(float(one.values(channel.name)[part].mean())) < 0.5 * size


def _silent(one: Look, c: Sensed, place: Sequence[Sensed], part: slice, share: float) -> Finding:
    others = [o for o in place if o.name != c.name]
    names = " and ".join(o.name for o in others)
    percent = 100 * share
    if _open(one, c, place, part):
        return fault(
            Kind.MISSING_PHASE,
            c.name,
            f"{c.name} carries {percent:.2g} % of the other phases' current, and {names} are opposite to "
            f"each other: "
            f"phase {c.phase} is open.",
            SAFE + f"check the motor lead, fuse and switches of phase {c.phase}.",
            share_percent=percent,
        )
    fix = SAFE + f"check the shunt's sense lines, the amplifier's supply and the ADC pin of {c.name}."
    if len(others) == 1 and others[0].phase == c.phase:
        text = f"{c.name} shows {percent:.2g} % of what {names} shows of the same phase."
        return fault(Kind.NO_SIGNAL, c.name, text, fix, share_percent=percent)
    if len(others) < 2:
        # A computed third phase returns what the other one carries, whatever flows here.
        text = (
            f"{c.name} shows {percent:.2g} % of what {names} shows: phase {c.phase} is open, or its "
            "sensor is dead; with two sensors both look alike."
        )
        return fault(Kind.MISSING_PHASE, c.name, text, fix, share_percent=percent)
    text = (
        f"{c.name} shows {percent:.2g} % of what {names} show, though their sum must return through phase "
        f"{c.phase}."
    )
    return fault(Kind.NO_SIGNAL, c.name, text, fix, share_percent=percent)


def _stuck(c: Sensed, code: float, one: Look, part: slice) -> Finding:
    since = one.stretch.start_s + part.start / one.stretch.rate_hz
    return fault(
        Kind.STUCK,
        c.name,
        f"{c.name} stays at code {code:g} from {since:.3g} s on while the other phases alternate.",
        SAFE + f"check the amplifier's supply and output and the ADC pin of {c.name}, and that the firmware "
        f"converts column {c.settings.column} anew in each scan.",
        code=code,
    )


def _constant(evidence: Evidence, looks: Sequence[Look]) -> dict[str, Finding]:
    """Find channels whose code never changes though like ones show noise of a code or more."""
    found: dict[str, Finding] = {}
    names = [n for n, c in evidence.channels.items() if c.measured and c.chain.quantity == "current"]
    for name in names:
        c = evidence.channels[name]
        here = [one for one in looks if name in one.seen]
        if not here or any(one.seen[name].spread for one in here):
            continue
        alike = [
            one.seen[n].noise / evidence.channels[n].lsb
            for one in here
            for n in names
            if n != name and n in one.seen and evidence.channels[n].lsb
        ]
        if alike and float(np.median(alike)) >= 1.0:
            code = float(here[0].codes(c)[0])
            found[name] = fault(
                Kind.STUCK,
                name,
                f"{name} never leaves code {code:g}, while like channels show noise of "
                f"{float(np.median(alike)):.2g} "
                "codes.",
                SAFE
                + f"check the amplifier and the ADC pin of {name}, and that the firmware converts column "
                f"{c.settings.column} anew in each scan.",
                code=code,
            )
    return found


def _stuck_bits(evidence: Evidence, looks: Sequence[Look]) -> dict[str, Finding]:
    """Find bits of a code that never change, well below those that do, unless all channels are so."""
    held: dict[str, int] = {}
    swept: dict[str, int] = {}
    for name, c in evidence.channels.items():
        parts = [
            one.codes_that_came(c) for one in looks if c.is_phase_current and c.measured and name in one.seen
        ]
        if not parts or parts[0].dtype.kind not in "iu" or not c.lsb_v:
            continue
        codes = np.concatenate(parts).astype(np.int64)
        span = int(codes.max() - codes.min())
        change = int(np.bitwise_or.reduce(codes ^ codes[0]))
        # A sweep over twice a bit's worth turns it for certain.
        below = (1 << max(0, span.bit_length() - 1)) - 1
        held[name], swept[name] = below & ~change, below
    found = {}
    for name, bits in held.items():
        if not bits or any(bits & held[o] for o in held if o != name and swept[o] >= bits):
            continue
        lowest = (bits & -bits).bit_length() - 1
        found[name] = fault(
            Kind.STUCK,
            name,
            f"Bit {lowest} of {name} never changes, though its codes sweep over {2 << lowest} and more.",
            SAFE + "check the converter's data lines, and the masks and shifts in the firmware.",
            bit=lowest,
        )
    return found


def _repeating(evidence: Evidence, one: Look, place: Sequence[Sensed]) -> dict[str, str]:
    """Channels that follow the one sampled just before them, with that one's name."""
    if one.fit is None:
        return {}
    found: dict[str, str] = {}
    width = one.stretch.codes.shape[1]
    for a, b in itertools.combinations(sorted(place, key=lambda c: c.position or 0), 2):
        if not (a.lsb and b.lsb) or a.phase == b.phase or not _alike(one, a, b):
            continue
        others = [c for c in place if c not in (a, b)]
        # Where nothing is left for the third phase, the two carry one current and one of them is reversed.
        if any(abs(one.seen[c.name].phasor) < 0.3 * abs(one.seen[a.name].phasor) for c in others):
            continue
        follower = _follower(evidence, one, a, b, others, width)
        found[follower.name] = (a if follower is b else b).name
    return found


def _alike(one: Look, a: Sensed, b: Sensed) -> bool:
    """Whether two channels carry the same voltage at the pin: a pin that floats keeps one."""
    signs = math.copysign(1.0, (a.chain.per_code or 1.0) * (b.chain.per_code or 1.0))
    x, y = one.seen[a.name].phasor / a.lsb, signs * one.seen[b.name].phasor / b.lsb
    if min(abs(x), abs(y)) < CLEAR * max(
        one.seen[a.name].u_phasor / a.lsb, one.seen[b.name].u_phasor / b.lsb
    ):
        return False
    if not (x and y):
        return False
    low, high = REPEATS_SHARE
    near = abs(math.degrees(cmath.phase(y / x))) < REPEATS_DEG
    return near and (low < abs(y / x) < high or low < abs(x / y) < high)


def _follower(
    evidence: Evidence, one: Look, a: Sensed, b: Sensed, others: Sequence[Sensed], width: int
) -> Sensed:
    """Tell which of two that are alike repeats the other; ``a`` is sampled before ``b``.

    Where the order of the phases is stated, only one of them fits it together with the third phase.
    """
    motor = evidence.bench.motor
    if motor is not None and motor.sequence is not None and others:
        third = one.seen[others[0].name].phasor
        fits = []
        for right, wrong in ((a, b), (b, a)):
            true = {right.phase: one.seen[right.name].phasor, others[0].phase: third}
            true[wrong.phase] = -(one.seen[right.name].phasor + third)
            forward = sequence_of(np.array([true[p] for p in PHASES]), (0, 1, 2)) > 0
            if forward == (motor.sequence == "UVW"):
                fits.append(wrong)
        if len(fits) == 1:
            return fits[0]
    around = (a.position or 0) == 0 and (b.position or 0) == width - 1 and width > 2
    return a if around else b


def _floating(one: Look, name: str, other: str) -> Finding:
    ratio = abs(one.seen[name].phasor) / abs(one.seen[other].phasor)
    return fault(
        Kind.FLOATING,
        name,
        f"{name} repeats {other}, which is sampled just before it: {100 * ratio:.3g} % of its current, at "
        f"the same "
        "angle.",
        SAFE + f"check that the amplifier of {name} is on and that its output reaches the ADC pin.",
        share_percent=100 * ratio,
    )
