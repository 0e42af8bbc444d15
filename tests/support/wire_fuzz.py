"""Streams that nobody would send, and what must hold of a decoder whatever comes.

One number makes one case: which decoder, which bytes, in which reads. The same bytes must
give the same whatever the reads, no decoder may raise or hold more than its bound, and after any
garbage the next good packets must come through. What is decoded then goes through the
timebase, where every index must be stored or in a gap, once.
"""

from __future__ import annotations

import binascii
import json
import random
import tempfile
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from livesense.bench import parse
from livesense.decoding import Decoder, same_groups
from livesense.errors import BenchError
from livesense.identify.finding import identify
from livesense.layout import RecordLayout, read_layout
from livesense.logbook.reader import Logbook
from livesense.samples import (
    Arrival,
    CodeType,
    Description,
    Gap,
    GapCause,
    GroupInfo,
    LinkFault,
    Note,
    Packets,
    ScanBlock,
)
from livesense.timebase import Timebase
from livesense.wire.checksum import check_rows
from livesense.wire.description import parse_description
from livesense.wire.framed import MAX_FRAME, FramedDecoder
from livesense.wire.record import RecordDecoder
from livesense.wire.text import LINE_LIMIT, TextDecoder
from tests.support import plain_device, scripted_port
from tests.support.plain_device import stuff

GROUPS = (
    GroupInfo(1000.0, CodeType.U16, 12, ("a", "b")),
    GroupInfo(10.0, CodeType.U12, 12, ("c", "d", "e")),
    GroupInfo(10.0, CodeType.I32, None, ("f",)),
)

LAYOUTS = [
    read_layout("A5 5A", "little", ["n:u8", "a:u16", "b:u16"], "crc16-modbus"),
    read_layout("A5", "big", ["n:u16", "a:i16"], "sum8", 3),
    read_layout("AA AA", "little", ["a:u16", "_:pad2"], "none"),
    read_layout("00 00 00", "little", ["a:u8"], "none"),
    read_layout("", "little", ["n:u32", "t_us:u32", "a:i24"], "crc32"),
    read_layout("7E", "little", ["t_ms:u16", "a:f32", "b:u8"], "crc8", 2),
    read_layout("55 AA", "big", ["n:u8", "a:u16"], "xor8", check_over="all"),
    read_layout("FF", "little", ["n:u16", "a:i8"], "crc16-xmodem", check_endian="big", counts="scans"),
]


# Bytes


def frame(packet: bytes) -> bytes:
    return stuff(packet + binascii.crc_hqx(packet, 0xFFFF).to_bytes(2, "little")) + b"\0"


def _json(rng: random.Random) -> bytes:
    """A description, or something like one."""
    odd: list[Any] = [None, True, -1, 0, 1e400, 1e308, "x" * 40, [], {}, [[]], "é\u0000", 2**70, "u16", 1.5]

    def some(*good: Any) -> Any:
        return rng.choice(odd) if rng.random() < 0.1 else rng.choice(good)

    groups = [
        {
            "rate_hz": some(1000, 10, 0.5),
            "code": some("u16", "i16", "i32", "u12"),
            "bits": some(12, 16, 24),
            "channels": some(["a", "b"], ["c"], ["n", "a", "b"], ["a", "a"], ["a b", "…"]),
            **({"burst": some(10, 100)} if rng.random() < 0.2 else {}),
        }
        for _ in range(rng.choice([0, 1, 1, 2, 3]))
    ]
    content = {"boot": some(1, 2, "x"), "device": some("d", ""), "groups": some(groups, groups, GROUPS[:0])}
    text = json.dumps(content, allow_nan=True)
    if rng.random() < 0.1:
        text = text[: rng.randrange(len(text))]
    return text.encode() if rng.random() < 0.95 else text.encode("utf-16")


def _framed_piece(rng: random.Random) -> bytes:
    kind = rng.choice("SSSSSDNX")
    if kind == "S":
        counter = rng.choice([0, 5, 2**32 - 3, 2**31, rng.getrandbits(32)])
        packet = b"S" + bytes([rng.choice([0, 0, 0, 1, 2, 9])]) + counter.to_bytes(4, "little")
        packet += rng.randbytes(rng.choice([0, 1, 3, 4, 8, 12, 40, 400, 4088, 4089]))
    elif kind == "D":
        packet = b"D" + _json(rng)
    else:
        packet = kind.encode() + rng.randbytes(rng.choice([0, 1, 5, 260]))
    return frame(packet)


def _number(rng: random.Random) -> str:
    odd = ["", "-", "+", ".", "nan", "inf", "1e5", "0x1", "--1", "1.2.3", "9" * 25, "1" * 19, "é", "1-", "#1"]
    plain = [str(rng.randrange(10 ** rng.choice([1, 2, 4, 4, 4, 8, 12]))), f"{rng.uniform(-9, 9):.2f}"]
    return rng.choice(odd) if rng.random() < 0.02 else rng.choice(["", "", "", "-", "+"]) + rng.choice(plain)


def _text_piece(rng: random.Random) -> bytes:
    """Lines of one style, or something else."""
    kind = rng.random()
    if kind < 0.1:
        return rng.choice([b"n,a,b\n", b"a;b\r\n", b"t_us a b n\n", b"a\n", b"n,x,y\n", b"b, a, n, a\r\n"])
    if kind < 0.2:
        return b"#" + rng.choice([_json(rng), b" note", b"{}"]) + b"\n"
    if kind < 0.25:
        return rng.choice(
            [b"ramp done\n", b"trip at 12\n", b"\xff\xfe\n", b"\xef\xbb\xbf1,2\n", b"\0\0\n", b"\r"]
        )
    if kind < 0.28:
        return rng.choice([b" ", b"1", b"1,", b"x"]) * rng.randrange(5000) + b"\n" * rng.randrange(2)
    separator = rng.choice([",", ",", ";", "\t", " ", ", ", "  ", " ; "])
    end = rng.choice(["\n", "\n", "\r\n", " \n", "\r\r\n"])
    width = rng.choice([1, 2, 2, 2, 3, 3, 4])
    summed = rng.choice([False, False, True])
    form = rng.choice(["", "", ">5"])
    lines = b""
    for _ in range(rng.choice([1, 3, 15, 60])):
        wide = width if rng.random() < 0.98 else rng.randrange(6)
        line = separator.join(format(_number(rng), form) for _ in range(wide)).encode()
        if summed:
            xor = 0
            for byte in line:
                xor ^= byte
            line += b"*%02X" % (xor ^ (rng.random() < 0.05))
        lines += line + end.encode()
    return lines


def record(layout: RecordLayout, rng: random.Random) -> bytes:
    """One good record; checks are computed by livesense's own routine, for what is asked is what follows."""
    body = rng.randbytes(layout.size - len(layout.sync) - layout.check_width)
    covered = layout.sync + body if layout.check_over_sync else body
    if not layout.check_width:
        return layout.sync + body
    value = int(check_rows(layout.check, np.frombuffer(covered, dtype=np.uint8).reshape(1, -1))[0])
    return layout.sync + body + value.to_bytes(layout.check_width, "big" if layout.check_big else "little")


def _noise(rng: random.Random) -> bytes:
    alphabet = rng.choice(
        [bytes(range(256)), b"\0\x01\xff", b"0123456789,.-\n", b"\xa5\x5a\xaa\x55\x7e\0", b"*#,;\r\n1a"]
    )
    size = rng.choice([1, 2, 5, 30, 300, 5000])
    if rng.random() < 0.3:
        return bytes([rng.choice(alphabet)]) * size
    return bytes(rng.choices(alphabet, k=size))


def _harmed(data: bytes, rng: random.Random) -> bytes:
    """Bits flipped, bytes dropped and doubled."""
    out = bytearray(data)
    for _ in range(rng.choice([0, 0, 1, 3, 20])):
        if out:
            at = rng.randrange(len(out))
            kind = rng.randrange(4)
            if kind == 0:
                out[at] ^= 1 << rng.randrange(8)
            elif kind == 1:
                del out[at : at + rng.choice([1, 1, 2, 9])]
            elif kind == 2:
                out[at:at] = out[at : at + rng.choice([1, 4, 30])]
            else:
                out[at] = rng.choice(b"\0\n\r,*#\xff0-. ")
    return bytes(out)


# Decoders


def _text_decoder(rng: random.Random) -> Callable[[], TextDecoder]:
    options: dict[str, Any] = {
        "columns": rng.choice([(), (), ("n", "a", "b"), ("a", "b"), ("a", "b", "x"), ("t_us", "n", "a")]),
        "needed": rng.choice([(), (), ("a",)]),
        "rate_hz": rng.choice([None, 1000.0]),
        "decimals": rng.choice([{}, {}, {"a": 2}, {"a": 3, "b": 9}, {"b": 18}]),
        "counter_bits": rng.choice([32, 32, 8, 1, 62]),
        "from_port": rng.random() < 0.5,
    }
    channels = rng.choice([("a", "b"), ("a", "b"), ("a",), ("n", "a", "b")])
    return lambda: TextDecoder(channels, **options)


def _case(rng: random.Random) -> tuple[Callable[[], Decoder], Callable[[random.Random], bytes], bytes]:
    """Which decoder, how its bytes are made, and what must come through after any garbage."""
    kind = rng.randrange(3)
    if kind == 0:
        groups = rng.choice([None, GROUPS, GROUPS[:1]])
        joined = rng.random() < 0.7
        tail = b"\0" + frame(b"Nend") * 3
        return lambda: FramedDecoder(groups, midstream=joined), _framed_piece, tail
    if kind == 1:
        return _text_decoder(rng), _text_piece, b"\n\n# end\n# end\n"
    layout = rng.choice(LAYOUTS)
    alike = rng.randbytes(1 << 10)
    tail = b"".join(record(layout, random.Random(alike)) for _ in range(12)) + layout.sync
    rate_hz = rng.choice([None, 1000.0])
    return (
        lambda: RecordDecoder(layout, rate_hz=rate_hz),
        lambda r: record(layout, r) * r.choice([1, 1, 4, 30]),
        tail,
    )


def _stream(make: Callable[[random.Random], bytes], rng: random.Random) -> bytes:
    pieces = []
    for _ in range(rng.choice([1, 3, 8, 25])):
        piece = make(rng) if rng.random() < 0.85 else _noise(rng)
        pieces.append(_harmed(piece, rng) if rng.random() < 0.4 else piece)
    return b"".join(pieces)[:40_000]


# What must hold


def plain(events: Sequence[Any]) -> list[Any]:
    """Events in a form that is the same whatever the reads: scans one by one, faults counted by run."""
    out: list[Any] = []
    faults: Counter[str] = Counter()
    latest: Any = None
    for event in events:
        if isinstance(event, LinkFault):
            faults[str(event.kind)] += event.count
        elif isinstance(event, Packets):
            out += _scans(event)
        else:
            if isinstance(event, Description) and event != latest:
                if latest is not None or any(isinstance(one, tuple) for one in out):
                    # Faults in front of it belong to the run that it may end.
                    out.append(dict(faults))
                    faults.clear()
                latest = event
            out.append(event)
    return [*out, dict(faults)]


def _scans(packets: Packets) -> list[Any]:
    assert sum(packets.count.tolist()) == sum(len(codes) for codes in packets.codes.values())
    rows = {group: iter(codes.view(f"u{codes.itemsize}").tolist()) for group, codes in packets.codes.items()}
    clock = None if packets.clock is None else iter(packets.clock.tolist())
    firsts = [None] * len(packets.group) if packets.first is None else packets.first.tolist()
    found = []
    for group, first, count in zip(packets.group.tolist(), firsts, packets.count.tolist(), strict=True):
        assert count > 0
        for scan in range(count):
            place = None if first is None else (first, count, scan)
            found.append((group, place, tuple(next(rows[group])), None if clock is None else next(clock)))
    return found


def held(decoder: Decoder) -> None:
    """Nothing more is kept than one unfinished packet, and scans that nothing describes yet."""
    if isinstance(decoder, FramedDecoder):
        assert decoder._pieces.kept <= MAX_FRAME
        assert sum(map(len, decoder._waiting)) == decoder._waiting_bytes <= 64 << 20
    elif isinstance(decoder, TextDecoder):
        assert decoder._lines.kept <= LINE_LIMIT
        assert len(decoder._rows) <= 1
        assert not decoder._blocks
        assert not decoder._events
    else:
        assert decoder.kept < decoder._layout.size + len(decoder._layout.sync) + 1


def decoded(decoder: Decoder, reads: Sequence[bytes | None]) -> list[Any]:
    """All events; None among the reads is an interruption."""
    events: list[Any] = []
    for read in reads:
        if read is None:
            decoder.rejoin()
        else:
            events += decoder.feed(read)
        held(decoder)
    return events


def _cut(parts: Sequence[bytes], way: str, rng: random.Random) -> list[bytes | None]:
    """The same bytes and interruptions in other reads."""
    reads: list[bytes | None] = []
    for part in parts:
        if way == "bytes":
            reads += [part[at : at + 1] for at in range(len(part))]
        elif way == "random":
            cuts = sorted(rng.randrange(len(part) + 1) for _ in range(rng.choice([1, 3, 10])))
            reads += [part[a:b] for a, b in zip([0, *cuts], [*cuts, len(part)], strict=True)]
        else:
            reads.append(part)
        reads.append(None)
    return reads[:-1]


def check_decoder(seed: int) -> None:
    """One case of one decoder."""
    rng = random.Random(seed)
    make, piece, tail = _case(rng)
    parts = [_stream(piece, rng) for _ in range(rng.choice([1, 1, 1, 2, 3]))]
    results = []
    ways = ["whole", "random", *(["bytes"] if sum(map(len, parts)) < 3000 else [])]
    for way in ways:
        decoder = make()
        groups = decoder.groups or ()
        events = decoded(decoder, _cut(parts, way, rng))
        results.append(plain([*events, *decoder.finish()]))
        _placed(groups, events, rng)
    for way, other in zip(ways[1:], results[1:], strict=True):
        assert other == results[0], f"reads make a difference: {way}"
    decoder = make()
    decoded(decoder, _cut(parts, "whole", rng))
    over = isinstance(decoder, TextDecoder) and decoder._over
    after = decoder.feed(tail)
    held(decoder)
    assert over or any(isinstance(event, Packets | Note) for event in after), (
        "what is good does not come through"
    )


def _placed(groups: Sequence[GroupInfo], events: Sequence[Any], rng: random.Random) -> None:
    """Lay the scans in time: every index is stored or in a gap, once; ``groups`` are known beforehand."""
    base: Timebase | None = None
    now_s = 0.0
    live = rng.random() < 0.5
    bits = rng.choice([8, 16, 32])
    for event in events:
        now_s += rng.choice([0.0, 0.001, 1.0, 1e4])
        arrival = Arrival(now_s, now_s + rng.choice([0.0, 0.0, 500.0])) if live else None
        if isinstance(event, Description):
            if base is not None and same_groups(groups, event.groups):
                _follow(base.description(event))
                continue
            groups = event.groups
            base = Timebase(groups, counter_bits=bits, boot=event.boot)
            _NEXT.clear()
        elif isinstance(event, Packets):
            if base is None:
                base = Timebase(groups, counter_bits=bits)
                _NEXT.clear()
            _follow(base.packets(event, arrival))
            if rng.random() < 0.1:
                _follow(base.interrupted(rng.choice([GapCause.OUTAGE, GapCause.HOST])))
    if base is not None:
        _follow(base.finish())
        assert {group: base.next_index(group) for group in _NEXT} == _NEXT


_NEXT: dict[int, int] = {}
"""Index behind the last stored scan or gap, by group."""


def _follow(placed: Sequence[Any]) -> None:
    for item in placed:
        if isinstance(item, ScanBlock):
            assert item.first == _NEXT.get(item.group, 0)
            assert len(item.codes)
            _NEXT[item.group] = item.first + len(item.codes)
        elif isinstance(item, Gap) and item.count is not None:
            assert item.first == _NEXT.get(item.group, 0)
            assert item.count > 0
            _NEXT[item.group] = item.first + item.count


def check_reading(seed: int) -> None:
    """One text that is read at once: a description, a layout."""
    rng = random.Random(seed)
    text = _harmed(_json(rng), rng).decode("utf-8", "replace")
    for framed in (True, False):
        description = parse_description(text, framed=framed)
        if description is not None:
            assert all(group.channels or not framed for group in description.groups)
    sync = _harmed(rng.choice([b"A5 5A", b"7E", b""]), rng).decode("latin-1")
    fields = [_harmed(rng.choice([b"n:u8", b"iu:u16", b"_:pad4", b"iu:f32"]), rng).decode("latin-1")]
    fields += rng.choices(
        ["n:u8", "iu:u16", "b:i24", "_:pad2", "c:f32", "a:i8", "t_us:u32"], k=rng.randrange(5)
    )
    table = {
        "sync": sync,
        "fields": fields,
        "check": rng.choice(["none", "crc8", "crc32", "x"]),
        "scans": rng.choice([1, 2, 2, 0, -1, 10**6]),
        "endian": rng.choice(["little", "big", "x"]),
    }
    # A JSON value is a TOML value as long as it is no object.
    declared = "[link.record]\n" + "".join(f"{key} = {json.dumps(value)}\n" for key, value in table.items())
    rate = '[[group]]\nrate = "1 kHz"'
    try:
        bench = parse(plain_device.bench_text("record", link=declared, groups=rate, channels=["iu"]))
    except BenchError:
        return
    layout = bench.link.record
    assert layout is not None
    RecordDecoder(layout, rate_hz=None).feed(record(layout, rng) * 3 + rng.randbytes(9))


def check_identify(seed: int) -> None:
    """One stream of unknown bytes."""
    rng = random.Random(seed)
    _, piece, _ = _case(rng)
    data = _stream(piece, rng)
    found = identify(data, rng.choice([None, 0.5, 3.0]), port="COM5", baud=rng.choice([None, 115200]))
    assert 0.0 <= found.confidence <= 1.0
    assert found.evidence
    assert bool(found.bench) == (found.wire is not None)


def _bench(rng: random.Random) -> tuple[str, Callable[[random.Random], bytes]]:
    """A bench file, and how bytes for it are made."""
    kind = rng.randrange(3)
    declared = '[[group]]\nrate = "1 kHz"'
    channels = rng.choice([["a"], ["a", "b"]])
    if kind == 0:
        codes = f'{declared}\ncode = "{rng.choice(["u16", "u12"])}"\nchannels = {json.dumps(channels)}'
        groups = rng.choice(["", codes, codes])
        return plain_device.bench_text("framed", groups=groups, channels=channels), _framed_piece
    if kind == 1:
        link = rng.choice(["", 'columns = ["n", "a", "b"]', "counter_bits = 8"])
        return plain_device.bench_text("text", link=link, groups=declared, channels=channels), _text_piece
    fields, check, scans = rng.choice(
        [
            (["n:u8", "a:u16", "b:u16"], "crc16-modbus", 1),
            (["a:u16", "b:i16"], "none", 1),
            (["a:u8", "b:u8"], "sum8", 4),
        ]
    )
    link = f'[link.record]\nsync = "A5 5A"\nfields = {json.dumps(fields)}\ncheck = "{check}"\nscans = {scans}'
    layout = read_layout("A5 5A", "little", fields, check, scans)
    bench = plain_device.bench_text("record", link=link, groups=declared, channels=channels)
    return bench, lambda r: record(layout, r) * r.choice([1, 4, 30])


def check_recorder(seed: int) -> None:
    """One recording from beginning to end: it ends in order, and its logbook says what it said."""
    rng = random.Random(seed)
    bench, piece = _bench(rng)
    happened: list[tuple[str, bytes, float]] = []
    now_s = 0.0
    for part in (_stream(piece, rng) for _ in range(rng.choice([1, 2, 4]))):
        for read in _cut([part], rng.choice(["whole", "random"]), rng):
            now_s += rng.choice([0.001, 0.1, 5.0])
            happened.append(("bytes", read or b"", now_s))
        happened.append((rng.choice(["outage", "host"]), b"", now_s))
    live = rng.random() < 0.5
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fuzz.db"
        summary = scripted_port.record(bench, happened, path, live=live)
        with Logbook(path) as book:
            assert summary["ended"] == "closed" or summary["error"]
            run = book.run("last")
            for group in summary["groups"]:
                number = group["group"]
                first, stop = run.extent(number)
                stored = [(at, len(codes)) for at, codes in run.codes(number, first, stop)]
                assert sum(count for _, count in stored) == group["scans_stored"]
                gaps = [(gap.first, gap.count) for gap in run.gaps(number) if gap.count is not None]
                reach = 0
                for at, count in sorted([*stored, *gaps]):
                    assert at == reach
                    reach += count
            assert sum(run.fault_counts().values()) == sum(summary["faults"].values())


CHECKS: dict[str, Callable[[int], None]] = {
    "decoder": check_decoder,
    "reading": check_reading,
    "identify": check_identify,
    "recorder": check_recorder,
}
