"""Three currents that add up to nothing: what that tells of gains, angles and zeros.

Three wires carry all current, so iu + iv + iw = 0 at every instant (Kirchhoff). With P and N the positive and
negative sequence of the true currents, a = exp(i·120°) and k = 0, 1, 2 for the phases in their order, a
phasor that is read is

    M_k = P·a^-k + N·a^k + (g_k + i·d_k)·P·a^-k + noise

where g_k is the relative error of the scale and d_k that of the angle. The zero sequence of the readings
holds errors alone; how far gains and angles can be told apart depends on how balanced the currents are,
which is N. Everything is linear in P, N, g, d, so that generalised least squares with the stated
uncertainties as prior knowledge gives the estimates (JCGM 100:2008, 5; Gauss-Markov).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from livesense.measures.kernel import ComplexArray
from livesense.samples import Estimate, FloatArray

BALANCE = 0.012
"""Standard deviation of each component of N / P in a healthy drive: unbalance up to 2 or 3 % raises nothing
(common practice, no source)."""

FREE_GAIN = 0.5
FREE_ANGLE = 0.5
"""What stands for no knowledge at all of a gain or an angle."""

_A = np.exp(2j * np.pi / 3)


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known before: standard uncertainties ``(m,)`` of ``m`` channels.

    ``phase`` is 0, 1, 2 for U, V, W; ``gain`` relative, ``angle`` in radians, ``noise`` of a phasor's
    component in its unit; ``balance`` is that of N / P. ``rank`` is the order in which they are sampled.
    """

    phase: tuple[int, ...]
    gain: FloatArray
    angle: FloatArray
    noise: FloatArray
    balance: float = BALANCE
    rank: tuple[int, ...] = (0, 1, 2)


def _real(z: ComplexArray) -> FloatArray:
    """Write complex ``(m,)`` as ``(2 m,)``: real and imaginary parts in turn."""
    return np.stack([z.real, z.imag], axis=-1).ravel()


def sequence_of(phasors: ComplexArray, phase: Sequence[int]) -> int:
    """Tell +1 where the phases follow as U, V, W, -1 where as U, W, V."""
    k = np.array(phase)
    forward, backward = np.sum(phasors * _A**k), np.sum(phasors * _A**-k)
    return 1 if abs(forward) >= abs(backward) else -1


def covariance(phasors: ComplexArray, prior: Prior, direction: int) -> tuple[FloatArray, FloatArray]:
    """Design of P ``(2 m, 2)`` and covariance ``(2 m, 2 m)`` of readings of healthy channels."""
    k = np.array(prior.phase)
    turn = _A ** (-k * direction)
    size = abs(complex(np.mean(phasors / turn)))
    design = np.stack([_real(turn), _real(1j * turn)], axis=1)
    against = _A ** (k * direction)
    unbalance = np.stack([_real(against), _real(1j * against)], axis=1) * prior.balance * size
    cov = unbalance @ unbalance.T
    along = phasors / np.maximum(np.abs(phasors), 1e-300)
    for m in range(len(k)):
        both = slice(2 * m, 2 * m + 2)
        # Where its size is not that of the others it is the others' size that counts.
        u, v = along[m] * prior.gain[m] * size, 1j * along[m] * prior.angle[m] * size
        part = np.outer([u.real, u.imag], [u.real, u.imag]) + np.outer([v.real, v.imag], [v.real, v.imag])
        cov[both, both] += part + np.eye(2) * max(prior.noise[m], 1e-9 * size) ** 2
    return design, cov


@dataclass(frozen=True, slots=True)
class Fitted:
    """Least squares: weighted sum of squares, free parameters and their standard uncertainties."""

    chi2: float
    values: FloatArray
    u: FloatArray


def gls(y: FloatArray, design: FloatArray, cov: FloatArray) -> Fitted:
    """Generalised least squares of ``y`` ``(r,)`` on ``design`` ``(r, c)``."""
    root = np.linalg.cholesky(cov)
    b, a = np.linalg.solve(root, y), np.linalg.solve(root, design)
    values, *_ = np.linalg.lstsq(a, b, rcond=None)
    off = b - a @ values
    spread = np.linalg.pinv(a.T @ a)
    return Fitted(float(off @ off), np.asarray(values), np.sqrt(np.maximum(np.diag(spread), 0.0)))


@dataclass(frozen=True)
class SelfCheck:
    """What the sum of three currents shows in one steady stretch.

    Attributes
    ----------
    gain, angle_deg
        By phase: relative error of the scale (percent) and of the angle against the mean of the three.
    offset_sum
        Mean of the sum.
    fundamental
        Of the sum, rms, and ``fundamental_percent`` of the phases' mean.
    fast
        Noise of the sum over what three independent channels would make of theirs: 1 where nothing is shared,
        0 where all of it is current, which cancels.
    fast_gain
        By phase, from what is faster than the line; None where that is noise only.
    """

    gain: dict[str, Estimate]
    angle_deg: dict[str, Estimate]
    offset_sum: Estimate
    fundamental: Estimate
    fundamental_percent: float
    fast: float | None
    fast_gain: dict[str, Estimate] | None
    unobservable: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values for the report."""

        def plain(values: Mapping[str, Estimate] | None) -> dict[str, Any] | None:
            return None if values is None else {p: e.as_json() for p, e in values.items()}

        return {
            "gain_percent": plain(self.gain),
            "angle_deg": plain(self.angle_deg),
            "offset_sum": self.offset_sum.as_json(),
            "sum_fundamental": self.fundamental.as_json(),
            "sum_fundamental_percent": self.fundamental_percent,
            "fast_sum_ratio": self.fast,
            "fast_gain_percent": plain(self.fast_gain),
            "unobservable": list(self.unobservable),
        }


NOT_SEEN = (
    "a factor common to all three",
    "a time common to all three",
    "which zero is off: only the sum of the three is seen while current flows",
)


def self_check(
    phasors: ComplexArray,
    means: Sequence[Estimate],
    fast: FloatArray,
    noise: Sequence[float],
    prior: Prior,
    unit: str,
) -> SelfCheck:
    """Estimate gains, angles and the offset sum of U, V, W from one steady stretch.

    Parameters
    ----------
    phasors
        ``(3,)`` fundamentals, rms.
    means
        Of whole cycles, with their uncertainties at zero.
    fast
        ``(n, 3)`` what the line leaves of the values: ripple, edges, noise.
    noise
        Of one value of each channel, as rounding and converter make it.
    prior
        ``noise`` and ``balance`` are used; gains and angles are taken as not known.
    """
    direction = sequence_of(phasors, prior.phase)
    positive = complex(np.mean(phasors * _A ** (np.arange(3) * direction)))
    size = abs(positive)
    # Gains lie along the phasors and angles across them: U's is turned to the real axis.
    known, u = _posterior(phasors / positive, prior, direction, size)
    gains = {p: Estimate(100 * float(known[k]), 100 * float(u[k]), unit="%") for k, p in enumerate("UVW")}
    angles = {
        p: Estimate(math.degrees(known[3 + k]), math.degrees(u[3 + k]), unit="°") for k, p in enumerate("UVW")
    }
    total = complex(np.sum(phasors))
    u_total = float(np.linalg.norm(prior.noise))
    offset = Estimate(
        sum(m.value for m in means),
        math.hypot(*(m.u_random for m in means)),
        math.hypot(*(m.u_systematic for m in means)),
        unit,
    )
    ratio, fast_gain = _fast(fast, noise)
    not_seen = list(NOT_SEEN)
    if max(g.u for g in gains.values()) > 2.0:
        not_seen.append(
            "gains apart from angles: the part along the triangle of the currents themselves, which only "
            "balanced "
            "currents would show"
        )
    return SelfCheck(
        gains,
        angles,
        offset,
        Estimate(abs(total), u_total, unit=unit),
        100 * abs(total) / size,
        ratio,
        fast_gain,
        tuple(not_seen),
    )


def _posterior(m: ComplexArray, prior: Prior, direction: int, size: float) -> tuple[FloatArray, FloatArray]:
    """Gains and angles ``(6,)`` against their means, and their uncertainties, by Bayesian least squares."""
    k = np.arange(3)
    turn, against = _A ** (-k * direction), _A ** (k * direction)
    columns = [_real(turn), _real(1j * turn), _real(against), _real(1j * against)]
    for step in (1.0, 1j):
        for channel in range(3):
            one = np.zeros(3, dtype=np.complex128)
            one[channel] = step * turn[channel]
            columns.append(_real(one))
    design = np.stack(columns, axis=1)
    weight = np.repeat(1 / np.maximum(prior.noise / size, 1e-7) ** 2, 2)
    # P is 1 as readings go, which says little of the truth; gains and angles are not known, balance is.
    before = np.array([10.0, 10.0, prior.balance, prior.balance, *[FREE_GAIN] * 3, *[FREE_ANGLE] * 3])
    information = design.T @ (weight[:, None] * design) + np.diag(1 / before**2)
    cov = np.linalg.inv(information)
    x = cov @ (design.T @ (weight * _real(m)))
    apart = np.eye(3) - 1 / 3
    select = np.zeros((6, 10))
    select[:3, 4:7] = apart
    select[3:, 7:] = apart
    return select @ x, np.sqrt(np.diag(select @ cov @ select.T))


def _fast(fast: FloatArray, noise: Sequence[float]) -> tuple[float | None, dict[str, Estimate] | None]:
    """Tell of what is faster than the line: does it cancel, and with which gains does it cancel best."""
    if len(fast) < 64:
        return None, None
    square = float(np.mean(fast**2)) * 3
    if square <= 0.0:
        return None, None
    ratio = math.sqrt(float(np.mean(fast.sum(axis=1) ** 2)) / square)
    gram = fast.T @ fast / len(fast)
    values, vectors = np.linalg.eigh(gram)
    floor = max(float(values[0]), float(np.mean(np.square(noise))))
    if values[1] < 25 * floor:
        # One direction or none stands out of the noise: gains cannot be told.
        return ratio, None
    null = vectors[:, 0]
    if abs(null.sum()) < 0.5:
        return ratio, None
    # sum(w_k m_k) = 0 with m_k = (1 + g_k) i_k: w is proportional to 1 / (1 + g).
    gains = null.mean() / null - 1
    u = math.sqrt(floor / (float(values[1]) * len(fast))) * 3
    return ratio, {
        p: Estimate(100 * float(gains[i] - gains.mean()), 100 * u, unit="%") for i, p in enumerate("UVW")
    }
