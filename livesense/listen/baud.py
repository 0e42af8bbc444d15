"""What garbage tells of the rate at which it was sent.

A receiver at the wrong rate takes its samples at the wrong places, but at places that are known: a byte
begins at a falling edge, which lies between two sent bits, and sample ``n`` lies ``n + 1.5`` of the
receiver's bits behind it. Of what was sent nothing need be known but that a byte is a low start bit, eight
data bits and a high stop bit. Then

- samples that lie in one and the same sent bit are alike (a receiver that is too fast),
- samples in a start bit are low, samples in a stop bit are high (one that is too slow),
- and which bit of a sent byte a received one begins at follows from the one before.

So for each usual rate the bytes have a likelihood (a hidden Markov model whose state is that bit; data bits
are taken as even odds). It says nothing where another reason explains the garbage as well, such as noise.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

USUAL_BAUDS = (
    9600, 19200, 38400, 57600, 115200, 230400, 250_000, 460800, 500_000, 921600, 1_000_000, 1_500_000,
    2_000_000, 3_000_000,
)  # fmt: skip
"""Rates that firmware uses (common practice, no source)."""

FEWEST_BYTES = 64
MOST_BYTES = 1500

START, STOP, BITS = 0, 9, 10
"""Places in a sent byte: the start bit, the stop bit, and how many there are."""

EDGES = 9
"""A falling edge may lie at the begin of any bit but the stop bit, which is high."""

LATE = (0.01, 0.03, 0.05)
"""An edge is seen up to a sixteenth of the receiver's bit late: it looks sixteen times a bit
(common practice, no source)."""

OFF = (-0.008, 0.0, 0.008)
"""Two clocks differ a little."""

PAUSED = 0.1
"""Chance that the sender paused behind a byte, so that nothing is known of the samples there."""

FLOOR = 1e-3
"""Chance of a sample that the model forbids: noise."""

FALSE_STARTS = 8
"""Edges in a row that may turn out to be none."""

CLEAR_BITS = 0.25
"""What a byte must tell on average, in bits, before a rate is named."""

CLEAR_LEAD = 0.1
"""Rates that tell nearly as much as the best one are named beside it."""


@dataclass(frozen=True, slots=True)
class _Model:
    """Of one ratio of rates: chance of each byte by the bit it begins at, and of where the next begins."""

    emission: NDArray[np.float64]
    step: NDArray[np.float64]


def likely_rates(data: bytes, baud: int, bauds: Iterable[int] = USUAL_BAUDS) -> list[int]:
    """Usual rates at which bytes were likely sent that came through a receiver at ``baud``.

    Returns
    -------
    list
        The likeliest first; empty where the bytes bear no clear mark.
    """
    if len(data) < FEWEST_BYTES or data.count(0) > 0.95 * len(data):
        return []
    told = {rate: _told_bits(data[:MOST_BYTES], baud / rate) for rate in bauds if rate != baud}
    best = max(told.values(), default=0.0)
    if best < CLEAR_BITS:
        return []
    near = [rate for rate, bits in told.items() if bits >= best - CLEAR_LEAD * max(1.0, best)]
    return sorted(near, key=lambda rate: -told[rate])


def _told_bits(data: bytes, ratio: float) -> float:
    """How much likelier a byte is on average than one of 256, in bits, for a receiver ``ratio`` too fast."""
    model = _model(ratio)
    state = np.full(EDGES, 1 / EDGES)
    total = 0.0
    for byte in data:
        joint = state * model.emission[:, byte]
        chance = joint.sum()
        total += np.log2(chance)
        state = (joint / chance) @ model.step
    return float(total / len(data) + 8)


@cache
def _model(ratio: float) -> _Model:
    emission = np.zeros((EDGES, 256))
    step = np.zeros((EDGES, EDGES))
    ways = [(late, ratio * (1 + off)) for late in LATE for off in OFF]
    for late, exact in ways:
        # Half a bit behind the edge the receiver looks whether the line is still low.
        looks = [edge + int((0.5 + late) / exact) for edge in range(EDGES)]
        taken = np.array([_low(look, edge) for edge, look in enumerate(looks)])
        again = np.stack([_next_edge(look, 1.0) for look in looks])
        for edge, look in enumerate(looks):
            places = [edge + int((n + 1.5 + late) / exact) for n in range(9)]
            emission[edge] += _bytes_at(places[:8], {edge, look}) / len(ways)
            due = _next_edge(places[8], 1.0 - _low(places[8], edge))
            for _ in range(FALSE_STARTS):
                step[edge] += due * taken / len(ways)
                due = (due * (1 - taken)) @ again
    step /= step.sum(axis=1, keepdims=True)
    return _Model((1 - PAUSED) * emission + PAUSED / 256, step)


def _low(place: int, edge: int) -> float:
    """Chance that the line is low at a place in the sent bytes, where a received one begins at ``edge``."""
    if place == edge or place % BITS == START:
        return 1.0
    return 0.0 if place % BITS == STOP else 0.5


def _bytes_at(places: list[int], low: set[int]) -> NDArray[np.float64]:
    """Chance of each byte whose bits are samples at these places, ``(256,)``; at ``low`` the line was low."""
    bits = (np.arange(256)[:, np.newaxis] >> np.arange(8)) & 1
    chance = np.ones(256)
    for n, place in enumerate(places):
        one: NDArray[np.float64] | float
        if place in low or place % BITS == START:
            one = FLOOR
        elif place % BITS == STOP:
            one = 1 - FLOOR
        elif n and places[n - 1] == place:
            one = np.where(bits[:, n - 1] == 1, 1 - FLOOR, FLOOR)
        else:
            one = 0.5
        chance *= np.where(bits[:, n] == 1, one, 1 - one)
    return chance


def _next_edge(place: int, high: float) -> NDArray[np.float64]:
    """Chance of the bit at whose begin the next falling edge lies, ``(EDGES,)``.

    ``high`` is the chance that the line is high at ``place``, from which the receiver looks for it.
    """
    chance = np.zeros(EDGES)
    low = 1.0 - high
    at = place % BITS
    while True:
        at = (at + 1) % BITS
        if at == START:
            # Behind the stop bit the next edge is the next start bit's, however long the sender pauses.
            chance[START] += high + low
            return chance
        if at == STOP:
            high, low = high + low, 0.0
        else:
            chance[at] += high / 2
            high, low = high / 2 + low / 2, low / 2
