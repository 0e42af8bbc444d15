"""Lines that are punctuated alike, against the plain reader of single lines."""

from __future__ import annotations

import random

import pytest

from livesense.wire.encode import xor_checksum
from livesense.wire.textalike import MOST_UNLIKE, Lines, read_alike
from livesense.wire.textline import Field, LineShape, check, numbers, split

SHAPES = {
    "integers": LineShape(3, (Field(0), Field(1), Field(2))),
    "another order": LineShape(3, (Field(2), Field(0), Field(1))),
    "some": LineShape(3, (Field(2), Field(1))),
    "decimals": LineShape(3, (Field(0, 3), Field(1, 2), Field(2))),
    "many decimals": LineShape(3, (Field(0, 17), Field(2, 30))),
}

FORMS = {
    "comma": "{},{},{}\n",
    "semicolon and carriage return": "{};{};{}\r\n",
    "tab": "{}\t{}\t{}\n",
    "spaces": " {}  {} {} \n",
    "comma and space": "{}, {}, {}\r\n",
    "mixed": "{},{};{}\n",
    "points": "{}.{},{}.{},{}\n",
    "points at the end": "{}.,{},{}.\n",
    "points in front": ".{},{},.{}\n",
    "a point and a sign": "-{}.{},{},+{}\n",
    "a sign in front of a point": "-.{},{},{}\n",
    "a sign behind a point": "{}.-{},{},{}\n",
    "a sign behind a number": "{}-,{},{}\n",
    "two signs": "--{},{},{}\n",
    "a point alone": ".,{},{}\n",
    "two points": "{}.{}.{},{},{}\n",
    "too many": "{},{},{},{}\n",
    "too few": "{},{}\n",
    "twice a separator": "{},,{},{}\n",
    "nothing in front": ",{},{},{}\n",
    "a word": "{},{},{}x\n",
    "a note": "#{},{},{}\n",
    "a star": "{}*{},{},{}\n",
    "two carriage returns": "{},{},{}\r\r\n",
    "a space behind a point": "{}. {},{},{}\n",
    "a space behind a sign": "- {},{},{}\n",
    "spaces around everything": "  {} ,  {}  ;  {}  \r\n",
    "spaces between": "{}   {}    {}\n",
    "a space behind a carriage return": "{},{},{}\r \n",
    "spaces behind the last separator": "{},{},{},  \n",
    "a high byte": "{},{},{}\u00ff\n",
    "empty": "\n",
}


def plain(line: bytes, shape: LineShape) -> list[int] | None:
    content, right = check(line.removesuffix(b"\r"))
    return None if right is False else numbers(split(content), shape)


def run(rng: random.Random) -> str:
    """Some digits, mostly as many as a code has, now and then with a sign, or none."""
    size = rng.choice([1, 2, 3, 4, 4, 4, 4, 5, 6, 8, 9, 10, 16, 17, 18, 19])
    digits = "".join(rng.choice("0123456789") for _ in range(size))
    return rng.choice(["", "", "", "", "-", "+"]) + digits


def lines_of(form: str, rng: random.Random, count: int, checksum: str) -> list[bytes]:
    made = []
    for _ in range(count):
        text = form.format(*(run(rng) for _ in range(form.count("{}"))))
        content = text.rstrip("\r\n")
        end = text[len(content) :]
        line = content.encode("latin-1")
        if checksum:
            right = xor_checksum(line) ^ (rng.random() < 0.1)
            hexadecimal = b"%02x" if rng.random() < 0.3 else b"%02X"
            line += b"*" + hexadecimal % right + (b"0" if rng.random() < 0.05 else b"")
        made.append(line + end.encode())
    return made


@pytest.mark.parametrize("checksum", ["", "checksum"])
@pytest.mark.parametrize("form", FORMS.values(), ids=FORMS)
@pytest.mark.parametrize("shape", SHAPES.values(), ids=SHAPES)
def test_what_is_taken_is_what_the_plain_reader_takes(shape: LineShape, form: str, checksum: str) -> None:
    rng = random.Random(repr((shape, form, checksum)))
    for odd in (0, 3):
        lines = lines_of(form, rng, 60, checksum)
        for _ in range(odd):
            other = lines_of(rng.choice(list(FORMS.values())), rng, 1, checksum)
            lines.insert(rng.randrange(len(lines) + 1), *other)
        found = read_alike(b"".join(lines), shape)
        if found is None:
            continue
        assert found.data[found.starts[0] : found.ends[0] + 1] == lines[0]
        for at, line in enumerate(lines):
            if found.good[at]:
                assert found.values[at].tolist() == plain(line[:-1], shape), line
                assert found.checked[at] == (check(line[:-1].removesuffix(b"\r"))[1] is not None)


def taken(data: bytes, shape: LineShape) -> Lines:
    found = read_alike(data, shape)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("line", "values"),
    [
        (b"1,22,4095\n", [1, 22, 4095]),
        (b"123456789012345678,0,00012\r\n", [123456789012345678, 0, 12]),
        (b"-1,+2,-4095\n", [-1, 2, -4095]),
        (b" 7\t8; 9 \n", [7, 8, 9]),
        (b"1. , .0,3.00\n", [1, 0, 3]),
        (b"1,2,3*30\r\n", [1, 2, 3]),
        (b"   1,  22 ; 4095\n", [1, 22, 4095]),
        (b"1   22  +4095  \r\n", [1, 22, 4095]),
    ],
)
def test_all_of_many_ordinary_lines_are_taken(line: bytes, values: list[int]) -> None:
    shape = LineShape(3, tuple(Field(k, 2 * (b"." in line)) for k in range(3)))
    found = taken(line * 50, shape)
    assert found.good.all()
    assert found.values.tolist() == [[value * (100 if b"." in line else 1) for value in values]] * 50
    assert found.checked.all() == (b"*" in line)


def test_numbers_padded_to_a_width_are_alike() -> None:
    lines = [b"%6d, %4d,%5d\n" % (k, 17 * k % 4096, -k) for k in range(5000)]
    found = taken(b"".join(lines), SHAPES["integers"])
    assert found.good.all()
    assert found.values.tolist() == [[k, 17 * k % 4096, -k] for k in range(5000)]


def test_signs_of_values_between_nought_and_one() -> None:
    shape = LineShape(2, (Field(0, 2), Field(1, 2)))
    assert taken(b"-0.25,-3.5\n" * 9, shape).values.tolist() == [[-25, -350]] * 9


def test_a_few_other_lines_are_left_to_the_plain_reader() -> None:
    lines = [b"%d,2,3\n" % k for k in range(60)]
    lines[7], lines[30], lines[59] = b"# ramp done\n", b"30,2\n", b"59;2;3\n"
    found = taken(b"".join(lines), SHAPES["integers"])
    assert sorted(set(range(60)) - set(found.good.nonzero()[0].tolist())) == [7, 30, 59]
    assert found.values[58].tolist() == [58, 2, 3]
    assert found.data[found.starts[30] : found.ends[30]] == b"30,2"


def test_too_many_other_lines_are_for_the_reader_of_mixed_ones() -> None:
    lines = [b"1,2,3\n"] * 40 + [b"1; 2,3\n"] * 8
    assert 8 > MOST_UNLIKE * len(lines)
    assert read_alike(b"".join(lines), SHAPES["integers"]) is None


def test_longer_numbers_than_fit_are_left_to_the_plain_reader() -> None:
    found = taken(b"1,2,3\n" * 20 + b"1,1234567890123456789,3\n", SHAPES["integers"])
    assert found.good.tolist() == [True] * 20 + [False]
