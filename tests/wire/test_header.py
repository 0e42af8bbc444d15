"""Headers that lack a column end the decoding; words that only look like one are notes."""

from __future__ import annotations

from typing import Any

import pytest

from livesense.samples import Description, Note
from livesense.wire.encode import text_line
from livesense.wire.text import TextDecoder

NAMES = ("iu", "iv", "iw")


def made(*channels: str, from_port: bool = False, **options: Any) -> Any:
    return lambda: TextDecoder(channels or NAMES, rate_hz=1000.0, decimals={}, from_port=from_port, **options)


def refused(content: list[Any]) -> tuple[str, ...] | None:
    """Names of the header that ended the decoding; None where all was taken."""
    last = content[-1] if content else None
    if not isinstance(last, Description) or set(NAMES) <= set(last.groups[0].channels):
        return None
    return last.groups[0].channels


def scans(content: list[Any]) -> list[Any]:
    return [entry[2] for entry in content if isinstance(entry, tuple)]


def notes(content: list[Any]) -> list[str]:
    return [entry.text for entry in content if isinstance(entry, Note)]


# Whether at once or by the numbers behind it, each of these is a header.
HEADERS = {
    "a counter and two of three": b"n,iu,iv\n1,2,3\n",
    "semicolons": b"n;iu;iv\n1;2;3\n",
    "tabs": b"n\tiu\tiv\n1\t2\t3\n",
    "spaces around commas": b" n , iu, iv \n1,2,3\n",
    "spaces": b"n iu iv\n1 2 3\n",
    "spaces, then commas": b"n iu iv\n1,2,3\n",
    "two known names": b"iu iw\n1 2 3\n",
    "the counter alone is known": b"n,phase_u,phase_v\n1,2,3\n",
    "the counter behind": b"phase_u,phase_v,n\n1,2,3\n",
    "microseconds": b"t_us,phase_u,phase_v\n1,2,3\n",
    "milliseconds": b"t_ms,phase_u,phase_v\n1,2,3\n",
    "counter, others by spaces": b"n phase_u phase_v\n1 2 3\n",
    "counter, others by spaces, then commas": b"n phase_u phase_v\n1,2,3\n",
    "most are known": b"iu,iv,spare\n1,2,3\n",
    "most are known, other numbers": b"iu,iv,spare\n1,2,3,4\n",
    "one of three is known": b"iu,phase_v,phase_w\n1,2,3\n",
    "one of three is known, spaces": b"iu phase_v phase_w\n1 2 3\n",
    "units": b"n,iu[A],iv[A],iw[A]\n1,2,3,4\n",
    "one of four, then numbers that are none of ours": b"iu,phase_v,phase_w,phase_x\n1,2,3,4\n",
    "one column": b"n\n1\n",
    "with a checksum": text_line(["n", "iu", "iv"], checksum=True) + text_line([1, 2, 3], checksum=True),
    "a mode behind": b"iu,phase_v,phase_w,mode\n1,2,3,RUN\n",
    "words between": b"iu,phase_v,phase_w\noffset done\n# iu\n1,2,3\n",
    "a bad line between": b"iu,phase_v,phase_w\n1,2\n1,2,3\n",
}


@pytest.mark.parametrize("start", [b"", b"boot\n"], ids=["first", "later"])
@pytest.mark.parametrize("stream", HEADERS.values(), ids=HEADERS)
def test_a_header_that_lacks_a_channel_ends_the_decoding(read: Any, stream: bytes, start: bytes) -> None:
    content, _ = read(made(), start + stream + b"1,2,3\n" * 30 + b"n,iu,iv,iw\n9,1,2,3\n")
    names = stream.split(b"\n")[0].split(b"*")[0].decode()
    for separator in ",;\t":
        names = names.replace(separator, " ")
    assert refused(content) == tuple(names.split())
    assert scans(content) == []


def test_what_came_before_stays(read: Any) -> None:
    content, faults = read(made(), b"n,iu,iv,iw\n" + b"1,2,3,4\n" * 20 + b"7\nn,iu,iv\n1,2,3\n8\n")
    assert refused(content) == ("n", "iu", "iv")
    assert scans(content) == [(2, 3, 4)] * 20
    assert faults == {"bad_line": 1}
    content, _ = read(made(), b"1,2,3\n" * 30 + b"n,iu,iv\n" + b"1,2,3\n" * 30)
    assert (refused(content), scans(content)) == (("n", "iu", "iv"), [(1, 2, 3)] * 30)


def test_a_header_in_the_midst_of_many_lines_waits_for_the_next_numbers(read: Any) -> None:
    content, _ = read(made(), b"1,2,3\n" * 30 + b"iu,phase_v,phase_w\n" + b"4,5,6\n" * 30)
    assert (refused(content), scans(content)) == (("iu", "phase_v", "phase_w"), [(1, 2, 3)] * 30)


@pytest.mark.parametrize("many", [1, 30])
def test_another_bench_of_as_many_channels_is_not_read_by_order(read: Any, many: int) -> None:
    content, _ = read(made("iu", "iv", "iw", "vbus"), b"n,iu,iv,iw\n" + b"1,2048,2047,2050\n" * many)
    (end,) = content
    assert end.groups[0].channels == ("n", "iu", "iv", "iw")
    assert end.groups[0].rate_hz == 1000.0


NOTES = {
    "one word": b"iu\n",
    "the counter's letter": b"n\n",
    "three words before commas": b"iu offset done\n",
    "as many words as numbers": b"offset iu done\n",
    "two words": b"calibrating iu\n",
    "by comma": b"trip, iu\n",
    "a colon": b"calibrated: iu, iv done\n",
    "a sentence": b"phase iu was trimmed, iv next\n",
    "many": b"iu offset done\n" * 40,
}


@pytest.mark.parametrize("start", [b"", b"n,iu,iv,iw\n"], ids=["by order", "by names"])
@pytest.mark.parametrize("many", [1, 30])
@pytest.mark.parametrize("line", NOTES.values(), ids=NOTES)
def test_prose_with_a_channels_name_is_a_note(read: Any, line: bytes, many: int, start: bytes) -> None:
    row = b"9,1,2,3\n" if start else b"1,2,3\n"
    content, faults = read(made(), start + row * many + line + row * many)
    assert refused(content) is None
    assert (scans(content), faults) == ([(1, 2, 3)] * (2 * many), {})
    assert notes(content) == line.decode().splitlines()


def test_prose_among_columns_parted_by_spaces(read: Any) -> None:
    named = b"n iu iv iw\n1 2 3 4\n"
    content, faults = read(made(), named + b"offset of iu trimmed\n" + b"1 2 3 4\n" * 20)
    assert (refused(content), len(scans(content)), faults) == (None, 21, {})
    # Without names, a line of as many words may be the header: it is not risked.
    content, _ = read(made(), b"1 2 3\n" + b"iu offset done\n" + b"1 2 3\n" * 20)
    assert refused(content) == ("iu", "offset", "done")
    assert refused(read(made(), b"1 2 3\n" + b"# iu offset done\n" + b"1 2 3\n" * 20)[0]) is None


def test_a_fitting_header_settles_what_waited(read: Any) -> None:
    content, faults = read(made(), b"iu,phase_v,phase_w\niu,iv,iw\n" + b"1,2,3\n" * 30)
    assert (refused(content), len(scans(content)), faults) == (None, 30, {})


def test_numbers_without_their_checksum_show_nothing(read: Any) -> None:
    good = text_line([1, 2, 3], checksum=True)
    content, faults = read(made(), good + b"trip,iu\n1,2\n" + good)
    assert (refused(content), scans(content), faults) == (None, [(1, 2, 3)] * 2, {"bad_line": 1})


@pytest.mark.parametrize(
    ("header", "end"),
    [
        # Contradicts nothing: known names stand where they are stated.
        (b"n,iu,iv,phase_w\n", None),
        (b"n iu\n", None),
        # Another order, or one more.
        (b"iu,n,iv,phase_w\n", ("iu", "n", "iv", "phase_w")),
        (b"n,iu,iv,phase_w,t_us\n", ("n", "iu", "iv", "phase_w", "t_us")),
    ],
)
def test_stated_columns_stand_against_a_header_that_fits_them(
    read: Any, header: bytes, end: tuple[str, ...] | None
) -> None:
    content, _ = read(made(columns=["n", "iu", "iv", "iw"]), header + b"1,2,3,4\n" * 20)
    assert refused(content) == end
    assert scans(content) == ([] if end else [(2, 3, 4)] * 20)


# From a port the first line may be torn


@pytest.mark.parametrize(
    ("first", "end"),
    [
        # As many names as numbers: the line was whole.
        (b"n,iu,iv\n", ("n", "iu", "iv")),
        (b"n iu iv\n", ("n", "iu", "iv")),
        # The rest of n,iu,iv,iw; of iu,iv,iw; of prose.
        (b"iv,iw\n", None),
        (b"u,iv,iw\n", None),
        (b"iu offset done\n", None),
    ],
)
@pytest.mark.parametrize("many", [1, 30])
def test_the_first_line_from_a_port(read: Any, first: bytes, end: tuple[str, ...] | None, many: int) -> None:
    content, faults = read(made(from_port=True), first + b"1,2,3\n" * many)
    assert (refused(content), faults, notes(content)) == (end, {}, [])
    assert scans(content) == ([] if end else [(1, 2, 3)] * many)


def test_a_torn_line_of_numbers_shows_nothing() -> None:
    port = made(from_port=True)()
    port.feed(b"boot\nn,iu,iv,iw\n1,2,3,4\ntrip,iu\n")
    port.rejoin()
    assert port.feed(b"3,4\n5,6,7,8\n") != []
    port.feed(b"trip,iu\n")
    port.rejoin()
    (packets,) = port.feed(b"3,4\n5,6,7,8\n")
    assert packets.codes[0].tolist() == [[6, 7, 8]]


# Descriptions


def test_a_description_that_lacks_a_channel_ends_it_too(read: Any) -> None:
    described = b'#{"boot":5,"groups":[{"rate_hz":50,"channels":["n","iu","iv"]}]}\n'
    content, _ = read(lambda: TextDecoder(NAMES, rate_hz=None, decimals={}, from_port=False),
                      b"1,2,3\n" * 2 + described + b"1,2,3\n" * 20)  # fmt: skip
    assert refused(content) == ("n", "iu", "iv")
    assert (content[-1].groups[0].rate_hz, content[-1].boot) == (50.0, "5")
    assert scans(content) == [(1, 2, 3)] * 2


def test_names_are_made_fit_to_be_shown(read: Any) -> None:
    content, _ = read(made(), b"n,i\x1bu,iv\n1,2,3\n")
    assert refused(content) == ("n", "i\ufffdu", "iv")


# Where no scan comes, the line that looks like the header is told


@pytest.mark.parametrize(
    ("stream", "likely"),
    [
        (b"count,phase_u,phase_v,phase_w\n1,2,3,4\n", ("count", "phase_u", "phase_v", "phase_w")),
        (b"count phase_u phase_v phase_w\n1 2 3 4\n", ("count", "phase_u", "phase_v", "phase_w")),
        (b"ready\ncount,a,b,c\noffset trimmed\n1,2,3,4\n", ("count", "a", "b", "c")),
        # Neither as many as the numbers nor as the channels.
        (b"count,a,b\nready\n1,2,3,4\n", ("count", "a", "b")),
        (b"iu,a,b,c,d\n1,2,3,4\n", ("iu", "a", "b", "c", "d")),
        (b"count phase_u\n1,2,3,4\n", ()),
        (b"ready\n1,2,3,4\n", ()),
        (b"1,2,3,4\n", ()),
        (b"count,a,b,c\n1,2,3\n", ()),
        (b"count,a,b,c\n1,2,3,4\n1,2,3\n", ()),
    ],
)
@pytest.mark.parametrize("from_port", [False, True])
def test_the_likely_header(stream: bytes, likely: tuple[str, ...], from_port: bool) -> None:
    decoder = made(from_port=from_port)()
    decoder.feed((b"\n" if from_port and stream[:1] == b"1" else b"") + stream)
    assert decoder.likely_header == likely


def test_lines_that_wait_are_bounded() -> None:
    decoder = made()()
    decoder.feed(b"".join(b"a,b,c,x%d\n" % number for number in range(1000)))
    assert decoder.likely_header[-1] == "x999"
    assert len(decoder._misfits._waiting) == 16
