"""The C header sends what the encoders send, byte for byte, and touches no byte beyond its buffers."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
import pytest
from firmware_kit import FIRMWARE, WARNINGS, compiler
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_device import bench_text, description_frame, group

from livesense.samples import CodeType
from livesense.wire.encode import encode_frame, note_packet, scans_packet, seal

TYPES = [CodeType.U16, CodeType.I16, CodeType.U12]  # in the order of enum livesense_code


class Sender:
    """A running program around the header."""

    def __init__(self, program: Path) -> None:
        self.process = subprocess.Popen(
            [str(program)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
        )

    def __call__(self, *words: object) -> list[str]:
        """Send one line; the frames of the answer, in hexadecimal."""
        pipe_in, pipe_out = self.process.stdin, self.process.stdout
        assert pipe_in and pipe_out
        pipe_in.write(" ".join(map(str, words)) + "\n")
        pipe_in.flush()
        answer = pipe_out.readline()
        assert answer.endswith("\n"), self._complaint(self.process.stderr)
        return answer.split()

    @staticmethod
    def _complaint(stream: IO[str] | None) -> str:
        return stream.read() if stream else ""

    def close(self) -> None:
        process = self.process
        process.communicate(timeout=60)
        assert process.returncode == 0


CRCS = {"shifts": [], "table": ["-DLIVESENSE_CRC_TABLE"], "own": ["-DBIT_BY_BIT"]}


@pytest.fixture(scope="module", params=CRCS.values(), ids=CRCS.keys())
def sender(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sender]:
    program = tmp_path_factory.mktemp("sender") / "sender.exe"
    command = [compiler("gcc"), "-std=c99", *WARNINGS, "-O1", "-g", *request.param]
    command += ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", f"-I{FIRMWARE / 'c'}"]
    built = subprocess.run(
        [*command, "-o", str(program), str(Path(__file__).with_name("sender.c"))],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    running = Sender(program)
    yield running
    running.close()


# Two files of one program: each has the header, twice, and what the cores of some boards define before it.
ONE = """
#include <stdint.h>
typedef uint8_t byte;
#include "livesense_wire.h"
#include "livesense_wire.h"
struct livesense_batch shared;
uint8_t room[LIVESENSE_FRAME_SIZE(LIVESENSE_SCAN_BYTES_U12(3, 16))];
size_t other(const uint16_t *codes);
int main(void)
{
    const uint16_t codes[3] = {1, 2, 3};
    return livesense_batch_start(&shared, room, sizeof room, 0, LIVESENSE_U12, 3, 1, 0) && other(codes) == 15
        ? 0 : 1;
}
"""
OTHER = """
#include "livesense_wire.h"
extern struct livesense_batch shared;
size_t other(const uint16_t *codes);
size_t other(const uint16_t *codes) { return livesense_scan(&shared, codes, 0); }
"""
LANGUAGES = [("gcc", "c99"), ("gcc", "c11"), ("g++", "c++11"), ("g++", "c++17"), ("clang", "c99")]


@pytest.mark.parametrize("table", [[], ["-DLIVESENSE_CRC_TABLE"]], ids=["shifts", "table"])
@pytest.mark.parametrize(("name", "language"), LANGUAGES)
def test_no_warnings_in_two_files_of_a_program(
    name: str, language: str, table: list[str], tmp_path: Path
) -> None:
    files = [tmp_path / f"{file}.{'cpp' if name == 'g++' else 'c'}" for file in ("one", "other")]
    for file, source in zip(files, (ONE, OTHER), strict=True):
        file.write_text(source)
    command = [compiler(name, ci_has_it=name != "clang"), f"-std={language}", *WARNINGS, *table]
    to = tmp_path / "user.exe"
    built = subprocess.run(
        [*command, f"-I{FIRMWARE / 'c'}", "-o", str(to), *map(str, files)], capture_output=True, text=True
    )
    assert built.returncode == 0, built.stderr
    assert subprocess.run([str(to)]).returncode == 0


# Small or fast: no memset, no memcpy, and no division that the core does not have.
@pytest.mark.parametrize("level", ["-Os", "-O3"])
@pytest.mark.parametrize(
    ("tools", "core"),
    [
        ("", "-fno-stack-protector"),
        ("arm-none-eabi-", "-mcpu=cortex-m4"),
        ("arm-none-eabi-", "-mcpu=cortex-m0plus"),
    ],
)
def test_it_calls_nothing(tools: str, core: str, level: str, tmp_path: Path) -> None:
    source = tmp_path / "all.c"
    source.write_text(ALL_OF_IT)
    to = tmp_path / "all.o"
    command = [compiler(f"{tools}gcc"), "-std=c99", core, level, "-ffreestanding", *WARNINGS, "-c"]
    built = subprocess.run(
        [*command, f"-I{FIRMWARE / 'c'}", "-o", str(to), str(source)],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    names = subprocess.run([compiler(f"{tools}nm"), "-u", str(to)], capture_output=True, text=True)
    assert names.returncode == 0
    assert names.stdout == ""


ALL_OF_IT = """
#include "livesense_wire.h"
size_t all_of_it(struct livesense_batch *batch, enum livesense_code code, uint8_t *room, uint32_t tick);
size_t all_of_it(struct livesense_batch *batch, enum livesense_code code, uint8_t *room, uint32_t tick)
{
    static const uint16_t codes[3] = {1, 2, 3};
    struct livesense_frame frame;
    const uint8_t channels = (uint8_t)tick;
    size_t size = (size_t)livesense_batch_start(batch, room, tick, 0, code, channels, (uint16_t)tick, tick);
    livesense_batch_buffer(batch, room);
    size += livesense_scan(batch, codes, tick) + livesense_flush_due(batch, tick);
    size += livesense_skip(batch, tick);
    size += livesense_description("{}", room, 200) + livesense_note("ramp done", room, 200);
    livesense_frame_begin(&frame, room, 200, 'D');
    livesense_put_number(&frame, tick);
    return size + livesense_frame_close(&frame);
}
"""


def frame(group: int, first: int, codes: object, kind: CodeType) -> str:
    return encode_frame(scans_packet(group, first, codes, kind)).hex()


def start(kind: CodeType, channels: int, full: int, flush: int = 0, counter: int = 0, room: int = 0) -> list:
    return ["s", 5, TYPES.index(kind), channels, full, flush, counter, room]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_batches(sender: Sender, data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(TYPES))
    channels = data.draw(st.integers(1, 8))
    full = data.draw(st.integers(1, 90))
    count = data.draw(st.integers(0, 200))
    first = data.draw(st.integers(0, 2**32 - 1))
    high = data.draw(st.sampled_from([1, 2, 3, 256, 4095]))  # zeros often, none at all, all there is
    low = data.draw(st.sampled_from([0, 1]))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    codes = rng.integers(low, high + 1, (count, channels))
    if kind is CodeType.I16:
        codes -= high // 2
    elif kind is CodeType.U16:
        codes = codes * 0x0101 % 0x10000
    rows = [f"0 0 {' '.join(str(code % 0x10000) for code in row)}" for row in codes.tolist()]
    expected = [frame(5, first + at, codes[at : at + full], kind) for at in range(0, count, full)]
    assert sender(*start(kind, channels, full, counter=first), count, *rows) == expected


TICKS = 2**32

Step = tuple[str, int, list[int]]
STEPS = st.lists(
    st.one_of(
        # Time goes on by so many ticks, then a scan is taken, or it is asked whether one has waited too long.
        st.tuples(st.just("S"), st.integers(0, 30), st.lists(st.integers(0, 4095), min_size=3, max_size=3)),
        st.tuples(st.just("D"), st.integers(0, 60), st.just([])),
        st.tuples(st.just("F"), st.just(0), st.just([])),
        st.tuples(st.just("K"), st.one_of(st.integers(0, 3), st.integers(0, 2**31)), st.just([])),
    ),
    max_size=60,
)


def packets_of(steps: list[Step], full: int, flush: int, first: int, tick: int) -> list[tuple[int, list]]:
    """What the description of the functions promises: counter and scans of each packet."""
    sent: list[tuple[int, list]] = []
    scans: list[list[int]] = []
    opened = 0
    for what, number, codes in steps:
        if what in "SD":
            tick += number
        if what == "S":
            opened = opened if scans else tick
            scans.append(codes)
        waited = flush > 0 and tick - opened >= flush
        if scans and (what in "FK" or (what == "S" and len(scans) == full) or (what in "SD" and waited)):
            sent.append((first % TICKS, scans))
            first, scans = first + len(scans), []
        if what == "K":
            first += number
    return sent


@settings(max_examples=200, deadline=None)
@given(
    steps=STEPS,
    kind=st.sampled_from(TYPES),
    full=st.integers(1, 12),
    flush=st.one_of(st.just(0), st.integers(1, 100)),
    first=st.one_of(st.integers(0, 3), st.integers(TICKS - 40, TICKS - 1)),
    tick=st.one_of(st.just(0), st.integers(TICKS - 500, TICKS - 1)),
)
def test_anything_in_any_order(
    sender: Sender, steps: list[Step], kind: CodeType, full: int, flush: int, first: int, tick: int
) -> None:
    words: list[object] = ["o", 5, TYPES.index(kind), 3, full, flush, first]
    now = tick
    for what, number, codes in steps:
        if what in "SD":
            now += number
        words += [what, *([] if what == "F" else [number if what == "K" else now % TICKS]), *codes]
    expected = [frame(5, at, scans, kind) for at, scans in packets_of(steps, full, flush, first, tick)]
    assert sender(*words, ".") == expected


def test_blocks_from_ram_are_bursts(sender: Sender, recorded: Callable[..., dict[str, Any]]) -> None:
    """20 scans at full rate, then a pause that is skipped by the clock: no loss (firmware/README.md)."""
    words: list[object] = ["o", 0, TYPES.index(CodeType.U16), 3, 8, 0, 0]
    for pause in (100, 333, 21):
        for code in range(20):
            words += ["S", 0, code, code, code]
        words += ["F", "K", pause]
    about = {**group(["iu", "iv", "iw"]), "burst": 20}
    stream = description_frame([about]) + b"".join(map(bytes.fromhex, sender(*words, ".")))
    summary = recorded(stream, bench_text())
    assert (summary["gaps"], summary["faults"]) == (0, {})
    (facts,) = summary["groups"]
    assert (facts["scans_stored"], facts["scans_lost"]) == (60, 0)


@pytest.mark.parametrize("kind", TYPES)
def test_full_pieces(sender: Sender, kind: CodeType) -> None:
    """Packets without a zero byte around one and two full pieces of the stuffing."""
    for full in [*range(118, 130), *range(158, 172), *range(246, 256), *range(328, 342)]:
        codes = np.full((full, 1), 0x111)
        rows = ["0 0 273"] * full
        assert sender(*start(kind, 1, full, counter=0x01010101), full, *rows) == [
            frame(5, 0x01010101, codes, kind)
        ]


def test_a_scan_that_waited_is_sent(sender: Sender) -> None:
    # The tick wraps between the second and the third scan.
    ticks = [2**32 - 20, 2**32 - 11, 2**32 - 10, 100, 109, 200]
    rows = [f"{tick} 0 {code}" for code, tick in enumerate(ticks, start=1)]
    assert sender(*start(CodeType.U16, 1, 100, flush=10), len(rows), *rows) == [
        frame(5, 0, [1, 2, 3], CodeType.U16),
        frame(5, 3, [4, 5, 6], CodeType.U16),
    ]


def test_skipped_scans_are_counted(sender: Sender) -> None:
    rows = ["0 0 1", "0 0 2", "0 7 3"]
    assert sender(*start(CodeType.U12, 1, 10, counter=2**32 - 4), 3, *rows) == [
        frame(5, 2**32 - 4, [1, 2], CodeType.U12),
        frame(5, 5, [3], CodeType.U12),
    ]


@pytest.mark.parametrize(
    ("kind", "channels", "full"), [(CodeType.U16, 4, 511), (CodeType.I16, 7, 292), (CodeType.U12, 1, 2725)]
)
def test_the_largest_packets(sender: Sender, kind: CodeType, channels: int, full: int) -> None:
    codes = np.full((full, channels), 0x123)
    rows = [f"0 0 {'291 ' * channels}"] * full
    assert sender(*start(kind, channels, full), full, *rows) == [frame(5, 0, codes, kind)]
    assert sender(*start(kind, channels, full + 1), 0) == ["refused"]


def test_a_buffer_too_small_is_refused(sender: Sender) -> None:
    assert sender(*start(CodeType.U16, 3, 16, room=106), 0) == []
    assert sender(*start(CodeType.U16, 3, 16, room=105), 0) == ["refused"]
    assert sender(*start(CodeType.U16, 3, 0, room=105), 0) == ["refused"]
    for full in [*range(120, 128), *range(246, 255), 2043, 2044]:
        room = 2 * full + 10 + (2 * full + 8) // 254
        assert sender(*start(CodeType.U16, 1, full), 0) == []  # as the macro says
        assert sender(*start(CodeType.U16, 1, full, room=room), 0) == []
        assert sender(*start(CodeType.U16, 1, full, room=room - 1), 0) == ["refused"]


@pytest.mark.parametrize("channels", [1, 2, 3])
def test_of_a_code_in_12_bits_the_low_ones_are_taken(sender: Sender, channels: int) -> None:
    rows = [f"0 0 {'65261 ' * channels}"] * 3  # FEED
    codes = np.full((3, channels), 0xEED)
    assert sender(*start(CodeType.U12, channels, 3), 3, *rows) == [frame(5, 0, codes, CodeType.U12)]


def written(kind: str, text: bytes, room: int) -> list[object]:
    return ["t", ord(kind), room, len(text), *(byte - 256 if byte > 127 else byte for byte in text)]


@settings(max_examples=60, deadline=None)
@given(text=st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=700))
def test_descriptions_and_notes(sender: Sender, text: str) -> None:
    content = text.encode()
    room = len(content) + 10 + (len(content) + 8) // 254
    assert sender(*written("N", content, room)) == [encode_frame(note_packet(text)).hex()]
    assert sender(*written("D", content, room)) == [encode_frame(seal(0x44, content)).hex()]


def test_text_that_does_not_fit_makes_no_frame(sender: Sender) -> None:
    whole = bytes.fromhex(sender(*written("N", b"ramp done", 100))[0])
    for room in range(len(whole)):
        assert sender(*written("N", b"ramp done", room)) == []
    assert sender(*written("N", b"ramp done", len(whole))) == [whole.hex()]
    assert len(sender(*written("N", b"x" * 4093, 5000))) == 1
    assert sender(*written("N", b"x" * 4094, 5000)) == []


@pytest.mark.parametrize("number", [0, 7, 10, 3141592653, 2**32 - 1])
def test_numbers(sender: Sender, number: int) -> None:
    assert sender("d", number) == [encode_frame(note_packet(str(number))).hex()]
