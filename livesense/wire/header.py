"""Lines of names that lack a column: headers that do not fit the bench file, or only words.

Taken for a note, a header that does not fit would let the bench file's channel
order serve, and a counter be stored as a current. Taken for a header, a note
such as ``calibrating iu`` would end a run. A line can only be a header that does
not fit when it holds the name of a counter, a clock or a channel. Then

- it is one at once when all of its fields, two or more, are such names; or when
  commas, semicolons or tabs part all of its fields and it holds a counter or a
  clock, or more such names than others;
- any other waits for the next line of numbers, and is one when that has as many
  fields. Words parted by spaces count only before numbers parted by spaces,
  unless a counter or clock comes first; and never when the columns are named
  already and the numbers fit them.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from livesense.layout import CLOCKS, COUNTER

COUNTING = frozenset({COUNTER, *CLOCKS})

MAX_WAITING = 16
"""Lines of names that wait for a line of numbers; older ones are forgotten."""

_MARK = re.compile(rb"[,;\t]")


def printable(names: Sequence[str]) -> tuple[str, ...]:
    """Names fit to be shown: whatever a terminal might obey is replaced."""
    return tuple("".join(c if c.isprintable() else "\ufffd" for c in name) for name in names)


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of names; ``marked`` when no two of them are parted by spaces alone."""

    names: tuple[str, ...]
    marked: bool
    known: bool


class Misfits:
    """Finds the header that lacks a column of ``needed``, if there is one.

    ``stated`` are columns that the bench file names: a header that has its known
    names where these have them contradicts nothing.
    """

    def __init__(self, needed: Collection[str], stated: Sequence[str] = ()) -> None:
        self._needed = frozenset(needed)
        self._known = self._needed | COUNTING
        self._stated = tuple(stated)
        self._waiting: deque[_Line] = deque(maxlen=MAX_WAITING)
        self._seen: tuple[str, ...] = ()
        self._taken = False

    @property
    def waiting(self) -> bool:
        """Whether the next line of numbers has something to decide."""
        return bool(self._waiting)

    @property
    def likely(self) -> tuple[str, ...]:
        """Names in a line that looks like the header, where no scan was taken; else empty."""
        if self._taken:
            return ()
        marked = [line.names for line in self._waiting if line.marked and len(line.names) > 1]
        return self._seen or (marked[-1] if marked else ())

    def is_one(self, names: Sequence[str], content: bytes, *, torn: bool) -> bool:
        """Whether a line of names is surely a header; one that may be waits.

        ``torn`` says that its start may have been missed.
        """
        places = [place for place, name in enumerate(names) if name in self._known]
        known = any(self._stated[place : place + 1] != (names[place],) for place in places)
        if torn and any(name.endswith(names[0]) for name in self._needed.difference(names)):
            # The rest of a header that may well fit.
            return False
        marked = len(_MARK.split(content)) == len(names)
        if known and not torn and len(names) > 1:
            counting = not COUNTING.isdisjoint(names)
            if len(places) == len(names) or (marked and (counting or 2 * len(places) > len(names))):
                return True
        if known or not self._taken:
            self._waiting.append(_Line(tuple(names), marked, known))
        return False

    def shown_by(
        self, fields: Sequence[bytes], content: bytes, *, taken: bool, named: bool
    ) -> tuple[str, ...] | None:
        """Names of the waiting line that a line of numbers shows to be a header; None for none.

        ``taken`` says that the numbers are a scan as it stands, ``named`` that this is
        so by names rather than by the channels' order.
        """
        spaced = _MARK.search(content) is None
        found = None
        for line in self._waiting:
            alike = line.marked or spaced or line.names[0] in COUNTING
            if len(line.names) != len(fields) or not alike or (taken and named and not line.marked):
                continue
            if line.known:
                found = line.names
            elif not taken:
                self._seen = line.names
        if taken or found:
            self.settled(taken=taken)
        return found

    def settled(self, *, taken: bool) -> None:
        """Forget what waits: a fitting header, or a scan, has come."""
        self._waiting.clear()
        self._taken = self._taken or taken
