"""The text wire: one scan a line, for firmware that prints.

Bytes in, values out. Blocks of ordinary lines are read together; headers, notes
and whatever does not fit go line by line. Where the bytes are cut makes no
difference to what comes out, memory is bounded, and no bytes raise an exception.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from livesense.layout import CLOCKS, COUNTER
from livesense.samples import CodeType, Description, FaultKind, GroupInfo, LinkFault, Note, Packets
from livesense.wire.description import parse_description
from livesense.wire.header import Misfits, printable
from livesense.wire.line_ends import LineEnds
from livesense.wire.pieces import Pieces
from livesense.wire.textalike import Lines, read_alike
from livesense.wire.textblock import Block
from livesense.wire.textline import (
    NUMBER,
    Field,
    LineShape,
    check,
    is_prose,
    numbers,
    split,
    words,
)

LINE_LIMIT = 4096
"""Longest line in bytes; a longer one is one bad line."""

BLOCK_BYTES = 1 << 17
"""Of more than one and a half times so many bytes, lines are looked at together in such blocks."""

FEW_LINES = 6
"""Up to so many lines at once, a plain loop is faster than numpy."""

FEW_BYTES = 1024

CLOCK_MODULUS = 1 << 32

MAX_COUNTER_BITS = 62

TextEvent = Packets | Description | Note | LinkFault


class TextDecoder:
    """Decoder of the text wire.

    Parameters
    ----------
    channels
        Columns of the channels, in the order in which their codes are handed on;
        also the order of the fields of a line while nothing else names them.
    columns
        Names of the columns of a stream without header; empty when not stated.
    needed
        Columns that a header must name; empty means all ``channels``.
    rate_hz
        Nominal scan rate, unless a description in the stream tells it.
    decimals
        Power of ten by which a column's values are multiplied to be integers;
        0 for those that are not named. A value with more places is a bad line.
    counter_bits
        Width of the counter column ``n``.
    from_port
        Whether the stream may be joined in the middle of a line.

    Raises
    ------
    ValueError
        for a counter width outside 1 to 62.
    """

    def __init__(
        self,
        channels: Sequence[str],
        *,
        columns: Sequence[str] = (),
        needed: Sequence[str] = (),
        rate_hz: float | None,
        decimals: Mapping[str, int],
        counter_bits: int = 32,
        from_port: bool,
    ) -> None:
        if not 1 <= counter_bits <= MAX_COUNTER_BITS:
            raise ValueError(f"expected counter_bits from 1 to {MAX_COUNTER_BITS}, got {counter_bits}")
        self._channels = tuple(channels)
        self._needed = frozenset(needed or channels)
        self._misfits = Misfits(self._needed, columns)
        self._over = False
        self._stated_columns = tuple(columns)
        self._rate_hz = rate_hz
        self._decimals = dict(decimals)
        self._modulus = 1 << counter_bits
        self._from_port = from_port
        self._ends = LineEnds()
        self._lines = Pieces(b"\n", LINE_LIMIT)
        self._trying = False
        self._checksums = False
        self._header = False
        self._named = bool(columns)
        self._described = Description(groups=())
        self._announced: tuple[GroupInfo, bool] | None = None
        """The group as told last, and whether it is counted."""
        self._doubtful = False
        """Whether nothing was taken but the first line of a file, which may be torn."""
        self._rows: list[list[int]] = []
        self._blocks: list[NDArray[np.int64]] = []
        self._events: list[TextEvent] = []
        self._stretch = 0
        """Where the events behind the latest description begin."""
        self._faults: Counter[FaultKind] = Counter()
        self._use(self._stated_columns or self._channels)

    @property
    def groups(self) -> tuple[GroupInfo, ...]:
        """The one group, as far as it is known by now."""
        return (self._group,)

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the fields of a line, as they are read by now."""
        return self._columns

    @property
    def likely_header(self) -> tuple[str, ...]:
        """Names in a line that looks like a header none of whose names are known; empty when scans came."""
        return self._misfits.likely

    def feed(self, data: bytes) -> list[TextEvent]:
        """Take bytes from the line.

        Returns
        -------
        list
            What they hold, in the order of the stream. The faults of these bytes are
            counted together and stand first, but none in front of a description that comes
            before it; a description comes before the first scans. Notes may overtake the
            first line of a file, which waits for the next to know whether it is torn.
            One that lacks a needed column is the last event: a header (or a ``#{...}``) does
            not fit, and without it nobody can tell what the numbers are.
        """
        whole = None if self._over else self._lines.take(self._ends.feed(data))
        if whole is None:
            return []
        if whole.first:
            self._first_line(whole.first[:-1])
        if whole.too_long:
            self._faults[FaultKind.BAD_LINE] += 1
        lines = whole.rest
        begin = 0
        while begin < len(lines) and not self._over:
            end = len(lines)
            # The rest of a read is no block of its own: a few lines are better read with the others.
            if end - begin > BLOCK_BYTES + BLOCK_BYTES // 2:
                end = lines.index(b"\n", begin + BLOCK_BYTES) + 1
            self._block(lines[begin:end])
            begin = end
        self._flush()
        return self._told()

    def rejoin(self) -> None:
        """Forget the unfinished line: the line was interrupted, and is joined anew."""
        self._lines.rejoin()

    def finish(self) -> list[TextEvent]:
        """End the stream; an unfinished line is dropped and not counted.

        A first line that waited for a header is handed on.
        """
        last = self.feed(self._ends.finish())
        self.rejoin()
        self._doubtful = False
        self._flush()
        return [*last, *self._told()]

    def _told(self) -> list[TextEvent]:
        """Hand on what has gathered."""
        self._place_faults()
        events, self._events = self._events, []
        self._stretch = 0
        return events

    def _place_faults(self) -> None:
        """Put the faults counted since the latest description right behind it."""
        faults = [LinkFault(kind, count) for kind, count in self._faults.items()]
        self._events[self._stretch : self._stretch] = faults
        self._faults.clear()

    def _first_line(self, line: bytes) -> None:
        """Try a line whose start may have been missed."""
        if not self._from_port:
            # Some systems put a byte order mark in front of a text file.
            line = line.removeprefix(b"\xef\xbb\xbf")
        self._trying = True
        self._line(line)
        self._trying = False

    def _use(self, columns: Sequence[str]) -> None:
        """Read lines by these columns from now on."""
        at = {name: column for column, name in reversed(list(enumerate(columns)))}
        known = [name for name in dict.fromkeys([*self._channels, *sorted(self._needed)]) if name in at]
        channels = tuple(name for name in known if name != COUNTER and name not in CLOCKS)
        clock = next((name for name in CLOCKS if name in at), None)
        fields = [Field(at[name], self._decimals.get(name, 0)) for name in channels]
        fields += [Field(at[name]) for name in (COUNTER, clock) if name in at]
        described = self._described.groups[0] if self._described.groups else None
        group = GroupInfo(
            rate_hz=self._rate_hz if described is None or described.rate_hz is None else described.rate_hz,
            code=CodeType.TEXT,
            bits=None if described is None else described.bits,
            channels=channels,
            burst=None if described is None else described.burst,
            decimals=tuple(self._decimals.get(name, 0) for name in channels),
            clock=clock,
        )
        self._flush()
        self._shape = LineShape(len(columns), tuple(fields))
        self._columns = tuple(columns)
        self._counts = COUNTER in at
        self._group = group

    def _block(self, lines: bytes) -> None:
        # Counting in many bytes takes long; the first of them mostly tell.
        few = lines.count(b"\n", 0, FEW_BYTES) <= FEW_LINES and lines.count(b"\n") <= FEW_LINES
        if few or self._misfits.waiting:
            for line in lines[:-1].split(b"\n"):
                self._line(line)
            return
        block = read_alike(lines, self._shape) or Block(lines, self._shape)
        good = block.good
        if len(lines) > LINE_LIMIT:
            good &= block.ends - block.starts <= LINE_LIMIT
        first_checked = 0
        if not self._checksums:
            checked = (block.checked & good).nonzero()[0]
            first_checked = int(checked[0]) if len(checked) else len(good)
        good[first_checked:] &= block.checked[first_checked:]
        done = 0
        for at in [] if good.all() else (~good).nonzero()[0].tolist():
            self._take_rows(block, done, at)
            before = self._state
            self._line(block.data[block.starts[at] : block.ends[at]])
            done = at + 1
            if self._state != before:
                for line in block.data[block.ends[at] + 1 : -1].split(b"\n"):
                    self._line(line)
                return
        self._take_rows(block, done, len(good))

    @property
    def _state(self) -> tuple[object, ...]:
        """What a block was looked at by."""
        return self._shape, self._checksums, self._misfits.waiting, self._over

    def _take_rows(self, block: Lines | Block, begin: int, end: int) -> None:
        if end > begin:
            self._misfits.settled(taken=True)
            self._settle_first(block.values[begin])
            self._gather_rows()
            self._blocks.append(block.values[begin:end])
            self._checksums = self._checksums or bool(block.checked[begin:end].any())

    def _line(self, line: bytes) -> None:
        """Take one line, or count it as bad."""
        if self._over:
            return
        if len(line) > LINE_LIMIT or not self._taken(line.removesuffix(b"\r")):
            # The first line of a stream may be torn.
            if not self._trying:
                self._faults[FaultKind.BAD_LINE] += 1

    def _taken(self, line: bytes) -> bool:
        if not line.strip():
            return True
        content, right = check(line)
        comment = content.lstrip(b" ").startswith(b"#")
        if right:
            self._checksums = True
        elif right is False:
            if self._checksums or not comment:
                return False
            content = line
        # The first line from a port may lack its start, unless its checksum or its sense speaks against it.
        torn = self._trying and self._from_port and not right
        if comment:
            if not torn:
                self._comment(content.strip(b" ")[1:])
            return not torn
        fields = split(content)
        if right or not self._checksums:
            values = numbers(fields, self._shape)
            if not torn and (values is not None or any(NUMBER.fullmatch(field) for field in fields)):
                misfit = self._misfits.shown_by(fields, content, taken=values is not None, named=self._named)
                if misfit is not None:
                    self._refuse(misfit)
                    return True
            if values is not None:
                if not torn:
                    self._settle_first(values)
                    # A torn line may well have as many fields as the bench file has channels.
                    self._doubtful = self._trying and not right and self._announced is None
                    self._rows.append(values)
                return not torn
        names = words(fields)
        if names is not None:
            if self._needed.issubset(names):
                self._header = True
                self._misfits.settled(taken=False)
                self._named_now()
                self._use(names)
                if self._announced not in (None, (self._group, self._counts)):
                    # What follows, whether scans or not, belongs to what this header names.
                    self._announce()
                return True
            if self._misfits.is_one(names, content, torn=torn):
                self._refuse(names)
                return True
        if torn or (names is None and not is_prose(content)):
            return False
        self._event(Note(content.decode("utf-8", "replace").strip(" ")))
        return True

    def _comment(self, content: bytes) -> None:
        text = content.decode("utf-8", "replace").strip(" ")
        if not content.startswith(b"{"):
            self._event(Note(text))
            return
        description = parse_description(text, framed=False)
        if description is None:
            if not self._trying:
                self._faults[FaultKind.BAD_DESCRIPTION] += 1
            return
        self._flush()
        self._described = description
        columns: Sequence[str] = self._columns
        if description.groups and not self._header and not self._stated_columns:
            given = dict(description.shown_names)
            columns = [given.get(name, name) for name in description.groups[0].channels]
            if columns and not self._needed.issubset(columns):
                self._use(self._columns)
                self._refuse(columns)
                return
            if columns:
                self._named_now()
            columns = columns or self._columns
        self._use(columns)
        if self._announced is not None:
            self._announce()

    def _named_now(self) -> None:
        """Take note that the columns have names, and drop a line that alone came before them."""
        self._named = True
        if self._doubtful:
            self._rows.clear()
            self._doubtful = False

    def _settle_first(self, values: Sequence[int] | NDArray[np.int64]) -> None:
        """Drop the first line where the second scan tells that it was torn inside its counter."""
        if self._doubtful and self._counts and self._columns[0] == COUNTER:
            place = len(self._group.channels)
            first, due = self._rows[0][place], str((int(values[place]) - 1) % self._modulus)
            if any(first == int(due[cut:]) != int(due) for cut in range(1, len(due))):
                self._rows.clear()
        self._doubtful = False

    def _refuse(self, names: Sequence[str]) -> None:
        """Tell the names that lack a needed one, and take nothing more."""
        self._named_now()
        self._flush()
        self._group = replace(self._group, channels=printable(names), decimals=(), clock=None)
        self._announce()
        self._over = True

    def _event(self, event: TextEvent) -> None:
        self._flush()
        self._events.append(event)

    def _announce(self) -> None:
        # Whatever stands behind it may belong to another run.
        self._place_faults()
        self._announced = self._group, self._counts
        described = self._described
        self._events.append(replace(described, groups=(self._group,), shown_names=(), counted=self._counts))
        self._stretch = len(self._events)

    def _gather_rows(self) -> None:
        if self._rows:
            self._blocks.append(np.array(self._rows, dtype=np.int64).reshape(len(self._rows), -1))
            self._rows.clear()

    def _flush(self) -> None:
        """Hand on the scans read so far, unless the only one is in doubt."""
        if self._doubtful:
            return
        self._gather_rows()
        if not self._blocks:
            return
        values = self._blocks[0] if len(self._blocks) == 1 else np.concatenate(self._blocks)
        self._blocks.clear()
        if self._announced != (self._group, self._counts):
            self._announce()
        number = len(self._group.channels)
        codes = values[:, :number]
        counter = values[:, number] & (self._modulus - 1) if self._counts else None
        clock = values[:, -1] & (CLOCK_MODULUS - 1) if self._group.clock else None
        packets = len(values) if self._counts else 1
        self._events.append(
            Packets(
                group=np.zeros(packets, dtype=np.int64),
                first=counter,
                count=np.full(packets, len(values) // packets, dtype=np.int64),
                codes={0: codes},
                clock=clock,
            )
        )
