"""Counters and clocks that may be longer, shorter or elsewhere, said in words."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from livesense.identify.columns import STEADY, FoundField
from livesense.identify.reading import SOURCE, Reading, place
from livesense.identify.tickers import belongs_below, steps_of, ticks

STEADILY, TURNS = 0.9, 2.0
"""Share of records in which a field goes on by nearly the same, and how often through its range."""

MOST_LATE = 8
"""Ticks by which a clock is read late, mostly."""

QUICK = 64.0
"""Steps below which what goes up may lack its lowest byte: else records would be too few for a motor."""

FEWEST_TICKS = 100
"""Ticks in all from which the rate is told to one in a hundred."""


def rival_tickers(reading: Reading) -> Iterator[str]:
    """Say what else may count or be a clock, and how."""
    yield from _moved_tickers(reading)
    yield from _hidden_tickers(reading)
    yield from _ticking_halves(reading)
    yield from _narrower_counters(reading)
    yield from _short_clocks(reading)
    yield from _turning(reading)


def _moved_tickers(reading: Reading) -> Iterator[str]:
    """Say where what goes up may be a byte longer at its low end, or a byte shorter."""
    taken = {at for one in reading.going for at in range(one.begin, one.begin + one.width)}
    for one in reading.going:
        low, above = _below(one, reading.big), _above(one, reading.big)
        inside = len(reading.sync) <= low < reading.end and low not in taken
        if inside and not reading.still(low):
            tell = belongs_below(reading.value(one.begin, one.width), reading.value(low, 1), 1)
            tick = reading.going[one]
            quiet = tell is None and tick.exact and tick.step < QUICK and one.width > 1
            if tell is True or (quiet and _rests_alone(reading, low)):
                yield (
                    f"{place(low, 1)} may be the lowest of what goes up in {place(one.begin, one.width)}, "
                    f"or else a field of its own: {SOURCE}"
                )
                continue
        if one.width > 2 and _shorter(reading, one, above):
            lowest = one.begin + one.width - 1 if reading.big else one.begin
            yield (
                f"{place(lowest, 1)} may be a field of its own, or else the lowest byte of what goes up "
                f"behind it: {SOURCE}"
            )


def _hidden_tickers(reading: Reading) -> Iterator[str]:
    """Say which channels go round and round the same way, as parts of a counter or clock do."""
    for one in reading.channels():
        if one.type == "f32":
            continue
        steps = steps_of(reading.value(one.begin, one.width), one.width)
        usual = float(np.median(steps))
        near = np.abs(steps - usual) <= max(1.0, 0.2 * abs(usual))
        if np.mean(near) >= STEADILY and abs(float(steps[near].sum())) >= TURNS * 256.0**one.width:
            yield (
                f"{place(one.begin, one.width)}: going round and round; it may be a part of a counter or "
                f"clock, or else a channel: {SOURCE}"
            )


def _ticking_halves(reading: Reading) -> Iterator[str]:
    """Say whose lower half goes up steadily by itself: a counter or clock, and a field above it."""
    for one in reading.channels():
        half = one.width // 2
        if one.type == "f32" or half < 1:
            continue
        low = one.begin + one.width - half if reading.big else one.begin
        value = reading.value(low, half)
        whole = ticks(reading.value(one.begin, one.width), one.width)
        tick = ticks(value, half)
        if tick is not None and whole is None and tick.step * len(value) >= TURNS * 256.0:
            yield (
                f"{place(low, half)} goes up steadily by itself: a counter or clock beside another field, or "
                f"else the lower half of a channel: {SOURCE}"
            )


def _below(one: FoundField, big: bool) -> int:
    return one.begin + one.width if big else one.begin - 1


def _above(one: FoundField, big: bool) -> int:
    return one.begin - 1 if big else one.begin + one.width


def _rests_alone(reading: Reading, at: int) -> bool:
    """Whether a byte is a channel by itself, and moves no more than the lateness of a clock does."""
    if not any(one.begin == at and one.width == 1 for one in reading.channels()):
        return False
    value = reading.value(at, 1)
    off = ((value - np.median(value).astype(np.int64) + 128) & 0xFF) - 128
    return bool(np.mean(np.abs(off) <= MOST_LATE) > STEADY)


def _shorter(reading: Reading, one: FoundField, above: int) -> bool:
    """Whether the lowest byte may be none of it, the next higher one beyond it being free."""
    begin = one.begin if reading.big else one.begin + 1
    lowest = reading.value(one.begin + one.width - 1 if reading.big else one.begin, 1)
    upper = reading.value(begin, one.width - 1)
    tell = belongs_below(upper, lowest, 1)
    if tell is not None:
        return not tell
    if not reading.checked:
        # The record may begin elsewhere.
        above %= reading.end
    elif not len(reading.sync) <= above < reading.end:
        return False
    return bool(np.ptp(lowest)) and reading.still(above) and ticks(upper, one.width - 1) is not None


def _narrower_counters(reading: Reading) -> Iterator[str]:
    """Say which high bytes of a counter never change, though not empty: they may stand beside it."""
    for one, tick in reading.going.items():
        if one.role != "counter" or one.width < 2 or not tick.exact:
            continue
        top = (
            range(one.begin, one.begin + one.width)
            if reading.big
            else range(one.begin + one.width - 1, one.begin - 1, -1)
        )
        still = []
        for at in top:
            if not reading.still(at):
                break
            still.append(int(reading.rows[0, at]))
        full = [byte for byte in still if byte]
        if (still and still[0]) or len(full) >= 2:
            yield (
                f"{place(one.begin, one.width)}: the high bytes never change; they may stand beside "
                f"a narrower counter: {SOURCE}"
            )


def _short_clocks(reading: Reading) -> Iterator[str]:
    """Say where a clock ticked so few times that the rate is hardly known."""
    for one, tick in reading.going.items():
        ticked = tick.step * len(reading.rows)
        if one.role == "clock" and ticked < FEWEST_TICKS:
            yield f"the clock ticked {ticked:.0f} times only: the rate may be off by {100 / ticked:.0f} %"


def _turning(reading: Reading) -> Iterator[str]:
    """Say which clock is so narrow that it may be an angle, going round at an even speed."""
    for one, tick in reading.going.items():
        if one.role == "clock" and one.width <= 2 and not tick.exact:
            yield f"{place(one.begin, one.width)}: a clock, or else an angle that turns evenly: {SOURCE}"
