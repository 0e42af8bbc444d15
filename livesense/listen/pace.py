"""Which rows a person can read: some each second, broken ones before good ones."""

from __future__ import annotations

from collections import Counter

from livesense.listen.rows import WORDS, Row

WELL_EACH_S = 10
BROKEN_EACH_S = 15
ALL_AT_ONCE = 200
"""Rows of each sort that are shown of a stream without a clock."""


class Pace:
    """Chooses rows; what is left out is counted."""

    def __init__(self) -> None:
        self._since_s: float | None = None
        self._well = 0
        self._broken = 0
        self._hidden: Counter[str] = Counter()
        self.hidden = 0
        """Rows left out in all."""

    def shows(self, row: Row) -> bool:
        """Whether a row is shown."""
        if row.at_s is None:
            most_well = most_broken = ALL_AT_ONCE
        else:
            most_well, most_broken = WELL_EACH_S, BROKEN_EACH_S
        if row.well and not row.lost and not row.restarted:
            self._well += 1
            shown = self._well <= most_well
        else:
            self._broken += 1
            shown = self._broken <= most_broken
        if not shown:
            self.hidden += 1
            self._hidden[row.words or WORDS[row.verdict]] += 1
        return shown

    def left_out(self, at_s: float | None) -> str:
        """Tell which rows were left out when a second is over; empty while it is not, or none was.

        ``at_s`` None says that this is the end.
        """
        if at_s is not None:
            if self._since_s is None:
                self._since_s = at_s
            if at_s - self._since_s < 1.0:
                return ""
            self._since_s = at_s
        self._well = self._broken = 0
        hidden, self._hidden = self._hidden, Counter()
        if not hidden:
            return ""
        return "not shown: " + ", ".join(f"{count} {words}" for words, count in hidden.most_common())
