"""The C in docs/wire.md compiles without a warning and sends what the encoders send, byte for byte."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from livesense.samples import CodeType
from livesense.wire.encode import encode_frame, scans_packet, text_header, text_lines

DOCS = (Path(__file__).parents[2] / "docs" / "wire.md").read_text(encoding="utf-8")
FRAMED, TEXT = re.findall(r"```c\n(.*?)```", DOCS, re.DOTALL)

LARGEST_COUNT = (4096 - 8) // 2

FRAMES = """
#include <stdio.h>
%s
int main(void)
{
    static uint16_t codes[65536];
    static uint8_t frame[LARGEST_FRAME];
    unsigned group, count, code;
    unsigned long first;
    while (scanf("%%u %%lu %%u", &group, &first, &count) == 3) {
        for (unsigned at = 0; at < count; at++) {
            if (scanf("%%u", &code) != 1)
                return 1;
            codes[at] = (uint16_t)code;
        }
        size_t size = scans_frame((uint8_t)group, (uint32_t)first, codes, count, frame);
        for (size_t at = 0; at < size; at++)
            printf("%%02x", frame[at]);
        printf("\\n");
    }
    return 0;
}
"""

LINES = """
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
struct scan { uint32_t n; uint16_t iu, iv, iw; };
static struct scan next_scan(void)
{
    static struct scan s = { 4294967293u, 2047, 0, 65534 };
    s.n++;
    s.iu++;
    s.iw++;
    if (s.n == 0)
        exit(0);
    return s;
}
int main(void)
{
%s
}
"""


def output(source: str, directory: Path, given: str = "") -> bytes:
    """Compile and run; what the program printed."""
    gcc = shutil.which("gcc")
    if gcc is None:
        if os.environ.get("CI"):
            pytest.fail("CI compiles the C in docs/wire.md: install gcc")
        pytest.skip("no gcc here: install gcc to compile the C in docs/wire.md")
    (directory / "sender.c").write_text(source, encoding="utf-8")
    flags = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-O2"]
    program = directory / "sender.exe"
    built = subprocess.run(
        [gcc, *flags, "-o", str(program), str(directory / "sender.c")], capture_output=True, text=True
    )
    assert built.returncode == 0, built.stderr
    run = subprocess.run([str(program)], input=given.encode(), capture_output=True, check=True)
    return run.stdout.replace(b"\r\n", b"\n")


def test_frames(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    # Zeros everywhere, no zeros at all around the lengths of full pieces, anything, the largest.
    sent = [(0, 1, np.array([2048, 2047, 2050, 0])), (0, 0, np.zeros(300, dtype=np.int64))]
    sent += [(1, 0x01010101, np.full(count, 0x0101)) for count in [*range(118, 130), *range(246, 256)]]
    sent += [
        (int(rng.integers(256)), int(rng.integers(2**32)), rng.integers(0, high, int(rng.integers(1, 600))))
        for high in [3, 4096, 65536] * 20
    ]
    sent += [
        (255, 2**32 - 1, rng.integers(0, 65536, LARGEST_COUNT)),
        (2, 0x01010101, np.full(LARGEST_COUNT, 0x0707)),
    ]
    given = "".join(
        f"{group} {first} {len(codes)} {' '.join(map(str, codes))}\n" for group, first, codes in sent
    )
    printed = output(FRAMES % FRAMED, tmp_path, given).decode().split("\n")[:-1]
    expected = [encode_frame(scans_packet(*packet, CodeType.U16)).hex() for packet in sent]
    assert printed == expected
    # Both ends of a packet that is full pieces alone are among them: no closing 01.
    assert any(frame.startswith("ff") and len(frame) == 2 * 256 for frame in expected)


def test_too_many_codes_make_no_frame(tmp_path: Path) -> None:
    count = LARGEST_COUNT + 1
    assert output(FRAMES % FRAMED, tmp_path, f"0 0 {count} {'1 ' * count}") == b"\n"


def test_lines(tmp_path: Path) -> None:
    expected = text_header(["n", "iu", "iv", "iw"]) + text_lines(
        [[2**32 - 2, 2048, 0, 65535], [2**32 - 1, 2049, 0, 0]]
    )
    assert output(LINES % TEXT, tmp_path) == expected
    assert len(TEXT.splitlines()) == 5
