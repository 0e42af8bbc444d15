"""The cheapest way to cut a record into fields, and how much dearer the next one is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from livesense.identify.columns import Columns, FoundField, Rows, signed_is_closer, whole
from livesense.identify.wide import widened

CHANGE_BITS = 1.5
"""Price of a field of another kind than the one before: the channels of a record are mostly alike."""

MOST_TICKERS = 2
"""A counter and a clock."""

State = tuple[str, int]
"""Kind of the last channel field, and tickers so far."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A way to cut a record, and its price in bits for each record."""

    price: float
    fields: tuple[FoundField, ...]

    def reading(self, length: int = 1 << 30) -> frozenset[tuple[int, str]]:
        """Give what is read where, of a record of this length that may begin anywhere."""
        return frozenset((one.begin % length, one.type) for one in self.fields if one.role != "pad")

    def moved(self, by: int) -> Cut:
        """Give the same cut of a record that begins elsewhere."""
        return Cut(self.price, tuple(replace(one, begin=one.begin + by) for one in self.fields))


def cheapest(
    columns: Columns, begin: int, end: int, *, big: bool, without: FoundField | None = None
) -> Cut | None:
    """Cut columns ``begin … end − 1`` at the lowest price.

    ``without`` is a field that must not be in it; None where nothing is left.
    """
    reached: list[dict[State, tuple[float, tuple[FoundField, ...]]]] = [{} for _ in range(end + 1)]
    reached[begin]["", 0] = (0.0, ())
    for at in range(begin, end):
        if not reached[at]:
            continue
        for found, cost, kind in columns.choices(at, end, big=big):
            if found == without:
                continue
            there = reached[at + found.width]
            for (before, tickers), (price, fields) in reached[at].items():
                total = price + cost
                after = before
                if kind == "ticker":
                    tickers += 1
                    if tickers > MOST_TICKERS:
                        continue
                elif kind != "pad":
                    after = kind
                    total += CHANGE_BITS if before and before != kind else 0.0
                state = (after, tickers)
                if state not in there or total < there[state][0] - 1e-9:
                    there[state] = (total, (*fields, found))
    if not reached[end]:
        return None
    return Cut(*min(reached[end].values(), key=lambda one: one[0]))


def lead(columns: Columns, cut: Cut, begin: int, end: int, *, big: bool) -> float:
    """How much dearer the cheapest cut is that lacks one of these fields."""
    others = [
        cheapest(columns, begin, end, big=big, without=found) for found in cut.fields if found.role != "pad"
    ]
    return min((other.price - cut.price for other in others if other is not None), default=0.0)


def settled(fields: tuple[FoundField, ...], rows: Rows, columns: Columns, *, big: bool) -> list[FoundField]:
    """Fields with the bytes that never change given to the channels they rather belong to.

    ``columns`` are those of ``rows``, with the prices that were reckoned already.
    """
    found = _quiet_channels(widened(list(fields), rows, big=big))
    found = evened(_narrowed(found, columns, big=big), columns, big=big)
    return [_resigned(one, rows, big=big) for one in found]


def _quiet_channels(fields: list[FoundField]) -> list[FoundField]:
    """Bytes that never change between channels alike are rather channels that stand still than pads."""
    found: list[FoundField] = []
    for number, one in enumerate(fields):
        before = fields[number - 1] if number else None
        after = fields[number + 1] if number + 1 < len(fields) else None
        if (
            one.role == "pad"
            and before is not None
            and after is not None
            and before.role == after.role == "channel"
            and before.width == after.width
            and one.width % before.width == 0
        ):
            width = before.width
            found += [
                FoundField(at, f"u{8 * width}", width, "channel")
                for at in range(one.begin, one.begin + one.width, width)
            ]
        else:
            found.append(one)
    return found


def _resigned(one: FoundField, rows: Rows, *, big: bool) -> FoundField:
    """Give a channel the sign that all records show: prices are reckoned from a part of them."""
    if one.role != "channel" or one.type == "f32":
        return one
    value = whole(rows, one.begin, one.width, big=big)
    sign = "i" if signed_is_closer(value, one.width) else "u"
    return replace(one, type=f"{sign}{8 * one.width}")


FEWEST_ALIKE = 2
"""Channels of one width that show that another one is of it too."""


def _narrowed(fields: list[FoundField], columns: Columns, *, big: bool) -> list[FoundField]:
    """Take high bytes that stand still, or are a state, from a channel that is alone in its width."""
    channels = [one for one in fields if one.role == "channel"]
    found: list[FoundField] = []
    for one in fields:
        others = {other.width for other in channels if other is not one}
        width = next(iter(others), 0)
        spare = one.width - width
        if one.role != "channel" or len(others) != 1 or spare <= 0 or len(channels) < FEWEST_ALIKE + 1:
            found.append(one)
            continue
        # Of what was taken for a float the lower bytes are the ones that stand still.
        in_front = big != (one.type == "f32")
        begin = one.begin if in_front else one.begin + width
        still = all(columns.still[begin : begin + spare])
        state = spare == 1 and columns.few[begin]
        inside = _choice(columns, one.begin + spare if in_front else one.begin, width, big=big)
        if not (still or state) or inside is None:
            found.append(one)
            continue
        pad = FoundField(begin, f"pad{spare}" if still else "u8", spare, "pad" if still else "channel")
        found += [pad, inside[0]] if in_front else [inside[0], pad]
    return found


def evened(fields: list[FoundField], columns: Columns, *, big: bool) -> list[FoundField]:
    """Give fields of odd widths between channels of one width that width, where that is nearly as cheap.

    Channels of one record are mostly of one type; a quiet one alone may be cut in any way.
    """
    channels = [one for one in fields if one.role == "channel"]
    widths = [one.width for one in channels]
    if len(set(widths)) < 2:
        return fields
    usual = max(set(widths), key=lambda width: (widths.count(width) * width, width))
    if widths.count(usual) * usual < 0.5 * sum(widths):
        return fields
    for first in range(len(fields)):
        for stop in range(len(fields), first + 1, -1):
            part = fields[first:stop]
            span = part[-1].begin + part[-1].width - part[0].begin
            odd = all(one.role == "channel" for one in part) and span % usual == 0
            if not odd or part[0].width == usual or part[-1].width == usual:
                continue
            even = _even(columns, part[0].begin, span, usual, big=big)
            if even is not None and even[1] <= priced(columns, part, big=big) + EVEN_BITS * len(even[0]):
                return evened([*fields[:first], *even[0], *fields[stop:]], columns, big=big)
    return fields


EVEN_BITS = 1.5
"""By so much may each field be dearer when that makes it like the others."""


def _even(
    columns: Columns, begin: int, span: int, width: int, *, big: bool
) -> tuple[list[FoundField], float] | None:
    found, price = [], 0.0
    for at in range(begin, begin + span, width):
        likely = _choice(columns, at, width, big=big)
        if likely is None:
            return None
        found.append(likely[0])
        price += likely[1]
    return found, price


def priced(columns: Columns, part: Sequence[FoundField], *, big: bool) -> float:
    """Price of channels that follow each other; nothing for what is no channel."""
    total = CHANGE_BITS * (1 + sum(a.width != b.width for a, b in pairwise(part)))
    for one in part:
        likely = _choice(columns, one.begin, one.width, big=big)
        total += 0.0 if likely is None else likely[1]
    return total


def _choice(columns: Columns, at: int, width: int, *, big: bool) -> tuple[FoundField, float] | None:
    end = columns.rows.shape[1]
    for found, price, _ in columns.choices(at, end, big=big):
        if found.begin == at and found.width == width and found.role == "channel":
            return found, price
    return None
