"""Where records lie in a stream: their length, the word that begins them, the check that ends them.

A check that holds shows the records by itself. Without one, the bytes that never change
show them; which of these are the sync word, and which the quiet high bytes of some field,
is told by what the rest of the record makes of it: the cheapest cut decides.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livesense.identify.check_search import FEWEST_CHANGES, HOLDS, FoundCheck, beginnings, find_checks
from livesense.identify.columns import MARKS, Columns, Rows, whole
from livesense.identify.cut import Cut, cheapest
from livesense.identify.foreign_checks import ForeignCheck, foreign_check
from livesense.wire.checksum import CHECKS, RunningChecks, check_rows

LONGEST = 512
"""Longest record looked for, in bytes."""

LONGEST_BY_CHECK = 160
"""Longest record that is looked for by its check alone."""

FEWEST = 24
"""Records needed before anything is said."""

SYNC_LONGEST = 4
LONGEST_LEAD = 16
STRETCHES = 8
MOST_WORDS = 16
MOST_LENGTHS = 16
OTHER_ORDER_BITS = 1.0
"""Price of fields whose bytes come in another order than those of the check."""

LEAST_OTHER, FEWEST_OTHERS = 4, 4
"""Bytes of another kind of record, and how many of these there must be between those that were found."""

NO_OTHER_BITS = 9.0
"""Lead where there is no other reading: of single bytes all orders are the same."""

KEEPS = 0.8
"""Of the records that a part of a word takes the whole word takes so many at least."""

MOST_RECORDS_IN_ONE = 4
"""What looks like records may be parts of longer ones; of so many at most."""

LONGER_MUST_SAVE = 0.93
"""A longer record is taken when a byte of it costs less than so much of one of a shorter record."""


@dataclass(frozen=True, slots=True)
class Framing:
    """Records: their bytes, the word they begin with, the check they end with, and how they are cut.

    ``rows`` are those that fit, ``(records, length)``, out of ``of`` expected ones. ``lead`` is by
    how many bits for each record the next likely word or byte order does worse. ``foreign`` is what
    the last bytes are where they are a check that no bench file can declare; ``cut`` ends before it.
    ``others`` are length and number of what stands between these records, begun alike.
    """

    length: int
    sync: bytes
    check: str
    check_big: bool
    over_sync: bool
    rows: Rows
    of: int
    big: bool
    cut: Cut
    lead: float
    foreign: ForeignCheck | None = None
    others: tuple[int, int] = (0, 0)

    @property
    def width(self) -> int:
        """Bytes of the check."""
        return CHECKS[self.check].width

    @property
    def end(self) -> int:
        """Where the fields end, and the check of whatever kind begins."""
        return self.length - (self.foreign.width if self.foreign else self.width)


def find_framing(raw: NDArray[np.uint8]) -> Framing | None:
    """Find how records lie in a stream; None where nothing shows it."""
    lengths, running = _lengths(raw), RunningChecks(raw)
    found = _checked(raw, lengths, running)
    if found is not None:
        return found
    found = _unchecked(raw, lengths)
    if found is not None and sync_price(found.sync) <= 0:
        return _with_late_check(raw, found)
    # What turns with the records repeats at other lengths than theirs: only a check can show them.
    others = [n for n in range(4, min(LONGEST_BY_CHECK, len(raw) // FEWEST)) if n not in lengths]
    return _checked(raw, others, running) or (found and _with_late_check(raw, found))


def _with_late_check(raw: NDArray[np.uint8], found: Framing) -> Framing:
    """Give records that a word showed the check that damage hid before, or one that nobody can declare."""
    first = len(found.sync)
    lively = len(np.unique(found.rows[:, -1])) >= FEWEST_CHANGES
    for kind, check in CHECKS.items() if lively else ():
        if check.width >= found.length - first:
            continue
        for big in (False, True)[: check.width]:
            for name, begin in beginnings(
                found.rows, first, FoundCheck(kind, found.length - check.width, big)
            ):
                framing = None
                if begin in (0, first):
                    framing = _by_check(raw, _Lead(found.length, found.sync, name, big, begin < first))
                if framing is not None:
                    return framing
    return _with_foreign_check(found)


def _with_foreign_check(found: Framing) -> Framing:
    """Cut the fields anew, without the last bytes, where these are a check that nobody can declare."""
    foreign = foreign_check(found.rows, len(found.sync))
    if foreign is None:
        return found
    columns, end = Columns(found.rows), found.length - foreign.width
    cuts = [(big, cheapest(columns, len(found.sync), end, big=big)) for big in (found.big, not found.big)]
    ways = sorted(
        ((cut.price, n, big, cut) for n, (big, cut) in enumerate(cuts) if cut), key=lambda way: way[:2]
    )
    if not ways:
        return found
    price, _, big, cut = ways[0]
    others = [one[0] for one in ways[1:] if one[3].reading() != cut.reading()]
    lead = min(others, default=price + NO_OTHER_BITS) - price
    return replace(found, big=big, cut=cut, lead=lead, foreign=foreign)


def _lengths(raw: NDArray[np.uint8]) -> list[int]:
    """Lengths at which bytes repeat most, the shortest first."""
    top = min(LONGEST, len(raw) // FEWEST)
    if top < 3:
        return []
    alike = np.zeros(top + 1)
    for length in range(3, top + 1):
        alike[length] = np.mean(raw[:-length] == raw[length:])
    order = [int(n) for n in np.argsort(-alike, kind="stable") if n >= 3][:MOST_LENGTHS]
    found = set(order)
    for length in order:
        # What repeats after some records repeats after one; which one may be lost in noise.
        found |= {length // parts for parts in range(2, 17) if length % parts == 0 and length // parts >= 4}
    return sorted(found)


def _begins(raw: NDArray[np.uint8], span: int, count: int) -> list[int]:
    """Give places of stretches of so many bytes, from all over the stream."""
    return [
        int(begin) for begin in np.unique(np.linspace(0, max(0, len(raw) - span), count).astype(np.int64))
    ]


@dataclass(frozen=True, slots=True)
class _Lead:
    """What a record may begin with and end with, as some stretch shows it."""

    length: int
    front: bytes
    check: str
    check_big: bool
    over_sync: bool


def _checked(
    raw: NDArray[np.uint8], lengths: list[int], running: RunningChecks, *, shorter: bool = False
) -> Framing | None:
    """Find records by a check; of several that hold the widest, then the shortest record.

    ``shorter`` says that these lengths are parts of one that was found already.
    """
    best: Framing | None = None
    seen: list[_Lead] = []
    for length in lengths:
        if best is not None and length % best.length == 0:
            # Two records in one, checks and all, look alike too.
            continue
        span = (FEWEST + 9) * length
        for begin in _begins(raw, span, 3):
            for one in _leads(raw, begin, span, length, running):
                if one in seen:
                    continue
                seen.append(one)
                framing = _by_check(raw, one)
                if framing is not None and (best is None or _rank(framing) > _rank(best)):
                    best = framing
    if best is not None and not shorter:
        # Some checks hold over several records together as over each.
        parts = [best.length // n for n in range(2, 9) if best.length % n == 0 and best.length // n >= 3]
        within = _checked(raw, [n for n in parts if n not in lengths], running, shorter=True)
        if within is not None and within.check == best.check and _rank(within) > _rank(best):
            best = within
    return best


def _rank(framing: Framing) -> tuple[float, ...]:
    share = round(len(framing.rows) / max(framing.of, 1), 1)
    return (share > 0.5, framing.width, -framing.length, share, -_price(framing))


def _price(framing: Framing) -> float:
    return framing.cut.price + sync_price(framing.sync)


def _leads(
    raw: NDArray[np.uint8], begin: int, span: int, length: int, running: RunningChecks
) -> Iterator[_Lead]:
    stretch = raw[begin : begin + span]
    for found in find_checks(raw, begin, span, length, running):
        width = CHECKS[found.kind].width
        rows = stretch[: len(stretch) // length * length].reshape(-1, length)
        twice = np.concatenate([rows[:-1], rows[1:]], axis=1)
        first_byte = (found.begin + width) % length
        turned = twice[:, first_byte : first_byte + length]
        still = 0
        while still < min(LONGEST_LEAD, length - width - 1) and _stays(turned[:, still]):
            still += 1
        front = bytes(int(np.bincount(turned[:, n]).argmax()) for n in range(still))
        for kind, first in beginnings(turned, still, found):
            if first:
                yield _Lead(length, front[:first], kind, found.big, over_sync=False)
            else:
                yield _Lead(length, front, kind, found.big, over_sync=True)


def _stays(column: NDArray[np.uint8]) -> bool:
    return bool(np.bincount(column).max() >= HOLDS * len(column))


def _by_check(raw: NDArray[np.uint8], lead: _Lead) -> Framing | None:
    """Cut the records whose check holds; over the sync word too, its length is for the cut to tell."""
    starts = _right_starts(raw, lead)
    rows = np.lib.stride_tricks.sliding_window_view(raw, lead.length)[starts].copy()
    of = max(len(rows), len(raw) // lead.length - 1)
    if len(rows) < max(FEWEST, 0.3 * of):
        return None
    columns = Columns(rows)
    end = lead.length - CHECKS[lead.check].width
    sizes = range(min(len(lead.front), SYNC_LONGEST), -1, -1) if lead.over_sync else (len(lead.front),)
    found = []
    for size in sizes:
        if lead.over_sync and size and not all(columns.still[:size]):
            continue
        for big in (False, True):
            cut = cheapest(columns, size, end, big=big)
            if cut is not None:
                other = OTHER_ORDER_BITS if big != lead.check_big and end < lead.length - 1 else 0.0
                found.append((cut.price + other + sync_price(lead.front[:size]), size, big, cut))
    if not found:
        return None
    found.sort(key=lambda one: one[:2])
    price, size, big, cut = found[0]
    others = [one[0] for one in found if one[2] != big and one[3].reading() != cut.reading()]
    return Framing(
        lead.length,
        lead.front[:size],
        lead.check,
        lead.check_big,
        lead.over_sync and size > 0,
        rows,
        of,
        big,
        cut,
        min(others, default=price + NO_OTHER_BITS) - price,
        others=_others_between(raw, starts, lead),
    )


def _others_between(raw: NDArray[np.uint8], starts: NDArray[np.int64], lead: _Lead) -> tuple[int, int]:
    """Give length and number of what stands between records, always as long and begun like them."""
    ends = starts[:-1] + lead.length
    gaps = starts[1:] - ends
    begun = (gaps >= LEAST_OTHER) & (raw[ends] == lead.front[0] if lead.front else False)
    length, count = Counter(gaps[begun].tolist()).most_common(1)[0] if begun.any() else (0, 0)
    return (length, count) if count >= FEWEST_OTHERS and count > np.count_nonzero(gaps) / 2 else (0, 0)


def _right_starts(raw: NDArray[np.uint8], lead: _Lead) -> NDArray[np.int64]:
    """Where rows begin that start with what leads and whose check holds, none over another."""
    windows = np.lib.stride_tricks.sliding_window_view(raw, lead.length)
    # Of a check of one byte every 256th is right by chance: more of the front must be there.
    sync = lead.front[: 2 if CHECKS[lead.check].width == 1 else 1] if lead.over_sync else lead.front
    at = np.ones(len(windows), dtype=np.bool_)
    for place, byte in enumerate(sync):
        at &= windows[:, place] == byte
    starts = np.flatnonzero(at)
    width = CHECKS[lead.check].width
    right = np.zeros(len(starts), dtype=np.bool_)
    first = 0 if lead.over_sync else len(sync)
    for begin in range(0, len(starts), 4096):
        some = windows[starts[begin : begin + 4096]]
        stated = whole(some, lead.length - width, width, big=lead.check_big)
        right[begin : begin + 4096] = check_rows(lead.check, some[:, first : lead.length - width]) == stated
    return _apart(starts[right], lead.length)


def _apart(starts: NDArray[np.int64], length: int) -> NDArray[np.int64]:
    """Leave out starts within a record: of overlapping ones those are right that stand in the longer row.

    After each loss, and where pieces of a stream meet, records lie in another phase than before.
    """
    if not len(starts):
        return starts
    by_phase = starts[np.lexsort((starts, starts % length))]
    in_rows = np.split(by_phase, np.flatnonzero(np.diff(by_phase) != length) + 1)
    taken = np.zeros(int(starts[-1]) + length, dtype=np.bool_)
    kept = []
    for row in sorted(in_rows, key=len, reverse=True):
        free = row[~(taken[row] | taken[row + length - 1])]
        taken[free[:, np.newaxis] + np.arange(length)] = True
        kept.append(free)
    return np.sort(np.concatenate(kept))


def sync_price(word: bytes) -> float:
    """Price of a sync word: bytes that words are made of cost nothing, those that stand everywhere most."""
    price = {0: 4.0, 1: 2.0}.get(len(word), 0.0)
    for byte in word.removeprefix(b"\r\n"):
        if byte not in MARKS:
            price += 4.0 if byte == 0 else 0.8 if byte == 255 else 3.5 if byte < 32 else 1.0
    return price


def _words(raw: NDArray[np.uint8], length: int) -> list[bytes]:
    """Give runs of bytes that stay the same through some stretch of records, the likeliest words first.

    A stretch may be damaged, or a signal may stand still in one, so several are looked at.
    """
    votes: Counter[bytes] = Counter()
    for begin in _begins(raw, FEWEST * length, STRETCHES):
        stretch = raw[begin : begin + FEWEST * length]
        rows = stretch[: len(stretch) // length * length].reshape(-1, length)
        still = [bool((column == column[0]).all()) for column in rows.T]
        if all(still) or not any(still):
            continue
        shown: set[bytes] = set()
        for first in range(length):
            run = 0
            while run < SYNC_LONGEST and still[(first + run) % length]:
                run += 1
                shown.add(bytes(int(rows[0, (first + n) % length]) for n in range(run)))
        votes.update(shown)
    most = max(votes.values(), default=0)
    often = [word for word, count in votes.items() if count >= 0.5 * most]
    return sorted(often, key=lambda word: (sync_price(word) - len(word), word))[:MOST_WORDS]


def _unchecked(raw: NDArray[np.uint8], lengths: list[int]) -> Framing | None:
    best: Framing | None = None
    for length in lengths:
        if best is not None and sync_price(best.sync) <= 0:
            break
        if best is not None and length > MOST_RECORDS_IN_ONE * best.length and not _shows_word(raw, length):
            continue
        one = _by_words(raw, length)
        if one is not None and (best is None or _is_better(one, best)):
            best = one
    return best


def _shows_word(raw: NDArray[np.uint8], length: int) -> bool:
    """Whether some word of which nothing speaks against it begins nearly all records of this length.

    At rest the channels repeat within a record, as if they were records themselves.
    """
    of = max(1, len(raw) // length - 1)
    likely = (word for word in _words(raw, length) if sync_price(word) <= 0)
    return any(len(_starts_of_word(raw, length, word)) >= HOLDS * of for word in likely)


def _is_better(longer: Framing, shorter: Framing) -> bool:
    """Whether a longer record is rather one than several: its word is likelier, and its bytes are cheaper."""
    return sync_price(longer.sync) < sync_price(shorter.sync) and (
        _price(longer) / longer.length < LONGER_MUST_SAVE * _price(shorter) / shorter.length
    )


def _by_words(raw: NDArray[np.uint8], length: int) -> Framing | None:
    """Cut records of one length by each likely sync word."""
    found: list[tuple[float, bytes, bool, Cut, frozenset[tuple[int, str]]]] = []
    of = max(1, len(raw) // length - 1)
    columns: Columns | None = None
    first = np.zeros(0, dtype=np.int64)
    starts_of = {word: _starts_of_word(raw, length, word) for word in _words(raw, length)}
    for word, starts in starts_of.items():
        # A word that takes less than a part of it: a byte beside the part stands still for a while only.
        part = max(len(others) for other, others in starts_of.items() if other in word)
        if len(starts) < max(FEWEST, 0.5 * of, KEEPS * min(part, of)):
            continue
        if columns is None:
            # Prices are those of columns, whichever of them a record begins with.
            twice = np.lib.stride_tricks.sliding_window_view(raw, 2 * length)
            columns, first = Columns(twice[starts[starts < len(twice)]], length), starts
        before = np.searchsorted(first, starts, side="right") - 1
        later = starts[before >= 0] - first[before[before >= 0]]
        turn = int(np.argmax(np.bincount(later % length))) if len(later) else 0
        for big in (False, True):
            cut = cheapest(columns, turn + len(word), turn + length, big=big)
            if cut is not None:
                reading = cut.reading(length)
                price = cut.price + sync_price(word) + _cut_off(columns, turn, length, word)
                found.append((price, word, big, cut.moved(-turn), reading))
    if not found:
        return None
    found.sort(key=lambda one: (one[0], -len(one[1])))
    price, word, big, cut, reading = found[0]
    windows = np.lib.stride_tricks.sliding_window_view(raw, length)
    rows = windows[_starts_of_word(raw, length, word)].copy()
    others = [other[0] for other in found[1:] if other[2] != big or other[4] != reading]
    return Framing(
        length,
        word,
        "none",
        big,
        False,
        rows,
        max(of, len(rows)),
        big,
        cut,
        min(others, default=price + NO_OTHER_BITS) - price,
    )


CUT_OFF_BITS = 2.0
"""Price of a word that leaves out a byte beside it that stands still and is one of :data:`MARKS`."""


def _cut_off(columns: Columns, at: int, length: int, word: bytes) -> float:
    """Price what a word at column ``at`` leaves out of what seems to belong to it, on either side."""
    if len(word) >= SYNC_LONGEST or not word:
        return 0.0
    beside = [at + len(word)] if word[-1] in MARKS else []
    beside += [at + length - 1] if word[0] in MARKS else []
    left = [n for n in beside if n < columns.rows.shape[1] and columns.still[n]]
    return CUT_OFF_BITS * sum(int(columns.rows[0, n]) in MARKS for n in left)


def _starts_of_word(raw: NDArray[np.uint8], length: int, word: bytes) -> NDArray[np.int64]:
    """Places of the word where another follows a record later."""
    at = np.ones(len(raw) - len(word) + 1, dtype=np.bool_)
    for place, byte in enumerate(word):
        at &= raw[place : place + len(at)] == byte
    return _apart(np.flatnonzero(at[:-length] & at[length:]), length)
