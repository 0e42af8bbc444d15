"""The cheapest way to cut a record into fields, and how much dearer the next one is."""

from __future__ import annotations

from dataclasses import dataclass, replace

from livesense.identify.columns import Columns, FoundField, Rows

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


def settled(fields: tuple[FoundField, ...], rows: Rows, *, big: bool) -> list[FoundField]:
    """Fields with the bytes that never change given to the channels they rather belong to."""
    return _quiet_channels(_widened(list(fields), rows, big=big))


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


def _widened(fields: list[FoundField], rows: Rows, *, big: bool) -> list[FoundField]:
    """Where each channel stands beside zeros of one width, those are its own unused high bytes."""
    pairs = [fields[n : n + 2] for n in range(0, len(fields), 2)]
    if len(fields) < 4 or len(fields) % 2:
        return fields
    found = []
    for pair in pairs:
        pad, channel = pair if big else pair[::-1]
        if pad.role != "pad" or channel.role != "channel" or channel.type[0] == "f":
            return fields
        width = pad.width + channel.width
        if width not in (2, 4) or rows[:, pad.begin : pad.begin + pad.width].any():
            return fields
        found.append(FoundField(pair[0].begin, f"u{8 * width}", width, "channel"))
    return found if len({one.width for one in found}) == 1 else fields
