"""What a shunt and a gain make of a current: range, resolution, heat, error.

Nothing here knows the sense chain: every candidate is a channel of a bench, and what it reads and how
well is asked of the same :class:`~livesense.chain.channels.ChannelChain` that converts its codes later.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from livesense.bench import Bench, Channel
from livesense.chain.channels import ChannelChain
from livesense.chain.groups import Chain
from livesense.samples import CodeType, FloatArray, GroupInfo
from livesense.wording import COVERAGE_FACTOR

ONE_STEP = 1e-9
"""Relative slack of comparisons: a demand that is met exactly is met."""


@dataclass(frozen=True, slots=True)
class Demands:
    """What a chain has to do.

    Attributes
    ----------
    peak_a, rms_a
        Largest current in normal use, and its rms value.
    trip_a
        Level that must be seen; the peak where none is watched for.
    headroom
        How far beyond it the chain has to read, as a part of it.
    dissipation_w
        Mean heat that the shunt may make.
    small_a, error
        A small current, and the largest error at it, relative, expanded (k = 2).
    share
        Part of the square of the current that flows through the shunt; see :func:`carried_share`.
    both_ways
        Whether currents of both signs must be read.
    frequency_hz
        Highest electrical frequency; None where it is not known.
    """

    peak_a: float
    rms_a: float
    trip_a: float
    headroom: float
    dissipation_w: float
    small_a: float
    error: float
    share: float = 1.0
    both_ways: bool = True
    frequency_hz: float | None = None

    @property
    def reach_a(self) -> float:
        """Current that must be readable."""
        return self.trip_a * (1 + self.headroom)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A shunt and an amplifier; ``present`` marks the one that is fitted already."""

    shunt_ohm: float
    gain: float
    bandwidth_hz: float | None = None
    present: bool = False


@dataclass(frozen=True, slots=True)
class Option:
    """A candidate and what it does; ``chain`` is its conversion.

    Attributes
    ----------
    low_a, high_a
        Readable range, within the output's swing.
    range_a
        Largest magnitude that can be read in every direction that is asked for; 0 where there is none.
    full_range_a
        The same by the converter alone, as if the output went from rail to rail.
    code_a
        Current of one code.
    dissipation_w, peak_dissipation_w
        Mean heat at the rms current, and its largest value within a period.
    self_heating
        Relative change of the resistance by that mean heat; None where nothing tells it, infinite
        where the shunt would run away.
    error_small, error_full
        Expanded relative errors (k = 2) at the small current and at the peak; NaN where it is not read.
    worst_small, worst_full
        The same with every error at its limit, all in one direction.
    response
        Factor of a phasor at the highest electrical frequency, before livesense corrects it; None where
        frequency or bandwidth is not known.
    """

    candidate: Candidate
    chain: ChannelChain
    low_a: float
    high_a: float
    range_a: float
    full_range_a: float
    code_a: float
    dissipation_w: float
    peak_dissipation_w: float
    self_heating: float | None
    error_small: float
    error_full: float
    worst_small: float
    worst_full: float
    response: complex | None
    both_ways: bool

    def error_at(self, current_a: ArrayLike) -> FloatArray:
        """Tell the expanded relative error (k = 2) of one reading; any shape, NaN out of range."""
        return relative_error(self.chain, current_a, both_ways=self.both_ways)

    def largest_error(self, current_a: float) -> str:
        """Name what contributes most at a current."""
        rows = _rows(self.chain, current_a, both_ways=self.both_ways)
        return max(rows, key=lambda row: row[1])[0]


def carried_share(place: str, phase: str | None) -> float:
    """Tell which part of the current's mean square flows through a shunt.

    In a motor's line and in the bus all of it does. In a leg the low side carries the phase current while
    the low switch conducts, for ``d = (1 - m sin(wt)) / 2`` of each pulse period, the high side for the
    rest. Of ``i = I sin(wt - phi)`` the mean of ``d i**2`` over a period is half the mean of ``i**2``,
    because ``i**2`` holds no odd harmonic and ``d - 1/2`` holds nothing else: for every depth m and every
    phi, with a third harmonic added to d as well (derivation, no source). It does not hold for modulation
    that keeps a switch on for part of a period, nor at standstill: there a leg may carry all of it.
    """
    return 1.0 if place == "in-line" or phase == "bus" else 0.5


def self_heating(
    shunt_ohm: float, tempco_per_k: float, heating_k_per_w: float, mean_square_a2: float
) -> float:
    """Relative change of a shunt's resistance in the end, when it has warmed itself.

    ``R = R0 (1 + a Rth I**2 R)`` solved for R is ``R0 / (1 - a Rth I**2 R0)``. Infinite where nothing
    ends it.
    """
    warmth = tempco_per_k * heating_k_per_w * mean_square_a2 * shunt_ohm
    return warmth / (1 - warmth) if warmth < 1 else math.inf


def relative_error(chain: ChannelChain, current_a: ArrayLike, *, both_ways: bool) -> FloatArray:
    """Tell the expanded relative error (k = 2) of one reading, its rounding to a code included.

    Parameters
    ----------
    current_a
        Magnitudes above zero; any shape.
    both_ways
        Take the worse one of both directions.

    Returns
    -------
    array
        Of the same shape; NaN where the chain does not read the current.
    """
    current = np.asarray(current_a, dtype=np.float64)
    u = chain.u_systematic(current)
    readable = _reads(chain, current)
    if both_ways:
        u = np.maximum(u, chain.u_systematic(-current))
        readable = readable & _reads(chain, -current)
    return np.asarray(
        np.where(readable, COVERAGE_FACTOR * np.hypot(u, chain.u_quantisation) / current, np.nan)
    )


def worst_error(chain: ChannelChain, current_a: float, *, both_ways: bool) -> float:
    """Relative error with every error at its limit, all in one direction.

    A limit is √3 of its standard uncertainty; one that was stated as a standard or expanded uncertainty
    has no limit and counts the same.
    """
    reached = relative_error(chain, current_a, both_ways=both_ways)
    if np.isnan(reached):
        return math.nan
    return math.sqrt(3) * sum(u for _, u in _rows(chain, current_a, both_ways=both_ways)) / current_a


def _rows(chain: ChannelChain, current_a: float, *, both_ways: bool) -> list[tuple[str, float]]:
    """Name each error and its standard uncertainty at a current, in amperes; rounding comes last."""
    value = current_a
    if both_ways and chain.u_systematic(-current_a) > chain.u_systematic(current_a):
        value = -current_a
    rows = [(str(row["source"]), float(row["contribution"])) for row in chain.budget.rows(value)]
    return [*rows, ("rounding to codes", chain.u_quantisation)]


def _reads(chain: ChannelChain, current: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    slack = ONE_STEP * max(abs(chain.low), abs(chain.high))
    return (current >= chain.low - slack) & (current <= chain.high + slack)


def channel_of(bench: Bench) -> Channel:
    """Return the one shunt channel of a bench that candidates are made from.

    Raises
    ------
    ValueError
        when it has not exactly one channel with shunt and gain, and known bits.
    """
    if len(bench.channels) != 1 or bench.channels[0].shunt_ohm is None:
        raise ValueError(f"expected a bench with one shunt channel, got {len(bench.channels)} channels")
    channel = bench.channels[0]
    if channel.bits is None and bench.adc.bits is None:
        raise ValueError("expected the ADC's bits in the bench, got none")
    return channel


def evaluate(candidate: Candidate, bench: Bench, demands: Demands) -> Option:
    """Tell what a candidate does.

    Parameters
    ----------
    bench
        With one shunt channel, whose shunt, gain and bandwidth the candidate replaces.

    Raises
    ------
    ValueError
        when the bench is none for this.
    """
    channel = replace(
        channel_of(bench),
        shunt_ohm=candidate.shunt_ohm,
        gain=candidate.gain,
        bandwidth_hz=candidate.bandwidth_hz,
        delay_s=0.0,
    )
    chain = _chain(bench, channel)
    free = _chain(bench, replace(channel, swing_low_v=0.0, swing_high_v=0.0))
    mean_square = demands.share * demands.rms_a**2
    both = demands.both_ways
    small, full = relative_error(chain, [demands.small_a, demands.peak_a], both_ways=both)
    return Option(
        candidate=candidate,
        chain=chain,
        low_a=chain.low,
        high_a=chain.high,
        range_a=_reach(chain, both),
        full_range_a=_reach(free, both),
        code_a=abs(chain.per_code or math.nan),
        dissipation_w=mean_square * candidate.shunt_ohm,
        peak_dissipation_w=demands.peak_a**2 * candidate.shunt_ohm,
        self_heating=_heated(channel, mean_square),
        error_small=float(small),
        error_full=float(full),
        worst_small=worst_error(chain, demands.small_a, both_ways=both),
        worst_full=worst_error(chain, demands.peak_a, both_ways=both),
        response=_response(chain, demands.frequency_hz),
        both_ways=both,
    )


def evaluate_all(candidates: Iterable[Candidate], bench: Bench, demands: Demands) -> list[Option]:
    """Tell what each candidate does, by gain and then by shunt, the smallest first."""
    ordered = sorted(candidates, key=lambda c: (c.gain, c.shunt_ohm))
    return [evaluate(candidate, bench, demands) for candidate in ordered]


def _chain(bench: Bench, channel: Channel) -> ChannelChain:
    # The type matters for sensors without an ADC pin only.
    group = GroupInfo(None, CodeType.I32, None, (channel.column,))
    alone = replace(bench, channels=(replace(channel, group=None),), watches=())
    return Chain(alone, [group]).channels[channel.name]


def _reach(chain: ChannelChain, both_ways: bool) -> float:
    return max(0.0, min(-chain.low, chain.high) if both_ways else chain.high)


def _heated(channel: Channel, mean_square_a2: float) -> float | None:
    tempco, heating = channel.shunt_tempco_per_k, channel.shunt_heating_k_per_w
    if tempco is None or heating is None or channel.shunt_ohm is None:
        return None
    return self_heating(channel.shunt_ohm, tempco.value, heating, mean_square_a2)


def _response(chain: ChannelChain, frequency_hz: float | None) -> complex | None:
    if frequency_hz is None or chain.bandwidth_hz is None:
        return None
    return 1 / chain.correction(frequency_hz)


def size_and_angle(response: complex) -> tuple[float, float]:
    """Take a response apart: relative change of the size, and degrees (negative: late)."""
    return abs(response) - 1, math.degrees(cmath.phase(response))


def holds_from_a(option: Option, error: float) -> float | None:
    """Find the smallest current from which on the error stays within a limit; None where nowhere.

    Found by halving, since errors grow towards small currents; heat in the shunt may make them grow
    towards large ones, too, where they are not looked for.
    """
    high = option.range_a / (1 + 10 * ONE_STEP)
    low = max(high * 1e-6, 0.0 if option.both_ways else option.low_a * (1 + 10 * ONE_STEP))
    grid = np.geomspace(low, high, 200) if 0 < low < high else np.empty(0)
    fine = np.flatnonzero(option.error_at(grid) <= error)
    if not fine.size:
        return None
    if fine[0] == 0:
        return float(grid[0])
    below, above = float(grid[fine[0] - 1]), float(grid[fine[0]])
    for _ in range(50):
        middle = math.sqrt(below * above)
        if float(option.error_at(middle)) <= error:
            above = middle
        else:
            below = middle
    return above
