"""The ATmega328P example on an emulated one, with known voltages at its pins, through the real recorder."""

from __future__ import annotations

import itertools
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from board_kit import EXAMPLES, Recorder, build, end, program, wait_for, without
from firmware_kit import assert_fits

from livesense.bench import load

pytestmark = pytest.mark.slow

EXAMPLE = EXAMPLES / "atmega328p"
BENCH = EXAMPLE / "bench.toml"
RATE_HZ = 1953.125
LSB_A = 5.0 / 1024 / 20 / 0.005  # 5 V, 10 bits, gain 20, 5 mΩ

# simavr's converter has 1023 steps and cuts off (its source, avr_adc.c): half of 5 V is 511.5 of them, code
# 511; the bench file, and a data sheet, have 512 there.
STEPS_A_MV = 1023 / 5000
MODEL_ZERO = -1.0

HZ = 97.0
PEAK_A = {"iu": 8.0, "iv": 7.5, "iw": 7.0}  # unlike each other, so that exchanged channels show
LINK_V = 24.2


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Builds it with the definitions that are asked for."""
    folder = tmp_path_factory.mktemp("avr")

    def make(*definitions: str) -> Path:
        gcc = program("avr-gcc", "gcc-avr and avr-libc")
        command = [gcc, "-std=c99", "-Os", "-mmcu=atmega328p", "-DF_CPU=16000000UL", *definitions]
        return build(command, EXAMPLE / "main.c", to=folder / f"pump{''.join(definitions)}.elf")

    return make


@pytest.fixture(scope="session")
def emulator(tmp_path_factory: pytest.TempPathFactory) -> Path:
    gcc = program("gcc", "gcc")
    library = subprocess.run(
        [gcc, "-E", "-"], input="#include <simavr/sim_avr.h>\n", capture_output=True, text=True
    )
    if library.returncode:
        without("libsimavr", "libsimavr-dev")
    source = Path(__file__).with_name("atmega328p_board.c")
    board = tmp_path_factory.mktemp("simavr") / "board"
    built = subprocess.run(
        [
            gcc,
            "-std=gnu11",
            "-Wall",
            "-Wextra",
            "-O2",
            "-o",
            str(board),
            str(source),
            "-lsimavr",
            "-lutil",
            "-lm",
        ],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stderr
    return board


class Board:
    """An emulated board that is held in reset until it is told to run."""

    def __init__(self, emulator: Path, firmware: Path) -> None:
        peaks_mv = [100 * peak for peak in PEAK_A.values()]  # 20 times 5 mΩ
        arguments = [HZ, 2500, *peaks_mv, LINK_V / 11 * 1000]
        self.process = subprocess.Popen(
            [str(emulator), str(firmware), *map(str, arguments)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.process.stdout
        self.port = self.process.stdout.readline().strip()

    def tell(self, order: str) -> None:
        assert self.process.stdin
        self.process.stdin.write(order + "\n")
        self.process.stdin.flush()

    def stop(self) -> list[int]:
        """Cycles run, cycles asleep, earliest and latest start of a conversion."""
        out, _ = self.process.communicate(timeout=60)
        assert self.process.returncode == 0
        return [int(word) for word in out.splitlines()[-1].split()]


@pytest.fixture
def power_up(emulator: Path, firmware: Callable[..., Path]) -> Iterator[Callable[..., Board]]:
    boards: list[Board] = []

    def start(*definitions: str) -> Board:
        boards.append(Board(emulator, firmware(*definitions)))
        return boards[-1]

    yield start
    for board in boards:
        end(board.process)


def listening(record: Callable[..., Recorder], board: Board) -> Recorder:
    """Let the board run once the recorder listens: then its first byte is heard, too."""
    recorder = record(BENCH, board.port)
    wait_for(recorder.listens, "the recorder to listen")
    board.tell("run")
    return recorder


def strays(first: int, codes: np.ndarray, start: complex = 0) -> tuple[float, complex]:
    """How far codes of phase currents are from the voltages at their instants, by scan and channel.

    Only the phase with which it all begins is not known beforehand: it is taken from U, unless given.
    """
    time_s = (first + np.arange(len(codes))) / RATE_HZ

    def turning(slot: int) -> np.ndarray:
        return np.exp(1j * (2 * np.pi * HZ * (time_s + slot * 128e-6) - slot * 2 * np.pi / 3))

    if not start:
        start = complex(np.vdot(turning(0), codes[:, 0] - codes[:, 0].mean()))
        start /= abs(start)
    worst = 0.0
    for slot, peak_a in enumerate(PEAK_A.values()):
        expected = (2500 + 100 * peak_a * (turning(slot) * start).real) * STEPS_A_MV
        worst = max(worst, float(np.abs(codes[:, slot] + 0.5 - expected).max()))
    return worst, start


def test_currents_are_those_at_the_pins(
    power_up: Callable[..., Board], record: Callable[..., Recorder], livesense: Callable[..., Any]
) -> None:
    recorder = listening(record, power_up())
    recorder.wait_for_scans(round(3 * RATE_HZ))
    summary = recorder.finish()

    (group,) = summary["groups"]
    assert group["channels"] == ["iu", "iv", "iw", "vbus", "gate"]
    assert group["rate_hz"] == RATE_HZ
    assert_fits(load(BENCH), recorder.groups())
    assert group["scans_lost"] == 0
    assert (summary["gaps"], summary["restarts"], summary["faults"]) == (0, 0, {})

    facts = livesense("measure", "last", "--json", "--logbook", recorder.logbook).json
    # The delay of a channel is corrected at the frequency that the arrival clock gives. An emulator that is
    # slower than a board lowers that, and what is left of the delay is no fault of the firmware's.
    fitted_hz = facts["speed"]["electrical_hz"]["value"]
    for late_s, angle_deg, (name, peak_a) in zip(
        (0, 128e-6, 256e-6), (0, -120, 120), PEAK_A.items(), strict=True
    ):
        channel = facts["channels"][name]
        left_deg = 360 * abs(fitted_hz - HZ) * late_s
        assert channel["phase_deg"]["value"] == pytest.approx(angle_deg, abs=0.5 + left_deg)
        assert channel["fundamental_rms"]["value"] * 2**0.5 == pytest.approx(peak_a, abs=LSB_A)
        assert channel["mean"]["value"] == pytest.approx(MODEL_ZERO * LSB_A, abs=0.2 * LSB_A)
    assert facts["three_phase"]["sequence"] == "UVW"
    assert facts["channels"]["vbus"]["mean"]["value"] == pytest.approx(LINK_V, abs=11 * 5 / 1024 * 1.5)


def test_every_code_is_the_voltage_of_its_instant(
    power_up: Callable[..., Board], record: Callable[..., Recorder]
) -> None:
    """By the index of each scan alone: one missing or doubled would show in all that follow."""
    board = power_up()
    recorder = listening(record, board)
    recorder.wait_for_scans(round(2 * RATE_HZ))
    recorder.finish()
    cycles, asleep, earliest, latest = board.stop()
    print(f"busy {100 * (1 - asleep / cycles):.1f} %, conversions start {earliest} to {latest} cycles off")
    assert latest - earliest <= 60  # as the comment in main.c says
    ((first, codes),) = recorder.stretches()
    # Half a code for what is cut off, 0.1 for whole millivolts, 0.4 for a start that is 60 cycles late.
    assert strays(first, codes)[0] < 1
    assert set(codes[:, 3].tolist()) == {round(LINK_V / 11 / 5 * 1024 - 0.5)}
    gate = codes[:, 4].astype(int)
    assert set(gate.tolist()) == {0, 1}
    edges = np.flatnonzero(np.diff(gate))
    np.testing.assert_allclose(np.diff(edges), RATE_HZ / 2, atol=0.005 * RATE_HZ + 1)  # set every 5 ms


def test_what_a_slow_line_cannot_carry_is_counted(
    power_up: Callable[..., Board], record: Callable[..., Recorder]
) -> None:
    """12.5 kB/s for 15.9 kB/s of scans: gaps, and each scan behind them where it belongs."""
    board = power_up("-DBAUD=125000UL")
    recorder = listening(record, board)
    recorder.wait_for_scans(round(1.5 * RATE_HZ))
    summary = recorder.finish()
    (group,) = summary["groups"]
    assert (summary["restarts"], summary["faults"]) == (0, {})
    stretches = recorder.stretches()
    assert stretches[0][0] == 0
    assert len(stretches) - 1 == summary["gaps"] > 0
    lost = sum(after[0] - before[0] - len(before[1]) for before, after in itertools.pairwise(stretches))
    assert group["scans_lost"] == lost
    # The firmware waits until half of what it can hold is free.
    assert lost / summary["gaps"] > 8
    # No stretch is long: read from dozens of scans, the start is a degree off. A scan more is 18 degrees.
    start = strays(*max(stretches, key=lambda stretch: len(stretch[1])))[1]
    assert max(strays(first, codes, start)[0] for first, codes in stretches) < 4


def test_reset_is_one_restart_and_the_run_goes_on(
    power_up: Callable[..., Board], record: Callable[..., Recorder]
) -> None:
    board = power_up()
    recorder = listening(record, board)
    recorder.wait_for_scans(200)
    board.tell("reset")
    wait_for(lambda: recorder.restarts() == 1, "the restart")
    recorder.wait_for_scans(200)
    summary = recorder.finish()
    assert (summary["runs"], summary["restarts"], summary["gaps"]) == ([1], 1, 0)
    # The reset may cut a frame.
    assert sum(summary["faults"].values()) <= 1
