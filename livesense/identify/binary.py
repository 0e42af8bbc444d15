"""Records of one length in bytes of unknown layout: their length, sync word, check and fields.

Everything is told from repetition: bytes that stand at the same place in every
record, a check that holds in every record, bytes that count. What is not seen
often enough is not claimed.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from livesense.identify.columns import (
    MARKS,
    STEADY,
    Columns,
    FoundField,
    Rows,
    signed,
    whole,
    wild,
)
from livesense.identify.cut import lead, settled
from livesense.identify.framing import Framing, find_framing
from livesense.identify.reading import SOURCE, Reading, place
from livesense.identify.repeats import find_block
from livesense.identify.rivals import rivals, unclear
from livesense.identify.signs import codes_of, of_one_sign
from livesense.identify.tickers import Ticks, clock_unit, may_be_ms, steps_of, ticks

LOOKED_AT = 1 << 16
"""Bytes looked at: enough for hundreds of records."""

PIECES = 4
"""They are taken in so many pieces from all over the stream: a drive that stands may run later."""

LEAST_LEAD = 1.0
"""Bits for each record by which another reading must do worse, else it may be the right one."""

LEAST_LEAD_SHARE = 0.05
"""The same of another byte order, as a share of all bits of a record: of many fields each errs a little."""

FITS = 0.8
"""Share of the expected records that must fit, else some byte taken for a word may be a counter's."""

_DAMAGED = {0: 2, 1: 1}
"""Records whose counter may seem to stand still, by the bytes of the check: a wide one lets none through."""

MOST_AT_ONCE = 16
"""So many channels in one scan are none that a drive has: they are rather several scans, at rest or alike."""

MANY_ONCE = 2
"""So many channels that come once in a record of several scans may rather be scans of others."""

MOST_SCANS = 64
"""More scans of one record are not expected."""

DOUBTED = 0.59
"""Highest confidence where another reading does nearly as well."""

UNSURE = 0.85
"""Confidence where what counts may be a clock, if records come at one rate of all, or others come between."""

SURE = 0.3
"""Below this confidence nothing is claimed."""


@dataclass(frozen=True, slots=True)
class FoundRecord:
    """A layout that fits.

    ``seen`` records of ``of`` expected ones fit; ``check`` is a name as in a bench file,
    ``bits`` the smallest ADC that makes such codes (None for floats), ``rate_hz`` the scan rate by
    the device's clock (None without one).
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
    confidence: float
    check_big: bool = False
    check_over_sync: bool = False
    counts_scans: bool = False
    clock: str = ""
    rate_hz: float | None = None
    evidence: tuple[str, ...] = field(default=())

    @property
    def channels(self) -> int:
        """Channels in a scan."""
        return sum(f.role == "channel" for f in self.fields)


@dataclass(frozen=True, slots=True)
class _Tickers:
    """Fields with their roles told apart, and what the clock shows."""

    fields: list[FoundField]
    counts_scans: bool = False
    clock: str = ""
    records_per_s: float | None = None
    sure: bool = True


def find_record(data: bytes, seconds: float | None = None) -> FoundRecord | None:
    """Find the layout of a stream of fixed-length records; None where none is clear.

    ``seconds`` is how long the bytes took to come, None where there is no clock.
    """
    framing = find_framing(_sample(np.frombuffer(data, dtype=np.uint8)))
    if framing is None:
        return None
    records_per_s = len(data) / framing.length / seconds if seconds else None
    found = _described(framing, records_per_s)
    return found if found is not None and found.confidence >= SURE else None


def _sample(raw: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Take pieces of a long stream; where they meet a record is torn, as on any line."""
    if len(raw) <= LOOKED_AT:
        return raw
    size = LOOKED_AT // PIECES
    begins = np.linspace(0, len(raw) - size, PIECES).astype(np.int64).tolist()
    return np.concatenate([raw[begin : begin + size] for begin in begins])


def _described(framing: Framing, records_per_s: float | None) -> FoundRecord | None:
    rows, big = framing.rows, framing.big
    columns = Columns(rows)
    fields = settled(framing.cut.fields, rows, columns, big=big)
    if not any(f.role == "channel" for f in fields):
        return None
    going = {
        f: found
        for f in fields
        if f.role == "ticker"
        and (found := ticks(whole(rows, f.begin, f.width, big=big), f.width, _DAMAGED.get(framing.width, 0)))
    }
    counted = [round(found.step) for found in going.values() if found.exact and found.step > 1]
    block, clear = find_block(rows, fields, counted, big=big)
    told = _told_apart(fields, going, block.scans, framing, records_per_s)
    fields = told.fields
    channels = [f for f in fields if f.role == "channel"]
    once: list[FoundField] = []
    if block.scans > 1:
        inside = channels[block.first : block.first + block.period * block.scans]
        once = [f for f in channels if f not in inside]
        fields = [replace(f, type=f"pad{f.width}", role="pad") if f in once else f for f in fields]
        channels = inside
    clear = clear and len(once) < MANY_ONCE and (block.scans > 1 or len(channels) <= MOST_AT_ONCE)
    fields, either = _signed(
        fields, channels, block.period if block.scans > 1 else len(channels), rows, big=big
    )
    channels = [f for f in fields if f.role == "channel"]
    bits, aligned = _bits(rows, channels, big=big)
    begin, end = len(framing.sync), framing.end
    going = {f: going[g] for f in told.fields for g in going if f.begin == g.begin and f.width == g.width}
    checked = framing.end < framing.length
    others = rivals(Reading(rows, columns, framing.sync, end, big, checked, told.fields, going))
    others += [
        f"{place(one.begin, one.width)} may be counted from 0, or else have a sign: {SOURCE}"
        for one in either
    ]
    if block.planar:
        others.append(
            f"the channels may come one after the other, {block.planar} values of each: that cannot be "
            "declared, so each value is told as a channel; let the firmware send scan after scan"
        )
    ms = _may_be_clock(told, block.scans, records_per_s)
    if ms and records_per_s is not None:
        others.append(
            f"what counts may as well be a clock in milliseconds, since as many records come: {SOURCE}"
        )
    near = lead(columns, framing.cut, begin, end, big=big) <= LEAST_LEAD
    widths = _wild(rows, channels, big=big)
    turned = framing.width > 0 and framing.lead < LEAST_LEAD_SHARE * framing.cut.price
    order = turned or framing.lead < LEAST_LEAD
    few = len(rows) < FITS * framing.of
    certain = not (others or near or widths or few or turned) and clear and told.sure
    ticking = any(f.role in ("counter", "clock") for f in fields)
    word = not checked and _worth(framing.sync) < (1.0 if ticking else 1.4)
    others += unclear(
        scans=not clear, fields=near, order=order, widths=widths, ticking=not told.sure, word=word, few=few
    )
    confidence = _confidence(framing, certain, ticking=ticking)
    if ms or framing.others[1]:
        confidence = min(confidence, UNSURE)
    evidence = _evidence(framing, fields, told, once, block.scans, bits, aligned, ms=ms) + others
    if block.scans > 1:
        later = set(channels[block.period :])
        fields = [f for f in fields if f not in later]
    if framing.foreign is not None:
        fields = [*fields, FoundField(end, f"pad{framing.foreign.width}", framing.foreign.width, "pad")]
    rate_hz = told.records_per_s * block.scans if told.records_per_s else None
    return FoundRecord(
        framing.length,
        framing.sync,
        big,
        tuple(_joined(fields)),
        framing.check,
        block.scans,
        len(rows),
        framing.of,
        len(rows),
        bits,
        confidence,
        framing.check_big,
        framing.over_sync,
        told.counts_scans,
        told.clock,
        rate_hz,
        tuple(evidence),
    )


def _signed(
    fields: list[FoundField], channels: list[FoundField], period: int, rows: Rows, *, big: bool
) -> tuple[list[FoundField], list[FoundField]]:
    """Give channels their signs, by all their scans together; also returns those that may have the other."""
    scans = {one: channels[n % period :: period] for n, one in enumerate(channels)}
    own = [one for one in fields if one.role == "channel" and one.type != "f32"]
    firsts = [one for one in own if scans[one][0] is one]
    values = {one: codes_of(rows, one, scans[one], big=big) for one in firsts}
    found, doubtful = of_one_sign(firsts, values)
    types = {one: new.type for one, new in zip(firsts, found, strict=True)}
    given = [replace(one, type=types[scans[one][0]]) if one in own else one for one in fields]
    return given, doubtful


def _joined(fields: list[FoundField]) -> list[FoundField]:
    """Make one pad of several beside each other."""
    found: list[FoundField] = []
    for one in fields:
        if one.role == "pad" and found and found[-1].role == "pad":
            width = found[-1].width + one.width
            found[-1] = FoundField(found[-1].begin, f"pad{width}", width, "pad")
        else:
            found.append(one)
    return found


def _told_apart(
    fields: list[FoundField],
    going: dict[FoundField, Ticks],
    scans: int,
    framing: Framing,
    records_per_s: float | None,
) -> _Tickers:
    """Tell which field that goes up counts, and which is a clock."""
    # One byte is no clock, though where pieces of a stream meet it may seem to stand still as one does.
    ones = [f for f, t in going.items() if (t.exact or f.width == 1) and round(t.step) == 1]
    by_scans = [f for f, t in going.items() if t.exact and scans > 1 and round(t.step) == scans]
    # Of two that go up by one the wider is rather a clock that happens to tick with the records.
    counter = min(ones or by_scans, key=lambda f: f.width, default=None)
    left = [f for f in going if f is not counter]
    clock = max(left, key=lambda f: (f.width, going[f].step), default=None)
    unit, per_s = "", None
    # Which of two that are as wide and always step alike is the clock, nothing tells.
    sure = not any(f.width == counter.width for f in ones if f is not counter) if counter else True
    sure = sure and not (counter and _may_be_narrower(framing, counter))
    if clock is not None:
        unit, unit_sure = clock_unit(going[clock].step, framing.length, records_per_s)
        # What goes up by the same few each time may count scans, when nothing shows how many there are.
        few = going[clock].exact and going[clock].step <= MOST_SCANS and counter is None
        sure = sure and unit_sure and not few
        step = going[clock].step
        if counter is not None:
            step = _step_per_record(framing, clock, counter) or step
        per_s = (1e6 if unit == "t_us" else 1e3) / step
    role = {counter: "counter", clock: "clock"}
    other = "channel" if scans == 1 else "pad"
    told = [replace(f, role=role.get(f, other)) if f.role == "ticker" else f for f in fields]
    told = [replace(f, type=f"pad{f.width}") if f.role == "pad" else f for f in told]
    return _Tickers(told, counter is not None and counter not in ones, unit, per_s, sure)


def _step_per_record(framing: Framing, clock: FoundField, counter: FoundField) -> float | None:
    """Mean step of a clock between records of which none was lost, as the counter tells."""
    values = [whole(framing.rows, f.begin, f.width, big=framing.big) for f in (clock, counter)]
    went, counted = (steps_of(v, f.width) for v, f in zip(values, (clock, counter), strict=True))
    usual = np.median(counted)
    next_one = counted == usual
    limit = 4 * max(1.0, float(np.median(went)))
    kept = went[next_one & (went >= 0) & (went <= limit)]
    return float(kept.mean()) if len(kept) > 0.5 * len(went) and kept.any() else None


def _may_be_clock(told: _Tickers, scans: int, records_per_s: float | None) -> bool:
    """Whether what goes up by one is as wide as a clock, which would show milliseconds."""
    wide = any(one.role == "counter" and one.width == 4 for one in told.fields) and not told.clock
    ticks_per_s = None if records_per_s is None else records_per_s * (scans if told.counts_scans else 1)
    return wide and may_be_ms(ticks_per_s)


def _may_be_narrower(framing: Framing, counter: FoundField) -> bool:
    """Whether high bytes of a counter never change, yet are not zero: they may stand beside it."""
    high = slice(0, counter.width - 1) if framing.big else slice(1, counter.width)
    bytes_of = framing.rows[:, counter.begin : counter.begin + counter.width][:, high]
    still = (bytes_of == bytes_of[0]).mean(axis=0) > STEADY
    return int(np.count_nonzero(still & (bytes_of[0] != 0))) >= 2


def _bits(rows: Rows, channels: list[FoundField], *, big: bool) -> tuple[int | None, int]:
    """Bits that the largest code needs, and low bits that are always zero."""
    if any(f.type == "f32" for f in channels):
        return None, 0
    largest, all_bits, negative = 0, 0, False
    for found in channels:
        value = whole(rows, found.begin, found.width, big=big)
        if found.width == 1 and len(np.unique(value)) <= 8 and len(channels) > 1:
            continue
        all_bits |= int(np.bitwise_or.reduce(value))
        if found.type.startswith("i"):
            value = signed(value, found.width)
            negative = True
            value = np.where(value < 0, -value - 1, value)
        largest = max(largest, int(value.max()))
    low = (all_bits & -all_bits).bit_length() - 1 if all_bits else 0
    needed = largest.bit_length() + negative
    usual = next((b for b in (8, 10, 12, 14, 16, 18, 20, 24, 32) if b >= needed), 32)
    return usual, low if low in (2, 4, 6, 8) else 0


def _wild(rows: Rows, channels: list[FoundField], *, big: bool) -> bool:
    """Whether most channel fields move all over their range, so that their width is a guess."""
    whole_ones = [found for found in channels if found.type != "f32"]
    count = sum(wild(whole(rows, found.begin, found.width, big=big), found.width) for found in whole_ones)
    return count > len(whole_ones) / 2


def _worth(word: bytes) -> float:
    """How much a word is one: of bytes that stand everywhere it may be none at all."""
    return sum(1.0 if byte in MARKS else 0.7 if byte >= 32 else 0.15 for byte in word)


def _confidence(framing: Framing, certain: bool, *, ticking: bool) -> float:
    many = min(1.0, len(framing.rows) / 100)
    share = len(framing.rows) / max(framing.of, 1)
    if framing.width >= 2:
        base = 0.99
    elif framing.width == 1:
        base = 0.95
    elif framing.foreign is not None:
        base = 0.92
    else:
        worth = _worth(framing.sync)
        base = 0.92 if worth >= 1.4 else 0.6 if worth >= 1.0 else 0.5
        if ticking and worth >= 1.0:
            # A field that counts through all records shows how long they are, and a byte of which words are
            # made where they begin; another one may be the high byte of something quiet.
            base = max(base, 0.85)
    if framing.lead < LEAST_LEAD:
        base = min(base - (0.25 if ticking or framing.width else 0.35), DOUBTED)
    if not certain:
        # Another reading does nearly as well: below 0.6, but not so low that nothing is said.
        base = max(base - 0.4, min(base, 0.4))
    return round(max(0.0, base * (0.8 + 0.2 * many) * min(1.0, 0.5 + 0.5 * share)), 2)


def _evidence(
    framing: Framing,
    fields: list[FoundField],
    told: _Tickers,
    once: list[FoundField],
    scans: int,
    bits: int | None,
    aligned: int,
    *,
    ms: bool,
) -> list[str]:
    sync = " ".join(f"0x{byte:02X}" for byte in framing.sync) or "nothing in front, but a right check"
    texts = [f"{sync} every {framing.length} bytes, {len(framing.rows)} of {framing.of}"]
    texts.append(_check_text(framing))
    if framing.others[1]:
        length, count = framing.others
        texts.append(
            f"{count} times {length} bytes between them begin alike: another kind of record, none of which "
            "can be declared beside this one; each is counted as a bad record"
        )
    for found in fields:
        where = place(found.begin, found.width)
        if found.role == "counter":
            step = f"{scans}, the scans of a record," if told.counts_scans else "1"
            doubt = ""
            if ms:
                counted = "scans" if told.counts_scans else "records"
                doubt = f", or else a clock in milliseconds, if a thousand {counted} come in a second"
            texts.append(f"{where}: up by {step} from record to record, a counter{doubt}")
        elif found.role == "clock":
            unit = "microseconds" if told.clock == "t_us" else "milliseconds"
            doubt = "" if told.sure else " or else the other way round, state which"
            texts.append(
                f"{where}: up by nearly the same amount from record to record, a clock, "
                f"taken as {unit}{doubt}"
            )
        elif found in once or any(found.begin == other.begin for other in once):
            texts.append(
                f"{where}: moving, but once in a record of {scans} scans: that cannot be declared, "
                "so it is left out"
            )
        elif found.role == "pad":
            texts.append(f"{where}: never changing")
    channels = [f for f in fields if f.role == "channel"]
    kinds = ", ".join(dict.fromkeys(f.type for f in channels))
    texts.append(
        f"bytes {channels[0].begin}–{channels[-1].begin + channels[-1].width - 1} move least when read as "
        f"{len(channels)} fields of {kinds}, {'highest' if framing.big else 'lowest'} byte first"
    )
    if scans > 1:
        texts.append(f"the fields repeat: {scans} scans of {len(channels) // scans} channels in each record")
    if bits is not None:
        texts.append(
            f"no code needs more than {bits} bits"
            + (f"; the lowest {aligned} are always 0" if aligned else "")
        )
    return texts


def _check_text(framing: Framing) -> str:
    width = framing.width
    if framing.foreign is not None:
        where = place(framing.end, framing.foreign.width)
        return (
            f"{where}: {framing.foreign.way} of the bytes before, a check of a kind that cannot be declared: "
            "it is left out, and damage cannot be told from data"
        )
    if not width:
        return "no check that livesense knows holds: damage cannot be told from data"
    last = framing.length - 1
    where = f"byte {last} matches" if width == 1 else f"bytes {last - width + 1}–{last} match"
    first = 0 if framing.over_sync else len(framing.sync)
    order = ""
    if width > 1 and framing.check_big != framing.big:
        order = f", {'highest' if framing.check_big else 'lowest'} byte first"
    return f"{where} {framing.check} over bytes {first}–{last - width}{order}"
