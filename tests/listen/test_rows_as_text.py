"""Rows as lines of text: they fit, they say what is wrong in words, and nothing in them moves a terminal."""

from __future__ import annotations

import pytest
from plain_device import Sender, description_frame, frame, group, note_frame

from livesense.listen.pace import BROKEN_EACH_S, WELL_EACH_S, Pace
from livesense.listen.rows import WORDS, Row, Verdict
from livesense.listen.session import Session
from livesense.listen.words import NARROWEST, dump, heading, line


def rows(stream: bytes, wire: str | None = "framed") -> list[Row]:
    session = Session(None, wire, live=False)
    return session.feed(stream, None, 1234.5) + session.finish()


def shown(row: Row, width: int = 100) -> str:
    return "".join(line(row, width))


def stream() -> bytes:
    sender = Sender(("iu", "iv", "iw"), seed=4)
    packets = [description_frame([group(("iu", "iv", "iw"))]), *(sender.packet(20) for _ in range(6))]
    packets[2] = packets[2][:30] + b"\x55" + packets[2][31:]
    packets[3] = packets[3][:30] + packets[3][31:]
    packets += [note_frame("ramp done"), note_frame("\x1b[2J\u202egone\n"), frame(b"Q\x00\x01"), frame(b"D{")]
    return b"".join(packets) + b"\x02A\0" + b"\x41" * 5000 + b"\0"


@pytest.mark.parametrize("width", [NARROWEST, 80, 100, 140, 250])
def test_every_row_fits_the_width(width: int) -> None:
    assert len(heading(width)) <= width
    for row in rows(stream()):
        assert len(shown(row, width)) <= width


@pytest.mark.parametrize("width", [80, 140])
def test_broken_rows_show_their_first_bytes_with_text_beside(width: int) -> None:
    broken = [row for row in rows(stream()) if row.verdict in {Verdict.CRC, Verdict.STUFFING}]
    assert len(broken) == 2
    for row in broken:
        assert row.raw[:3].hex(" ").upper() in shown(row, width)
        assert shown(row, width).endswith("|")


def test_good_rows_show_group_counter_and_codes() -> None:
    good = [row for row in rows(stream()) if row.verdict is Verdict.GOOD]
    assert good[0].first_values
    codes = " ".join(f"{value:.0f}" for value in good[0].first_values)
    assert f"n 0  20 scans  {codes} …" in shown(good[0])
    assert "[40 lost before] n 60" in shown(good[1])


def test_verdicts_are_words() -> None:
    assert set(WORDS) == set(Verdict)
    text = "\n".join(shown(row) for row in rows(stream()))
    for words in (
        "checksum wrong",
        "torn",
        "unknown kind",
        "bad description",
        "too short",
        "too long",
        "note",
    ):
        assert f" {words} " in text


def test_nothing_from_the_line_reaches_a_terminal_as_it_is() -> None:
    text = "".join(shown(row, 200) for row in rows(stream()))
    assert "gone" in text
    assert text.isprintable()


def test_dump() -> None:
    assert dump(b"1x,3,4\r\n", 8, 40) == "1x,3,4"
    assert dump(b"\x00\xffA", 3, 40) == "00 FF 41 |..A|"
    assert dump(bytes(range(100)), 100, 40) == "00 01 02 03 04 05 06 07 08 … |.........|"


class TestPace:
    def test_a_readable_amount_a_second_and_the_rest_counted(self) -> None:
        pace = Pace()
        pace.left_out(0.0)
        made = [Row(0.5, 0, 9, b"", Verdict.GOOD) for _ in range(500)]
        made += [Row(0.5, 0, 9, b"", Verdict.CRC) for _ in range(100)]
        assert sum(pace.shows(row) for row in made) == WELL_EACH_S + BROKEN_EACH_S
        assert pace.left_out(0.9) == ""
        assert (
            pace.left_out(1.1) == f"not shown: {500 - WELL_EACH_S} good, {100 - BROKEN_EACH_S} checksum wrong"
        )
        assert pace.left_out(1.2) == pace.left_out(2.3) == ""
        assert pace.shows(made[0])
        assert pace.hidden == 600 - WELL_EACH_S - BROKEN_EACH_S

    def test_broken_rows_are_not_crowded_out_by_good_ones(self) -> None:
        pace = Pace()
        assert [pace.shows(Row(0.1, 0, 9, b"", Verdict.GOOD)) for _ in range(50)].count(True) == WELL_EACH_S
        assert pace.shows(Row(0.1, 0, 9, b"", Verdict.CRC))
        assert pace.shows(Row(0.1, 0, 9, b"", Verdict.GOOD, lost=3))
