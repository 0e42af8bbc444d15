"""The MicroPython module on an emulated board with 16 KB of RAM: pasted into its REPL, really recorded."""

from __future__ import annotations

import contextlib
import itertools
import os
import select
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from board_kit import Recorder, end, program, wait_for, without
from firmware_kit import FIRMWARE, pasted
from plain_device import bench_text

pytestmark = pytest.mark.slow

MODULE = FIRMWARE / "micropython" / "livesense_wire.py"
IMAGE = Path("/usr/share/firmware-microbit-micropython/firmware.hex")

# Each code follows from the number of its scan; five scans of every hundred are counted and not sent.
SENDER = """
from microbit import uart, running_time

def send_on():  # a REPL prints what a statement outside of functions gives
    about = '{"livesense":1,"groups":[{"rate_hz":200,"code":"%s","bits":12,"channels":["iu","iv","iw"]}]}'
    batch = Batch(uart.write, 0, "%s", 3, 10, 30)
    due = running_time()
    while True:
        n = batch.counter
        if n %% 100 == 0:
            batch.flush()
            description(uart.write, about)
            note(uart.write, "scan %%d" %% n)
        while running_time() < due:
            pass
        due += 5
        batch.scan((n & 4095, n * 7 & 4095, n * 1365 & 4095), due)
        if n %% 100 == 42:
            batch.skip(5)

send_on()
"""


@pytest.fixture
def board() -> Iterator[str]:
    """A board that has just begun; the name of its port."""
    qemu = program("qemu-system-arm", "qemu-system-arm")
    if not IMAGE.exists():
        without(str(IMAGE), "firmware-microbit-micropython")
    command = [qemu, "-M", "microbit", "-device", f"loader,file={IMAGE}", "-display", "none"]
    process = subprocess.Popen(
        [*command, "-serial", "pty", "-monitor", "stdio"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout
    try:
        yield next(
            line.split("redirected to ")[1].split()[0] for line in process.stdout if "redirected to " in line
        )
    finally:
        end(process, patience_s=2)


class Repl:
    """The board's REPL in its paste mode, which echoes: so a board that reads slowly drops nothing."""

    def __init__(self, port: str) -> None:
        import tty

        self.line = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.line)
        self.send(b"\r\x03", b">>> ")

    def send(self, data: bytes, answer: bytes) -> bytes:
        """Write, and read until the answer comes."""
        os.write(self.line, data)
        heard = b""
        while select.select([self.line], [], [], 60)[0]:
            heard += os.read(self.line, 1)
            if heard.endswith(answer):
                return heard
        pytest.fail(f"expected {answer!r} after {data!r}, heard {heard!r}")

    def paste(self, source: str) -> None:
        self.send(b"\x05", b"=== ")
        for line in source.encode().splitlines():
            for at in range(0, len(line), 32):
                piece = line[at : at + 32]
                self.send(piece, piece)
            self.send(b"\r", b"=== ")

    def run(self, source: str) -> None:
        self.paste(source)
        heard = self.send(b"\x04", b">>> ")
        assert b"Error" not in heard, heard

    def begin(self, source: str) -> None:
        """Run what never ends."""
        self.paste(source)
        self.send(b"\x04", b"\n")

    def close(self) -> None:
        os.close(self.line)


@pytest.mark.parametrize("code", ["u16", "u12"])
def test_the_recorder_takes_what_the_board_sends(
    board: str, code: str, record: Callable[..., Recorder], tmp_path: Path
) -> None:
    bench = tmp_path / "pump.toml"
    bench.write_text(bench_text(), encoding="utf-8")
    with contextlib.closing(Repl(board)) as repl:
        for piece in pasted(MODULE):
            repl.run(piece)
        repl.begin(SENDER % (code, code))
        # The line stays open here, too: QEMU drops what finds no room in a pty that it takes for closed.
        recorder = record(bench, board)
        wait_for(lambda: recorder.stored() > 300, "300 scans")
        summary = recorder.finish()
    assert summary["faults"] == {}
    assert summary["restarts"] == 0
    (group,) = summary["groups"]
    stretches = recorder.stretches()
    assert group["scans_lost"] == 5 * summary["gaps"]
    assert summary["gaps"] == len(stretches) - 1 > 1
    # Index 0 is the first scan that was heard; its number is in the first of its codes.
    begun = int(stretches[0][1][0, 0])
    for first, codes in stretches:
        number = begun + first + np.arange(len(codes))
        np.testing.assert_array_equal(codes, np.stack([number, number * 7, number * 1365], axis=1) % 4096)
    for (before, codes), (after, _) in itertools.pairwise(stretches):
        assert (begun + before + len(codes)) % 100 == 43
        assert after - before - len(codes) == 5
