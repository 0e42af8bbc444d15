"""Scans as they are cut for checks: windows, short gaps bridged, scans left out that the line damaged."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from livesense.measures.sine_fit import rough_line
from livesense.samples import BoolArray, Codes

WINDOW_S = 2.0
MOST_WINDOWS = 24
"""A long run is looked at in so many windows, spread evenly."""

SHORTEST_S = (0.2, 0.1, 0.05)
ENOUGH = 0.3
"""Shorter windows are left out, unless less than this share of all scans would be left."""

BRIDGED_SCANS = 8
BRIDGED_CYCLE = 0.1
BRIDGED_SHARE = 0.05
"""Gaps of up to so many scans, or this part of a cycle, do not end what is looked at; in all not more than
this share of the scans. A chord over a tenth of a cycle misses a sine by 5 % of its peak (1 − cos π/10)."""

PROBES = 5
PROBED_S = 1.0

JUMPS = 20.0
JUMPS_CODES = 8.0
"""A scan jumps where it lies so many times the usual second difference, and codes, off its neighbours."""

FEW = 0.03
"""With a larger share of jumps they are what the channel shows, and no damage."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Scans in a row: the first one's index, codes ``(n, channels)``, and which came ``(n,)``."""

    first: int
    codes: Codes
    came: BoolArray


def windows(stretches: Iterable[tuple[int, int]], rate_hz: float) -> list[tuple[int, int]]:
    """Cut whole stretches ``[first, stop)`` into windows of two seconds; of many, some spread evenly."""
    length = max(64, round(WINDOW_S * rate_hz))
    cut: list[tuple[int, int]] = []
    for begin, end in stretches:
        count = max(1, round((end - begin) / length))
        edges = np.linspace(begin, end, count + 1).astype(np.int64)
        cut += [(int(a), int(b)) for a, b in pairwise(edges)]
    long = cut
    for shortest_s in SHORTEST_S:
        kept = [w for w in cut if w[1] - w[0] >= shortest_s * rate_hz]
        if sum(b - a for a, b in kept) >= ENOUGH * sum(b - a for a, b in cut):
            long = kept
            break
    if len(long) <= MOST_WINDOWS:
        return long
    chosen = np.linspace(0, len(long) - 1, MOST_WINDOWS).round().astype(int)
    return [long[k] for k in chosen]


def longest_bridge(pieces: Sequence[Codes], rate_hz: float) -> int:
    """Tell how many lost scans in a row a straight line may stand for, by the fastest line in ``pieces``.

    Each is ``(n, phases)`` codes without a gap: the longest ones of what is looked at.
    """
    found = [rough_line(codes.astype(np.float64), rate_hz) for codes in pieces if len(codes) >= 16]
    highest = max((hz for hz in found if hz), default=0.0)
    return max(BRIDGED_SCANS, int(BRIDGED_CYCLE * rate_hz / highest)) if highest else BRIDGED_SCANS


def longest(stretches: Iterable[tuple[int, int]], rate_hz: float) -> list[tuple[int, int]]:
    """Take some of the longest whole stretches, each a second of it at most."""
    by_length = sorted(stretches, key=lambda w: w[0] - w[1])[:PROBES]
    return [(a, min(b, a + max(16, round(PROBED_S * rate_hz)))) for a, b in by_length]


def bridged(parts: Sequence[tuple[int, Codes]], most: int = BRIDGED_SCANS) -> list[Piece]:
    """Join whole stretches over short gaps by straight lines, to be looked at and never stored.

    A line that loses every hundredth scan would else leave no stretch as long as a cycle. Parts are
    ``(index of the first scan, (n, channels))`` in order; gaps of up to ``most`` scans are bridged.
    """
    joined: list[tuple[int, list[Codes], list[BoolArray]]] = []
    due = filled = 0
    scans = sum(len(codes) for _, codes in parts)
    for first, codes in parts:
        gap = first - due
        came = np.ones(len(codes), dtype=bool)
        if joined and 0 <= gap <= most and (gap == 0 or filled + gap <= BRIDGED_SHARE * scans):
            _, pieces, known = joined[-1]
            if gap:
                filled += gap
                pieces.append(_line_between(pieces[-1][-1], codes[0], gap))
                known.append(np.zeros(gap, dtype=bool))
            pieces.append(codes)
            known.append(came)
        else:
            joined.append((first, [codes], [came]))
        due = first + len(codes)
    return [Piece(first, np.concatenate(p), np.concatenate(known)) for first, p, known in joined]


def _line_between(before: Codes, after: Codes, count: int) -> Codes:
    """``count`` scans between two, ``(count, channels)``, in their own type."""
    share = np.arange(1, count + 1)[:, None] / (count + 1)
    between = before.astype(np.float64) + share * (after.astype(np.float64) - before.astype(np.float64))
    return (between if before.dtype.kind == "f" else np.rint(between)).astype(before.dtype)


def without_damage(piece: Piece) -> Piece:
    """Put the mean of its neighbours in place of each single scan that jumps away and back.

    For wires without a check that are known to be damaged: there a digit that turned into another one
    passes for a code.
    """
    jumps = _jumps(piece.codes)
    at = np.flatnonzero(jumps)
    if not at.size or jumps.mean() > FEW:
        return piece
    codes = piece.codes.copy()
    around = (codes[at - 1].astype(np.float64) + codes[at + 1].astype(np.float64)) / 2
    codes[at] = np.rint(around).astype(codes.dtype) if codes.dtype.kind in "iu" else around
    return Piece(piece.first, codes, piece.came & ~jumps)


def _jumps(codes: Codes) -> BoolArray:
    """Find scans ``(n,)`` of which a code lies far off both neighbours while these agree."""
    found = np.zeros(len(codes), dtype=bool)
    if len(codes) < 16:
        return found
    x = codes.astype(np.float64)
    off = np.abs(x[1:-1] - (x[:-2] + x[2:]) / 2)
    limit = np.maximum(JUMPS * np.median(off, axis=0), JUMPS_CODES)
    found[1:-1] = ((off > limit) & (off > 2 * np.abs(x[2:] - x[:-2]))).any(axis=1)
    # Of two in a row neither has sound neighbours.
    found[1:] &= ~found[:-1]
    return found
