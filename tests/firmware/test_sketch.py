"""The sketch compiles against a core of our own, and what it sends is what the bench file beside it says."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from firmware_kit import FIRMWARE, WARNINGS, Heard, assert_fits, compiler

from livesense.bench import load

HERE = Path(__file__).parent
SKETCH = FIRMWARE / "examples" / "sketch" / "sketch.ino"


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Heard]:
    """Run the sketch for so many simulated seconds; returns what was heard."""
    program = tmp_path_factory.mktemp("sketch") / "sketch.exe"
    command = [compiler("g++"), "-std=c++11", *WARNINGS, "-O1", "-g", "-fsanitize=address,undefined"]
    command += ["-fno-sanitize-recover=all", f"-I{FIRMWARE / 'c'}", f"-I{HERE}", "-include", "core.h"]
    built = subprocess.run(
        [*command, "-o", str(program), str(HERE / "core.cpp"), "-x", "c++", str(SKETCH)],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr

    def heard(seconds: float, bytes_per_s: int = 0, busy_at_s: float = 0, busy_us: int = 0) -> Heard:
        words = [str(seconds), str(bytes_per_s), str(busy_at_s), str(busy_us)]
        ran = subprocess.run([str(program), *words], capture_output=True, timeout=120)
        assert ran.returncode == 0, ran.stderr.decode()
        return Heard(ran.stdout)

    return heard


def taken(heard: Heard, counts: list[int]) -> None:
    """Every scan holds the millisecond in which its counter says it was due."""
    codes = heard.codes[0]
    numbers = np.concatenate(
        [np.arange(first, first + count) for first, count in zip(heard.first[0], counts, strict=True)]
    )
    assert codes[:, 0].tolist() == (numbers % 1000).tolist()
    assert codes[:, 1].tolist() == ((codes[:, 0] + 100) % 1024).tolist()
    assert codes[:, 2].tolist() == ((codes[:, 0] + 200) % 1024).tolist()


def test_no_warning_on_a_core_with_int_of_16_bits(tmp_path: Path) -> None:
    command = [compiler("avr-g++"), "-std=c++11", "-mmcu=atmega328p", "-Os", *WARNINGS, "-c"]
    command += [f"-I{FIRMWARE / 'c'}", f"-I{HERE}", "-include", "core.h", "-o", str(tmp_path / "sketch.o")]
    built = subprocess.run([*command, "-x", "c++", str(SKETCH)], capture_output=True, text=True)
    assert built.returncode == 0, built.stderr


def test_all_scans_come(run: Callable[..., Heard]) -> None:
    heard = run(5)
    assert heard.faults == []
    assert heard.channels == [["iu", "iv", "iw"], ["state"]]
    assert [(group.rate_hz, group.bits) for group in heard.descriptions[0].groups] == [(1000, 10), (10, 2)]
    assert_fits(load(SKETCH.with_name("bench.toml")), heard.descriptions[0].groups)
    assert len(heard.descriptions) == 5
    packets = heard.first[0]
    assert packets == list(range(0, 16 * len(packets), 16))
    assert len(packets) in (311, 312)  # 5000 / 16, the last one on its way
    taken(heard, [16] * len(packets))
    assert heard.first[1] == list(range(50))
    assert heard.codes[1][:, 0].tolist() == [1] * 30 + [3] * 20


def test_scans_missed_are_counted(run: Callable[..., Heard]) -> None:
    heard = run(4, 0, 2.0005, 7300)
    assert heard.faults == []
    counts = [*np.diff(heard.first[0]).tolist(), 16]
    # One packet is cut short by what was missed: the one before the gap.
    short = [at for at, count in enumerate(counts) if count != 16]
    assert len(short) == 1
    missed = 7
    inside = len(heard.codes[0]) - 16 * (len(counts) - 1)
    assert counts[short[0]] == inside + missed
    counts[short[0]] = inside
    taken(heard, counts)
    assert heard.first[1] == list(range(40))


def test_a_long_pause_counts_in_both_groups(run: Callable[..., Heard]) -> None:
    heard = run(4, 0, 2.0005, 1_000_300)
    assert heard.faults == []
    assert heard.first[1] == [*range(21), *range(31, 40)] or heard.first[1] == [*range(20), *range(30, 40)]
    assert max(np.diff(heard.first[0])) > 1000


def test_a_port_too_slow_loses_packets_and_nothing_else(run: Callable[..., Heard]) -> None:
    heard = run(5, 4000)  # of 5.4 kB/s
    assert heard.faults == []
    apart = np.diff(heard.first[0])
    assert set((apart % 16).tolist()) == {0}
    assert apart.max() > 16  # packets are missing, whole ones
    assert len(apart) > 5000 / 16 / 2  # and no more than every other
    taken(heard, [16] * len(heard.first[0]))
    assert len(heard.descriptions) >= 2
