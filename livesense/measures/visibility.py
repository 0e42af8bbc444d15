"""What sampling cannot see of a peak, and how many bits of a converter say anything."""

from __future__ import annotations

import math

import numpy as np

from livesense.samples import FloatArray

NEAR_PEAK = 0.95
"""Scans above this share of the peak are looked at: there a peak between scans would be the highest."""

SETTLED = math.log(100)
"""Time constants after which a first-order low-pass is within 1 % of a step."""


def unseen_peak(values: FloatArray) -> float:
    """Tell by how much a peak between scans may be higher than any scan, ``(n,)``, as the wave goes.

    Half the largest step from a scan near the peak to its neighbour: that far two straight lines, each as
    steep as the wave is there, go beyond both. What is shorter than a scan and steeper is not bounded by
    anything.
    """
    if values.size < 3:
        return 0.0
    size = np.abs(values)
    steps = np.abs(np.diff(values))
    beside = np.maximum(steps[:-1], steps[1:])
    near = size[1:-1] >= NEAR_PEAK * float(size.max())
    return float(beside[near].max()) / 2 if near.any() else float(steps.max()) / 2


def shortest_visible_s(rate_hz: float, bandwidth_hz: float | None) -> float:
    """Tell how long an excess must last to be seen for certain, and at 99 % of its height: s.

    One scan must fall into it after the channel's first-order low-pass has followed.
    """
    return 1 / rate_hz + (SETTLED / (2 * math.pi * bandwidth_hz) if bandwidth_hz else 0.0)


def effective_bits(span: float, noise_rms: float) -> float:
    """Effective number of bits, ``log2(span / (noise sqrt(12)))`` (IEEE 1241, from memory).

    ``noise_rms`` is what a fit of line and harmonics leaves: harmonics are the current's own here, while the
    standard's test signal has none, so that they are not counted as the converter's distortion.

    Raises
    ------
    ValueError
        When either is not above zero.
    """
    if not (span > 0 and noise_rms > 0):
        raise ValueError(f"span, noise_rms: expected above 0, got {span} and {noise_rms}")
    return math.log2(span / (noise_rms * math.sqrt(12)))
