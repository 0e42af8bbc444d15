"""Bytes in, one row for each frame, line or record out, by the decoders that a recording has.

The stream is cut where frames or lines end, and the decoder is fed one of them at a time: to the decoder
it makes no difference where bytes are cut, and what it then says is said of that one. Records have no end
of their own; there the decoder tells where it found them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence

from livesense.decoding import Decoder
from livesense.listen.expected import Expected, text_decoder
from livesense.listen.placing import Placing, rows_of
from livesense.listen.rows import KEPT_BYTES, Row, Verdict, of_fault
from livesense.listen.tally import Tally
from livesense.listen.why import sound_packet, why_frame, why_line
from livesense.samples import Arrival, Description, FaultKind, GapCause, LinkFault, Note, Packets
from livesense.wire.framed import MAX_FRAME, FramedDecoder
from livesense.wire.header import printable
from livesense.wire.line_ends import LineEnds
from livesense.wire.record import RecordDecoder
from livesense.wire.text import LINE_LIMIT, TextDecoder
from livesense.wire.textline import check, split, words

MOST_WAITING = 512
"""Rows that wait for one that is not decided; then they are handed on without."""

DECIDE_S = 1.0
"""A row that is not decided is handed on after so long."""

Event = Packets | Description | Note | LinkFault


class Listener:
    """Looks at a stream.

    Parameters
    ----------
    expected
        What comes.
    live
        Whether it comes from a port, which may be joined anywhere.
    tally
        What came before, for a stream that turned out to be another one.

    Attributes
    ----------
    tally
        What came so far.
    placing
        What became of the scans.
    """

    def __init__(self, expected: Expected, *, live: bool, tally: Tally | None = None) -> None:
        self.expected = expected
        self.tally = tally or Tally()
        self._decoder = expected.decoder(live=live)
        self.placing = Placing(
            expected.limits,
            counter_bits=expected.counter_bits,
            modulus=expected.modulus,
            faults=self.tally.faults,
        )
        self._rows: deque[Row] = deque()
        self._at_s: float | None = None
        self._arrival: Arrival | None = None
        self._begin = self._offset = self.tally.size
        """Where the next byte stands in the stream."""
        self._raw = bytearray()
        """First bytes of what has no end yet; of records, all bytes that the decoder holds."""
        self._size = 0
        self._joining = True
        """Whether what ends next may lack its start."""
        self._told = 0
        """Bytes without an end that were told of."""
        self._checked = False
        self._waits = not live
        """Whether the first line waits for the next one, which tells whether it is torn: so does a file's."""
        self._ends = LineEnds()
        self._needed = _channels(self._decoder)
        self._first: Row | None = None
        """The first line of a file, which waits for the next one."""

    # Bytes

    def feed(self, data: bytes, arrival: Arrival | None = None, at_s: float | None = None) -> list[Row]:
        """Take bytes; returns the rows that are decided by now."""
        self._at_s, self._arrival = at_s, arrival
        self.tally.take(data)
        match self._decoder:
            case RecordDecoder():
                self._records(self._decoder, data)
            case TextDecoder():
                self._lines(self._ends.feed(data))
            case FramedDecoder():
                self._frames(self._decoder, data)
        return self._decided()

    def waited(self, at_s: float) -> list[Row]:
        """Take note of the time; returns rows that wait for too long."""
        self._at_s = at_s
        return self._decided()

    def interrupted(self, cause: GapCause) -> list[Row]:
        """Take note that bytes were lost: the stream is joined anew."""
        self._rejoin()
        self._decoder.rejoin()
        self.placing.interrupted(cause)
        return self._decided()

    def finish(self) -> list[Row]:
        """End the stream; returns all rows that were left."""
        if isinstance(self._decoder, RecordDecoder):
            self._skipped(self._offset)
        first, self._first = self._first, None
        for event in self._decoder.finish():
            if isinstance(event, Packets) and first is not None:
                self._packets(event, [first])
            elif isinstance(event, Description):
                self.placing.described(event, self._arrival)
        self.placing.finish()
        rows = list(self._rows)
        self._rows.clear()
        return self._handed_on(rows)

    def _rejoin(self) -> None:
        if isinstance(self._decoder, RecordDecoder):
            self._skipped(self._offset)
        self._raw.clear()
        self._size = self._told = 0
        self._joining = True

    # Rows

    def _decided(self) -> list[Row]:
        """Hand on rows in order, up to one whose packet is held."""
        rows = []
        while self._rows and (not self._rows[0].undecided or self._too_long_held()):
            rows.append(self._rows.popleft())
        return self._handed_on(rows)

    def _too_long_held(self) -> bool:
        at_s = self._rows[0].at_s
        late = at_s is not None and self._at_s is not None and self._at_s - at_s > DECIDE_S
        return late or len(self._rows) > MOST_WAITING

    def _handed_on(self, rows: list[Row]) -> list[Row]:
        for row in rows:
            if row.undecided and row.verdict is Verdict.GOOD:
                row.judge(Verdict.BEHIND, why="its counter went back: it came twice, or the device restarted")
            self.tally.row(row)
        return rows

    def _add(self, verdict: Verdict, size: int, raw: bytes, begin: int) -> Row:
        row = Row(self._at_s, begin, size, raw, verdict)
        row.judge(verdict)
        self._rows.append(row)
        return row

    # Frames and lines

    def _pieces(
        self, data: bytes, delimiter: bytes, limit: int
    ) -> Iterator[tuple[bytes, int, list[Event], bool]]:
        """Cut at the ends, and feed the decoder one piece at a time.

        Yields the first bytes of each piece with its end, its size, what the decoder says, and whether
        its start may have been missed.
        """
        begin = 0
        while begin < len(data):
            end = data.find(delimiter, begin) + 1
            part = data[begin:] if end == 0 else data[begin:end]
            begin += len(part)
            self._raw += part[: max(0, KEPT_BYTES - len(self._raw))]
            self._size += len(part)
            self._offset += len(part)
            events: list[Event] = list(self._decoder.feed(part))
            if end:
                raw, size, joining = bytes(self._raw), self._size, self._joining
                self._raw.clear()
                self._size = self._told = 0
                self._joining = False
                yield raw, size, events, joining
            elif self._size - self._told > limit:
                what = "zero byte" if delimiter == b"\0" else "line end"
                row = self._add(
                    Verdict.NO_END, self._size - self._told, bytes(self._raw), self._offset - self._size
                )
                row.why = f"no {what} in {self._size} bytes"
                self._told = self._size

    def _frames(self, decoder: FramedDecoder, data: bytes) -> None:
        for raw, size, events, _ in self._pieces(data, b"\0", MAX_FRAME):
            begin = self._offset - size
            if size == 1:
                continue
            if not events:
                packet = sound_packet(raw)
                row = self._add(Verdict.UNDESCRIBED if packet else Verdict.CUT, size, raw, begin)
                if packet is None:
                    row.why = "not counted"
                else:
                    row.group, row.counter = packet[1], int.from_bytes(packet[2:6], "little")
                    row.why = "no description came yet"
                continue
            row = self._add(Verdict.GOOD, size, raw, begin)
            self._take(events, row)
            if not row.well:
                row.judge(row.verdict, *why_frame(row.verdict, raw, size, decoder.groups))

    def _lines(self, data: bytes) -> None:
        for raw, size, events, joining in self._pieces(data, b"\n", LINE_LIMIT):
            line = raw.rstrip(b"\r\n")
            if not line.strip():
                continue
            content, right = check(line)
            first, self._first = self._first, None
            if first is not None:
                first.undecided = False
            row = self._add(Verdict.GOOD, size, raw, self._offset - size)
            if events:
                self._line(row, first, content, events)
            elif content.lstrip(b" ").startswith(b"#{"):
                row.judge(Verdict.DESCRIPTION)
                row.text = content.decode("utf-8", "replace").strip(" ")[1:]
            elif self._is_header(content) or not joining:
                row.judge(Verdict.HEADER)
            else:
                row.judge(Verdict.CUT, why="not counted")
                if self._waits:
                    self._first = row
                    row.undecided = True
            self._checked = self._checked or (bool(right) and row.well)
            if row.verdict in {Verdict.BAD_LINE, Verdict.BAD_DESCRIPTION}:
                row.judge(row.verdict, *why_line(line, size - 1, len(self._columns), checked=self._checked))

    def _line(self, row: Row, first: Row | None, content: bytes, events: Sequence[Event]) -> None:
        packets = [event for event in events if isinstance(event, Packets)]
        if first is not None and sum(int(p.count.sum()) for p in packets) > 1:
            # The first line of a file was none that is torn.
            first.judge(Verdict.GOOD)
            first.why = ""
            self._take(events, first, row)
        else:
            self._take(events, row)
        if row.verdict is Verdict.GOOD and not packets:
            row.judge(Verdict.HEADER)
        names = words(split(content))
        if row.verdict is Verdict.NOTE and names and self._names_columns(names, content):
            row.judge(Verdict.HEADER)
            self._go_on_by(names)

    def _names_columns(self, names: Sequence[str], content: bytes) -> bool:
        """Whether a line of words names columns whose names were made up."""
        marked = any(mark in content for mark in b",;\t")
        return self.expected.bench is None and marked and len(names) == len(self._columns)

    def _go_on_by(self, names: Sequence[str]) -> None:
        """Read what follows by a header that the decoder did not expect."""
        decoder = text_decoder(names, self.expected.counter_bits, live=False)
        self._decoder = decoder
        self._needed = _channels(decoder)
        self._waits = True
        self._rejoin()

    @property
    def _columns(self) -> tuple[str, ...]:
        assert isinstance(self._decoder, TextDecoder)
        return self._decoder.columns

    def _is_header(self, content: bytes) -> bool:
        names = words(split(content))
        return names is not None and self._needed.issubset(names)

    def _take(self, events: Sequence[Event], *rows: Row) -> None:
        """Give one piece's events to its row (and to the line before it, which waited)."""
        row = rows[-1]
        for event in events:
            match event:
                case Packets():
                    self._packets(event, rows if row.verdict is not Verdict.DESCRIPTION else ())
                case LinkFault():
                    self.tally.faults[str(event.kind)] += event.count
                    row.judge(of_fault(event.kind))
                case Note():
                    row.judge(Verdict.NOTE)
                    row.text = event.text
                case Description():
                    self._description(event, row)

    def _description(self, description: Description, row: Row) -> None:
        if isinstance(self._decoder, TextDecoder):
            names = description.groups[0].channels
            lacking = sorted(self._needed.difference(names))
            if lacking:
                self._misfit(row, names, lacking)
                return
        begun = self.placing.described(description, self._arrival)
        if isinstance(self._decoder, TextDecoder) and not row.raw.lstrip(b" ").startswith(b"#"):
            # The decoder tells of the columns before the first scans; the line itself is one of them.
            return
        row.judge(Verdict.DESCRIPTION)
        row.text = description.text
        row.why = "other channels than before: a recording begins a new run" if begun else ""

    def _misfit(self, row: Row, names: Sequence[str], lacking: Sequence[str]) -> None:
        """Go on by a header that lacks columns: a recording by the bench file would end here."""
        if self.expected.bench is None:
            row.judge(Verdict.HEADER)
        else:
            row.judge(
                Verdict.MISFIT, why=f"it is {', '.join(printable(names))}; not there: {', '.join(lacking)}"
            )
        self._go_on_by(names)

    def _packets(self, packets: Packets, rows: Sequence[Row]) -> None:
        groups = self._decoder.groups or ()
        if rows:
            rows_of(packets, groups, rows)
        self.placing.packets(packets, rows, groups, self._arrival)

    # Records

    def _records(self, decoder: RecordDecoder, data: bytes) -> None:
        self._raw += data
        self._offset += len(data)
        layout = self.expected.layout
        assert layout is not None
        faults: list[LinkFault] = []
        packets: list[Packets] = []
        for event in decoder.feed(data):
            (faults if isinstance(event, LinkFault) else packets).append(event)  # type: ignore[arg-type]
        for fault in faults:
            self.tally.faults[str(fault.kind)] += fault.count
        rows: list[Row] = []
        for place, count in decoder.places:
            place += self._begin
            self._skipped(place, ended=True)
            for number in range(count):
                begin = place + number * layout.size
                raw = bytes(self._raw[number * layout.size : (number + 1) * layout.size])
                rows.append(self._add(Verdict.GOOD, layout.size, raw, begin))
            del self._raw[: count * layout.size]
            self._joining = False
        for one in packets:
            self._packets(one, rows)
        waiting = decoder.kept
        if len(self._raw) - waiting > MAX_FRAME:
            self._skipped(self._offset - waiting)

    def _skipped(self, place: int, *, ended: bool = False) -> None:
        """Make a row of the bytes before ``place`` that belong to no record; ``ended``: one follows."""
        begin = self._offset - len(self._raw)
        size = place - begin
        if size <= 0:
            return
        raw = bytes(self._raw[: min(size, KEPT_BYTES)])
        del self._raw[:size]
        if ended and not self._joining:
            row = self._add(of_fault(FaultKind.BAD_RECORD), size, raw, begin)
        else:
            row = self._add(Verdict.SKIPPED, size, raw, begin)
            row.why = "not counted"


def _channels(decoder: Decoder) -> frozenset[str]:
    """Columns that a header must have: those of the channels."""
    return frozenset(name for group in decoder.groups or () for name in group.channels)
