"""One row for each frame, line or record: what it is, and what it holds or why it is none."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from livesense.samples import Codes, FaultKind

KEPT_BYTES = 4200
"""Bytes of one row that are kept: the longest frame, and the longest line."""

MOST_TEXT = 4096


class Verdict(StrEnum):
    """What a row is. The faults have the names under which a recording counts them."""

    GOOD = "good"
    NOTE = "note"
    DESCRIPTION = "description"
    HEADER = "header"
    STUFFING = "stuffing"
    LENGTH = "length"
    CRC = "crc"
    UNKNOWN_KIND = "unknown_kind"
    UNKNOWN_GROUP = "unknown_group"
    BAD_DESCRIPTION = "bad_description"
    BAD_LINE = "bad_line"
    BAD_RECORD = "bad_record"
    REPEATED = "repeated"
    BEHIND = "behind"
    """Its counter went back, and nothing came yet that tells whether it is a repeat or a restart."""
    MISFIT = "misfit"
    """A header that lacks columns of the bench file: a recording ends there."""
    UNDESCRIBED = "undescribed"
    """Scans that nothing describes so far."""
    CUT = "cut"
    """The rest of something whose start was missed; not counted."""
    NO_END = "no_end"
    """Bytes so far without the end of a frame or line; not counted."""
    SKIPPED = "skipped"
    """Bytes before the first record or behind the last; not counted."""


WORDS: dict[Verdict, str] = {
    Verdict.GOOD: "good",
    Verdict.NOTE: "note",
    Verdict.DESCRIPTION: "description",
    Verdict.HEADER: "header",
    Verdict.STUFFING: "torn",
    Verdict.LENGTH: "wrong length",
    Verdict.CRC: "checksum wrong",
    Verdict.UNKNOWN_KIND: "unknown kind",
    Verdict.UNKNOWN_GROUP: "unknown group",
    Verdict.BAD_DESCRIPTION: "bad description",
    Verdict.BAD_LINE: "bad line",
    Verdict.BAD_RECORD: "no record",
    Verdict.REPEATED: "repeated",
    Verdict.BEHIND: "goes back",
    Verdict.MISFIT: "header misfits",
    Verdict.UNDESCRIBED: "not described",
    Verdict.CUT: "start missed",
    Verdict.NO_END: "no end",
    Verdict.SKIPPED: "skipped",
}
"""How a person reads the verdicts."""

WELL = frozenset({Verdict.GOOD, Verdict.NOTE, Verdict.DESCRIPTION, Verdict.HEADER})

UNCOUNTED = frozenset({Verdict.UNDESCRIBED, Verdict.CUT, Verdict.NO_END, Verdict.SKIPPED, Verdict.BEHIND})
"""Neither well nor a fault."""


def of_fault(kind: FaultKind) -> Verdict:
    """Verdict of something that a recording counts as this fault."""
    return Verdict(kind.value)


@dataclass(slots=True, eq=False)
class Row:
    """One row.

    Attributes
    ----------
    at_s
        Seconds from the first moment of listening to its last byte; None without a clock.
    offset, size
        Where in the stream it begins, and its bytes with the one that ends it.
    raw
        Its first bytes, :data:`KEPT_BYTES` at most.
    words
        The verdict for people, sometimes more exactly than by :data:`WORDS`.
    why
        What exactly is wrong, or what else is to be said.
    group, counter, scans, codes
        Of scans: their group, the counter of the first (None without one), how many, and their
        codes ``(scans, channels)``.
    decimals
        Power of ten by which each channel's codes were multiplied; empty for none.
    text
        Of a note or a description: its text.
    lost
        Scans that the counter says are missing in front of it; None for some that cannot be counted.
    beyond
        Codes beyond the width that the device or the bench file states.
    restarted
        Whether the device began to count anew here.
    undecided
        Whether the next packet of its group has to tell what it is.
    """

    at_s: float | None
    offset: int
    size: int
    raw: bytes
    verdict: Verdict
    words: str = ""
    why: str = ""
    group: int | None = None
    counter: int | None = None
    scans: int = 0
    codes: Codes | None = None
    decimals: tuple[int, ...] = ()
    text: str = ""
    lost: int | None = 0
    beyond: int = 0
    restarted: bool = False
    undecided: bool = field(default=False, repr=False)

    def judge(self, verdict: Verdict, words: str = "", why: str = "") -> None:
        """Say what it is."""
        self.verdict = verdict
        self.words = words or WORDS[verdict]
        self.why = why or self.why

    @property
    def well(self) -> bool:
        """Whether nothing is wrong with it."""
        return self.verdict in WELL

    def as_json(self, number: int) -> dict[str, Any]:
        """Give the row as ``listen --json`` prints it (docs/scripting.md)."""
        shown = self.verdict not in WELL
        return {
            "kind": "row",
            "row": number,
            "at_s": self.at_s,
            "offset": self.offset,
            "bytes": self.size,
            "verdict": str(self.verdict),
            "counted": self.verdict not in UNCOUNTED and not self.well and self.verdict != Verdict.MISFIT,
            "words": self.words or WORDS[self.verdict],
            "why": self.why or None,
            "group": self.group,
            "counter": self.counter,
            "scans": self.scans,
            "first": self._values(0),
            "last": self._values(-1),
            "lost": self.lost,
            "beyond": self.beyond,
            "restarted": self.restarted,
            "text": self.text[:MOST_TEXT] or None,
            "hex": self.raw.hex() if shown else None,
        }

    def _values(self, scan: int) -> list[float] | None:
        """Codes of one scan; values with decimals as what the device printed."""
        if self.codes is None or not len(self.codes):
            return None
        row: list[float] = self.codes[scan].tolist()
        if not any(self.decimals):
            return row
        return [
            code / 10**places if places else code for code, places in zip(row, self.decimals, strict=True)
        ]

    @property
    def first_values(self) -> list[float]:
        """Codes of its first scan; empty for none."""
        return self._values(0) or []
