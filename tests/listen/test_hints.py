"""Mistakes as they are made at a bench, and what is said of each."""

from __future__ import annotations

import random
import struct
import zlib

import pytest
from plain_device import (
    Sender,
    bench_text,
    crc16,
    description_frame,
    frame,
    group,
    note_frame,
    scans_frame,
    stuff,
)
from record_streams import modbus
from uart import resampled

from livesense import bench as bench_file
from livesense.listen.expected import by_bench
from livesense.listen.seen import Hint, Line
from livesense.listen.session import Session

CHANNELS = ("iu", "iv", "iw", "vbus")
DEVICE = Line("device", "COM5", 115200)
SOCKET = Line("socket", "socket://board:5000", None)


def told(
    stream: bytes, line: Line = DEVICE, *, bench: str | None = None, wire: str | None = None
) -> dict[str, str]:
    """Hints by their keys."""
    expected = by_bench(bench_file.parse(bench)) if bench is not None else None
    session = Session(expected, wire, live=True)
    session.feed(stream)
    session.finish()
    hints = session.hints(line)
    assert all(isinstance(hint, Hint) and hint.text for hint in hints)
    assert len({hint.key for hint in hints}) == len(hints)
    return {hint.key: hint.text for hint in hints}


def good(count: int = 60, **options: object) -> list[bytes]:
    sender = Sender(CHANNELS, low=1800, high=2300, **options)  # type: ignore[arg-type]
    return [description_frame([group(CHANNELS)]), *(sender.packet(30) for _ in range(count))]


def lines(count: int = 200, columns: int = 4) -> bytes:
    rng = random.Random(3)
    rows = ([n, *(rng.randint(1800, 2300) for _ in range(columns - 1))] for n in range(count))
    return b"".join(b",".join(b"%d" % value for value in row) + b"\r\n" for row in rows)


@pytest.mark.parametrize("stream", [b"".join(good()), b"n,iu,iv,iw\n" + lines()])
def test_a_stream_without_a_flaw_gets_no_hint(stream: bytes) -> None:
    assert told(stream) == {}


class TestNothing:
    @pytest.mark.parametrize(
        ("line", "said"),
        [
            (DEVICE, "TX go to the adapter's RX"),
            (SOCKET, "the other side sends nothing"),
            (Line("device", "/dev/pts/3", None), "pseudo-terminal"),
            (Line("file", "file:x.bin", None), "file is empty"),
            (Line("stdin", "-", None), "Nothing was piped in"),
        ],
    )
    def test_silence(self, line: Line, said: str) -> None:
        (text,) = told(b"", line).values()
        assert said in text

    def test_silence_is_no_question_of_the_rate(self) -> None:
        assert "the rate is not to blame" in told(b"")["silence"]

    def test_a_few_bytes(self) -> None:
        assert list(told(b"\x12\x34\x56")) == ["few_bytes"]

    @pytest.mark.parametrize("wire", [None, "framed", "text", "record"])
    @pytest.mark.slow
    def test_zeros_of_a_rate_that_is_far_too_high(self, wire: str | None, text_packets: list[bytes]) -> None:
        heard = resampled(text_packets, 9600, 115200)
        assert set(heard.data) == {0}
        assert "a ninth or less" in told(heard.data, wire=wire)["zeros"]

    def test_zeros_where_there_is_no_rate_are_an_idle_line(self) -> None:
        assert "sampling started" in told(bytes(500), SOCKET)["zeros"]

    def test_dips(self) -> None:
        assert list(told(b"\xff" * 300)) == ["ones"]
        assert list(told(b"\xff" * 300, SOCKET)) == ["ones"]


class TestRate:
    @pytest.mark.parametrize(
        ("sent", "heard"), [(57600, 115200), (115200, 230400), (38400, 115200), (921600, 1_000_000)]
    )
    @pytest.mark.parametrize("wire", [None, "framed"])
    def test_too_high(self, framed_packets: list[bytes], sent: int, heard: int, wire: str | None) -> None:
        data = resampled(framed_packets, sent, heard).data
        (hint,) = told(data, Line("device", "COM5", heard), wire=wire).items()
        assert hint[0] == "baud_too_high"
        assert f"try --baud {sent}" in hint[1]
        assert "livesense identify COM5" in hint[1]

    @pytest.mark.parametrize(("sent", "heard"), [(115200, 57600), (230400, 115200), (1_000_000, 921600)])
    def test_too_low(self, text_packets: list[bytes], sent: int, heard: int) -> None:
        (hint,) = told(resampled(text_packets, sent, heard).data, Line("device", "COM5", heard)).items()
        assert hint[0] == "baud_too_low"
        assert f"try --baud {sent}" in hint[1]

    def test_frames_at_half_their_rate_leave_only_the_suspicion(self, framed_packets: list[bytes]) -> None:
        data = resampled(framed_packets, 115200, 57600).data
        (hint,) = told(data, Line("device", "COM5", 57600)).items()
        assert hint[0] in {"baud", "baud_too_low"}
        assert "57600" in hint[1]

    def test_framing_errors_are_said(self) -> None:
        noise = random.Random(5).randbytes(3000)
        line = Line("device", "COM5", 115200, framing_errors=900, breaks=20)
        assert "920 of them had no stop bit" in told(noise, line)["baud"]
        assert "stop bit" not in told(noise, Line("device", "COM5", 115200, framing_errors=3))["baud"]

    def test_no_rate_is_named_where_the_line_has_none(self, framed_packets: list[bytes]) -> None:
        assert list(told(resampled(framed_packets, 57600, 115200).data, SOCKET)) == ["unreadable"]


class TestWire:
    def test_text_where_frames_are_expected(self) -> None:
        hints = told(lines(), bench=bench_text())
        assert "These are lines of text, where framed is expected" in hints["wire_text"]
        assert 'set wire = "text" in [link] of the bench file' in hints["wire_text"]

    def test_words_where_frames_are_expected(self) -> None:
        assert "wire_text" in told(b"boot: supply low, waiting\r\n" * 40, wire="framed")

    def test_frames_where_text_is_expected(self) -> None:
        hints = told(b"".join(good()), wire="text")
        assert "frames with the right checksum, where text is expected" in hints["wire_framed"]
        assert "--wire framed" in hints["wire_framed"]

    def test_records_where_frames_are_expected(self) -> None:
        assert (
            "records of one length, where framed is expected"
            in told(records(), bench=bench_text())["wire_record"]
        )

    def test_frames_where_records_are_expected(self) -> None:
        assert "wire_framed" in told(b"".join(good()), bench=layout())


def records(count: int = 400) -> bytes:
    """Counter, three codes of a slow wave, and a CRC behind a sync word."""
    import math

    stream = []
    for n in range(count):
        codes = (round(2048 + 900 * math.sin(n / 9 + phase)) for phase in (0, 2.1, 4.2))
        body = bytes([n % 256]) + struct.pack("<3H", *codes)
        stream.append(b"\xa5\x5a" + body + modbus(body).to_bytes(2, "little"))
    return b"".join(stream)


RIGHT = 'sync = "A5 5A"\nfields = ["n:u8", "iu:u16", "iv:u16", "iw:u16"]\ncheck = "crc16-modbus"'


def layout(declared: str = RIGHT) -> str:
    return bench_text("record", link=f"[link.record]\n{declared}", groups='[[group]]\nrate = "1 kHz"')


class TestLayout:
    def test_the_right_one_gets_no_hint(self) -> None:
        assert told(records(), bench=layout()) == {}

    @pytest.mark.parametrize(
        ("right", "wrong", "said"),
        [
            ('"A5 5A"', '"5A A5"', ["they begin with A5 5A, declared 5A A5"]),
            ('"A5 5A"', '"A5 5B"', ["they begin with A5 5A, declared A5 5B"]),
            ('"n:u8", ', "", ["11 bytes long, declared 10", "iu declared as u16 at byte 2"]),
            (
                '"n:u8", ',
                '"n:u16", ',
                ["11 bytes long, declared 12", "iu declared as u16 at byte 4", "a1:u16 at byte 3"],
            ),
            ('"crc16-modbus"', '"crc16-ibm-3740"', ["crc16-modbus at byte 9, declared crc16-ibm-3740"]),
            ('"crc16-modbus"', '"sum8"', ["11 bytes long, declared 10", "crc16-modbus"]),
            ('modbus"', 'modbus"\ncheck_endian = "big"', ["check_endian little, declared big"]),
            ('modbus"', 'modbus"\ncheck_over = "all"', ['check_over = "fields" fits']),
            ("\ncheck", '\nendian = "big"\ncheck', ["endian little, declared big"]),
        ],
    )
    def test_what_is_declared_wrongly(self, right: str, wrong: str, said: list[str]) -> None:
        hint = told(records(), bench=layout(RIGHT.replace(right, wrong)))["layout"]
        for text in said:
            assert text in hint

    def test_a_sync_word_tells_the_length_where_no_check_is_known(self) -> None:
        stream = b"".join(b"\xa5\x5a" + random.Random(n).randbytes(9) for n in range(20))
        assert (
            "every 11 bytes, the declared record has 12"
            in told(stream, bench=layout(RIGHT.replace("n:u8", "n:u16")))["layout"]
        )
        assert "the check is wrong throughout" in told(stream, bench=layout())["layout"]

    def test_a_sync_word_that_never_comes(self) -> None:
        noise = random.Random(2).randbytes(3000).replace(b"\xa5\x5a", b"")
        assert "does not occur" in told(noise, bench=layout())["layout"]


class TestColumns:
    def test_other_fields_than_expected(self) -> None:
        text = bench_text("text", groups='[[group]]\nrate = "1 kHz"')
        assert "5 fields, expected 3 (iu, iv, iw)" in told(lines(columns=5), bench=text)["columns"]

    def test_a_header_that_lacks_a_channel(self) -> None:
        text = bench_text("text", groups='[[group]]\nrate = "1 kHz"')
        hint = told(b"\nn,iu,iv,phase_w\n" + lines(), bench=text)["columns"]
        assert "n, iu, iv, phase_w; not there: iw" in hint

    @pytest.mark.parametrize("wire", [None, "text"])
    def test_lines_that_do_not_end(self, wire: str | None) -> None:
        assert "nothing" in told(lines().replace(b"\r\n", b"; "), wire=wire)["line_end"]

    @pytest.mark.parametrize("wire", [None, "text"])
    def test_lines_that_end_in_cr_alone_are_lines(self, wire: str | None) -> None:
        assert "line_end" not in told(lines().replace(b"\r\n", b"\r"), wire=wire)

    def test_only_words(self) -> None:
        assert list(told(b"\r\n# waiting for enable\r\n" * 30, wire="text")) == ["only_notes"]

    def test_lines_that_are_no_scans(self) -> None:
        stream = b"".join(b"%d;0x%x\r\n" % (n, n) for n in range(200))
        assert "field 2 is no number: '0x" in told(stream, wire="text")["lines"]


class TestFrames:
    def test_only_descriptions(self) -> None:
        hints = told(description_frame([group(CHANNELS)]) * 5)
        assert "sampling has not started" in hints["only_descriptions"]

    def test_notes_and_descriptions(self) -> None:
        hints = told((description_frame([group(CHANNELS)]) + note_frame("idle")) * 5)
        assert list(hints) == ["only_descriptions"]

    def test_no_description(self) -> None:
        assert list(told(b"".join(good()[1:]))) == ["no_description"]

    def test_noise(self) -> None:
        rng = random.Random(4)
        packets = good(200)
        for number in rng.sample(range(1, 200), 6):
            packet = bytearray(packets[number])
            packet[rng.randrange(20, 200)] ^= 0x01
            packets[number] = bytes(packet)
        hints = told(b"".join(packets))
        assert list(hints) == ["noise"]
        assert "6 of 201 are damaged" in hints["noise"]

    def test_bytes_that_are_dropped(self) -> None:
        packets = good(200)
        for number in range(10, 200, 25):
            packets[number] = packets[number][:50] + packets[number][60:]
        assert list(told(b"".join(packets))) == ["bytes_missing"]

    def test_much_damage(self) -> None:
        packets = good(60)
        for number in range(2, 60, 3):
            packets[number] = packets[number][:50] + packets[number][51:]
        assert list(told(b"".join(packets))) == ["much_damage"]

    @pytest.mark.parametrize(
        ("check", "said"),
        [
            (lambda packet: crc16(packet).to_bytes(2, "big"), "the right CRC, high byte first"),
            (lambda packet: zero_start(packet).to_bytes(2, "little"), "starts from 0"),
            (lambda packet: modbus(packet).to_bytes(2, "little"), "CRC-16/MODBUS"),
            (
                lambda packet: crc16(packet[1:]).to_bytes(2, "little"),
                "the right CRC, over the body without the kind",
            ),
            (
                lambda packet: (sum(packet) & 0xFFFF).to_bytes(2, "big"),
                "the sum of the bytes, high byte first",
            ),
            (lambda packet: (crc16(packet) ^ 0xFFFF).to_bytes(2, "little"), "inverted at the end"),
        ],
    )
    @pytest.mark.parametrize("wire", [None, "framed"])
    def test_another_checksum(self, check, said: str, wire: str | None) -> None:  # type: ignore[no-untyped-def]
        sender = Sender(CHANNELS)
        packets = []
        for number in range(30):
            codes = struct.pack("<4H", *sender.scans(1)[0])
            packet = b"S\0" + number.to_bytes(4, "little") + codes
            packets.append(stuff(packet + check(packet)) + b"\0")
        hint = told(b"\0" + b"".join(packets), wire=wire)["checksum"]
        assert said in hint

    def test_an_unknown_checksum_is_not_guessed(self) -> None:
        rng = random.Random(6)
        packets = [b"S\0" + n.to_bytes(4, "little") + rng.randbytes(rng.randrange(8, 90)) for n in range(60)]
        stream = b"".join(stuff(p + (zlib.crc32(p) & 0xFFFF).to_bytes(2, "little")) + b"\0" for p in packets)
        assert list(told(b"\0" + stream, wire="framed")) == ["baud"]

    def test_codes_of_another_type_than_described(self) -> None:
        stream = description_frame([group(CHANNELS)]) + b"".join(
            scans_frame(0, 3 * n, [(1, 2, 3)] * 3, "u16") for n in range(20)
        )
        hints = told(stream)
        assert "18 bytes of codes are no whole scans of 4 u16 (8 bytes each)" in hints["no_whole_scans"]

    def test_a_group_that_nothing_describes(self) -> None:
        hints = told(b"".join(good(10)) + scans_frame(3, 0, [(1, 2)]) * 3)
        assert "group 3, described is group 0" in hints["unknown_group"]

    def test_a_kind_that_is_none(self) -> None:
        hints = told(b"".join(good(10)) + frame(b"Qxyz"))
        assert "0x51" in hints["unknown_kind"]

    def test_a_description_that_makes_no_sense(self) -> None:
        assert "bad_description" in told(b"".join(good(10)) + frame(b'D{"groups": 3}'))


class TestCounters:
    def test_lost_without_any_damage(self) -> None:
        packets = good(60)
        del packets[20:30]
        hints = told(b"".join(packets))
        assert list(hints) == ["lost"]
        assert "300 scans did not come" in hints["lost"]

    def test_loss_beside_damage_is_no_riddle(self) -> None:
        packets = good(100)
        packets[50] = packets[50][:20] + b"\x77" + packets[50][21:]
        assert "lost" not in told(b"".join(packets))

    def test_repeats(self) -> None:
        packets = good(60)
        packets.insert(20, packets[19])
        assert list(told(b"".join(packets))) == ["repeated"]

    def test_restarts(self) -> None:
        packets = good(60)
        assert list(told(b"".join([*packets, *packets[1:]]))) == ["restarts"]

    def test_codes_out_of_range(self) -> None:
        sender = Sender(CHANNELS, high=9000)
        stream = description_frame([group(CHANNELS)]) + b"".join(sender.packet(5) for _ in range(20))
        assert list(told(stream)) == ["code_range"]


class TestPort:
    def test_one_that_went_away(self) -> None:
        stream = b"".join(good())
        assert "loose cable" in told(stream, Line("device", "COM5", 115200, vanished=1))["vanished"]
        assert "2 times" in told(stream, Line("socket", "socket://b:1", None, vanished=2))["vanished"]

    def test_one_that_is_shared(self) -> None:
        line = Line("device", "COM5", 115200, shared=("monitor (process 12)",))
        assert "monitor (process 12)" in told(b"", line)["shared"]


def zero_start(data: bytes) -> int:
    """The CRC that starts from zero, bit by bit."""
    crc = 0
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021) & 0xFFFF if crc & 0x8000 else (crc << 1) & 0xFFFF
    return crc
