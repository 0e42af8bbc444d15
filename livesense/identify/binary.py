"""Records of one length in bytes of unknown layout: their length, sync word, check and fields.

Everything is told from repetition: bytes that stand at the same place in every
record, a check that holds in every record, bytes that count. What is not seen
often enough is not claimed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from livesense.identify import columns
from livesense.identify.columns import FoundField, Rows
from livesense.wire.checksum import CHECKS, check_rows

LOOKED_AT = 1 << 16
"""Bytes looked at: enough for hundreds of records."""

LONGEST = 512
"""Longest record looked for, in bytes."""

FEWEST = 24
"""Records needed before anything is said."""

SYNC_LONGEST = 4
STRETCHES = 8
MOST_WORDS = 24
MARKS = frozenset(
    b"\xa5\x5a\xaa\x55\x7e\xfe\xed\xde\xad\xbe\xef\xab\xcd\xca\xfa\xba\x02\xb5\x62\x96\x69\xc3\x3c\xeb\x90\x1a\xcf\xfc"
)
"""Bytes of which sync words are usually made (common practice, no source): much change, rarely 0 or 255."""
CHECK_HOLDS = 0.9
"""Share of records whose check must hold; a line may lose some."""


@dataclass(frozen=True, slots=True)
class FoundRecord:
    """A layout that fits.

    ``seen`` records of ``of`` expected ones fit; ``check`` is a name as in a bench file,
    ``bits`` the smallest ADC that makes such codes (None for floats).
    """

    length: int
    sync: bytes
    big: bool
    fields: tuple[FoundField, ...]
    check: str
    scans: int
    seen: int
    of: int
    checked: int
    bits: int | None
    left_aligned: int
    confidence: float
    evidence: tuple[str, ...] = field(default=())

    @property
    def channels(self) -> int:
        """Channels in a scan."""
        return sum(f.role == "channel" for f in self.fields)


@dataclass(frozen=True, slots=True)
class _Framing:
    """Where records lie: length, sync word, check, and the rows that show it."""

    length: int
    sync: bytes
    check: str
    big: bool
    rows: Rows
    of: int
    checked: int


def find_record(data: bytes) -> FoundRecord | None:
    """Find the layout of a stream of fixed-length records; None where none is clear."""
    raw = np.frombuffer(data[-LOOKED_AT:], dtype=np.uint8)
    best: _Framing | None = None
    for framing in _framings(raw):
        if best is None or _rank(framing) > _rank(best):
            best = framing
    if best is None:
        return None
    return _described(best)


def _rank(framing: _Framing) -> tuple[float, ...]:
    """Weigh a framing: by its check, then by the records that fit, then by what looks like a sync word."""
    strength = CHECKS[framing.check].width if framing.check != "none" else 0
    share = framing.checked / max(framing.of, 1)
    marks = sum(1 if byte in MARKS else -1 for byte in framing.sync)
    return (strength > 0, round(share, 1), strength, -framing.length, marks, -framing.sync[0])


def _lengths(raw: NDArray[np.uint8]) -> list[int]:
    """Lengths at which bytes repeat most, the likeliest first."""
    top = min(LONGEST, len(raw) // FEWEST)
    if top < 2:
        return []
    alike = np.zeros(top + 1)
    for length in range(2, top + 1):
        alike[length] = np.mean(raw[:-length] == raw[length:])
    order = [int(n) for n in np.argsort(-alike, kind="stable") if n >= 2][:16]
    found = dict.fromkeys(order)
    for length in order:
        # What repeats after some records repeats after one; which one may be lost in noise.
        for parts in (2, 3, 4):
            if length % parts == 0 and length // parts >= 2:
                found[length // parts] = None
    return list(found)


def _framings(raw: NDArray[np.uint8]) -> Iterator[_Framing]:
    certain: list[int] = []
    for length in _lengths(raw):
        if any(length % shorter == 0 for shorter in certain):
            continue
        for sync in _syncs(raw, length):
            for framing in _by_sync(raw, length, sync):
                if framing.check != "none" and framing.checked > 0.8 * framing.of:
                    certain.append(length)
                yield framing


def _syncs(raw: NDArray[np.uint8], length: int) -> list[bytes]:
    """Give what may be a sync word: bytes that stay the same through some stretch of records.

    A stretch may be damaged, or a signal may stand still in one, so several are looked at; the
    words that most of them show come first.
    """
    span = FEWEST * length
    votes: Counter[bytes] = Counter()
    for begin in np.unique(np.linspace(0, len(raw) - span, STRETCHES).astype(np.int64)).tolist():
        rows = raw[begin : begin + span].reshape(-1, length)
        still = (rows == rows[0]).all(axis=0)
        if still.all():
            continue
        for first in np.flatnonzero(still).tolist():
            run = 0
            while run < SYNC_LONGEST and still[(first + run) % length]:
                run += 1
            for size in range(1, run + 1):
                votes[bytes(int(rows[0, (first + n) % length]) for n in range(size))] += 1
    return [word for word, _ in votes.most_common(MOST_WORDS)]


def _rows_at_sync(raw: NDArray[np.uint8], length: int, sync: bytes) -> tuple[Rows, int]:
    """Rows that begin with the sync word and are followed by another, and how many could be there."""
    at = np.ones(len(raw) - len(sync) + 1, dtype=np.bool_)
    for place, byte in enumerate(sync):
        at &= raw[place : place + len(at)] == byte
    followed = at[:-length] & at[length:]
    starts = np.flatnonzero(followed)
    # Of overlapping ones the phase that occurs most often is right.
    if len(starts):
        phase = np.bincount(starts % length, minlength=length)
        kept: list[int] = []
        last = -length
        common = int(np.argmax(phase))
        for start in starts.tolist():
            if start - last >= length or (
                start % length == common and (kept and kept[-1] % length != common)
            ):
                if start - last < length:
                    kept.pop()
                kept.append(start)
                last = start
        starts = np.array(kept, dtype=np.int64)
    windows = np.lib.stride_tricks.sliding_window_view(raw, length)
    return windows[starts].copy(), max(len(starts), len(raw) // length - 1)


def _by_sync(raw: NDArray[np.uint8], length: int, sync: bytes) -> Iterator[_Framing]:
    rows, of = _rows_at_sync(raw, length, sync)
    if len(rows) < max(FEWEST, 0.5 * of):
        return
    found = False
    for name, kind in CHECKS.items():
        if kind.width == 0 or length - len(sync) <= kind.width:
            continue
        for big in (False, True) if kind.width > 1 else (False,):
            body = rows[:, len(sync) :]
            stated = columns.whole(body, body.shape[1] - kind.width, kind.width, big=big)
            few = slice(0, 64)
            if np.mean(check_rows(name, body[few, : -kind.width]) == stated[few]) < CHECK_HOLDS:
                continue
            right = check_rows(name, body[:, : -kind.width]) == stated
            if np.mean(right) < CHECK_HOLDS or len(np.unique(stated[right])) < 3:
                continue
            found = True
            yield _Framing(length, sync, name, big, rows[right], of, int(np.count_nonzero(right)))
    if not found:
        yield _Framing(length, sync, "none", False, rows, of, len(rows))


def _described(framing: _Framing) -> FoundRecord | None:
    rows, length = framing.rows, framing.length
    sync = framing.sync
    width = CHECKS[framing.check].width
    begin, end = len(sync), length - width
    if end <= begin:
        return None
    options = []
    for big in (False, True):
        if width > 1 and big != framing.big:
            continue
        price, fields = _fields(rows, begin, end, big=big)
        options.append((price, big, fields))
    price, big, fields = min(options, key=lambda option: option[0])
    certain_order = width > 1 or abs(options[0][0] - options[-1][0]) > 1.0
    channels = [f for f in fields if f.role == "channel"]
    if not channels:
        return None
    scans, clear = columns.repeats(rows, fields, big=big)
    bits, aligned = _bits(rows, channels, big=big)
    share = framing.checked / max(framing.of, 1)
    alike = len({f.width for f in channels}) == 1 or (
        len({f.width for f in channels[:-1]}) == 1 and channels[-1].width == 1
    )
    # A byte that stands still is a pad or a quiet 8-bit channel: nobody can tell.
    quiet = any(f.role == "pad" for f in fields) and any(f.width == 1 for f in channels)
    certain = alike and clear and not quiet and not columns.wild(rows, fields, big=big)
    confidence = _confidence(framing, share, certain_order, certain)
    evidence = _evidence(framing, fields, big, scans, bits, aligned)
    if scans > 1:
        per_scan = len(channels) // scans
        first = fields.index(channels[0])
        fields = [*fields[: first + per_scan], *fields[first + len(channels) :]]
    return FoundRecord(
        length,
        sync,
        big,
        tuple(fields),
        framing.check,
        scans,
        framing.checked,
        framing.of,
        framing.checked if width else 0,
        bits,
        aligned,
        confidence,
        tuple(evidence),
    )


def _fields(rows: Rows, begin: int, end: int, *, big: bool) -> tuple[float, list[FoundField]]:
    known: list[FoundField] = []
    counter = columns.find_counter(rows, begin, end, big=big)
    if counter:
        known.append(counter)
    taken = {c for f in known for c in range(f.begin, f.begin + f.width)}
    clock = columns.find_clock(rows, begin, end, taken, big=big)
    if clock:
        known.append(clock)
    known.sort(key=lambda f: f.begin)
    fields: list[FoundField] = []
    price = 0.0
    at = begin
    for item in [*known, None]:
        stop = end if item is None else item.begin
        if stop > at:
            cost, found = columns.cut(rows, at, stop, big=big)
            price += cost
            fields += found
        if item is not None:
            fields.append(item)
            at = item.begin + item.width
            # A counter read in the right order is as wide as it can be.
            price -= item.width * 0.5
    return price, fields


def _bits(rows: Rows, channels: list[FoundField], *, big: bool) -> tuple[int | None, int]:
    """Bits that the largest code needs, and low bits that are always zero."""
    if any(f.type == "f32" for f in channels):
        return None, 0
    largest, all_bits, negative = 0, 0, False
    for found in channels:
        value = columns.whole(rows, found.begin, found.width, big=big)
        if found.width == 1 and len(np.unique(value)) <= 8 and len(channels) > 1:
            continue
        all_bits |= int(np.bitwise_or.reduce(value))
        if found.type.startswith("i"):
            value = columns.signed(value, found.width)
            negative = True
            value = np.where(value < 0, -value - 1, value)
        largest = max(largest, int(value.max()))
    low = (all_bits & -all_bits).bit_length() - 1 if all_bits else 0
    needed = largest.bit_length() + negative
    usual = next((b for b in (8, 10, 12, 14, 16, 18, 20, 24, 32) if b >= needed), 32)
    return usual, low if low in (2, 4, 6, 8) else 0


def _confidence(framing: _Framing, share: float, certain_order: bool, alike: bool) -> float:
    width = CHECKS[framing.check].width
    many = min(1.0, framing.checked / 100)
    if width >= 2:
        base = 0.99
    elif width == 1:
        base = 0.95
    else:
        base = {1: 0.6, 2: 0.9}.get(len(framing.sync), 0.92)
    if not certain_order:
        base -= 0.25
    if not alike:
        base -= 0.3
    return round(base * (0.8 + 0.2 * many) * min(1.0, 0.5 + 0.5 * share), 2)


def _evidence(
    framing: _Framing, fields: list[FoundField], big: bool, scans: int, bits: int | None, aligned: int
) -> list[str]:
    sync = " ".join(f"0x{byte:02X}" for byte in framing.sync)
    texts = [f"{sync} every {framing.length} bytes, {len(framing.rows)} of {framing.of}"]
    width = CHECKS[framing.check].width
    if width:
        last = framing.length - 1
        where = f"byte {last} matches" if width == 1 else f"bytes {last - width + 1}–{last} match"
        texts.append(f"{where} {framing.check} over bytes {len(framing.sync)}–{last - width}")
    else:
        texts.append("no check that livesense knows holds: damage cannot be told from data")
    for found in fields:
        at = (
            f"byte {found.begin}"
            if found.width == 1
            else f"bytes {found.begin}–{found.begin + found.width - 1}"
        )
        if found.role == "counter":
            texts.append(f"{at}: up by 1 from record to record, a counter")
        elif found.role == "clock":
            texts.append(f"{at}: up by nearly the same amount from record to record, a clock")
        elif found.role == "pad":
            texts.append(f"{at}: never changing")
    channels = [f for f in fields if f.role == "channel"]
    kinds = ", ".join(dict.fromkeys(f.type for f in channels))
    texts.append(
        f"bytes {channels[0].begin}–{channels[-1].begin + channels[-1].width - 1} move least when read as "
        f"{len(channels)} fields of {kinds}, {'highest' if big else 'lowest'} byte first"
    )
    if scans > 1:
        texts.append(f"the fields repeat: {scans} scans of {len(channels) // scans} channels in each record")
    if bits is not None:
        texts.append(
            f"no code needs more than {bits} bits"
            + (f"; the lowest {aligned} are always 0" if aligned else "")
        )
    return texts
