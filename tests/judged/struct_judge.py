"""Grades of what `livesense identify --json` says of a capture of struct_streams.py.

The grades are those of stream_judge.py, the equivalences those of record_judge.py, for fields of mixed types:
each is compared by the place of its bytes, wherever the declared record begins. Imports no livesense.
"""

from __future__ import annotations

import collections
import tomllib
from typing import Any

import numpy as np
from declared_records import Declared, Field, bytes_at, is_constant, numbers
from record_judge import LEAST_CHECKED, LEAST_TAKEN, Mistake
from stream_judge import Verdict, graded, rate_mistakes
from unknown_streams import Stream


def judged(sent: Stream, answer: dict[str, Any]) -> Verdict:
    """Grade the JSON of `identify`."""
    truth = sent.truth
    if answer["wire"] is None:
        return graded(sent, answer, [] if truth["undeclarable"] else [Mistake("wire", "not identified")])
    if answer["wire"] != "record":
        return graded(sent, answer, [Mistake("wire", f"taken as {answer['wire']}")])
    mistakes = _Comparison(sent, tomllib.loads(answer["bench"])).mistakes()
    return graded(sent, answer, mistakes + rate_mistakes(truth, answer["rate_hz"], mistakes))


class _Comparison:
    """A declared record beside the one that was sent."""

    def __init__(self, sent: Stream, bench: dict[str, Any]) -> None:
        self.truth, self.values = sent.truth, sent.values
        self.declared = Declared(bench["link"]["record"])
        self.bits = bench.get("adc", {}).get("bits")
        self.raw = np.frombuffer(sent.raw, np.uint8)
        self.whole = np.flatnonzero(sent.places >= 0)[:-1]
        # A rotated record is read from the next one's bytes, so that one must be whole too.
        at = sent.places[self.whole]
        self.whole = self.whole[(sent.places[self.whole + 1] - at) == sent.truth["length"]]
        self.places = sent.places[self.whole]
        self.phase = 0

    def mistakes(self) -> list[Mistake]:
        truth, declared = self.truth, self.declared
        if declared.length != truth["length"]:
            return [Mistake("length", f"length {declared.length} not {truth['length']}")]
        starts = declared.records(self.raw)
        begun = self.places[np.searchsorted(self.places, starts[starts >= self.places[0]], "right") - 1]
        late = (starts[starts >= self.places[0]] - begun) % declared.length
        if not len(late):
            return [Mistake("check", f"check {declared.check} takes no record")]
        self.phase = int(collections.Counter(late.tolist()).most_common(1)[0][0])
        if self.phase and (truth["check"] != "none" or len(declared.sync) < truth["sync_bytes"]):
            return [Mistake("sync", f"begins {self.phase} bytes into the record")]
        found = [*self._check(starts), *self._channels(), *self._counter(), *self._clock()]
        return found

    def _check(self, starts: np.ndarray) -> list[Mistake]:
        sent, said = self.truth["check"], self.declared.check
        if sent == "none" and said == "none":
            share = len(starts) / max(1, len(self.places))
            return [Mistake("sync", f"takes only {share:.0%}")] if share < LEAST_TAKEN else []
        if "none" in (sent, said):
            return [Mistake("check", f"check {said}, sent {sent}")]
        if self.declared.checks_right(self.raw, self.places).mean() < LEAST_CHECKED:
            return [Mistake("check", f"check {said} fails, sent {sent}")]
        return []

    def _read(self, field: Field) -> np.ndarray:
        at = (field.at + self.phase) % self.declared.length
        return numbers(bytes_at(self.raw, self.places, at, field.width), field.type, self.declared.endian)

    def _at(self, field: Field) -> range:
        at = (field.at + self.phase) % self.declared.length
        return range(at, at + field.width)

    def _channels(self) -> list[Mistake]:
        truth, wrong, used = self.truth, [], set()
        at = truth["first_channel_at"]
        begin = at
        for scan in range(truth["scans"]):
            for k, item in enumerate(truth["items"]):
                codes = self.values["channels"][self.whole, scan, k]
                one = self._field_of(range(at, at + item.width), item.type, codes)
                if one is not None:
                    used.add(one)
                elif truth["scans"] > 1 or not is_constant(codes):
                    said = "+".join(f.type for f in self._meeting(range(at, at + item.width)))
                    wrong.append(f"{item.name} {item.type}@{at} read as {said}")
                at += item.width
        if wrong:
            return [Mistake("codes", f"{len(wrong)} fields: {'; '.join(wrong[:2])}")]
        inside = [f for f in self.declared.channels if f in self._meeting(range(begin, at))]
        moving = [f for f in inside if f not in used and not is_constant(self._read(f))]
        if moving:
            return [Mistake("channels", f"{len(moving)} fields too many")]
        names = {f.name for f in inside if f in used}
        folded = truth["mode"] != "rest" and self.declared.scans != truth["scans"]
        if folded or (truth["scans"] > 1 and truth["mode"] != "rest" and len(names) != len(truth["items"])):
            said = f"{self.declared.scans} scans of {len(names)} channels"
            return [Mistake("scans", f"{said}, sent {truth['scans']} of {len(truth['items'])}")]
        return self._too_few_bits()

    def _too_few_bits(self) -> list[Mistake]:
        codes = self.values["channels"][self.whole]
        if not self.bits or any(item.type == "f32" for item in self.truth["items"]):
            return []
        top, bottom = int(codes.max()), int(codes.min())
        need = max(top, -bottom - 1).bit_length() + (bottom < 0)
        # Right for what is an ADC's; a field that takes few values is a state.
        few = len(np.unique(codes)) <= 8
        return (
            [Mistake("bits", f"bits {self.bits}, codes need {need}")] if need > self.bits and not few else []
        )

    def _meeting(self, at: range) -> list[Field]:
        return [
            f for f in self.declared.fields if self._at(f).stop > at.start and self._at(f).start < at.stop
        ]

    def _field_of(self, at: range, kind: str, codes: np.ndarray) -> Field | None:
        for field in self._meeting(at):
            if not field.is_channel:
                continue
            off = self._read(field) - codes
            if np.all(off == 0):
                return field
            same = field.width == len(at) and "f32" not in (kind, field.type)
            if same and is_constant(off) and abs(off[0]) == 2.0 ** (8 * field.width):
                return field
        return None

    def _counter(self) -> list[Mistake]:
        said = [f for f in self.declared.fields if f.name == "n"]
        if not self.truth["counter"]:
            return [Mistake("counter", "a counter where there is none")] if said else []
        wide = int(self.truth["counter"][1:])
        if not said:
            return [Mistake("counter", f"counter {self.truth['counter']} missed")]
        if not self._ticks_as(said[0], self.values["n"][self.whole] & ((1 << wide) - 1)):
            return [Mistake("counter", f"counter {said[0].type}@{said[0].at}, sent {self.truth['counter']}")]
        if self.truth["scans"] > 1 and self.declared.counts != self.truth["counts"]:
            return [Mistake("counter", f"counts {self.declared.counts}, sent {self.truth['counts']}")]
        return []

    def _clock(self) -> list[Mistake]:
        said = [f for f in self.declared.fields if f.name.startswith("t_")]
        if not self.truth["clock"]:
            return [Mistake("clock", "a clock where there is none")] if said else []
        if not said:
            return [Mistake("clock", f"clock {self.truth['clock']} missed")]
        if not self._ticks_as(said[0], self.values["t"][self.whole] & 0xFFFFFFFF):
            return [Mistake("clock", f"clock {said[0].type}@{said[0].at}, sent u32")]
        if said[0].name != self.truth["clock"]:
            return [Mistake("clock", f"clock taken as {said[0].name}, sent {self.truth['clock']}")]
        return []

    def _ticks_as(self, field: Field, sent: np.ndarray) -> bool:
        bits = 8 * field.width
        return bool(np.all(self._read(field) == sent & ((1 << bits) - 1))) and is_constant(sent >> bits)
