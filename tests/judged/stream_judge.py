"""Grades of what `livesense identify --json` says of a capture.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.

- right: all things right, by the equivalences that record_judge.py lists. What has no sync word and no check
  cannot be declared: to find nothing there is right.
- honest: something wrong or not found, but nothing identified, or confidence under 0.6, or the evidence
  speaks of the very thing in words of doubt: a clock's unit "taken as", the very bytes of a counter or clock
  "left out", a framed stream without description of which nothing is claimed.
- wrong: confidence of 0.6 or more, and something wrong that the answer does not flag.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from enum import Enum
from typing import Any

from record_judge import Mistake, bits_mistakes, record_mistakes
from unknown_streams import Stream

CONFIDENT = 0.6
DOUBT = re.compile(
    r"\b(may|might|could|cannot be (?:told|known|sure)|unclear|ambig\w*|not (?:sure|certain)|either|alike"
    r"|guess\w*|assum\w*|perhaps|probably|likely|or else|too few|as well be|hardly|doubt\w*)\b",
    re.IGNORECASE,
)
LEFT_OUT = re.compile(r"bytes? (\d+)(?:[–-](\d+))?: .*left out")
WORDS_OF = {
    "length": r"record|length|every",
    "sync": r"sync|begin|start|record",
    "channels": r"channel|field|read as",
    "codes": r"read as|field|first|sign|i16|u16|i24|i32",
    "scans": r"scan|repeat|channel|field",
    "counter": r"count",
    "clock": r"clock|micro|milli",
    "check": r"check|crc|sum|xor",
    "bits": r"bits",
    "rate": r"rate|scans/s",
    "decimals": r"decimal",
}
"""Words of an evidence line that speaks of the thing."""


class Grade(Enum):
    """How an answer is graded."""

    RIGHT = "right"
    HONEST = "honest"
    WRONG = "wrong"


@dataclass(frozen=True)
class Verdict:
    """Grade of an answer, and its mistakes."""

    grade: Grade
    mistakes: list[Mistake]
    sent: Stream
    confidence: float

    def __str__(self) -> str:
        texts = "; ".join(mistake.text for mistake in self.mistakes)
        return f"{self.grade.value} at {self.confidence}: {described(self.sent)} | {texts}"


def judged(sent: Stream, answer: dict[str, Any]) -> Verdict:
    """Grade the JSON of `identify`."""
    truth = sent.truth
    undeclarable = truth["wire"] == "record" and not truth["sync_bytes"] and truth["check"] == "none"
    if answer["wire"] is None:
        grade = Grade.RIGHT if undeclarable else Grade.HONEST
        return Verdict(grade, [Mistake("wire", "not identified")], sent, answer["confidence"])
    mistakes = _mistakes(sent, answer)
    return graded(sent, answer, mistakes + rate_mistakes(truth, answer["rate_hz"], mistakes))


def graded(sent: Stream, answer: dict[str, Any], mistakes: list[Mistake]) -> Verdict:
    """Grade an answer that has these mistakes."""
    if not mistakes:
        grade = Grade.RIGHT
    elif answer["confidence"] < CONFIDENT:
        grade = Grade.HONEST
    else:
        flagged = all(_is_flagged(one, sent.truth, answer["evidence"]) for one in mistakes)
        grade = Grade.HONEST if flagged else Grade.WRONG
    return Verdict(grade, mistakes, sent, answer["confidence"])


def _mistakes(sent: Stream, answer: dict[str, Any]) -> list[Mistake]:
    if answer["wire"] != sent.truth["wire"]:
        return [Mistake("wire", f"taken as {answer['wire']}, sent {sent.truth['wire']}")]
    if sent.truth["wire"] == "framed":
        return _framed_mistakes(sent, answer)
    if sent.truth["wire"] == "text":
        return _text_mistakes(sent, tomllib.loads(answer["bench"]))
    return record_mistakes(sent, answer["bench"])


def _text_mistakes(sent: Stream, bench: dict[str, Any]) -> list[Mistake]:
    truth, stated = sent.truth, bench.get("channel", [])
    channels = [channel.get("column", channel["name"]) for channel in stated]
    columns = bench["link"].get("columns")
    if columns is None:
        from_header = truth["header"] != "none" and set(channels) <= set(truth["names"])
        columns = truth["names"] if from_header else channels
    if len(columns) != len(truth["columns"]):
        return [Mistake("channels", f"{len(columns)} columns, sent {len(truth['columns'])}")]
    found, channel = [], 0
    for k, (name, due) in enumerate(zip(columns, truth["columns"], strict=True)):
        said = name if name in ("n", "t_us", "t_ms") else "channel" if name in channels else "unused"
        values = sent.values["channels"][:, channel] if due == "channel" else []
        channel += due == "channel"
        silent = said == "unused" and len(values) and (values == values[0]).all()
        if said != due and not silent:
            found.append(Mistake(_thing(said, due), f"column {k + 1} taken as {said}, sent {due}"))
    decimals = min((one["decimals"] for one in stated if "decimals" in one), default=truth["decimals"])
    if decimals < truth["decimals"]:
        found.append(Mistake("decimals", f"decimals {decimals}, sent {truth['decimals']}"))
    bits = bench.get("adc", {}).get("bits")
    return found + (bits_mistakes(bits, sent.values["channels"]) if bits and not truth["decimals"] else [])


def _thing(said: str, due: str) -> str:
    if "n" in (said, due):
        return "counter"
    return "clock" if said.startswith("t_") or due.startswith("t_") else "channels"


def _framed_mistakes(sent_stream: Stream, answer: dict[str, Any]) -> list[Mistake]:
    truth, channels = sent_stream.truth, answer["channels"]
    if truth["described"]:
        right = channels == truth["names"]
        return [] if right else [Mistake("channels", f"{channels}, sent {truth['names']}")]
    sent = f"{truth['code']} x {truth['channels']}"
    if not channels:
        return [Mistake("undescribed", f"code and channels not told, sent {sent}")]
    group = tomllib.loads(answer["bench"]).get("group", [{}])[0]
    said = f"{group.get('code', 'u16')} x {len(channels)}"
    if _never_crosses_zero(sent_stream) and {said, sent} == {
        f"{code} x {truth['channels']}" for code in ("u16", "i16")
    }:
        return []
    return [] if said == sent else [Mistake("channels", f"{said}, sent {sent}")]


def _never_crosses_zero(sent: Stream) -> bool:
    """Whether the sign of every channel is that of its first code: nothing tells whether it has one."""
    negative = sent.values["channels"] < 0
    return bool((negative == negative[0]).all())


def rate_mistakes(truth: dict[str, Any], rate_hz: float | None, mistakes: list[Mistake]) -> list[Mistake]:
    """A rate must come from clock or description, within 1 %; 3 % where the capture is short or damaged."""
    if not rate_hz:
        return []
    known = truth["described"] if truth["wire"] == "framed" else truth["clock"]
    if not known:
        return [Mistake("rate", f"rate {rate_hz} from nothing")]
    if {"clock", "scans", "length", "sync", "wire"} & {mistake.thing for mistake in mistakes}:
        return []
    within = 0.03 if truth["bytes"] < 6000 or truth["damage"] else 0.01
    wrong = abs(rate_hz / truth["rate"] - 1) > within
    return [Mistake("rate", f"rate {rate_hz}, sent {truth['rate']}")] if wrong else []


def _is_flagged(mistake: Mistake, truth: dict[str, Any], evidence: list[str]) -> bool:
    """Whether the answer says that it does not know this very thing."""
    if mistake.thing == "undescribed":
        return any("description" in line for line in evidence)
    if mistake.thing == "clock" and "taken as" in mistake.text:
        if any("clock" in line and "taken as" in line for line in evidence):
            return True
    missed = "missed" in mistake.text
    if missed and mistake.thing in ("clock", "counter") and truth["wire"] == "record":
        name = "n" if mistake.thing == "counter" else truth["clock"]
        _, at, width = next(field for field in truth["fields"] if field[0] == name)
        if any(_left_out(line, at, width) for line in evidence):
            return True
    if missed and mistake.thing == "check":
        return False  # "no check that holds" is a claim, no doubt
    words = WORDS_OF.get(mistake.thing)
    return words is not None and any(
        DOUBT.search(line) and re.search(words, line, re.IGNORECASE) for line in evidence
    )


def _left_out(line: str, at: int, width: int) -> bool:
    """The line says that these bytes are left out, and hardly more of them."""
    match = LEFT_OUT.search(line)
    if match is None:
        return False
    first, last = int(match[1]), int(match[2] or match[1])
    return first <= at and last >= at + width - 1 and last - first < width + 4


def described(sent: Stream) -> str:
    """One line of a stream's layout."""
    truth = sent.truth
    ends = f"{truth['mode']} {truth['bytes']} B{' damaged' if truth['damage'] else ''}"
    which = f"seed {truth['seed']} number {truth['number']}:"
    if truth["wire"] == "framed":
        described = "described" if truth["described"] else "not described"
        return f"{which} framed {truth['code']} x {truth['channels']} {described} {ends}"
    if truth["wire"] == "text":
        columns = "|".join(truth["columns"])
        return f"{which} text {columns} header {truth['header']} decimals {truth['decimals']} {ends}"
    if "items" in truth:
        items = ",".join(f"{item.name}:{item.type}" for item in truth["items"])
        return (
            f"{which} struct of {truth['length']} sync '{truth['sync']}' {truth['endian']} {truth['scans']} x"
            f" [{items}]{' left' if truth['left'] else ''} {truth['counter'] or 'no counter'}"
            f"({truth['counts']}) {truth['clock'] or 'no clock'} {truth['check']} over {truth['check_over']}"
            f" {truth['fields']} channels at {truth['first_channel_at']} {truth['rate']} Hz {ends}"
        )
    counter = f"n:u{8 * truth['counter']}({truth['counts']})" if truth["counter"] else "no counter"
    fields = ",".join(f"{name}@{at}" for name, at, _ in truth["fields"])
    return (
        f"{which} record of {truth['length']} sync '{truth['sync']}' {truth['endian']} {truth['scans']} x"
        f" {truth['channels']} {truth['coding']}/{truth['bits']} {counter} {truth['clock'] or 'no clock'}"
        f" {truth['check']} over {truth['check_over']} [{fields}] {ends}"
    )
