"""Whatever comes, the decoders stay whole; ``benchmarks/fuzz.py`` goes on for as long as wanted."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.decoding import Decoder
from livesense.samples import LinkFault
from livesense.wire.framed import FramedDecoder
from livesense.wire.record import RecordDecoder
from livesense.wire.text import TextDecoder
from tests.support import wire_fuzz

FEW = {"decoder": 60, "reading": 300, "identify": 4, "recorder": 10}


@pytest.mark.parametrize("name", FEW)
def test_some_cases(name: str) -> None:
    for number in range(FEW[name]):
        wire_fuzz.CHECKS[name](number)


@pytest.mark.slow
@pytest.mark.parametrize("name", FEW)
def test_many_cases(name: str) -> None:
    for number in range(1000, 1000 + 20 * FEW[name]):
        wire_fuzz.CHECKS[name](number)


MAKERS = {
    "framed": lambda: FramedDecoder(wire_fuzz.GROUPS),
    "framed, not described": FramedDecoder,
    "text": lambda: TextDecoder(["a", "b"], rate_hz=1.0, decimals={"b": 2}, from_port=True),
    "text, stated": lambda: TextDecoder(
        ["a"], columns=["n", "a"], rate_hz=None, decimals={}, counter_bits=8, from_port=False
    ),
    "record": lambda: RecordDecoder(wire_fuzz.LAYOUTS[0], rate_hz=None),
    "record without a check": lambda: RecordDecoder(wire_fuzz.LAYOUTS[3], rate_hz=1.0),
}

# Pieces that lead deep into the decoders, for hypothesis to put together, and to leave out again.
PIECES = [
    *(b"\0", b"\x01", b"\xff", b"\n", b"\r\n", b",", b";", b" ", b"-", b".", b"*", b"#", b"\xef\xbb\xbf"),
    *(b"1", b"12,3.5\n", b"1,2*2F\n", b"n,a,b\n", b"a,b\n", b"t_us a b\n", b"a,x\n", b"# note\n", b"word\n"),
    *(b'#{"boot":1}\n', b"9" * 20, b"1,2\n" * 20, b"1,-2.25\r\n" * 20, b" " * 300, b"x" * 4100),
    wire_fuzz.frame(b"S\0" + bytes(4) + b"\x01\x02\x03\x04"),
    wire_fuzz.frame(b"S\0" + b"\xff" * 4 + b"\x01\x02\x03\x04") * 50,
    wire_fuzz.frame(b'D{"groups":[{"code":"u16","rate_hz":1,"channels":["a"]}]}'),
    wire_fuzz.frame(b"D{}"),
    wire_fuzz.frame(b"Nx"),
    *(b"\xa5\x5a", b"\xa5\x5a\x01\x02\x03\x04\x05", bytes(9), b"\x01" * 5000),
]


@pytest.mark.parametrize("make", MAKERS.values(), ids=MAKERS)
@settings(max_examples=40)
@given(
    st.lists(st.one_of(st.sampled_from(PIECES), st.binary(max_size=20)), max_size=30),
    st.lists(st.floats(0, 1), max_size=6),
)
def test_reads_make_no_difference(make: Any, pieces: Sequence[bytes], cuts: Sequence[float]) -> None:
    stream = b"".join(pieces)
    places = sorted({0, len(stream), *(int(cut * len(stream)) for cut in cuts)})
    whole: Decoder = make()
    events = wire_fuzz.plain([*wire_fuzz.decoded(whole, [stream]), *whole.finish()])
    parts: Decoder = make()
    reads = [stream[a:b] for a, b in pairwise(places)]
    assert wire_fuzz.plain([*wire_fuzz.decoded(parts, reads), *parts.finish()]) == events
    # Less than one fault a byte: what is counted is packets, not bytes.
    faults = sum(event.count for event in make().feed(stream) if isinstance(event, LinkFault))
    assert faults <= len(stream)
