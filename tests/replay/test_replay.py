"""A run that is played and recorded again is the same run: codes, gaps, restarts, notes."""

import random
import struct
import sys
import threading
import zlib

import numpy as np
import pytest

from livesense.analysis import RunAnalysis
from livesense.bench import parse
from livesense.errors import UsageError
from livesense.logbook.reader import Logbook
from livesense.outlets import open_outlet
from livesense.replay.playing import Sent, play
from livesense.replay.timeline import Tape
from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame, frames, note_packet
from simulator.main import BENCH

GROUPS = (
    GroupInfo(20_000.0, CodeType.U12, 12, ("iu", "iv", "iw", "vbus", "ibus")),
    GroupInfo(10.0, CodeType.U16, 16, ("t_sink", "state")),
)


def kept(logbook, run=1):
    """What a run holds, in a form that can be compared."""
    with Logbook(logbook) as book:
        reader = book.run(run)
        codes = {
            g: [(at, c.copy()) for at, c in reader.codes(g, *reader.extent(g))]
            for g in range(len(reader.groups))
        }
        gaps = [(gap.group, gap.first, gap.count) for gap in reader.gaps()]
        restarts = [(r.scan, r.first_counter) for r in reader.restarts()]
        notes = [(n.scan, n.text) for n in reader.notes() if n.source == "device"]
        return codes, gaps, restarts, notes


def same_codes(one, other):
    assert one.keys() == other.keys()
    for group in one:
        assert [(at, len(c)) for at, c in one[group]] == [(at, len(c)) for at, c in other[group]]
        for (_, a), (_, b) in zip(one[group], other[group], strict=True):
            assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f")


def again(livesense, tmp_path, *options):
    played = livesense("replay", "1", "--outlet", "file:again.bin", "--bench-out", "again.toml", *options)
    assert played.code == 0, played.err
    recorded = livesense(
        "record",
        "again.toml",
        "--port",
        "file:again.bin",
        "--until-closed",
        "--quiet",
        "--logbook",
        "again.db",
    )
    assert recorded.code == 0, recorded.err
    return tmp_path / "again.db"


def test_framed_codes_gaps_and_notes_come_again(livesense, tmp_path):
    livesense(
        "simulate",
        "--speed",
        "max",
        "--duration",
        "4s",
        "--outlet",
        "file:sim.bin",
        "--link-fault",
        "drop=0.02",
    )
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    codes, gaps, restarts, notes = kept(tmp_path / "livesense.db")
    assert len(gaps) > 10 and notes and not restarts
    found = kept(again(livesense, tmp_path))
    same_codes(codes, found[0])
    assert found[1] == gaps
    assert [text for _, text in found[3]] == [text for _, text in notes]
    # A note stands within a packet of where it stood.
    assert max(abs(a[0] - b[0]) for a, b in zip(found[3], notes, strict=True)) <= 400


def test_a_restart_is_one_again_and_its_counter_begins_where_it_began(livesense, tmp_path):
    rng = np.random.default_rng(3)
    codes = rng.integers(0, 4096, (6000, 5))
    sent = encode_frame(description_packet(GROUPS, device="pump", boot=1)) + frames(
        0, 70, codes[:3000], 40, GROUPS[0].code
    )
    sent += encode_frame(note_packet("reset"))
    sent += encode_frame(description_packet(GROUPS, device="pump", boot=2)) + frames(
        0, 5, codes[3000:], 40, GROUPS[0].code
    )
    (tmp_path / "sim.bin").write_bytes(sent)
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    before = kept(tmp_path / "livesense.db")
    assert before[2] == [(3000, 5)]
    found = kept(again(livesense, tmp_path))
    same_codes(before[0], found[0])
    assert found[2] == [(3000, 5)]


def test_lines_of_text_come_again_with_their_decimals(livesense, recorded, tmp_path):
    bench = (
        '[link]\nwire = "text"\n[[group]]\nrate = "1 kHz"\n[adc]\nbits = 12\nreference = "3.3 V"\n'
        '[[channel]]\nname = "iu"\nphase = "U"\nsensor = "shunt"\nshunt = "5 mΩ"\n'
        'gain = 20\nreference = "mid-supply"\n[[channel]]\nname = "x"\n'
        'sensor = "direct"\nunit = "V"\ndecimals = 3\n'
    )
    rng = random.Random(5)
    lines = [
        f"{n},{rng.randrange(4096)},{rng.randrange(-9999, 9999) / 1000:.3f}" for n in range(900) if n % 97
    ]
    recorded(("n,iu,x\n" + "\n".join(lines) + "\n").encode(), bench)
    before = kept(tmp_path / "livesense.db")
    assert len(before[1]) == 9
    found = kept(again(livesense, tmp_path))
    same_codes(before[0], found[0])
    assert found[1] == before[1]
    # Two of them by hand: what was a line is the same line, trailing zeros apart.
    sent = (tmp_path / "again.bin").read_text().splitlines()
    number, iu, x = lines[0].split(",")
    assert f"{int(number) - 1},{iu},{float(x):g}" in sent


@pytest.mark.parametrize(
    ("fields", "more", "pack"),
    [
        ('["n:u8", "iu:u16", "iv:i16"]', 'check = "crc32"\nendian = "big"', ">BHh"),
        ('["n:u16", "iu:u16", "iv:i16"]', 'check = "crc32"\nscans = 2\ncheck_over = "all"', "<HHhHh"),
    ],
)
def test_records_come_again_byte_by_byte(livesense, recorded, tmp_path, fields, more, pack):
    scans = 2 if "scans" in more else 1
    bench = (
        f'[link]\nwire = "record"\n[link.record]\nsync = "A5 5A"\nfields = {fields}\n{more}\n'
        '[[group]]\nrate = "1 kHz"\n[adc]\nbits = 16\nreference = "3.3 V"\n'
        + "".join(
            f'[[channel]]\nname = "{name}"\nphase = "{name[1].upper()}"\nsensor = "shunt"\nshunt = "5 mΩ"\n'
            f'gain = 20\nreference = "mid-supply"\n' for name in ("iu", "iv")
        )
    )  # fmt: skip
    rng = random.Random(7)
    width = 256 if "n:u8" in fields else 1 << 16
    records = []
    for n in range(400):
        values = [
            v for _ in range(scans) for v in (rng.randrange(1 << 16), rng.randrange(-(1 << 15), 1 << 15))
        ]
        body = struct.pack(pack, n % width, *values)
        over = b"\xa5\x5a" + body if "all" in more else body
        records.append(
            b"\xa5\x5a" + body + zlib.crc32(over).to_bytes(4, "big" if "big" in more else "little")
        )
    sent = b"".join(r for n, r in enumerate(records) if n not in (50, 51, 200))
    recorded(sent, bench)
    assert livesense("replay", "1", "--outlet", "file:again.bin").code == 0
    assert (tmp_path / "again.bin").read_bytes() == sent


def test_a_part_of_a_run_begins_at_its_own_time(livesense, tmp_path):
    livesense("simulate", "--speed", "max", "--duration", "3s", "--outlet", "file:sim.bin")
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    again(livesense, tmp_path, "--from", "1", "--to", "2.5")
    with Logbook(tmp_path / "livesense.db") as one, Logbook(tmp_path / "again.db") as other:
        a, b = RunAnalysis(one, 1), RunAnalysis(other, 1)
        assert b.extent_s()[1] == pytest.approx(1.5, abs=1e-4)
        (first,), (second,) = a.window(1.0, 2.5, ["iu"]), b.window(0.0, 1.5, ["iu"])
        assert np.array_equal(first.values["iu"], second.values["iu"][: len(first.values["iu"])])


class Taken:
    """An outlet that remembers when it was given what."""

    address, dropped_bytes = "here", 0

    def __init__(self):
        self.sent, self.patient = b"", []

    def send(self, data, stop, *, patient):
        self.sent += data
        self.patient.append(patient)


def test_pace_is_that_of_the_run_times_the_speed(livesense, tmp_path):
    livesense("simulate", "--speed", "max", "--duration", "1s", "--outlet", "file:sim.bin")
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    with Logbook(tmp_path / "livesense.db") as book:
        tape = Tape(RunAnalysis(book, 1))
        pieces = list(tape.pieces())
        due = [piece.due_s for piece in pieces]
        assert due == sorted(due) and due[0] == 0.0
        assert due[-1] == pytest.approx(1.0, abs=0.02)
        # By half a second, half of the scans are due.
        early = sum(piece.scans for piece in pieces if piece.due_s <= 0.5)
        assert early == pytest.approx(0.5 * 20_010, abs=260)
        outlet, stop = Taken(), threading.Event()
        sent = Sent()
        play(pieces, outlet, stop, 20.0, sent)
        assert sent.scans == sum(piece.scans for piece in pieces) and not any(outlet.patient)
        fast = Taken()
        play(pieces, fast, stop, None, Sent())
        assert fast.sent == outlet.sent and all(fast.patient)
        stop.set()
        none = Sent()
        play(pieces, Taken(), stop, 1.0, none)
        assert none.scans == 0


posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX only")


@pytest.mark.parametrize("kind", ["tcp:0", pytest.param("pty", marks=[posix, pytest.mark.slow])])
def test_out_of_a_port_into_a_recorder(livesense, tmp_path, kind):
    livesense("simulate", "--speed", "max", "--duration", "2s", "--outlet", "file:sim.bin")
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    outlet, stop = open_outlet(kind), threading.Event()

    def send():
        with Logbook(tmp_path / "livesense.db") as book:
            tape = Tape(RunAnalysis(book, 1))
            if outlet.wait_for_receiver(stop):
                play(tape.pieces(), outlet, stop, 4.0, Sent())
            outlet.close(stop)

    player = threading.Thread(target=send)
    player.start()
    try:
        recorded = livesense(
            "record", BENCH, "--port", outlet.address,
            *(("--until-closed",) if kind != "pty" else ("--for", "2s")),
            "--quiet", "--logbook", "again.db", "--json",
        )  # fmt: skip
    finally:
        stop.set()
        player.join(20)
    assert recorded.code == 0, recorded.err
    assert outlet.dropped_bytes == 0
    assert recorded.json["groups"][0]["scans_lost"] == 0
    stored = recorded.json["groups"][0]["scans_stored"]
    assert stored == 40_000 if kind != "pty" else stored > 10_000


def test_what_cannot_be_played_says_why(livesense, tmp_path):
    livesense("simulate", "--speed", "max", "--duration", "1s", "--outlet", "file:sim.bin")
    livesense("record", BENCH, "--port", "file:sim.bin", "--until-closed", "--quiet")
    for options, word in (
        (("--loop", "--outlet", "file:x.bin"), "--loop"),
        (("--from", "5", "--to", "6"), "expected a part of the run"),
        (("--outlet", "com:1"), "expected tcp:PORT"),
        (("--speed", "0"), "expected a speed"),
        (("--bench-out", str(BENCH)), "is there already"),
        (("--bench-out", str(tmp_path / "no" / "b.toml")), "cannot be written"),
    ):
        answer = livesense("replay", "1", *options)
        assert answer.code == 2 and word in answer.err and "Traceback" not in answer.err, options
    assert livesense("replay", "9").code != 0


def test_values_of_a_file_are_no_codes_of_a_wire():
    from livesense.replay.wires import wire_for

    bench = parse(BENCH.read_text(encoding="utf-8"), "pump.toml")
    floats = [GroupInfo(1000.0, CodeType.F32, None, ("iu",))]
    with pytest.raises(UsageError, match="export it instead"):
        wire_for(bench, floats, [["iu"]], "", True)
