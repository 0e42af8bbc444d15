"""The live picture: which stretch of the newest samples is shown, and how it travels.

A *steady* picture starts where phase U crosses zero rising and holds about three cycles, so that it
stands still while the machine turns evenly. A *running* picture ends at the newest sample and moves on.
Everything here is a function on arrays; nothing reads a clock.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from livesense.samples import BoolArray, FloatArray

CYCLES = 3.0
SLOWEST_STEADY_HZ = 2.0
FASTEST_PERIOD_SCANS = 8.0
"""Crossings closer together than this are noise, or a rate too low to be shown as cycles."""
HYSTERESIS = 0.3
"""A crossing counts when the wave went from below -0.3 to above +0.3 of its peak."""
UNEVEN_PERIODS = 1.6
"""Periods near each other that differ by more than this factor are no cycles of one machine."""
PERIODS_COMPARED = 12
LATE_PERIODS = 1.6
"""A next crossing that is overdue by more than this makes the wave a thing of the past."""

_LADDER = (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)

# kind u8, flags u8, channels u16, points u32, then left, span, x0, dx, newest time, frequency.
HEADER = struct.Struct("<BBHIdddddd")
KIND_PICTURE = 1
KIND_FACTS = 2
KIND_SETUP = 3
KIND_ALIVE = 4
KIND_TREND = 5
FLAG_STEADY = 1
FLAG_REDUCED = 2


@dataclass(frozen=True, slots=True)
class Picture:
    """One picture.

    Attributes
    ----------
    steady
        Triggered; else it ends at the newest sample.
    left_s, span_s
        Run time of the left edge, and the width shown.
    x0_s, dx_s
        Time of the first point after the left edge, and from one point to the next.
    values
        ``(channels, points)`` in the channels' unit. When ``reduced``, points come in pairs: the lowest
        and the highest value of one column.
    clipped
        ``(channels, points)``, 1 where a sample stood at the end of what its chain can read.
    frequency_hz
        From the spacing of the crossings; NaN when running. Only good enough to choose a span.
    newest_s
        Run time of the newest sample drawn.
    """

    steady: bool
    left_s: float
    span_s: float
    x0_s: float
    dx_s: float
    values: NDArray[np.float32]
    clipped: NDArray[np.uint8]
    reduced: bool
    frequency_hz: float
    newest_s: float


def rising_crossings(values: FloatArray) -> FloatArray:
    """Find the positions, in samples with fractions, where a wave ``(n,)`` rises through zero.

    A line is fitted through the samples between -30 % and +30 % of the peak, so that noise and
    switching ripple move the result little; chatter around zero counts once.
    """
    if len(values) < 2:
        return np.empty(0)
    peak = float(np.max(np.abs(values)))
    if not peak > 0:
        return np.empty(0)
    threshold = HYSTERESIS * peak
    side = (values > threshold).astype(np.int8) - (values < -threshold).astype(np.int8)
    decided = np.flatnonzero(side)
    signs = side[decided]
    rises = np.flatnonzero((signs[:-1] < 0) & (signs[1:] > 0))
    positions = np.empty(len(rises))
    for number, rise in enumerate(rises):
        low, high = int(decided[rise]), int(decided[rise + 1])
        x = np.arange(low, high + 1, dtype=np.float64)
        y = values[low : high + 1]
        centred = x - x.mean()
        slope = float(centred @ y) / float(centred @ centred)
        middle = float(x.mean()) - (float(y.mean()) / slope if slope > 0 else 0.0)
        positions[number] = min(max(middle, low), high)
    return positions


def period_of(crossings: FloatArray) -> float | None:
    """Return the mean distance of the last crossings, in samples; None where they are uneven."""
    if len(crossings) < 3:
        return None
    # Noise may cross evenly a few times by chance, hardly a dozen times; a machine that speeds up is
    # followed by its last few periods.
    periods = np.diff(crossings[-PERIODS_COMPARED - 1 :])
    if periods.min() < FASTEST_PERIOD_SCANS or periods.max() > UNEVEN_PERIODS * periods.min():
        return None
    return float(periods[-3:].mean())


def ladder_span(wanted: float, shown: float | None = None) -> float:
    """Return a round span near the wanted one; the one now shown stays while it is near enough."""
    if shown is not None and 0.72 * wanted <= shown <= 1.45 * wanted:
        return shown
    decade = 10.0 ** math.floor(math.log10(wanted))
    steps = [s * decade for s in _LADDER]
    return min(steps, key=lambda s: abs(math.log(s / wanted)))


def steady_window(
    u: FloatArray, rate_hz: float, shown_span_s: float | None
) -> tuple[float, float, float] | None:
    """Find where the steady picture of a wave ``u`` ``(n,)`` begins.

    Returns the crossing in samples, the span in seconds and the frequency in Hz;
    None when the wave has no even cycles of at least 2 Hz, or too few of them are in ``u``.
    """
    crossings = rising_crossings(u)
    period = period_of(crossings)
    if period is None:
        return None
    frequency_hz = rate_hz / period
    # A wave that has ended must not go on being shown.
    if frequency_hz < SLOWEST_STEADY_HZ or len(u) - crossings[-1] > LATE_PERIODS * period:
        return None
    span_s = ladder_span(CYCLES * period / rate_hz, shown_span_s)
    fitting = crossings[crossings + span_s * rate_hz <= len(u) - 1]
    if not len(fitting):
        return None
    return float(fitting[-1]), span_s, frequency_hz


def reduce_columns(
    values: FloatArray, clipped: BoolArray, first: int, per_column: int
) -> tuple[FloatArray, BoolArray, int]:
    """Reduce to the lowest and highest value of each column, ``values`` and ``clipped`` ``(channels, n)``.

    Columns are counted from scan 0 of the run, so that a moving picture does not shimmer; broken
    columns at both ends are dropped. Returns ``(channels, 2 x columns)`` values, the same for clipped,
    and the scan index at which the first column begins.
    """
    skip = -first % per_column
    columns = (values.shape[1] - skip) // per_column
    stop = skip + columns * per_column
    shaped = values[:, skip:stop].reshape(len(values), columns, per_column)
    pairs = np.stack([shaped.min(axis=2), shaped.max(axis=2)], axis=2).reshape(len(values), 2 * columns)
    marks = clipped[:, skip:stop].reshape(len(values), columns, per_column).any(axis=2)
    return pairs, np.repeat(marks, 2, axis=1), first + skip


def encode(picture: Picture) -> bytes:
    """Return one message of the stream: u32 length of what follows, header, float32 values, clipped marks.

    Little-endian; values and marks run channel by channel.
    """
    channels, points = picture.values.shape
    flags = (FLAG_STEADY if picture.steady else 0) | (FLAG_REDUCED if picture.reduced else 0)
    header = HEADER.pack(
        KIND_PICTURE, flags, channels, points,
        picture.left_s, picture.span_s, picture.x0_s, picture.dx_s,
        picture.newest_s, picture.frequency_hz,
    )  # fmt: skip
    body = picture.values.astype("<f4").tobytes() + picture.clipped.astype(np.uint8).tobytes()
    return struct.pack("<I", len(header) + len(body)) + header + body


def encode_text(kind: int, json_text: str) -> bytes:
    """Return a message that carries JSON: u32 length, kind u8, three zero bytes, UTF-8."""
    body = json_text.encode()
    return struct.pack("<IB3x", len(body) + 4, kind) + body
