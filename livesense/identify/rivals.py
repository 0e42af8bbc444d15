"""Readings that the bytes do not exclude beside the one that was found, each said in words.

The cheapest cut may be cheapest by much and still be wrong: bytes that never change fit to whatever stands
beside them, and a clock whose step is a multiple of 256 has a lowest byte that looks like a quiet channel.
Only where the bytes themselves speak against such a reading is it left unsaid.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import (
    MARKS,
    PAD_BITS,
    STEADY,
    FoundField,
    floats,
    likely_floats,
    signed,
    wild,
)
from livesense.identify.cut import priced
from livesense.identify.framing import SYNC_LONGEST
from livesense.identify.reading import SOURCE, Reading, place
from livesense.identify.rival_tickers import rival_tickers

LIKE_BITS = 3.0
"""Bits for each record by which a reading in fields of one width may be dearer, and yet be right."""

USUAL_BITS = 12.0
"""The same of fields that have the width of most others."""

HALF_BITS = 2 * LIKE_BITS
"""The same for each number of 32 bits that was told as two of 16."""

JUMPS = 1 / 16
"""Part of its range by which the lower half of a number goes from record to record; of chance, a quarter."""

FEWEST_CARRIES, CARRIES = 16, 0.8
"""Steps by one of the upper half, and the share of those where the lower half falls; of chance, a half."""

MOSTLY = 0.9
"""Share of records in which bytes that stay are the same, where some are damaged."""

FEWEST_FOR_FLOATS = 100
"""Records from which four bytes are told to be a float, where not all channels are."""


def rivals(reading: Reading) -> list[str]:
    """Say what else the record may be; empty where nothing else is likely."""
    return [
        *rival_tickers(reading),
        *_other_widths(reading),
        *_lone_floats(reading),
        *_lone_high_bytes(reading),
        *_longer_word(reading),
        *_other_words(reading),
        *_unknown_checks(reading),
        *_hidden_floats(reading),
        *_other_order_at_rest(reading),
        *_halves(reading),
    ]


def unclear(
    *, scans: bool, fields: bool, order: bool, widths: bool, ticking: bool, word: bool, few: bool
) -> list[str]:
    """Say of what another reading does nearly as well: each that is true."""
    texts = {
        f"how many scans a record holds may be otherwise, the fields move too much alike: {SOURCE}": scans,
        f"the fields may be cut otherwise, nearly as well: {SOURCE}": fields,
        f"the fields may come in another byte order, or behind another word, nearly as well: {SOURCE}": order,
        f"most fields move all over their range, so that their width may be another: {SOURCE}": widths,
        f"the bytes that begin each record may be no word, but what happens to stay there: {SOURCE}": word,
        f"many records do not fit: a byte that is taken for a word may be another field: {SOURCE}": few,
        f"what goes up may be a counter, or else a clock: {SOURCE}": ticking,
    }
    return [text for text, is_so in texts.items() if is_so]


def _other_widths(reading: Reading) -> Iterator[str]:
    """Channels of several widths may be channels of one, with a state or spare bytes beside them."""
    widths = [one.width for one in reading.channels()]
    usual = max(set(widths), key=widths.count, default=0)
    for run in _runs(reading.fields):
        channels = [one for one in run if one.role == "channel"]
        kinds = {(one.type == "f32", one.width) for one in channels}
        pads = [one for one in run if one.role == "pad"]
        if not channels or (len(kinds) == 1 and not pads):
            continue
        begin, end = run[0].begin, run[-1].begin + run[-1].width
        found = _price(reading, run)
        for width in (1, 2, 3, 4):
            for first in range(begin, min(begin + width, end - width + 1)):
                last = first + (end - first) // width * width
                while last > first + width and all(map(reading.still, range(last - width, last))):
                    last -= width
                alike = width == usual > 1 and widths.count(usual) > 1
                cut = _tiled(reading, run, begin, first, last, end, width, alike=alike)
                if cut is None or _same(reading, cut, channels):
                    continue
                if _price(reading, cut) < found + (USUAL_BITS if alike else LIKE_BITS):
                    names = f"{8 * width} bits each"
                    yield (
                        f"{place(first, last - first)} may as well be {(last - first) // width} fields of "
                        f"{names}: {SOURCE}"
                    )
                    return


def _price(reading: Reading, part: Sequence[FoundField]) -> float:
    """Price of fields that follow each other, those that never change among them."""
    still = [one for one in part if all(map(reading.still, range(one.begin, one.begin + one.width)))]
    pads = sum(
        PAD_BITS for one, before in zip(still, [None, *still], strict=False) if not _behind(before, one)
    )
    moving = [one for one in part if one not in still]
    return priced(reading.columns, moving, big=reading.big) + pads


def _behind(before: FoundField | None, one: FoundField) -> bool:
    return before is not None and before.begin + before.width == one.begin


def _same(reading: Reading, cut: Sequence[FoundField], channels: Sequence[FoundField]) -> bool:
    """Whether two readings give the same codes: empty bytes above a field change none."""
    return all(
        any(
            other.begin < one.begin + one.width
            and other.begin + other.width > one.begin
            and np.array_equal(reading.value(other.begin, other.width), reading.value(one.begin, one.width))
            for other in cut
        )
        for one in channels
    )


def _tiled(
    reading: Reading,
    run: Sequence[FoundField],
    begin: int,
    first: int,
    last: int,
    end: int,
    width: int,
    *,
    alike: bool,
) -> list[FoundField] | None:
    """Cut a run into fields of one width; what is left at its ends must hardly change."""
    ends = [*range(begin, first), *range(last, end)]
    if last - first < 2 * width or not all(map(reading.columns.few.__getitem__, ends)):
        return None
    kind = "f32" if width == 4 and any(one.type == "f32" for one in run) else f"u{8 * width}"
    cut = [FoundField(at, "u8", 1, "channel") for at in ends if not reading.still(at)]
    tiles = [FoundField(at, kind, width, "channel") for at in range(first, last, width)]
    # Only bytes that hardly change may change hands: what moves is as many fields as before.
    moving = [sum(not _rests(reading, one) for one in part if one.role == "channel") for part in (run, tiles)]
    if moving[0] != moving[1] and not alike:
        return None
    cut += tiles
    return sorted(cut, key=lambda one: one.begin)


def _rests(reading: Reading, one: FoundField) -> bool:
    return all(map(reading.columns.few.__getitem__, range(one.begin, one.begin + one.width)))


def _runs(fields: Sequence[FoundField]) -> Iterator[list[FoundField]]:
    """Give channels and spare bytes that follow each other, with nothing that goes up between them."""
    run: list[FoundField] = []
    for one in fields:
        if one.role in ("channel", "pad") and not (run and run[-1].begin + run[-1].width != one.begin):
            run.append(one)
            continue
        if run:
            yield run
        run = [one] if one.role in ("channel", "pad") else []
    if run:
        yield run


def _lone_high_bytes(reading: Reading) -> Iterator[str]:
    """Say where the high byte of the only channel may be a state; no other shows how wide they are."""
    channels = reading.channels()
    if len(channels) != 1 or channels[0].width < 2 or channels[0].type == "f32":
        return
    one = channels[0]
    top = one.begin if reading.big else one.begin + one.width - 1
    if reading.columns.few[top] and reading.value(top, 1).any():
        yield f"{place(top, 1)} may be a state, or else the high byte of the channel: {SOURCE}"


def _lone_floats(reading: Reading) -> Iterator[str]:
    """Say which floats stand among fields of other kinds, in few records or fewer than those."""
    channels = reading.channels()
    those = [one for one in channels if one.type == "f32"]
    if those and len(those) < len(channels):
        if len(reading.rows) < FEWEST_FOR_FLOATS:
            yield f"{len(reading.rows)} records are too few to tell floats from other fields: {SOURCE}"
        elif 2 * len(those) < len(channels):
            yield f"{place(those[0].begin, 4)} may be a float, or else fields like the others: {SOURCE}"


def _longer_word(reading: Reading) -> Iterator[str]:
    """Without a check a byte in front of the word may be the last of the record before."""
    word = reading.sync
    # FF FE and the like are a word of their own; in front of a longer one FF is a spare byte as often.
    pair = len(word) == 2 and word[0] == 0xFF
    odd = len(word) > 1 and word[0] not in MARKS and not pair and any(byte in MARKS for byte in word[1:])
    if odd and not reading.checked:
        yield (
            f"0x{word[0]:02X} in front of the word may be the last byte of the record before it, "
            f"or else begin the word: {SOURCE}"
        )


def _other_words(reading: Reading) -> Iterator[str]:
    """Say which bytes elsewhere in the record look like a word as much as those it was cut at."""
    if reading.checked:
        return
    again = _again(reading)
    if again is not None:
        where = place(again, len(reading.sync))
        yield f"{where} hold the word again: the record may begin there: {SOURCE}"
        return
    moved = next((one for one in reading.fields if one.role == "pad" and not _stays(reading, one)), None)
    if moved is not None:
        yield (
            f"{place(moved.begin, moved.width)} do not stay as they were found: the word comes elsewhere "
            f"too, and the record may begin there: {SOURCE}"
        )
        return
    best = _marks(reading.sync)
    for one in reading.fields:
        if one.role != "pad":
            continue
        still = bytes(reading.rows[0, one.begin : one.begin + one.width].tolist())
        if (
            one.begin > len(reading.sync)
            and best
            and max(_marks(still[at : at + SYNC_LONGEST]) for at in range(len(still))) >= best
        ):
            yield f"{place(one.begin, one.width)} may as well begin the record: {SOURCE}"
            return


def _again(reading: Reading) -> int | None:
    """Find where in nearly every record the word comes a second time."""
    word = np.frombuffer(reading.sync, np.uint8)
    for at in range(1, reading.rows.shape[1] - len(word) + 1 if len(word) else 0):
        if np.mean((reading.rows[:, at : at + len(word)] == word).all(axis=1)) >= STEADY:
            return at
    return None


def _stays(reading: Reading, one: FoundField) -> bool:
    """Whether bytes that were found never to change do so in the records that the word cuts out."""
    columns = reading.rows[:, one.begin : one.begin + one.width]
    return bool((np.mean(columns == np.median(columns, axis=0), axis=0) >= MOSTLY).all())


def _marks(word: bytes) -> int:
    return sum(byte in MARKS for byte in word)


def _unknown_checks(reading: Reading) -> Iterator[str]:
    """Say where a last field that moves all over its range may be a check of another kind."""
    channels = reading.channels()
    last = reading.fields[-1]
    if reading.checked or last.role != "channel" or len(channels) < 2:
        return
    wild = [one for one in channels if _wild(reading, one)]
    if last in wild and len(wild) <= max(1, len(channels) // 4):
        yield (
            f"{place(last.begin, last.width)}, the last, moving all over the range: it may be a check that "
            f"livesense does not know, or else a channel: {SOURCE}"
        )


def _wild(reading: Reading, one: FoundField) -> bool:
    return one.type != "f32" and wild(reading.value(one.begin, one.width), one.width)


def _hidden_floats(reading: Reading) -> Iterator[str]:
    """Say which four bytes would be floats of a likely size, though something else speaks against it."""
    channels = reading.channels()
    ways = [(one.begin, one.type != "f32") for one in channels if one.width == 4]
    for one, other in pairwise(channels):
        # A float's lower half is noise.
        lower = other if reading.big else one
        beside = one.begin + one.width == other.begin and one.width + other.width == 4
        ways.append((one.begin, beside and _wild(reading, lower)))
    for begin, asked in ways:
        if asked and likely_floats(floats(reading.rows, begin, big=reading.big)):
            yield f"{place(begin, 4)} may as well be a float: {SOURCE}"
            return


def _other_order_at_rest(reading: Reading) -> Iterator[str]:
    """Say where only the lowest byte of each channel moves, between two that stand still."""
    channels = reading.channels()
    if not channels or any(one.width != 2 or one.type == "f32" for one in channels):
        return
    lows = [one.begin + reading.big for one in channels]
    others = [low + (1 if reading.big else -1) for low in lows]
    if not all(map(reading.still, [low + (-1 if reading.big else 1) for low in lows])):
        return
    length = reading.rows.shape[1]
    for at in others:
        in_word = at % length < len(reading.sync)
        free = not in_word or (len(reading.sync) > 1 and reading.sync[at % length] not in MARKS)
        if at < 0 or at >= reading.end:
            free = free and not reading.checked and at % length < len(reading.sync)
        if not free or not reading.still(at % length):
            return
    yield f"only the lowest bytes of the channels move, so that they may come in the other order: {SOURCE}"


def _halves(reading: Reading) -> Iterator[str]:
    """Channels of 16 bits may be half as many of 32, where every second one goes far."""
    for run in _runs(reading.fields):
        channels = [one for one in run if one.role == "channel"]
        if len(channels) % 2 or len(channels) != len(run) or any(one.width != 2 for one in channels):
            continue
        values = [reading.value(one.begin, one.width) for one in channels]
        tops, lows = (values[::2], values[1::2]) if reading.big else (values[1::2], values[::2])
        if not all(_may_be_below(low, top) for low, top in zip(lows, tops, strict=True)):
            continue
        wide = [FoundField(one.begin, "u32", 4, "channel") for one in channels[::2]]
        if _price(reading, wide) < _price(reading, run) + HALF_BITS * len(wide):
            where = place(run[0].begin, 4 * len(wide))
            yield f"{where} may as well be fields of 32 bits each, {len(wide)} in all: {SOURCE}"
            return


def _may_be_below(low: NDArray[np.int64], top: NDArray[np.int64]) -> bool:
    """Whether 16 bits go far, and fall where those above them rise by one, as a carry makes them."""
    went, above = np.diff(low), signed(np.diff(top) & 0xFFFF, 2)
    if float(np.abs(signed(went & 0xFFFF, 2)).mean()) < JUMPS * 0x10000:
        return False
    by_one = np.abs(above) == 1
    carried = went[by_one] * above[by_one] < 0
    return len(carried) < FEWEST_CARRIES or float(np.mean(carried)) > CARRIES
