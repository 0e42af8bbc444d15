"""The text wire, rule by rule."""

from __future__ import annotations

import functools
from typing import Any

import pytest

from livesense.samples import CodeType, Description, GroupInfo, LinkFault, Note, Packets
from livesense.wire import text
from livesense.wire.encode import text_header, text_line, text_lines
from livesense.wire.text import TextDecoder

NAMES = ("iu", "iv", "iw")


def decoder(from_port: bool = False, **options: Any) -> functools.partial[TextDecoder]:
    options.setdefault("rate_hz", 1000.0)
    options.setdefault("decimals", {})
    channels = options.pop("channels", NAMES)
    return functools.partial(TextDecoder, channels, from_port=from_port, **options)


def rows(content: list[Any]) -> list[Any]:
    return [entry[2] for entry in content if isinstance(entry, tuple)]


def counters(content: list[Any]) -> list[Any]:
    return [entry[1] and entry[1][0] for entry in content if isinstance(entry, tuple)]


def notes(content: list[Any]) -> list[str]:
    return [entry.text for entry in content if isinstance(entry, Note)]


def descriptions(content: list[Any]) -> list[Description]:
    return [entry for entry in content if isinstance(entry, Description)]


LINES = {
    "comma": b"1,2,3\n",
    "semicolon": b"1;2;3\n",
    "tab": b"1\t2\t3\n",
    "space": b"1 2 3\n",
    "spaces": b"1   2 3\n",
    "comma and space": b"1, 2, 3\n",
    "spaces around tabs": b"1 \t 2\t  3\n",
    "mixed": b"1, 2;3\n",
    "spaces at the ends": b"  1,2,3  \n",
    "carriage return": b"1,2,3\r\n",
    "space and carriage return": b"1,2,3 \r\n",
    "plus": b"+1,+2,+3\n",
    "leading zeros": b"001,0000000000000002,03\n",
    "trailing zeros": b"1.0,2.000,3.\n",
    "a point in front": b"1,2,3.0\n",
    "checksum": b"1,2,3*%02X\n" % (ord("1") ^ ord("2") ^ ord("3")),
}


@pytest.mark.parametrize("repeats", [1, 30], ids=["few", "many"])
@pytest.mark.parametrize("line", LINES.values(),
                         ids=LINES)  # fmt: skip
def test_lines_that_are_a_scan(read: Any, line: bytes, repeats: int) -> None:
    content, faults = read(decoder(), line * repeats)
    assert faults == {}
    assert rows(content) == [(1, 2, 3)] * repeats
    assert counters(content) == [None] * repeats


BAD = {
    "too few": b"1,2\n",
    "too many": b"1,2,3,4\n",
    "empty field": b"1,,3\n",
    "empty first field": b",2,3\n",
    "separator at the end": b"1,2,3,\n",
    "tab in front": b"\t1,2,3\n",
    "letter inside": b"1,2x,3\n",
    "letter in front": b"x1,2,3\n",
    "hexadecimal": b"0x1,2,3\n",
    "two signs": b"1,--2,3\n",
    "sign alone": b"1,-,3\n",
    "sign behind": b"1,2-,3\n",
    "point alone": b"1,.,3\n",
    "two points": b"1,2.0.0,3\n",
    "a fraction": b"1,2.5,3\n",
    "exponent": b"1,2e3,3\n",
    "decimal commas": b"1,5;2,5;3,5\n",
    "nan": b"1,nan,3\n",
    "all nan": b"nan,nan,nan\n",
    "infinite": b"1,inf,3\n",
    "words of infinity": b"Infinity inf NaN\n",
    "beyond 64 bits": b"1,9223372036854775808,3\n",
    "far beyond": b"1,99999999999999999999999999,3\n",
    "carriage return inside": b"1,2\r,3\n",
    "two carriage returns": b"1,2,3\r\r\n",
    "zero byte": b"1,2\0,3\n",
    "high byte": b"1,2\xff,3\n",
    "another separator": b"1|2|3\n",
    "colon": b"1:2:3\n",
    "wrong checksum": b"1,2,3*00\n",
    "checksum cut": b"1,2,3*3\n",
    "star alone": b"1,2,3*\n",
    "checksum not hexadecimal": b"1,2,3*3G\n",
    "checksum too long": b"1,2,3*300\n",
    "checksum alone": b"*00\n",
    "word and numbers by comma": b"abc,1,2\n",
    "punctuation": b"=== pump ===\n",
    "too long": b"1,2," + b" " * 5000 + b"3\n",
    "too long and empty": b" " * 5000 + b"\n",
}


@pytest.mark.parametrize("repeats", [1, 20], ids=["few", "many"])
@pytest.mark.parametrize("line", BAD.values(), ids=BAD)
def test_any_other_line_is_one_bad_line(read: Any, line: bytes, repeats: int) -> None:
    content, faults = read(decoder(), b"1,2,3\n" + line * repeats + b"4,5,6\n" * 20)
    assert faults == {"bad_line": repeats}
    assert rows(content) == [(1, 2, 3)] + [(4, 5, 6)] * 20
    assert notes(content) == []


@pytest.mark.parametrize("line", [b"\n", b"\r\n", b"  \n", b"\t\n", b" \t \t\r\n", b"\r\r\n", b"\x0c\n"])
def test_an_empty_line_is_nothing(read: Any, line: bytes) -> None:
    content, faults = read(decoder(), (b"1,2,3\n" + line) * 20)
    assert (len(rows(content)), faults) == (20, {})


def test_numbers_up_to_64_bits(read: Any) -> None:
    content, faults = read(decoder(), b"9223372036854775807,-9223372036854775807,-0\n" * 20)
    assert rows(content) == [(2**63 - 1, 1 - 2**63, 0)] * 20
    assert faults == {}


# Header and columns


def test_a_header_names_the_columns_and_may_come_again(read: Any) -> None:
    stream = (b"n,iw,iu,note,iv\n" + b"7,3,1,99,2\n" * 20) * 2
    content, faults = read(decoder(), stream)
    assert faults == {}
    assert rows(content) == [(1, 2, 3)] * 40
    assert counters(content) == [7] * 40
    assert descriptions(content) == [
        Description((GroupInfo(1000.0, CodeType.TEXT, None, NAMES, decimals=(0, 0, 0)),))
    ]


def test_another_header_changes_the_columns(read: Any) -> None:
    content, faults = read(decoder(), b"iu,iv,iw\n1,2,3\niw iv iu n\n4 5 6 1\n4,5,6\n" + b"7,8,9,2\n" * 20)
    assert faults == {"bad_line": 1}
    assert rows(content) == [(1, 2, 3), (6, 5, 4)] + [(9, 8, 7)] * 20
    assert counters(content)[:3] == [None, 1, 2]


def test_what_stands_behind_a_header_that_changes_what_comes_stands_behind_its_description() -> None:
    stream = b"n,iu,iv,iw\n1,1,2,3\n1,2\nt_us,iu,iv,iw\n1,2\n1,2\n# ready\n4,1,2,3\n"
    kinds = [type(event).__name__ for event in decoder()().feed(stream)]
    assert kinds == ["LinkFault", "Description", "Packets", "Description", "LinkFault", "Note", "Packets"]
    counts = [event.count for event in decoder()().feed(stream) if isinstance(event, LinkFault)]
    assert counts == [1, 2]


def test_a_header_must_name_every_bench_channel(read: Any) -> None:
    content, faults = read(decoder(), b"one,two,three\n1,2,3\n")
    assert notes(content) == ["one,two,three"]
    assert rows(content) == [(1, 2, 3)]
    assert faults == {}
    content, faults = read(decoder(needed=["iu"]), b"extra,iu\n9,1\n")
    assert rows(content) == [(1,)]
    assert faults == {}


def test_columns_beyond_the_needed_are_kept_when_they_are_channels(read: Any) -> None:
    content, _ = read(decoder(channels=["iu", "iv"], needed=["iu"]), b"iv,iu\n2,1\n")
    assert rows(content) == [(1, 2)]
    content, _ = read(decoder(channels=["iu"], needed=["iu", "iv"]), b"iv,iu\n2,1\n")
    assert rows(content) == [(1, 2)]


@pytest.mark.parametrize(
    "line", [b"1,2,3,RUN\n", b"1,2,3,23.5C\n", b"1,2,3,nan\n", b"1,2,3,4e5\n", b"1,2,3,4*5\n"]
)
@pytest.mark.parametrize("repeats", [1, 20])
def test_a_column_no_channel_uses_is_not_read(read: Any, line: bytes, repeats: int) -> None:
    content, faults = read(decoder(), b"iu,iv,iw,mode\n" + line * repeats)
    assert (rows(content), faults) == ([(1, 2, 3)] * repeats, {})


@pytest.mark.parametrize("line", [b"1,2,3,\n", b"1,2,3,R\x81\n", b"1,2,3,\x07\n"])
def test_but_it_must_be_whole(read: Any, line: bytes) -> None:
    content, faults = read(decoder(), b"iu,iv,iw,mode\n" + line)
    assert (rows(content), faults) == ([], {"bad_line": 1})


@pytest.mark.parametrize("repeats", [5, 50])
@pytest.mark.parametrize("note", [b"# 12", b" # 12", b"#;12"])
def test_a_note_is_no_scan_though_its_fields_would_fit(read: Any, note: bytes, repeats: int) -> None:
    lines = b"1;7\n" * repeats
    content, faults = read(decoder(channels=("iu",)), b"x;iu\n" + lines + note + b"\n" + lines)
    assert rows(content) == [(7,)] * (2 * repeats)
    assert (len(notes(content)), faults) == (1, {})


def test_the_first_of_two_columns_of_one_name_is_read(read: Any) -> None:
    assert rows(read(decoder(), b"iu,iv,iw,iu\n1,2,3,4\n")[0]) == [(1, 2, 3)]


def test_stated_columns_serve_without_a_header(read: Any) -> None:
    content, faults = read(decoder(columns=["n", "iw", "iv", "iu"]), b"5,3,2,1\n" * 20)
    assert (rows(content), counters(content), faults) == ([(1, 2, 3)] * 20, [5] * 20, {})


def test_without_any_names_the_order_of_the_channels_serves(read: Any) -> None:
    assert rows(read(decoder(), b"1,2,3\n" * 20)[0]) == [(1, 2, 3)] * 20


# Counter and clock


def test_the_counter_is_taken_modulo_its_width(read: Any) -> None:
    stream = b"n,iu,iv,iw\n4294967295,1,2,3\n4294967296,1,2,3\n-1,1,2,3\n"
    assert counters(read(decoder(), stream)[0]) == [2**32 - 1, 0, 2**32 - 1]
    assert counters(read(decoder(counter_bits=8), b"n,iu,iv,iw\n257,1,2,3\n255,1,2,3\n")[0]) == [1, 255]
    for bits in (0, 63):
        with pytest.raises(ValueError, match="counter_bits from 1 to 62"):
            decoder(counter_bits=bits)()


def test_a_fraction_is_no_counter(read: Any) -> None:
    assert read(decoder(), b"n,iu,iv,iw\n1.5,1,2,3\n")[1] == {"bad_line": 1}


@pytest.mark.parametrize("name", ["t_us", "t_ms"])
def test_the_devices_clock(read: Any, name: str) -> None:
    stream = f"{name},n,iu,iv,iw\n4294967296,1,1,2,3\n17,2,1,2,3\n".encode()
    content, faults = read(decoder(), stream)
    assert faults == {}
    assert [row[3] for row in content[1:]] == [0, 17]
    assert descriptions(content)[0].groups[0].clock == name


def test_microseconds_before_milliseconds(read: Any) -> None:
    content, _ = read(decoder(), b"t_ms,t_us,iu,iv,iw\n1,1000,1,2,3\n")
    assert content[1][3] == 1000
    assert descriptions(content)[0].groups[0].clock == "t_us"


def test_counter_and_clock_are_no_channels(read: Any) -> None:
    content, _ = read(decoder(channels=["n", "t_us", "iu"]), b"n,t_us,iu\n1,2,3\n")
    assert rows(content) == [(3,)]


# Checksums


def test_once_a_checksum_was_good_a_scan_without_is_bad(read: Any) -> None:
    good = text_line([1, 2, 3], checksum=True)
    stream = b"1,2,3\n" * 20 + good + b"1,2,3\n" * 20 + good * 20 + b"iu,iv,iw\nramp done\n# x\n" + good
    content, faults = read(decoder(), stream)
    assert faults == {"bad_line": 20}
    assert len(rows(content)) == 42
    assert notes(content) == ["ramp done", "x"]


def test_a_header_or_a_note_may_show_that_there_are_checksums(read: Any) -> None:
    header = text_header(NAMES, checksum=True)
    content, faults = read(decoder(), header + b"1,2,3\n" * 20 + b"7,8\n")
    assert (rows(content), faults) == ([], {"bad_line": 21})
    assert read(decoder(), text_line(["#x"], checksum=True) + b"1,2,3\n")[1] == {"bad_line": 1}


def test_a_checksum_covers_every_byte_before_the_star(read: Any) -> None:
    body = b" 1, 2;3 "
    xor = 0
    for byte in body:
        xor ^= byte
    assert rows(read(decoder(), body + b"*%02x\r\n" % xor)[0]) == [(1, 2, 3)]
    assert rows(read(decoder(), body + b"*%02X \r\n" % xor)[0]) == [(1, 2, 3)]


def test_a_wrong_checksum_spoils_headers_and_notes(read: Any) -> None:
    content, faults = read(decoder(), b"1,2,3\niw,iu,iv*00\nramp done*00\n1,2,3\n")
    assert (rows(content), notes(content), faults) == ([(1, 2, 3)] * 2, [], {"bad_line": 2})


def test_a_comment_may_look_like_a_checksum_while_there_are_none(read: Any) -> None:
    content, faults = read(
        decoder(), b"# gain 2*11\n" + text_line([1, 2, 3], checksum=True) + b"# gain 2*11\n"
    )
    assert notes(content) == ["gain 2*11"]
    assert faults == {"bad_line": 1}


def test_flipped_bits_are_seen_by_the_checksum(read: Any) -> None:
    lines = text_lines([[k, 2048, 2047, 2050] for k in range(100)], checksum=True, end="\r\n")
    torn = lines.replace(b"2048", b"2049", 7)
    content, faults = read(decoder(), b"n,iu,iv,iw\r\n" + lines[: 20 * 23] + torn)
    assert faults == {"bad_line": 7}
    assert set(rows(content)) == {(2048, 2047, 2050)}


# Notes and descriptions


NOTES = {
    b"ramp done\n": "ramp done",
    b"boot\n": "boot",
    b"  pump-bench v1.2 ready\r\n": "pump-bench v1.2 ready",
    b"# 12 turns\n": "12 turns",
    b"#\n": "",
    b"# {not a description}\n": "{not a description}",
    b"offset trimmed to 12\n": "offset trimmed to 12",
    b"firmware 1.2, built on day 7\n": "firmware 1.2, built on day 7",
    "größer als vorher\n".encode(): "größer als vorher",
    b"# caf\xe9\n": "caf\ufffd",
    b"ramp 2*3\n": "ramp 2*3",
}


@pytest.mark.parametrize(("line", "note"), NOTES.items())
def test_lines_that_are_notes(read: Any, line: bytes, note: str) -> None:
    content, faults = read(decoder(), b"iu,iv,iw\n1,2,3\n" + line + b"4,5,6\n")
    assert faults == {}
    assert content[1:] == [(0, None, (1, 2, 3), None), Note(note), (0, None, (4, 5, 6), None)]


@pytest.mark.parametrize(
    "line", [b"iu 12 13\n", b"u1 off\x00\n"[:0] + b"x1 2 3\n", b"nan is 5 here\n", b"a 1 2\n"]
)
def test_garbled_numbers_are_no_notes(read: Any, line: bytes) -> None:
    content, faults = read(decoder(), b"1,2,3\n" + line)
    assert (notes(content), faults) == ([], {"bad_line": 1})


def test_a_description_gives_rate_boot_and_burst(read: Any) -> None:
    first = b'#{"livesense":1,"device":"d","boot":4,"groups":[{"rate_hz":50,"bits":10,"burst":9}]}\n'
    second = b'#{"boot":5,"groups":[{"rate_hz":60}]}\n'
    content, faults = read(decoder(), first + b"1,2,3\n" * 20 + second + b"1,2,3\n")
    assert faults == {}
    one, two = descriptions(content)
    assert (one.device, one.boot, two.boot) == ("d", "4", "5")
    assert one.groups == (GroupInfo(50.0, CodeType.TEXT, 10, NAMES, burst=9, decimals=(0, 0, 0)),)
    assert two.groups[0].rate_hz == 60.0
    assert content[0] == one
    assert content[21] == two
    assert one.text.startswith('{"livesense":1')


def test_a_description_keeps_the_stated_rate_when_it_gives_none(read: Any) -> None:
    content, _ = read(decoder(), b'#{"boot":4}\n1,2,3\n')
    assert descriptions(content)[0].groups[0].rate_hz == 1000.0


def test_a_description_may_name_the_columns(read: Any) -> None:
    described = b'#{"groups":[{"channels":["iw","iv","iu","n"]}]}\n'
    content, _ = read(decoder(), described + b"3,2,1,7\n")
    assert (rows(content), counters(content)) == ([(1, 2, 3)], [7])
    # A header and stated columns know better.
    assert rows(read(decoder(), b"iu,iv,iw\n" + described + b"1,2,3\n")[0]) == [(1, 2, 3)]
    assert rows(read(decoder(columns=NAMES), described + b"1,2,3\n")[0]) == [(1, 2, 3)]
    odd = b'#{"groups":[{"channels":["!","iv","iu","iw"]}]}\n'
    assert rows(read(decoder(), odd + b"0,2,1,3\n")[0]) == [(1, 2, 3)]


def test_a_description_without_a_bench_channel_says_so(read: Any) -> None:
    content, _ = read(decoder(), b'#{"groups":[{"channels":["x","y"]}]}\n' + b"1,2\n" * 20)
    assert descriptions(content)[0].groups[0].channels == ("x", "y")
    assert rows(content) == []


@pytest.mark.parametrize("text", [b"#{\n", b'#{"groups":5}\n', b'#{"boot":NaN}\n', b"#{}x\n", b"#{\xff}\n"])
def test_a_description_that_makes_no_sense(read: Any, text: bytes) -> None:
    content, faults = read(decoder(), b"1,2,3\n" + text + b"4,5,6\n")
    assert (len(rows(content)), faults) == (2, {"bad_description": 1})
    # As the first line it may be torn.
    assert read(decoder(), text + b"4,5,6\n")[1] == {}


# The ends of the stream


@pytest.mark.parametrize(
    ("first", "kept"),
    [
        (b"7,8,9\n", 0),
        (b"8,9\n", 0),
        (b"ramp done\n", 0),
        (b"# note\n", 0),
        (b'#{"boot":1}\n', 0),
        (b"\n", 0),
        (b"iu,iv,iw\n", 0),
        (text_line([7, 8, 9], checksum=True), 1),
        (text_line([8, 9], checksum=True), 0),
        (b"x" * 9000 + b"\n", 0),
    ],
)
def test_the_first_line_from_a_port(read: Any, first: bytes, kept: int) -> None:
    good = text_line([1, 2, 3], checksum=True)
    content, faults = read(decoder(from_port=True), first + good * 20)
    assert rows(content) == [(7, 8, 9)] * kept + [(1, 2, 3)] * 20
    assert notes(content) == []
    assert faults == {}


def test_the_header_as_the_first_line_from_a_port_counts(read: Any) -> None:
    content, _ = read(decoder(from_port=True), b"iw,iv,iu\n1,2,3\n")
    assert rows(content) == [(3, 2, 1)]


@pytest.mark.parametrize(
    ("first", "kept"),
    [(b"7,8,9\n", 1), (b"8,9\n", 0), (b",8,9\n", 0), (b"\xef\xbb\xbf7,8,9\n", 1), (b"y" * 9000 + b"\n", 0)],
)
def test_the_first_line_from_a_file(read: Any, first: bytes, kept: int) -> None:
    content, faults = read(decoder(), first + b"1,2,3\n" * 20)
    assert rows(content) == [(7, 8, 9)] * kept + [(1, 2, 3)] * 20
    assert faults == {}


HEADER = b"n,iu,iv,iw\n"
NAMING = b'#{"groups":[{"channels":["n","iu","iv","iw"]}]}\n'


@pytest.mark.parametrize("header", [HEADER, NAMING])
@pytest.mark.parametrize("between", [b"", b"\n", b"# pump-bench\nboot\n", b'#{"boot":1}\n', b"8,9\n"])
@pytest.mark.parametrize("repeats", [1, 30], ids=["few", "many"])
def test_a_line_that_alone_came_before_the_names_is_torn(
    read: Any, header: bytes, between: bytes, repeats: int
) -> None:
    content, faults = read(decoder(), b"48,2047,2050\n" + between + header + b"5,1,2,3\n" * repeats)
    assert (rows(content), counters(content)) == ([(1, 2, 3)] * repeats, [5] * repeats)
    assert faults == ({"bad_line": 1} if between == b"8,9\n" else {})
    assert [one.counted for one in descriptions(content)] == [True]


def test_it_is_torn_by_stated_columns_too(read: Any) -> None:
    stated = decoder(columns=["n", *NAMES])
    assert counters(read(stated, b"3,1,2,3\n" + HEADER + b"124,1,2,3\n")[0]) == [124]
    assert counters(read(stated, b"7,1,2,3\n" + NAMING + b"124,1,2,3\n")[0]) == [7, 124]


@pytest.mark.parametrize(
    ("first", "second", "kept"),
    [
        ("3", 124, 0),
        ("23", 124, 0),
        # From 1007: a counter may be torn in front of a nought.
        ("007", 1008, 0),
        ("5", 2**32, 0),
        # Whole, or torn in a way that nobody can tell.
        ("123", 124, 1),
        ("0", 1, 1),
        ("0", 6, 1),
        ("24", 124, 1),
        ("4", 126, 1),
        ("995", 0, 1),
    ],
)
@pytest.mark.parametrize("repeats", [1, 30], ids=["few", "many"])
def test_a_counter_of_which_only_the_last_digits_are_there_is_torn(
    read: Any, first: str, second: int, kept: int, repeats: int
) -> None:
    lines = "".join(f"{second + k},1,2,3\n" for k in range(repeats))
    content, faults = read(decoder(columns=["n", *NAMES]), f"{first},4,5,6\n{lines}".encode())
    assert rows(content) == [(4, 5, 6)] * kept + [(1, 2, 3)] * repeats
    assert faults == {}


def test_where_the_counter_does_not_stand_first_nobody_can_tell(read: Any) -> None:
    content, _ = read(decoder(columns=[*NAMES, "n"]), b"1,2,3,23\n1,2,3,124\n")
    assert counters(content) == [23, 124]


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\r\r\n"])
def test_every_line_end(read: Any, end: bytes) -> None:
    stream = end.join([b"n,iu,iv,iw", b"7,1,2,3", b"# ready", b"8,4,5,6", b"9,7,8,9", b""])
    content, faults = read(decoder(), stream)
    assert rows(content) == [(1, 2, 3), (4, 5, 6), (7, 8, 9)]
    assert faults == {}


def test_a_cr_within_lines_that_end_in_lf_spoils_its_line_only(read: Any) -> None:
    content, faults = read(decoder(), b"n,iu,iv,iw\n7,1,2,3\n8,4\r,5,6\n9,7,8,9\n")
    assert rows(content) == [(1, 2, 3), (7, 8, 9)]
    assert sum(faults.values()) == 1


def test_it_is_dropped_before_a_header_that_lacks_a_channel(read: Any) -> None:
    content, _ = read(decoder(), b"48,2047,2050\nn,iu,iv\n1,2,3\n")
    assert (rows(content), descriptions(content)[-1].groups[0].channels) == ([], ("n", "iu", "iv"))


@pytest.mark.parametrize(
    ("stream", "kept"),
    [
        (b"7,8,9\n", 1),
        (b"7,8,9\n# done\n", 1),
        (b'7,8,9\n#{"boot":1}\n', 1),
        (b"7,8,9\n7,8,9\n" + HEADER, 2),
        (b"7,8,9\n" * 30 + HEADER, 30),
        # The checksum shows that it is whole.
        (text_line([7, 8, 9], checksum=True) + HEADER, 1),
        # The first line of all was empty.
        (b"\n7,8,9\n" + HEADER, 1),
    ],
)
def test_what_is_no_torn_line_is_kept(read: Any, stream: bytes, kept: int) -> None:
    content, faults = read(decoder(), stream)
    assert (rows(content), faults) == ([(7, 8, 9)] * kept, {})


def test_a_header_that_brings_or_drops_the_counter_says_so(read: Any) -> None:
    content, _ = read(decoder(), b"1,2,3\n" * 2 + HEADER + b"4,1,2,3\niu,iv,iw\n1,2,3\n")
    assert [one.counted for one in descriptions(content)] == [False, True, False]
    assert counters(content) == [None, None, 4, None]


@pytest.mark.parametrize("from_port", [True, False])
@pytest.mark.parametrize("last", [b"4", b"4,5,6", b"4,5,6*33", b"4,5,6\r"])
def test_the_unfinished_last_line_is_dropped(read: Any, last: bytes, from_port: bool) -> None:
    content, faults = read(decoder(from_port=from_port), b"0,0,0\n" + b"1,2,3\n" * 20 + last)
    assert (rows(content)[-20:], faults) == ([(1, 2, 3)] * 20, {})


def test_an_interrupted_line_is_joined_anew() -> None:
    port = decoder(from_port=True)()
    port.feed(b"0,0,0\n1,2,3\n4,5")
    port.rejoin()
    assert port.feed(b",6,7\n") == []
    (packets,) = port.feed(b"7,8,9\n")
    assert isinstance(packets, Packets)
    assert packets.codes[0].tolist() == [[7, 8, 9]]


def test_a_line_too_long_is_one_bad_line_and_bounded() -> None:
    port = decoder()()
    port.feed(b"1,2,3\n")
    for _ in range(50):
        assert port.feed(b"1" * 65536) == []
        assert port._lines.kept <= text.LINE_LIMIT
    (fault,) = port.feed(b"\n")
    assert (fault.kind, fault.count) == ("bad_line", 1)  # type: ignore[union-attr]


def test_lines_longer_than_a_block(once: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(text, "BLOCK_BYTES", 4)
    content, faults = once(decoder()(), b"100,200,300\n" * 5)
    assert (rows(content), faults) == ([(100, 200, 300)] * 5, {})


# Values in their unit


def test_decimals(read: Any) -> None:
    options = decoder(channels=["p", "t"], decimals={"p": 2}, rate_hz=10.0)
    content, faults = read(options, b"1.25,7\n-0.5,8\n3,9\n+12.500,-7\n.75,1.0\n1.,2\n" * 20)
    assert faults == {}
    assert rows(content)[:6] == [(125, 7), (-50, 8), (300, 9), (1250, -7), (75, 1), (100, 2)]
    assert descriptions(content)[0].groups[0].decimals == (2, 0)
    content, faults = read(
        options, b"1,1\n" * 20 + b"1.255,1\n" * 15 + b"1,1.5\n" + b"92233720368547758.07,1\n"
    )
    assert faults == {"bad_line": 16}
    assert rows(content)[-1] == (2**63 - 1, 1)
    assert read(options, b"1,1\n92233720368547758.08,1\n")[1] == {"bad_line": 1}


# Encoders


def test_encoders() -> None:
    assert text_line([1, "a"], separator=";", end="\r\n") == b"1;a\r\n"
    assert text_lines([[1, 2], [3, -4]], separator="\t") == b"1\t2\n3\t-4\n"
    assert text_lines([], separator=",") == b""
    assert text_lines([[1, 2]], checksum=True) == text_line([1, 2], checksum=True)


def test_the_group_is_known_before_any_line() -> None:
    assert decoder(decimals={"iv": 3})().groups == (
        GroupInfo(1000.0, CodeType.TEXT, None, NAMES, decimals=(0, 3, 0)),
    )


def test_the_columns_are_told_as_they_are_read_by_now() -> None:
    made = decoder()()
    assert made.columns == NAMES
    made.feed(b"n,iw,iv,iu\n")
    assert made.columns == ("n", "iw", "iv", "iu")
