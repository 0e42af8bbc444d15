"""The Cortex-M4 example on an emulated one, by UART and by semihosting, through the real recorder.

QEMU's converter gives 7 more at each reading and starts at 0: so each code follows from
its scan's number and its channel, and a scan that is missing, doubled or torn shows.
"""

from __future__ import annotations

import itertools
import os
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from board_kit import EXAMPLES, Recorder, build, end, program, wait_for
from firmware_kit import assert_fits

from livesense.bench import load

pytestmark = pytest.mark.slow

EXAMPLE = EXAMPLES / "cortex-m4"
BENCH = EXAMPLE / "bench.toml"

# The guest's clock goes by instructions: a busy computer makes it slow, and nothing is lost by that.
BY_INSTRUCTIONS = ["-icount", "shift=4"]


@pytest.fixture(scope="session")
def firmware(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Builds it with the outlet and the definitions that are asked for."""
    folder = tmp_path_factory.mktemp("m4")

    def make(outlet: str, *definitions: str) -> Path:
        gcc = program("arm-none-eabi-gcc", "gcc-arm-none-eabi")
        command = [gcc, "-std=c99", "-mcpu=cortex-m4", "-mthumb", "-Os", "-ffreestanding", "-nostdlib"]
        sources = [EXAMPLE / name for name in ("main.c", "startup.c", f"outlet_{outlet}.c")]
        to = folder / f"{outlet}{''.join(definitions)}.elf"
        return build([*command, "-T", str(EXAMPLE / "link.ld"), *definitions], *sources, to=to)

    return make


# QEMU looks once a second whether its pty is open; until it knows, it drops what finds no room there.
NOTICES_S = 1.1


class Board:
    """An emulated board whose UART is a pty, and a monitor to order it about. Its CPU waits for `run`."""

    def __init__(self, firmware: Path, *options: str) -> None:
        qemu = program("qemu-system-arm", "qemu-system-arm")
        command = [qemu, "-M", "netduinoplus2", "-kernel", str(firmware), "-display", "none", *options]
        self.process = subprocess.Popen(
            [*command, "-S", "-serial", "pty", "-monitor", "stdio"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        assert self.process.stdout
        for line in self.process.stdout:
            if "redirected to " in line:
                self.port = line.split("redirected to ")[1].split()[0]
                self.line = os.open(self.port, os.O_RDWR | os.O_NOCTTY)
                self.opened_s = time.monotonic()
                return
        pytest.fail("QEMU did not tell the name of its pty")

    def run(self) -> None:
        """Let the CPU run, once QEMU knows that its pty is open."""
        wait_for(lambda: time.monotonic() > self.opened_s + NOTICES_S, "QEMU to look")
        self.tell("info status")
        assert self.process.stdout
        # It answers in the same round in which it looks, or a later one.
        assert any("VM status" in line for line in self.process.stdout)
        self.tell("cont")

    def end(self) -> None:
        os.close(self.line)
        end(self.process, patience_s=2)

    def tell(self, order: str) -> None:
        assert self.process.stdin
        self.process.stdin.write(order + "\n")
        self.process.stdin.flush()


@pytest.fixture
def power_up() -> Iterator[Callable[..., Board]]:
    boards: list[Board] = []

    def start(firmware: Path, *options: str) -> Board:
        boards.append(Board(firmware, *options))
        return boards[-1]

    yield start
    for board in boards:
        board.end()


def listening(record: Callable[..., Recorder], port: str, board: Board) -> Recorder:
    """Let the board run once the recorder listens: then its first byte is heard, too."""
    recorder = record(BENCH, port)
    wait_for(recorder.listens, "the recorder to listen")
    board.run()
    return recorder


def ramp_of(first: int, codes: np.ndarray) -> set[int]:
    """What the ramp began with, by each code: one number when every code is that of its scan and channel."""
    place = first * codes.shape[1] + np.arange(codes.size)
    return set(((codes.ravel().astype(np.int64) - 7 * place) % 4096).tolist())


def test_every_code_arrives_by_uart(
    firmware: Callable[..., Path], power_up: Callable[..., Board], record: Callable[..., Recorder]
) -> None:
    board = power_up(firmware("uart"), *BY_INSTRUCTIONS)
    recorder = listening(record, board.port, board)
    recorder.wait_for_scans(20_000)
    summary = recorder.finish()
    (group,) = summary["groups"]
    assert group["channels"] == ["iu", "iv", "iw", "vbus"]
    assert group["rate_hz"] == 10_000
    assert_fits(load(BENCH), recorder.groups())
    assert group["scans_lost"] == 0
    assert (summary["gaps"], summary["restarts"], summary["faults"]) == (0, 0, {})
    ((first, codes),) = recorder.stretches()
    assert len(codes) == group["scans_stored"]
    assert first == 0
    assert ramp_of(first, codes) == {7}


def test_scans_that_the_sender_cannot_keep_up_with_are_counted(
    firmware: Callable[..., Path], power_up: Callable[..., Board], record: Callable[..., Recorder]
) -> None:
    # Four million instructions a second: enough to take so many scans, too few to pack them all.
    board = power_up(firmware("uart", "-DSCAN_HZ=20000"), "-icount", "shift=8")
    recorder = listening(record, board.port, board)
    recorder.wait_for_scans(20_000)
    summary = recorder.finish()
    (group,) = summary["groups"]
    assert (summary["restarts"], summary["faults"]) == (0, {})
    stretches = recorder.stretches()
    lost = sum(after[0] - before[0] - len(before[1]) for before, after in itertools.pairwise(stretches))
    assert group["scans_lost"] == lost > 0
    assert summary["gaps"] == len(stretches) - 1
    # Few long gaps: the firmware drops half a buffer at once.
    assert lost / summary["gaps"] > 1000
    assert set().union(*(ramp_of(first, codes) for first, codes in stretches)) == {7}


def test_reset_is_one_restart_and_the_run_goes_on(
    firmware: Callable[..., Path], power_up: Callable[..., Board], record: Callable[..., Recorder]
) -> None:
    board = power_up(firmware("uart"), *BY_INSTRUCTIONS)
    recorder = listening(record, board.port, board)
    recorder.wait_for_scans(2000)
    board.tell("system_reset")
    wait_for(lambda: recorder.restarts() == 1, "the restart")
    recorder.wait_for_scans(2000)
    summary = recorder.finish()
    assert (summary["runs"], summary["restarts"], summary["gaps"]) == ([1], 1, 0)
    # The reset may cut a frame.
    assert sum(summary["faults"].values()) <= 1
    ((_, codes),) = recorder.stretches()
    assert np.count_nonzero(np.diff(codes.ravel().astype(np.int64)) % 4096 != 7) <= 1


def test_board_that_goes_and_comes_back_is_an_outage_and_the_run_goes_on(
    firmware: Callable[..., Path],
    power_up: Callable[..., Board],
    record: Callable[..., Recorder],
    livesense: Callable[..., Any],
    tmp_path: Path,
) -> None:
    elf = firmware("uart")
    board = power_up(elf, *BY_INSTRUCTIONS)
    # A name that stays, as systems give to boards by their serial number.
    port = tmp_path / "board"
    port.symlink_to(board.port)
    recorder = listening(record, str(port), board)
    recorder.wait_for_scans(2000)
    board.process.kill()
    board.process.communicate()
    wait_for(recorder.away, "the recorder to see that the port is away")
    again = power_up(elf, *BY_INSTRUCTIONS)
    port.unlink()
    port.symlink_to(again.port)
    wait_for(lambda: not recorder.away(), "the recorder to find the port again")
    again.run()
    wait_for(lambda: recorder.restarts() == 1, "the restart")
    recorder.wait_for_scans(2000)
    summary = recorder.finish()
    assert (summary["runs"], summary["restarts"], summary["ended"]) == ([1], 1, "asked")
    assert summary["away"]["count"] == 1
    facts = livesense("show", "last", "--json", "--logbook", recorder.logbook).json
    (outage,) = facts["outages"]
    assert (outage["scans_lost"], outage["uncounted"]) == (None, "restart")
    ((_, codes),) = recorder.stretches()
    assert np.count_nonzero(np.diff(codes.ravel().astype(np.int64)) % 4096 != 7) <= 1


def test_as_fast_as_usb_nothing_is_lost(
    firmware: Callable[..., Path], record: Callable[..., Recorder]
) -> None:
    import pty
    import tty

    qemu = program("qemu-system-arm", "qemu-system-arm")
    elf = firmware("semihosting", "-DFLAT_OUT", "-DSCAN_HZ=500000")
    controller, terminal = pty.openpty()
    try:
        tty.setraw(terminal)
        recorder = record(BENCH, os.ttyname(terminal))
        wait_for(recorder.listens, "the recorder to listen")
        command = [qemu, "-M", "netduinoplus2", "-kernel", str(elf), "-display", "none", "-monitor", "none"]
        board = subprocess.Popen(
            [*command, "-serial", "none", "-semihosting-config", "enable=on,target=native"],
            stdin=subprocess.DEVNULL,
            stdout=controller,
        )
        try:
            begun_s = time.monotonic()
            recorder.wait_for_scans(1_000_000)
            summary = recorder.finish()
            spent_s = time.monotonic() - begun_s
        finally:
            end(board, patience_s=2)
    finally:
        os.close(controller)
        os.close(terminal)
    (group,) = summary["groups"]
    print(f"{group['scans_stored'] * 6.25 / spent_s / 1e6:.1f} MB/s")
    assert group["scans_lost"] == 0
    assert (summary["gaps"], summary["restarts"], summary["faults"]) == (0, 0, {})
    ((first, codes),) = recorder.stretches()
    assert first == 0
    assert ramp_of(0, codes) == {7}
