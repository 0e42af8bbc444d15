"""Channels that do not show what the others do: stuck, silent, open, or repeating their neighbour."""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from livesense.checks.evidence import Evidence, Sensed
from livesense.checks.findings import SAFE, Finding, Kind, fault
from livesense.checks.looks import Look, Motion

SILENT = 0.05
"""Below this share of the other phases a channel shows nothing: cross-talk is less, and no gain is wrong
by twenty (common practice, no source)."""

CLEAR = 8.0
"""The others count as alternating from so many times their noise, rms."""

OPPOSITE_DEG = 25.0
"""Two phases within this of opposite carry one and the same current: the third is open. Healthy ones are 120° apart,
reversed ones 60°."""

REPEATS_DEG = 12.0
REPEATS_SHARE = (0.5, 1.15)
"""Angle and size within which a channel repeats the one before it: no two phases are so near."""

FEWEST_CODES = 8
"""Codes that the others must sweep before a constant one is odd."""


@dataclass(frozen=True, slots=True)
class Dead:
    """A channel that does not take part, with its finding."""

    name: str
    finding: Finding


def dead_channels(evidence: Evidence, looks: Sequence[Look]) -> dict[str, Finding]:
    """Find them in all stretches; the first finding of each channel is kept."""
    found: dict[str, Finding] = {}
    for place in evidence.places().values():
        measured = [c for c in place.values() if c.measured]
        for one in looks:
            for channel, finding in _in_look(evidence, one, measured):
                found.setdefault(channel, finding)
    for name, finding in _constant(evidence, looks).items():
        found.setdefault(name, finding)
    return found


def _in_look(evidence: Evidence, one: Look, place: Sequence[Sensed]) -> list[tuple[str, Finding]]:
    here = [c for c in place if c.name in one.seen]
    if one.motion is Motion.STILL or len(here) < 2:
        return []
    found = []
    repeating = _repeating(evidence, one, here)
    for channel, other in repeating.items():
        found.append((channel, _floating(one, channel, other)))
    rest = [c for c in here if c.name not in repeating]
    for part in one.pieces:
        spread = {c.name: float(one.values(c.name)[part].std()) for c in rest}
        if not spread:
            break
        most = max(spread.values())
        loud = max(spread, key=lambda name: spread[name])
        if most < CLEAR * max(one.seen[loud].noise, evidence.channels[loud].lsb / math.sqrt(12)):
            continue
        for c in rest:
            codes = _codes(one, c)[part]
            still = bool(np.all(codes == codes[0]))
            if still and most > FEWEST_CODES * evidence.channels[loud].lsb:
                if not _open(one, c, rest, part):
                    found.append((c.name, _stuck(c, float(codes[0]), one, part)))
                    continue
            if spread[c.name] - one.seen[c.name].noise < SILENT * most:
                found.append((c.name, _silent(one, c, rest, part, spread[c.name] / most)))
    return found


def _codes(one: Look, channel: Sensed) -> np.ndarray:
    return np.asarray(one.stretch.codes[:, channel.position])


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
    """Whether the other two carry one current, so that this phase's line is open; its value is about zero then."""
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
            f"{c.name} carries {percent:.2g} % of the other phases' current, and {names} are opposite to each other: "
            f"phase {c.phase} is open.",
            SAFE + f"check the motor lead, fuse and switches of phase {c.phase}.",
            share_percent=percent,
        )
    computed = len(others) < 2
    doubt = (
        f" With a computed third phase an open line of phase {c.phase} looks the same." if computed else ""
    )
    kind = Kind.MISSING_PHASE if computed else Kind.NO_SIGNAL
    return fault(
        kind,
        c.name,
        f"{c.name} shows {percent:.2g} % of what {names} show, though their sum must return through phase {c.phase}."
        + doubt
        if not computed
        else f"{c.name} shows {percent:.2g} % of what {names} shows: phase {c.phase} is open, or its sensor is dead "
        "(with a computed third phase the two look alike).",
        SAFE + f"check the shunt's sense lines, the amplifier's supply and the ADC pin of {c.name}.",
        share_percent=percent,
    )


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
            code = float(_codes(here[0], c)[0])
            found[name] = fault(
                Kind.STUCK,
                name,
                f"{name} never leaves code {code:g}, while like channels show noise of {float(np.median(alike)):.2g} "
                "codes.",
                SAFE
                + f"check the amplifier and the ADC pin of {name}, and that the firmware converts column "
                f"{c.settings.column} anew in each scan.",
                code=code,
            )
    return found


def _repeating(evidence: Evidence, one: Look, place: Sequence[Sensed]) -> dict[str, str]:
    """Channels that follow the one sampled just before them, with that one's name."""
    if one.fit is None:
        return {}
    by_position = {
        c.position: c for c in evidence.channels.values() if c.chain.group == one.stretch.group and c.measured
    }
    width = one.stretch.codes.shape[1]
    found: dict[str, str] = {}
    for c in place:
        before = by_position.get(((c.position or 0) - 1) % width)
        if before is None or before.name not in one.seen or before.name == c.name:
            continue
        if before.phase == c.phase or not before.is_phase_current or not (before.lsb and c.lsb):
            continue
        # A pin that floats keeps a voltage, so codes are compared, not amperes.
        signs = math.copysign(1.0, (c.chain.per_code or 1.0) * (before.chain.per_code or 1.0))
        mine = one.fit.phasor_rms[one.columns.index(c.name), 0] / c.lsb * signs
        its = one.fit.phasor_rms[one.columns.index(before.name), 0] / before.lsb
        if abs(its) < CLEAR * one.seen[before.name].noise / before.lsb:
            continue
        ratio = complex(mine / its)
        near = abs(math.degrees(cmath.phase(ratio))) < REPEATS_DEG if ratio else False
        if near and REPEATS_SHARE[0] < abs(ratio) < REPEATS_SHARE[1]:
            found[c.name] = before.name
    return found


def _floating(one: Look, name: str, other: str) -> Finding:
    ratio = abs(one.seen[name].phasor) / abs(one.seen[other].phasor)
    return fault(
        Kind.FLOATING,
        name,
        f"{name} repeats {other}, which is sampled just before it: {100 * ratio:.3g} % of its current, at the same "
        "angle.",
        SAFE + f"check that the amplifier of {name} is on and that its output reaches the ADC pin.",
        share_percent=100 * ratio,
    )
