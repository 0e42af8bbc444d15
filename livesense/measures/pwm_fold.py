"""Ripple of the pulses, seen by a converter that is far too slow for it: scans folded on the PWM period.

At a steady speed scans that are not in step with the pulses fall on ever other places of the PWM period.
What a fitted line leaves, sorted by that place and by the electrical angle (which decides how long the
pulses are), is the ripple with its edges: equivalent-time sampling. Two things must be known well: the scan
rate against the PWM frequency, which is searched near its stated value by the carrier's lines and sidebands
in the folded spectrum (f_p, f_p ± 2 f, f_p ± 4 f, 2 f_p ± f; f the electrical frequency); and that the scans
are not in step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from livesense.samples import FloatArray

BINS = 40
SECTORS = 12
"""Places of the PWM period, and of the electrical turn, that are told apart."""

SEARCH_SHARE = 0.02
"""The PWM frequency is looked for so far around its stated value: as clocks without a crystal are off."""

FEWEST_IN_A_BIN = 8
FEWEST_FILLED = 0.95
LINES = ((1, 0), (1, 2), (1, -2), (1, 4), (1, -4), (2, 1), (2, -1))
"""The comb: orders of the PWM and of the electrical frequency."""

_CLEAR = 12.0
_BLOCKS = 256
_FINE = 401
_FAR = 3


@dataclass(frozen=True, slots=True)
class NoFold:
    """Why ripple cannot be seen."""

    reason: str


@dataclass(frozen=True, slots=True)
class Fold:
    """Ripple of one current over the PWM period.

    ``shape`` is ``(SECTORS, BINS)``, the mean of what the line leaves at each place, ``u`` its standard
    uncertainty. ``peak_to_peak`` is that of the sector where it is most, ``rms`` over all. ``glitch`` is
    the largest departure of a place from the straight line between those three before and behind, with
    its sign, and ``settling_s`` how long a departure above 3 u lasts around it; 0 where none stands out.
    """

    frequency_hz: float
    u_frequency_hz: float
    shape: FloatArray
    u: FloatArray
    peak_to_peak: float
    rms: float
    glitch: float
    settling_s: float


def find_pwm(
    residual: FloatArray, rate_hz: float, nominal_hz: float, electrical_hz: float
) -> tuple[float, float] | NoFold:
    """Find the PWM frequency near its stated value; returns it with its standard uncertainty, Hz.

    Parameters
    ----------
    residual
        ``(n, k)`` what lines leave of currents that the same pulses make.
    """
    n = len(residual)
    padded = 1 << (4 * n - 1).bit_length()
    power = np.sum(np.abs(np.fft.rfft(residual - residual.mean(axis=0), padded, axis=0)) ** 2, axis=1)
    power /= np.median(power) / math.log(2) + 1e-300
    step_hz = rate_hz / padded
    tried = np.arange(nominal_hz * (1 - SEARCH_SHARE), nominal_hz * (1 + SEARCH_SHARE), step_hz)
    score = np.zeros(tried.size)
    for carrier, side in LINES:
        folded = np.abs(np.mod(carrier * tried + side * electrical_hz + rate_hz / 2, rate_hz) - rate_hz / 2)
        score += power[np.rint(folded / step_hz).astype(np.int64).clip(0, power.size - 1)]
    best = int(score.argmax())
    # The chance that noise passes: about e to the minus this, over all places that were tried.
    if score[best] < len(LINES) + 4 * math.sqrt(len(LINES)) + _CLEAR + math.log(tried.size):
        return NoFold(
            "no line of the pulses stands out of the noise near the stated PWM frequency: scans may be in "
            "step with the pulses"
        )
    return _refined(residual, rate_hz, float(tried[best]), electrical_hz), math.sqrt(
        6 / float(score[best])
    ) * rate_hz / (2 * math.pi * n)  # the bound of a line with this power over noise (Rife & Boorstyn 1974)


def _refined(residual: FloatArray, rate_hz: float, rough_hz: float, electrical_hz: float) -> float:
    """Find where the comb's lines are strongest, to a small part of 1/window: a fold needs it so well."""
    n = len(residual)
    t = np.arange(n) / rate_hz
    edges = (np.arange(_BLOCKS) * n) // _BLOCKS
    at_s = t[edges] + 0.5 * n / _BLOCKS / rate_hz
    off_hz = np.linspace(-1.0, 1.0, _FINE) * rate_hz / n
    power = np.zeros(_FINE)
    for carrier, side in LINES:
        turned = residual * np.exp(-2j * np.pi * (carrier * rough_hz + side * electrical_hz) * t)[:, None]
        blocks = np.add.reduceat(turned, edges, axis=0)
        power += np.sum(np.abs(np.exp(-2j * np.pi * carrier * np.outer(off_hz, at_s)) @ blocks) ** 2, axis=1)
    return rough_hz + float(off_hz[int(power.argmax())])


def fold_pwm(
    residual: FloatArray, rate_hz: float, pwm: tuple[float, float], angle_rad: FloatArray
) -> Fold | NoFold:
    """Fold what a line leaves of one current, ``(n,)``, on the PWM period.

    Parameters
    ----------
    pwm
        Frequency and its uncertainty, as :func:`find_pwm` finds them.
    angle_rad
        ``(n,)`` electrical angle.
    """
    n = residual.size
    pwm_hz, u_hz = pwm
    place = np.floor(np.mod(np.arange(n) * (pwm_hz / rate_hz), 1.0) * BINS).astype(np.int64)
    filled = np.bincount(place, minlength=BINS)
    if np.count_nonzero(filled >= FEWEST_IN_A_BIN) < FEWEST_FILLED * BINS:
        return NoFold("scans are in step with the pulses: they see the same places of each period only")
    sector = np.floor(np.mod(angle_rad / (2 * math.pi), 1.0) * SECTORS).astype(np.int64)
    cell = sector * BINS + place
    count = np.bincount(cell, minlength=SECTORS * BINS)
    if count.min() < FEWEST_IN_A_BIN:
        return NoFold(
            f"too few scans: {int(count.min())} in one of {count.size} places, {FEWEST_IN_A_BIN} are needed"
        )
    mean = np.bincount(cell, residual, minlength=count.size) / count
    square = np.bincount(cell, residual**2, minlength=count.size) / count
    u = np.sqrt(np.maximum(square - mean**2, 0.0) / count).reshape(SECTORS, BINS)
    shape = mean.reshape(SECTORS, BINS)
    spread = shape - shape.mean(axis=1, keepdims=True)
    rms = math.sqrt(max(float(np.mean(spread**2) - np.mean(u**2)), 0.0))
    glitch, settling = _glitch(shape, u)
    return Fold(
        pwm_hz, u_hz, shape, u, float(np.ptp(shape, axis=1).max()), rms, glitch, settling / BINS / pwm_hz
    )


def _glitch(shape: FloatArray, u: FloatArray) -> tuple[float, float]:
    """Find the largest departure from its surroundings, and for how many places in a row it lasts."""
    around = (np.roll(shape, _FAR, axis=1) + np.roll(shape, -_FAR, axis=1)) / 2
    off = shape - around
    # A triangle's corner departs by the change of slope over three places, and is no glitch.
    limit = 5 * np.hypot(u, np.hypot(np.roll(u, _FAR, axis=1), np.roll(u, -_FAR, axis=1)) / 2)
    slope = np.median(np.abs(shape - np.roll(shape, 1, axis=1)), axis=1, keepdims=True)
    beyond = np.abs(off) > limit + 1.5 * _FAR * slope
    if not beyond.any():
        return 0.0, 0.0
    row, column = np.unravel_index(int(np.where(beyond, np.abs(off), 0.0).argmax()), off.shape)
    turned = np.roll(beyond[row], -int(column))
    lasts = 1 + int(np.argmin(turned[1:])) if not turned[1:].all() else BINS
    return float(off[row, column]), float(lasts)
