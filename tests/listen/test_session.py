"""Which wire it is, told by the bytes; and that no bytes whatever stop a look at them."""

from __future__ import annotations

import random

import pytest
from plain_device import Sender, bench_text, description_frame, group
from record_streams import make

from livesense import bench as bench_file
from livesense.listen.expected import by_bench
from livesense.listen.rows import Row, Verdict
from livesense.listen.seen import Line
from livesense.listen.session import MOST_WAITING, WAIT_S, Session
from livesense.samples import Arrival, GapCause

CHANNELS = ("iu", "iv", "iw")
LAYOUT = '[link.record]\nsync = "A5 5A"\nfields = ["n:u8", "iu:u16", "iv:u16", "iw:u16"]\ncheck = "sum8"'
RATE = '[[group]]\nrate = "1 kHz"'
BENCHES = [bench_text(), bench_text("text", groups=RATE), bench_text("record", link=LAYOUT, groups=RATE)]


def frames(count: int = 40) -> bytes:
    sender = Sender(CHANNELS)
    return b"".join([description_frame([group(CHANNELS)]), *(sender.packet(10) for _ in range(count))])


def lines(count: int = 60) -> bytes:
    rng = random.Random(1)
    return b"".join(b"%d,%d,%d\n" % (n, rng.randint(0, 4095), rng.randint(0, 4095)) for n in range(count))


def good(rows: list[Row]) -> int:
    return sum(row.verdict is Verdict.GOOD for row in rows)


class TestWhichWire:
    @pytest.mark.parametrize(
        ("stream", "wire"), [(frames(), "framed"), (lines(), "text"), (make(2)[0], "record")]
    )
    def test_it_is_told_by_the_bytes(self, stream: bytes, wire: str) -> None:
        session = Session(None, None, live=False)
        rows = [row for at in range(0, len(stream), 50) for row in session.feed(stream[at : at + 50])]
        rows += session.finish()
        assert session.expected is not None
        assert (session.expected.wire, session.expected.source) == (wire, "found")
        assert good(rows) > 30

    def test_rows_keep_the_times_of_bytes_that_waited(self) -> None:
        session = Session(None, None, live=True)
        stream = frames()
        rows = []
        for number, at in enumerate(range(0, len(stream), 40)):
            rows += session.feed(stream[at : at + 40], Arrival(float(number), float(number)), float(number))
        assert rows[0].at_s == 2.0
        assert [row.at_s for row in rows] == sorted(row.at_s or 0.0 for row in rows)

    def test_a_slow_line_is_read_after_a_while(self) -> None:
        session = Session(None, None, live=True)
        assert session.feed(b"\n0,1,2\n1,1,2\n", None, 0.5) == []
        assert session.waited(0.5 + 0.9 * WAIT_S) == []
        assert good(session.waited(0.5 + 1.1 * WAIT_S)) == 2

    def test_a_header_names_the_columns_of_a_few_lines(self) -> None:
        session = Session(None, None, live=False)
        rows = session.feed(b"n,iu,iv\n0,5,2\n1,1,2\n3,1,2\n") + session.finish()
        assert [row.verdict for row in rows] == [Verdict.HEADER, *[Verdict.GOOD] * 3]
        assert [row.counter for row in rows[1:]] == [0, 1, 3]
        assert rows[1].first_values == [5, 2]
        assert rows[3].lost == 1

    def test_a_greeting_in_words_does_not_hide_frames(self) -> None:
        session = Session(None, None, live=True)
        rows = session.feed(b"bring-up of the pump board, please wait\r\n" * 9, None, 0.0)
        rows += session.waited(WAIT_S)
        assert session.expected is not None
        assert session.expected.wire == "text"
        stream = frames(600)
        for at in range(0, len(stream), 500):
            rows += session.feed(stream[at : at + 500], None, 3.0)
        assert session.expected.wire == "framed"
        assert session.tally.verdicts[Verdict.UNDESCRIBED] > 400
        assert session.tally.faults == {}
        assert all(0 < row.offset < 9 * 41 + len(stream) for row in rows[1:])
        described = next(row for row in rows if row.verdict is Verdict.UNDESCRIBED)
        assert stream[described.offset - 9 * 41 :].startswith(described.raw)
        assert (session.tally.size, session.tally.rows) == (9 * 41 + len(stream), len(rows))

    @pytest.mark.slow
    def test_records_that_are_never_found_do_not_fill_the_memory(self) -> None:
        session = Session(None, "record", live=True)
        noise = random.Random(3).randbytes(1 << 18)
        for number in range(8):
            assert session.feed(noise, None, float(number)) == []
        session.waited(100.0)
        assert sum(len(data) for data, _, _ in session._waiting) <= MOST_WAITING
        assert session.finish() == []
        assert [hint.key for hint in session.hints(Line("socket", "socket://b:1", None))] == ["unreadable"]


class TestHolding:
    def packets(self) -> list[bytes]:
        sender = Sender(CHANNELS)
        return [description_frame([group(CHANNELS)]), *(sender.packet(10) for _ in range(9))]

    def test_a_row_that_went_back_waits_for_the_next(self) -> None:
        session = Session(by_bench(bench_file.parse(bench_text())), None, live=True)
        packets = self.packets()
        assert len(session.feed(b"\0" + b"".join(packets[:4]), None, 0.0)) == 4
        assert session.feed(packets[3], None, 0.1) == []
        assert [row.verdict for row in session.feed(packets[4], None, 0.2)] == [
            Verdict.REPEATED,
            Verdict.GOOD,
        ]

    def test_but_not_for_ever(self) -> None:
        session = Session(by_bench(bench_file.parse(bench_text())), None, live=True)
        packets = self.packets()
        session.feed(b"\0" + b"".join([*packets[:4], packets[3]]), None, 0.0)
        assert session.waited(0.5) == []
        (row,) = session.waited(2.0)
        assert row.verdict is Verdict.BEHIND
        session.feed(packets[4], None, 2.1)
        assert session.tally.faults == {"repeated": 1}

    def test_an_interruption_joins_anew(self) -> None:
        session = Session(by_bench(bench_file.parse(bench_text())), None, live=True)
        packets = self.packets()
        session.feed(b"\0" + b"".join(packets[:4]) + packets[4][:20], None, 0.0)
        session.interrupted(GapCause.OUTAGE)
        rows = session.feed(packets[6][9:] + packets[7], None, 0.0)
        assert [row.verdict for row in rows] == [Verdict.CUT, Verdict.GOOD]
        assert rows[1].lost == 30
        assert session.tally.faults == {}


@pytest.mark.parametrize("bench", [None, *BENCHES])
@pytest.mark.parametrize("seed", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in range(1, 6))])
def test_no_bytes_stop_it(bench: str | None, seed: int) -> None:
    rng = random.Random(seed)
    good_ones = [
        frames(12),
        lines(30),
        make(seed % 5)[0][:900],
        b"n,iu,iv,iw\n" + b"# note\n\r\n#{}\n",
        bytes(20),
    ]
    pieces = []
    for _ in range(12):
        piece = bytearray(rng.choice([*good_ones, rng.randbytes(300), b"\xff" * 50, b"A" * 5000]))
        for _ in range(rng.randrange(4)):
            piece[rng.randrange(len(piece))] = rng.randrange(256)
        pieces.append(bytes(piece[rng.randrange(20) :]))
    expected = by_bench(bench_file.parse(bench)) if bench is not None else None
    session = Session(expected, None, live=bool(seed % 2))
    rows = []
    for number, piece in enumerate(pieces):
        rows += session.feed(piece, None, number / 10)
        if rng.random() < 0.1:
            rows += session.interrupted(GapCause.OUTAGE)
    rows += session.finish()
    assert session.tally.size == sum(map(len, pieces))
    assert session.tally.rows == len(rows)
    assert all(row.as_json(0)["words"] for row in rows)
    session.hints(Line("device", "COM5", 115200))
