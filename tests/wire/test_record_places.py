"""Where in the stream a record decoder found its records."""

from __future__ import annotations

import pytest

from livesense.layout import read_layout
from livesense.wire.record import RecordDecoder

LAYOUT = read_layout("A5 5A", "little", ["n:u8", "iu:u16"], "sum8")


def record(number: int) -> bytes:
    body = bytes([number, number, 7])
    return b"\xa5\x5a" + body + bytes([sum(body) & 0xFF])


@pytest.mark.parametrize("size", [1, 4, 1000])
def test_places_count_from_the_first_byte_ever(size: int) -> None:
    stream = b"xx" + record(1) + record(2) + b"junk!" + record(3) + b"\xa5"
    decoder = RecordDecoder(LAYOUT, rate_hz=None)
    found = []
    for at in range(0, len(stream), size):
        decoder.feed(stream[at : at + size])
        found += [begin + n * LAYOUT.size for begin, count in decoder.places for n in range(count)]
    assert found == [2, 8, 19]
    assert all(stream[begin:].startswith(b"\xa5\x5a") for begin in found)


def test_an_interrupted_stream_counts_on() -> None:
    decoder = RecordDecoder(LAYOUT, rate_hz=None)
    decoder.feed(record(1) + record(2)[:4])
    decoder.rejoin()
    decoder.feed(record(3))
    assert decoder.places == [(LAYOUT.size + 4, 1)]
    decoder.feed(b"")
    assert decoder.places == []
