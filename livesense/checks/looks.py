"""What one stretch shows: at rest, a steady line or neither; each channel's mean, phasor and noise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from itertools import pairwise

import numpy as np

from livesense.checks.evidence import Evidence, Sensed, Stretch, robust_noise
from livesense.measures.basic import batch_u
from livesense.measures.sine_fit import NoLine, SineFit, fit_line, rough_line
from livesense.samples import BoolArray, Codes, FloatArray

HARMONICS = 13
MOST_PIECES = 8
CYCLES_OF_A_PIECE = 1.5


class Motion(StrEnum):
    """``still``: nothing alternates. ``steady``: one line. ``moving``: something else."""

    STILL = "still"
    STEADY = "steady"
    MOVING = "moving"


@dataclass(frozen=True, slots=True)
class Seen:
    """One channel in one stretch, in its unit.

    Attributes
    ----------
    mean, u_mean
        Of whole cycles where there is a line; random part of the uncertainty.
    phasor, u_phasor
        Fundamental (complex rms, corrected to the input) and the random uncertainty of a component.
    noise
        Of one value, by the median: ripple that is smooth and single edges do not enter.
    spread
        Standard deviation of the values, all of it.
    """

    mean: float
    u_mean: float
    phasor: complex
    u_phasor: float
    noise: float
    spread: float


@dataclass(frozen=True)
class Look:
    """One stretch with its line, where it has one."""

    stretch: Stretch
    motion: Motion
    seen: dict[str, Seen]
    fit: SineFit | None = None
    columns: tuple[str, ...] = ()
    rough_hz: float = 0.0

    @property
    def frequency_hz(self) -> float:
        """Of the line; the mean one of a run-up whose phases move together; 0 where there is none."""
        return self.fit.frequency_hz.value if self.fit is not None else self.rough_hz

    def values(self, name: str) -> FloatArray:
        """Take a channel's values, ``(n,)``."""
        return self.stretch.of(name).values[name]

    def at_end(self, name: str) -> BoolArray:
        """Tell which of them lie at an end of the range, ``(n,)``."""
        return self.stretch.of(name).clipped[name]

    def codes(self, channel: Sensed) -> Codes:
        """Take a channel's codes, ``(n,)``; what stands for lost scans is among them."""
        return np.asarray(self.stretch.of(channel.name).codes[:, channel.position])

    def codes_that_came(self, channel: Sensed) -> Codes:
        """Take a channel's codes without what stands for lost scans."""
        own = self.stretch.of(channel.name)
        return self.codes(channel) if own.came is None else self.codes(channel)[own.came]

    def residual(self, name: str) -> FloatArray:
        """Take what the line leaves of a channel, its mean apart, ``(n,)``."""
        if self.fit is not None and name in self.columns:
            return np.asarray(self.fit.residual[:, self.columns.index(name)])
        values = self.values(name)
        return np.asarray(values - values.mean())

    @cached_property
    def pieces(self) -> list[slice]:
        """The stretch in up to eight parts of whole cycles, one and a half at least."""
        n = self.stretch.scans
        if self.fit is None:
            count = MOST_PIECES if self.motion is Motion.STILL else 1
            edges = np.linspace(0, n, min(count, max(1, n // 64)) + 1).astype(int)
            return [slice(int(a), int(b)) for a, b in pairwise(edges)]
        cycle = self.stretch.rate_hz / self.frequency_hz
        cycles = int(n / cycle)
        each = max(2, math.ceil(CYCLES_OF_A_PIECE), -(-cycles // MOST_PIECES))
        count = max(1, cycles // each)
        return [slice(round(p * each * cycle), round((p + 1) * each * cycle)) for p in range(count)]


PARTS_OF_A_CHANGE = 4
SHORTEST_PART_S = 0.25


def looks_of(evidence: Evidence, stretches: Sequence[Stretch]) -> list[Look]:
    """Look at every stretch; one in which something changes is looked at in four parts as well."""
    found = []
    for stretch in stretches:
        whole = look(evidence, stretch)
        found.append(whole)
        if (
            whole.motion is Motion.MOVING
            and stretch.scans >= PARTS_OF_A_CHANGE * SHORTEST_PART_S * stretch.rate_hz
        ):
            found += [look(evidence, part) for part in _parts(stretch)]
    return found


def _parts(stretch: Stretch) -> list[Stretch]:
    edges = np.linspace(0, stretch.scans, PARTS_OF_A_CHANGE + 1).astype(int)
    return [
        Stretch(
            stretch.group,
            stretch.start_s + a / stretch.rate_hz,
            stretch.rate_hz,
            stretch.codes[a:b],
            {name: values[a:b] for name, values in stretch.values.items()},
            {name: at_end[a:b] for name, at_end in stretch.clipped.items()},
            None if stretch.came is None else stretch.came[a:b],
        )
        for a, b in pairwise(edges)
    ]


def look(evidence: Evidence, stretch: Stretch) -> Look:
    """Find the line of a stretch that holds the phase currents, and measure every channel at it."""
    found = _own(evidence, stretch)
    beside = {
        name: _plain(other.values[name])
        for name, other in stretch.beside.items()
        if np.all(np.isfinite(other.values[name]))
    }
    return replace(found, seen={**found.seen, **beside}) if beside else found


def _own(evidence: Evidence, stretch: Stretch) -> Look:
    names = tuple(n for n, v in stretch.values.items() if np.all(np.isfinite(v)))
    channels = evidence.channels
    leading = [n for n in names if channels[n].is_phase_current and channels[n].measured]
    if not leading or stretch.scans < 16:
        return _without(channels, stretch, names, Motion.STILL)
    matrix = np.stack([stretch.values[n] for n in names], axis=1)
    fit = _line(matrix, stretch.rate_hz, [names.index(n) for n in leading])
    if isinstance(fit, NoLine):
        if fit.quiet or _creeps(matrix[:, [names.index(n) for n in leading]], stretch.rate_hz):
            return _without(channels, stretch, names, Motion.STILL)
        return _together(channels, stretch, _without(channels, stretch, names, Motion.MOVING))
    seen = {}
    folded = folded_share(fit.frequency_hz.value, stretch.rate_hz, stretch.scans)
    for column, name in enumerate(names):
        factor = channels[name].chain.correction(fit.frequency_hz.value)
        phasor = complex(fit.phasor_rms[column, 0] * factor)
        values = stretch.values[name]
        seen[name] = Seen(
            float(fit.mean[column]),
            math.hypot(float(fit.u_mean[column]), folded * abs(phasor)),
            phasor,
            float(fit.u_quadrature[column, 0]) / math.sqrt(2) * abs(factor),
            robust_noise(fit.residual[:, column]),
            float(values.std()),
        )
    return Look(stretch, Motion.STEADY, seen, fit, names)


DRIVES_HARMONICS = (5, 7, 11, 13, 17, 19, 23, 25)


def folded_share(frequency_hz: float, rate_hz: float, scans: int) -> float:
    """Tell which part of the fundamental's rms may stand in the mean of a drive's current, folded there.

    At five scans in a cycle the fifth harmonic is seen as a direct current. Its size is taken as that of a
    six-step current, 1 / h of the fundamental (Fourier series of the 120° wave), its phase as unknown: then
    the standard deviation of what stands in the mean is its rms. Beside the place it averages down.
    """
    parts = []
    for h in DRIVES_HARMONICS:
        turns = round(h * frequency_hz / rate_hz)
        beat = math.pi * abs(h * frequency_hz - turns * rate_hz) * scans / rate_hz
        if turns:
            parts.append(min(1.0, 1.0 / beat if beat else 1.0) / h)
    return math.hypot(*parts) if parts else 0.0


def _line(matrix: FloatArray, rate_hz: float, leading: Sequence[int]) -> SineFit | NoLine:
    """Fit all phases at once; where one of them spoils that, by the first that has a line by itself."""
    if _runs_away(matrix[:, list(leading)], rate_hz):
        return NoLine("the frequency changes within the window")
    together = fit_line(matrix, rate_hz, harmonics=HARMONICS, leading=leading)
    if isinstance(together, SineFit) or together.quiet or "within the window" in together.reason:
        # What changes for all of them changes for each.
        return together
    for column in leading:
        alone = fit_line(matrix[:, column], rate_hz, harmonics=HARMONICS)
        if isinstance(alone, SineFit):
            at = fit_line(matrix, rate_hz, harmonics=HARMONICS, frequency_hz=alone.frequency_hz.value)
            return at
    return together


def _creeps(matrix: FloatArray, rate_hz: float) -> bool:
    """Tell a zero that moves along a straight line, on which nothing alternates, from a motor that turns."""
    t = np.linspace(-1.0, 1.0, len(matrix))
    off = matrix - matrix.mean(axis=0)
    left = fit_line(off - np.outer(t, t @ off / (t @ t)), rate_hz, harmonics=1)
    return isinstance(left, NoLine) and left.quiet


QUARTERS = 4
RUNS_AWAY_CYCLES = 4.0
"""A frequency that changes by so many cycles over the window bends the phase by three radians: no fit of one
line stands that (the bend of a linear run is π/4 times the cycles)."""


def _runs_away(matrix: FloatArray, rate_hz: float) -> bool:
    """Tell a run-up by rough frequencies of its quarters, before a fit of all harmonics is tried in vain."""
    length = len(matrix) // QUARTERS
    found = [rough_line(matrix[k * length : (k + 1) * length], rate_hz) for k in range(QUARTERS)]
    heard = [hz for hz in found if hz is not None]
    return len(heard) > 1 and (max(heard) - min(heard)) * len(matrix) / rate_hz > RUNS_AWAY_CYCLES


def _without(channels: dict[str, Sensed], stretch: Stretch, names: Sequence[str], motion: Motion) -> Look:
    return Look(stretch, motion, {name: _plain(stretch.values[name]) for name in names}, None, tuple(names))


def _plain(values: FloatArray) -> Seen:
    return Seen(float(values.mean()), batch_u(values), 0j, 0.0, robust_noise(values), float(values.std()))


COHERENT = 0.97
CYCLES_OF_A_RUN_UP = 5.0
ROUGH_U = 0.01


def _together(channels: dict[str, Sensed], stretch: Stretch, plain: Look) -> Look:
    """Phasors of phases whose frequency changes: the part that all of them share.

    The analytic signals of a run-up differ from phase to phase by one complex factor each. They are the
    first eigenvector of the signals' covariance, if nearly all of it lies there.
    """
    names = [n for n in plain.seen if channels[n].is_phase_current and channels[n].measured]
    matrix = np.stack([stretch.values[n] for n in names], axis=1)
    n = len(matrix)
    spectrum = np.fft.fft(matrix - matrix.mean(axis=0), axis=0)[1 : n // 2]
    gram = spectrum.T @ spectrum.conj() * 2 / n**2
    values, vectors = np.linalg.eigh(gram)
    if not 0 < float(values.sum()) < float(values[-1]) / COHERENT:
        return plain
    power = np.sum(np.abs(spectrum) ** 2, axis=1)
    hz = float(np.arange(1, n // 2) @ power / power.sum() * stretch.rate_hz / n)
    if hz * n / stretch.rate_hz < CYCLES_OF_A_RUN_UP:
        return plain
    size = math.sqrt(float(values[-1]))
    seen = dict(plain.seen)
    for name, part in zip(names, vectors[:, -1], strict=True):
        factor = channels[name].chain.correction(hz)
        seen[name] = replace(seen[name], phasor=complex(size * part * factor), u_phasor=ROUGH_U * size)
    return replace(plain, seen=seen, rough_hz=hz)
