"""Is a declared record the one that was sent? Told by decoding the capture with it.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.

Readings that the bytes cannot tell from the truth, or that decode the codes alike, are right:

- The sign of a field whose top bit never changes in the capture: its codes differ by 2^width, always.
- A narrower or wider field that gives the same codes in all records (upper bytes zero, or of the sign alone).
- Status, type, length and padding bytes as channels, padding, or (constant ones) part of the sync word.
- A channel that never changes as padding; a field too many that never changes.
- A counter narrower than the sent one where the upper bytes never change.
- A check that holds on 98 % of the undamaged records, whatever its name or reach.
- `bits`: any number that holds all codes seen. Alignment and removal of an offset are scaling, no layout.
- A rotated record (it begins elsewhere in the cycle), where the sent one has no check, and the declared sync
  word is at least as long as the sent one. Channels are then compared by the places of their bytes alone.
- With one scan in a record `counts` says the same either way.
- At rest: scans × channels folded otherwise; a field that differs from the truth by a constant.
"""

from __future__ import annotations

import collections
import tomllib
from dataclasses import dataclass

import numpy as np
from declared_records import Declared, Field, bytes_at, is_constant, numbers
from unknown_streams import Stream

LEAST_CHECKED = 0.98
LEAST_TAKEN = 0.9
"""Share of the undamaged records that a declared sync word must take where there is no check."""


@dataclass(frozen=True)
class Mistake:
    """What is wrong (the thing), and how."""

    thing: str
    text: str


@dataclass(frozen=True)
class Taken:
    """Records that the declared layout takes and that were sent: their places and numbers."""

    sent: Stream
    declared: Declared
    raw: np.ndarray
    starts: np.ndarray
    numbers: np.ndarray

    def values(self, field: Field) -> np.ndarray:
        return numbers(self.bytes(field), field.type, self.declared.endian)

    def bytes(self, field: Field) -> np.ndarray:
        return bytes_at(self.raw, self.starts, field.at, field.width)

    def sent_codes(self, scan: int, channel: int) -> np.ndarray:
        return self.sent.values["channels"][self.numbers, scan, channel]


def record_mistakes(sent: Stream, bench_text: str) -> list[Mistake]:
    truth = sent.truth
    bench = tomllib.loads(bench_text)
    declared = Declared(bench["link"]["record"])
    if declared.length != truth["length"]:
        return [Mistake("length", f"length {declared.length} not {truth['length']}")]
    raw = np.frombuffer(sent.raw, np.uint8)
    whole = np.flatnonzero(sent.places >= 0)
    starts = declared.records(raw)
    number_at = dict(zip(sent.places[whole].tolist(), whole.tolist(), strict=True))
    hits = [start for start in starts.tolist() if start in number_at]
    if len(hits) < 0.5 * len(whole):
        return _out_of_phase(sent, declared, raw, starts)
    taken = Taken(sent, declared, raw, np.array(hits), np.array([number_at[start] for start in hits]))
    channels = _channel_mistakes(taken)
    found = [*_check_mistakes(taken, whole), *channels, *_counter_mistakes(taken), *_clock_mistakes(taken)]
    bits = bench.get("adc", {}).get("bits")
    if bits and truth["coding"] != "f32" and not any(mistake.thing == "codes" for mistake in channels):
        found += bits_mistakes(bits, sent.values["channels"][taken.numbers])
    return found


def bits_mistakes(bits: int, codes: np.ndarray) -> list[Mistake]:
    """Too few bits for the codes seen."""
    top, bottom = int(codes.max()), int(codes.min())
    need = max(top, -bottom - 1).bit_length() + (bottom < 0)
    return [Mistake("bits", f"bits {bits}, codes need {need}")] if need > bits else []


def _out_of_phase(sent: Stream, declared: Declared, raw: np.ndarray, starts: np.ndarray) -> list[Mistake]:
    """The declared record begins elsewhere, or nowhere."""
    truth, whole = sent.truth, np.flatnonzero(sent.places >= 0)
    begun = sent.places[whole]
    late = [
        (start - begun[np.searchsorted(begun, start, "right") - 1]) % declared.length
        for start in starts.tolist()
        if start >= begun[0]
    ]
    if not late:
        thing = "length" if declared.check == truth["check"] else "check"
        return [Mistake(thing, f"takes {len(starts)} of {len(whole)} records with check {declared.check}")]
    phase = int(collections.Counter(late).most_common(1)[0][0])
    if truth["check"] == "none" and len(declared.sync) >= truth["sync_bytes"] and phase:
        return _by_place(sent, declared, raw, phase)
    said = declared.sync.hex(" ")
    return [Mistake("sync", f"begins {phase} bytes into the record; sync '{said}', sent '{truth['sync']}'")]


def _by_place(sent: Stream, declared: Declared, raw: np.ndarray, phase: int) -> list[Mistake]:
    """Channels by the places of their bytes, whichever record these are counted to."""
    truth, wrong = sent.truth, 0
    ks = np.flatnonzero(sent.places >= 0)[:-1]
    for scan in range(truth["scans"]):
        for channel in range(truth["channels"]):
            begin = _place(truth, scan, channel)
            codes = sent.values["channels"][ks, scan, channel]
            for field in declared.channels:
                at = (field.at + phase) % declared.length
                rows = sent.places[ks] + at
                if at >= begin + truth["width"] or at + field.width <= begin:
                    continue
                if (rows + field.width > len(raw)).any():
                    continue
                value = numbers(bytes_at(raw, rows, 0, field.width), field.type, declared.endian)
                if _alike(value - codes, 8 * truth["width"]):
                    break
            else:
                wrong += 1
    return [Mistake("sync", f"rotated, and {wrong} fields wrong")] if wrong else []


def _place(truth: dict, scan: int, channel: int) -> int:
    return truth["first_channel_at"] + (scan * truth["channels"] + channel) * truth["width"]


def _alike(difference: np.ndarray, bits: int) -> bool:
    """The same codes, or codes whose top bit never changed, read with the other sign."""
    return bool(np.all(difference == 0)) or (is_constant(difference) and abs(difference[0]) == 2.0**bits)


def _check_mistakes(taken: Taken, whole: np.ndarray) -> list[Mistake]:
    truth, declared = taken.sent.truth, taken.declared
    if truth["check"] == "none":
        if declared.check != "none":
            return [Mistake("check", f"check {declared.check} where there is none")]
        # The last one has no other behind it that would confirm it.
        share = len(taken.starts) / max(1, len(whole) - 1)
        return [Mistake("sync", f"takes only {share:.0%} of whole records")] if share < LEAST_TAKEN else []
    if declared.check == "none":
        return [Mistake("check", f"check {truth['check']} over {truth['check_over']} missed")]
    if declared.checks_right(taken.raw, taken.sent.places[whole]).mean() < LEAST_CHECKED:
        return [Mistake("check", f"check {declared.check} fails, {truth['check']} was sent")]
    return []


def _channel_mistakes(taken: Taken) -> list[Mistake]:
    truth = taken.sent.truth
    used, wrong = set(), []
    for scan in range(truth["scans"]):
        for channel in range(truth["channels"]):
            field = _field_of(taken, scan, channel)
            if field:
                used.add(field)
            elif truth["scans"] > 1 or not is_constant(taken.sent_codes(scan, channel)):
                wrong.append(_misread(taken, scan, channel))
    if wrong:
        number = truth["scans"] * truth["channels"]
        return [Mistake("codes", f"{len(wrong)} of {number} fields: {'; '.join(wrong[:2])}")]
    begin, end = _place(truth, 0, 0), _place(truth, truth["scans"], 0)
    inside = [field for field in taken.declared.channels if field.meets(begin, end)]
    moving = [field for field in inside if not is_constant(taken.bytes(field))]
    extra = [field for field in moving if field not in used]
    if extra:
        return [Mistake("channels", f"{len(extra)} fields too many")]
    names = {field.name for field in inside if field in used or field in moving}
    return _scan_mistakes(taken, len(names))


def _field_of(taken: Taken, scan: int, channel: int) -> Field | None:
    """The declared field that reads this channel as it was sent."""
    truth = taken.sent.truth
    begin, codes = _place(truth, scan, channel), taken.sent_codes(scan, channel).astype(float)
    for field in taken.declared.channels:
        if not field.meets(begin, begin + truth["width"]):
            continue
        difference = taken.values(field) - codes
        if np.all(difference == 0):
            return field
        if field.width == truth["width"] and truth["coding"] != "f32" and is_constant(difference):
            if truth["mode"] == "still" or abs(difference[0]) == 2.0 ** (8 * truth["width"]):
                return field
    return None


def _misread(taken: Taken, scan: int, channel: int) -> str:
    truth = taken.sent.truth
    begin = _place(truth, scan, channel)
    here = [
        f"{field.name}:{field.type}@{field.at}"
        for field in taken.declared.fields
        if field.meets(begin, begin + truth["width"])
    ]
    of_scan = f" scan {scan}" if truth["scans"] > 1 else ""
    return f"channel {channel}{of_scan} {truth['coding']}@{begin} read as {'+'.join(here)}"


def _scan_mistakes(taken: Taken, inside: int) -> list[Mistake]:
    """Scans × channels folded otherwise, where something moves that tells."""
    truth, scans = taken.sent.truth, taken.declared.scans
    codes = taken.sent.values["channels"][taken.numbers]
    fixed = sum(is_constant(codes[:, :, k].ravel()) for k in range(truth["channels"]))
    one = scans == truth["scans"] == 1
    if (scans, inside) == (truth["scans"], truth["channels"]) or truth["mode"] == "still":
        return []
    if one and inside + fixed >= truth["channels"]:
        return []
    said = f"{scans} scans of {inside} channels"
    return [Mistake("scans", f"{said}, sent {truth['scans']} of {truth['channels']}")]


def _same_ticker(taken: Taken, field: Field, sent: np.ndarray) -> bool:
    """The field reads the sent numbers, or their lower part while the upper one never changes."""
    bits = 8 * field.width
    low = sent & ((1 << bits) - 1)
    value = numbers(taken.bytes(field), "u", taken.declared.endian)
    return bool(np.all(value == low)) and is_constant(sent >> bits)


def _counter_mistakes(taken: Taken) -> list[Mistake]:
    truth, declared = taken.sent.truth, taken.declared
    said = [field for field in declared.fields if field.name == "n"]
    if not truth["counter"]:
        return [Mistake("counter", f"a counter {f.type} at {f.at} where there is none") for f in said]
    at = next(at for name, at, _ in truth["fields"] if name == "n")
    sent = f"u{8 * truth['counter']} at {at}"
    if not said:
        return [Mistake("counter", f"counter {sent} missed")]
    counts = taken.sent.values["n"][taken.numbers] & ((1 << 8 * truth["counter"]) - 1)
    if not _same_ticker(taken, said[0], counts):
        return [Mistake("counter", f"counter {said[0].type} at {said[0].at}, sent {sent}")]
    if truth["scans"] > 1 and declared.counts != truth["counts"]:
        return [Mistake("counter", f"counts {declared.counts}, sent {truth['counts']}")]
    return []


def _clock_mistakes(taken: Taken) -> list[Mistake]:
    truth = taken.sent.truth
    said = [field for field in taken.declared.fields if field.name.startswith("t_")]
    if not truth["clock"]:
        return [Mistake("clock", f"a clock {f.name} at {f.at} where there is none") for f in said]
    at = next(at for name, at, _ in truth["fields"] if name == truth["clock"])
    if not said:
        return [Mistake("clock", f"clock {truth['clock']}:u32 at {at} missed")]
    if not _same_ticker(taken, said[0], taken.sent.values["t"][taken.numbers] & 0xFFFFFFFF):
        return [Mistake("clock", f"clock {said[0].type} at {said[0].at}, sent u32 at {at}")]
    if said[0].name != truth["clock"]:
        return [Mistake("clock", f"clock taken as {said[0].name}, sent {truth['clock']}")]
    return []
