"""Captures of streams of unknown layout: 60 % records, 25 % text, 15 % framed, some of them damaged.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from unknown_frames import framed_stream
from unknown_records import record_stream
from unknown_text import text_stream


@dataclass(frozen=True)
class Stream:
    """A capture and what it holds.

    Attributes
    ----------
    truth
        The layout.
    raw
        The bytes, from inside the first unit on.
    places
        Where each unit (record, line, packet) begins in `raw`; −1 where it is damaged or cut.
    values
        The channels: (records, scans, channels), (lines, channels) or (scans, channels); of records the
        counter, clock and status too.
    """

    truth: dict[str, Any]
    raw: bytes
    places: np.ndarray
    values: dict[str, Any]


def _damaged(rng, unit):
    """One bit turned, or some bytes lost, or some too many."""
    data = bytearray(unit)
    how, at = int(rng.integers(0, 3)), int(rng.integers(0, len(unit)))
    if how == 0:
        data[at] ^= 1 << int(rng.integers(0, 8))
    elif how == 1:
        del data[at : at + int(rng.integers(1, 4))]
    else:
        data[at:at] = bytes(rng.integers(0, 256, int(rng.integers(1, 4))).tolist())
    return bytes(data)


def captured(rng, units, damage):
    """Units joined, begun and ended inside one; and where the whole ones begin."""
    skip = int(rng.integers(1, len(units[0]))) if len(units[0]) > 1 and rng.random() < 0.8 else 0
    out, places, hit = bytearray(), np.full(len(units), -1, np.int64), set()
    if damage:
        number = max(1, int(len(units) * rng.uniform(0.002, 0.02)))
        hit = set(rng.choice(np.arange(2, len(units)), size=number, replace=False).tolist())
    for k, unit in enumerate(units):
        if k == 0 and skip:
            out += unit[skip:]
        elif k in hit:
            out += _damaged(rng, unit)
        else:
            places[k] = len(out)
            out += unit
    cut = int(rng.integers(0, len(units[-1])))
    if cut:
        del out[-cut:]
        places[-1] = -1
    return bytes(out), places


def unknown_stream(seed: int, number: int) -> Stream:
    """Capture `number` of a seed: the even ones 64 to 200 kB, the odd ones 4 to 40 kB."""
    rng = np.random.default_rng([seed, number])
    which = rng.random()
    least, most = (65536, 200000) if number % 2 == 0 else (4096, 40000)
    size = int(np.exp(rng.uniform(np.log(least), np.log(most))))
    make = record_stream if which < 0.6 else text_stream if which < 0.85 else framed_stream
    truth, units, values = make(rng, size)
    damage = bool(rng.random() < 0.15)
    raw, places = captured(rng, units, damage)
    truth.update(seed=seed, number=number, bytes=len(raw), damage=damage)
    return Stream(truth, raw, places, values)
