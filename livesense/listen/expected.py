"""What is expected to come: by a bench file, or by what the first bytes look like."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from livesense.bench import Bench, Sensor, parse
from livesense.decoding import VALUE_DECIMALS, Decoder, decoder_for, group_limits
from livesense.errors import BenchError
from livesense.identify.finding import Finding, identify
from livesense.layout import CLOCKS, COUNTER, RecordLayout
from livesense.samples import GroupInfo
from livesense.wire.cobs import unstuff
from livesense.wire.encode import KIND_DESCRIPTION, KIND_NOTE, KIND_SCANS
from livesense.wire.framed import MAX_FRAME, FramedDecoder
from livesense.wire.packing import WIDTHS, code_limits
from livesense.wire.record import RecordDecoder
from livesense.wire.text import TextDecoder
from livesense.wire.textline import NUMBER, check, split, words

WIRES = ("framed", "text", "record")

SURE = {"framed": 0.85, "text": 0.7, "record": 0.85}
"""A finding with less confidence waits for more bytes; of text, a wrong one does the least harm."""

PRINTABLE = frozenset(b"\t\r\n" + bytes(range(32, 127)))
TEXT_SHARE = 0.95

FEWEST_FRAMES = 5
FRAMED_SHARE = 0.7
"""Frames that must hold together: of noise hardly any does."""


@dataclass(frozen=True, slots=True)
class Expected:
    """The wire, and what is known of what comes over it.

    Attributes
    ----------
    wire
        One of :data:`WIRES`.
    source
        "bench", "option" (``--wire``), "found" (by what the first bytes look like) or "assumed" (they
        look like nothing).
    bench
        The bench file; None without one.
    columns
        Columns of lines without header (text); those that the bench file needs, with one.
    layout
        Of records.
    bits, counter_bits
        Width of codes, and of a text wire's counter.
    """

    wire: str
    source: str
    bench: Bench | None = None
    columns: tuple[str, ...] = ()
    layout: RecordLayout | None = None
    bits: int | None = None
    counter_bits: int = 32

    def decoder(self, *, live: bool) -> Decoder:
        """Make the decoder; with a bench file the one that a recording has."""
        if self.bench is not None:
            return decoder_for(self.bench, live=live)
        if self.wire == "text":
            return text_decoder(self.columns, self.counter_bits, live=live)
        if self.layout is not None:
            return RecordDecoder(self.layout, rate_hz=None, bits=self.bits)
        return FramedDecoder()

    def limits(self, group: GroupInfo) -> tuple[tuple[int, int] | None, ...]:
        """Lowest and highest code of each channel; None where every code is possible."""
        if self.bench is not None:
            return group_limits(self.bench, group)
        if self.wire != "framed" or not group.bits or group.bits >= WIDTHS[group.code]:
            return (None,) * len(group.channels)
        return (code_limits(group.code, group.bits),) * len(group.channels)

    @property
    def modulus(self) -> int | None:
        """Scans after which a record's counter begins anew; None for other wires."""
        return self.layout.modulus if self.layout is not None else None


def by_bench(bench: Bench) -> Expected:
    """Expect what a bench file says."""
    columns = tuple(c.column for c in bench.channels if c.sensor is not Sensor.COMPUTED)
    return Expected(
        bench.link.wire, "bench", bench, columns, bench.link.record, bench.adc.bits, bench.link.counter_bits
    )


def text_decoder(columns: Sequence[str], counter_bits: int, *, live: bool) -> TextDecoder:
    """Make a decoder of lines with these columns (``n``, ``t_us`` and ``t_ms`` as elsewhere)."""
    channels = [name for name in columns if name != COUNTER and name not in CLOCKS]
    return TextDecoder(
        channels,
        columns=columns,
        rate_hz=None,
        decimals=dict.fromkeys(channels, VALUE_DECIMALS),
        counter_bits=counter_bits,
        from_port=live,
    )


def by_bytes(data: bytes, wire: str | None, *, last: bool) -> Expected | None:
    """Tell by the first bytes what comes; None while more of them would tell more.

    Parameters
    ----------
    data
        Bytes from the first one on.
    wire
        The wire, where it is stated; what is found then tells columns and layout only.
    last
        Whether there is no time to wait for more.
    """
    source = "option" if wire else "found"
    if wire == "framed":
        return Expected("framed", source)
    found = found_wire(data)
    if (
        found.wire is not None
        and (wire or found.wire) == found.wire
        and (last or found.confidence >= SURE[found.wire])
    ):
        expected = _found(found, source)
        if expected is not None:
            return expected
    if not last:
        return None
    if wire is None:
        source = "found" if looks_like_text(data) else "assumed"
        wire = "text" if looks_like_text(data) else "framed"
    if wire == "record":
        return None
    return Expected(wire, source, columns=_first_columns(data) if wire == "text" else ())


def _found(found: Finding, source: str) -> Expected | None:
    assert found.wire is not None
    if found.wire == "framed":
        return Expected("framed", source)
    try:
        # Where nothing tells the rate it is commented out, but a bench file cannot be read without.
        bench = parse(found.bench.replace('# rate = "', 'rate = "'))
    except BenchError:
        return None
    columns = bench.link.columns or tuple(channel.column for channel in bench.channels)
    return Expected(
        found.wire, source, None, columns, bench.link.record, bench.adc.bits, bench.link.counter_bits
    )


def found_wire(data: bytes) -> Finding:
    """Tell what these bytes are; not taken for records is what has the form of frames, or of text.

    Frames whose checksum is wrong throughout, and lines of words that come again and again, are of one length
    too.
    """
    if looks_framed(data):
        return Finding("framed", confidence=SURE["framed"], evidence=("they are stuffed as frames are",))
    if looks_like_text(data):
        lines = identify(data, None)
        return lines if lines.wire == "text" else Finding(None)
    return identify(data, None)


def looks_framed(data: bytes) -> bool:
    """Whether nearly all that stands between zeros is stuffed, and has a kind that is known."""
    frames = [frame for frame in data.split(b"\0")[1:-1] if frame]
    if len(frames) < FEWEST_FRAMES:
        return False
    kinds = {KIND_SCANS, KIND_DESCRIPTION, KIND_NOTE}
    packets = [unstuff(frame) for frame in frames if len(frame) <= MAX_FRAME]
    return sum(packet[0] in kinds for packet in packets if packet) >= FRAMED_SHARE * len(frames)


def looks_like_text(data: bytes) -> bool:
    """Whether nearly all bytes are printable, in lines rather than frames: descriptions are printable too."""
    zeros = data.count(0)
    if not data or (zeros and zeros >= data.count(b"\n")):
        return False
    return sum(byte in PRINTABLE for byte in data) >= TEXT_SHARE * len(data)


def _first_columns(data: bytes) -> tuple[str, ...]:
    """Name columns for lines that are too few to tell more: by a header, or as many as most have fields."""
    widths: Counter[int] = Counter()
    header: tuple[str, ...] = ()
    for line in data.split(b"\n")[:200]:
        fields = split(check(line.rstrip(b"\r"))[0])
        if fields and all(NUMBER.fullmatch(field) for field in fields):
            widths[len(fields)] += 1
        elif len(fields) > 1 and not header:
            header = tuple(words(fields) or ())
    width = widths.most_common(1)[0][0] if widths else 1
    return header if len(header) == width else tuple(f"a{n + 1}" for n in range(width))
