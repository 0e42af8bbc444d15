"""Listening counts what a recording counts: the same damaged streams through both."""

from __future__ import annotations

import random
from collections.abc import Callable
from pathlib import Path

import pytest
from plain_device import Sender, bench_text, description_frame, frame, group, note_frame
from record_streams import modbus

from livesense import bench as bench_file
from livesense.listen.expected import by_bench
from livesense.listen.rows import UNCOUNTED, Row, Verdict
from livesense.listen.session import Session

CHANNELS = ("iu", "iv", "iw")
LAYOUT = """
[link.record]
sync = "A5 5A"
fields = ["n:u8", "iu:u16", "iv:u16", "iw:u16"]
check = "crc16-modbus"
"""


def damaged(packets: list[bytes], rng: random.Random) -> bytes:
    """Bits flipped, bytes dropped, packets lost, doubled, swapped and cut."""
    stream = []
    for packet in packets:
        what = rng.random()
        if what < 0.06:
            at = rng.randrange(len(packet))
            packet = packet[:at] + bytes([packet[at] ^ 1 << rng.randrange(8)]) + packet[at + 1 :]
        elif what < 0.09:
            at = rng.randrange(len(packet))
            packet = packet[:at] + packet[at + 1 :]
        elif what < 0.12:
            continue
        elif what < 0.15:
            stream.append(packet)
        elif what < 0.17 and stream:
            stream.insert(-1, packet)
            continue
        elif what < 0.18:
            packet = packet[: len(packet) // 2]
        elif what < 0.19:
            packet = rng.randbytes(rng.randrange(1, 60)) + packet
        stream.append(packet)
    return b"".join(stream)


def framed(rng: random.Random) -> tuple[bytes, str]:
    sender = Sender(CHANNELS, high=4200, seed=rng.randrange(100))
    described = description_frame([group(CHANNELS)], boot=1)
    packets = []
    for number in range(120):
        packets.append(sender.packet(rng.randrange(1, 30)))
        if number % 20 == 19:
            packets.append(described)
        if rng.random() < 0.03:
            sender.counter = rng.randrange(200)
        odd = [
            note_frame("ramp"),
            frame(b"Q123"),
            frame(b"S\x07\0\0\0\0\1\1"),
            frame(b"S\0\0\0\0\0\1"),
            b"\0\0",
        ]
        packets += [rng.choice(odd)] * (rng.random() < 0.1) + [frame(b"D{}")] * (rng.random() < 0.02)
    return described + damaged(packets, rng), bench_text()


def text(rng: random.Random) -> tuple[bytes, str]:
    packets = [b"n,iu,iv,iw\r\n"] if rng.random() < 0.5 else []
    counter = 0
    for _ in range(400):
        packets.append(b"%d,%d,%d,%d\r\n" % (counter, *(rng.randrange(4096) for _ in range(3))))
        counter += 1
        if rng.random() < 0.01:
            counter = 0
        packets += [rng.choice([b"# ramp done\r\n", b"\r\n", b"trip of the pump\r\n"])] * (
            rng.random() < 0.03
        )
    link = 'columns = ["n", "iu", "iv", "iw"]'
    return damaged(packets, rng), bench_text("text", link=link, groups='[[group]]\nrate = "1 kHz"')


def records(rng: random.Random) -> tuple[bytes, str]:
    packets = []
    for number in range(300):
        body = bytes([number % 256]) + b"".join(rng.randrange(4200).to_bytes(2, "little") for _ in range(3))
        packets.append(b"\xa5\x5a" + body + modbus(body).to_bytes(2, "little"))
    return damaged(packets, rng), bench_text("record", link=LAYOUT, groups='[[group]]\nrate = "1 kHz"')


def look(stream: bytes, bench: str, size: int = 1 << 16) -> tuple[Session, list[Row]]:
    session = Session(by_bench(bench_file.parse(bench)), None, live=False)
    rows = []
    for at in range(0, len(stream), size):
        rows += session.feed(stream[at : at + size])
    return session, rows + session.finish()


@pytest.mark.parametrize("make", [framed, text, records])
@pytest.mark.parametrize("seed", range(12))
def test_the_counters_are_those_of_a_recording(
    recorded: Callable[..., dict], make: Callable[[random.Random], tuple[bytes, str]], seed: int
) -> None:
    stream, bench = make(random.Random(seed))
    told = recorded(stream, bench)
    session, rows = look(stream, bench)
    assert session.listener is not None
    placing = session.listener.placing
    assert dict(session.tally.faults) == told["faults"]
    assert told["faults"]
    (stored,) = told["groups"]
    assert placing.scans[0] == stored["scans_stored"]
    assert placing.lost == stored["scans_lost"]
    assert (placing.gaps, placing.restarts) == (told["gaps"], told["restarts"])
    # And the rows tell the same story one by one.
    of_rows: dict[str, int] = {}
    for row in rows:
        if not row.well and row.verdict not in UNCOUNTED:
            of_rows[str(row.verdict)] = of_rows.get(str(row.verdict), 0) + 1
    assert of_rows == {kind: count for kind, count in told["faults"].items() if kind != "code_range"}
    assert sum(row.beyond for row in rows if row.verdict is Verdict.GOOD) == told["faults"].get(
        "code_range", 0
    )
    assert sum(row.scans for row in rows if row.verdict is Verdict.GOOD) == stored["scans_stored"]
    assert sum(row.restarted for row in rows) == told["restarts"]


@pytest.mark.parametrize("make", [framed, text, records])
@pytest.mark.parametrize("size", [1, 7, 61])
def test_where_the_bytes_are_cut_makes_no_difference(
    make: Callable[[random.Random], tuple[bytes, str]], size: int
) -> None:
    stream, bench = make(random.Random(99))
    whole = [row.as_json(0) for row in look(stream, bench)[1]]
    assert [row.as_json(0) for row in look(stream, bench, size)[1]] == whole


@pytest.mark.parametrize("make", [framed, text, records])
def test_every_byte_is_in_one_row_or_none(
    make: Callable[[random.Random], tuple[bytes, str]], tmp_path: Path
) -> None:
    stream, bench = make(random.Random(7))
    end = 0
    for row in look(stream, bench)[1]:
        assert row.offset >= end
        assert stream[row.offset : row.offset + row.size].startswith(row.raw)
        end = row.offset + row.size
    assert end <= len(stream)
