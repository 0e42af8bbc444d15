"""Noise of one channel against its like, and lines that do not belong to the currents."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from livesense.bench.values import engineering
from livesense.checks.evidence import Evidence, Sensed
from livesense.checks.findings import SAFE, Finding, Kind, note, warning
from livesense.checks.looks import Look, Motion
from livesense.checks.words import amount

LOUDER = 4.0
"""A channel is noisy from so many times the noise of its like (common practice, no source) ..."""
OF_ACCURACY = 1.0
"""... if that is also above the systematic uncertainty of its readings at the rated current."""

FEWEST_SCANS_A_CYCLE = 6.0
HIGHEST_FOLDED = 80
LOWEST_ORDER = 0.25
MIRRORED = 0.4
FOREIGN_SHARE = 0.03
FOREIGN_BELOW = 0.25
FOREIGN_CLEAR = 400.0
"""A foreign line counts from this share of the fundamental, and this many times the power around it; up to a
quarter of the scan rate, since what alternates from scan to scan is far from every figure."""


def noisy(evidence: Evidence, looks: Sequence[Look], left_out: Mapping[str, Finding]) -> list[Finding]:
    """Find phase currents whose noise stands out."""
    found = []
    for place in evidence.places().values():
        alive = [c for c in place.values() if c.measured and c.name not in left_out]
        if len(alive) < 2:
            continue
        worst: dict[str, tuple[float, float]] = {}
        for one in looks:
            if one.motion is Motion.MOVING:
                continue
            noise = {c.name: one.seen[c.name].noise for c in alive if c.name in one.seen}
            for c in alive:
                others = [max(v, c.lsb / math.sqrt(12)) for n, v in noise.items() if n != c.name]
                if c.name not in noise or not others:
                    continue
                usual = min(others)
                if noise[c.name] > LOUDER * usual and noise[c.name] > worst.get(c.name, (0.0, 0.0))[0]:
                    worst[c.name] = (noise[c.name], usual)
        for name, (mine, usual) in worst.items():
            c = evidence.channels[name]
            if mine > OF_ACCURACY * _accuracy(evidence, c, looks):
                found.append(_noisy(c, mine, usual))
    return found


def _accuracy(evidence: Evidence, c: Sensed, looks: Sequence[Look]) -> float:
    peaks = [float(np.abs(one.values(c.name)).max()) for one in looks if c.name in one.stretch.values]
    peak = evidence.rated_peak or max(peaks, default=0.0)
    return math.hypot(c.u_scale * peak, c.u_zero)


def _noisy(c: Sensed, mine: float, usual: float) -> Finding:
    return warning(
        Kind.NOISY,
        c.name,
        f"{c.name} has noise of {amount(mine, c)} rms, {mine / usual:.2g} times that of the other phases "
        f"({amount(usual, c)}).",
        SAFE + "check the sense lines (twisted, away from the switching node), the filter and the ground of "
        f"{c.name}.",
        noise=mine,
        usual=usual,
    )


def aliasing(evidence: Evidence, looks: Sequence[Look]) -> list[Finding]:
    """Find too few scans a cycle, and steady lines that are no harmonics: what folds down from above."""
    found: list[Finding] = []
    for one in looks:
        if one.motion is not Motion.STEADY or found:
            continue
        scans = one.stretch.rate_hz / one.frequency_hz
        if scans < FEWEST_SCANS_A_CYCLE:
            found.append(
                warning(
                    Kind.ALIASING,
                    None,
                    f"There are {scans:.3g} scans in a cycle of {one.frequency_hz:.4g} Hz: harmonics fold "
                    f"onto the fundamental, "
                    "and peaks are missed.",
                    "Raise the scan rate in the firmware (and rate in [[group]]): ten scans a cycle or more.",
                    scans_per_cycle=scans,
                )
            )
            continue
        foreign = _foreign_line(evidence, one)
        if foreign is not None:
            frequency, share = foreign
            found.append(
                warning(
                    Kind.ALIASING,
                    None,
                    f"The phases hold a line at {frequency:.4g} Hz of {100 * share:.2g} % of their "
                    f"fundamental that is none of its "
                    f"harmonics ({one.frequency_hz:.4g} Hz): ripple of the pulses that folds down from "
                    f"above half the scan rate "
                    f"({one.stretch.rate_hz / 2:.5g} Hz) looks so.",
                    "Sample in step with the pulses, or filter below half the scan rate; bandwidth then "
                    "states the filter.",
                    frequency_hz=frequency,
                    share_percent=100 * share,
                )
            )
    return found or _by_the_file(evidence)


def _foreign_line(evidence: Evidence, one: Look) -> tuple[float, float] | None:
    """Frequency of the strongest line that two phases or more share, and its share of the fundamental."""
    names = [
        c.name for c in evidence.channels.values() if c.is_phase_current and c.measured and c.name in one.seen
    ]
    size = np.array([abs(one.seen[n].phasor) for n in names])
    names = [n for n, s in zip(names, size, strict=True) if s > 0.3 * size.max()]
    if len(names) < 2:
        return None
    n = one.stretch.scans
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
    spectra = [np.abs(np.fft.rfft(one.residual(name) * window)) * 2 * math.sqrt(2) / n for name in names]
    shares = [s / abs(one.seen[name].phasor) for s, name in zip(spectra, names, strict=True)]
    shared = np.sort(np.stack(shares), axis=0)[-2]
    hz = np.fft.rfftfreq(n, 1 / one.stretch.rate_hz)
    f = one.frequency_hz
    # Beside the mean and each harmonic modulation leaves its lines.
    order = hz / f
    allowed = (np.abs(order - np.rint(order)) > 0.12) & (order > LOWEST_ORDER)
    allowed &= hz < FOREIGN_BELOW * one.stretch.rate_hz
    allowed &= np.abs(order - np.rint(order)) * f > 4 * one.stretch.rate_hz / n
    rate = one.stretch.rate_hz
    for h in range(one.fit.orders + 1 if one.fit is not None else 1, HIGHEST_FOLDED):
        # Harmonics above half the scan rate are the current's own: they fold to places that can be reckoned.
        folded = abs((h * f + rate / 2) % rate - rate / 2)
        allowed &= np.abs(hz - folded) > 4 * rate / n
    if not allowed.any():
        return None
    power = np.where(allowed, shared, 0.0)
    peak = int(np.argmax(power))
    mirror = 2 * f - float(hz[peak])
    if mirror > 0 and shared[round(mirror * n / rate)] > MIRRORED * power[peak]:
        # A load that pulsates modulates the current: its lines stand at both sides of the fundamental.
        return None
    near = shared[max(0, peak - 40) : peak + 41] ** 2
    clear = power[peak] ** 2 > FOREIGN_CLEAR * float(np.median(near))
    return (float(hz[peak]), float(power[peak])) if clear and power[peak] > FOREIGN_SHARE else None


def _by_the_file(evidence: Evidence) -> list[Finding]:
    """Note where the stated bandwidth lets pass what lies above half the scan rate."""
    wide = [
        c
        for c in evidence.channels.values()
        if c.is_phase_current
        and c.chain.bandwidth_hz
        and c.chain.bandwidth_hz > (_rate_hz(evidence, c) or math.inf) / 2
    ]
    if not wide:
        return []
    rate = _rate_hz(evidence, wide[0]) or 0.0
    return [
        note(
            Kind.ALIASING,
            None,
            f"{', '.join(c.name for c in wide)} pass up to "
            f"{engineering(wide[0].chain.bandwidth_hz or 0.0, 'Hz')}, and half the "
            f"scan rate is {engineering(rate / 2, 'Hz')}: ripple above that folds down unless sampling is "
            f"in step with the "
            "pulses.",
        )
    ]


def _rate_hz(evidence: Evidence, c: Sensed) -> float | None:
    group = c.chain.group
    return evidence.groups[group].rate_hz if group < len(evidence.groups) else None
