"""A pump bench to walk on: what is really wired, as codes, and as a board on a socket."""

from __future__ import annotations

import socket
import threading
import time
from dataclasses import dataclass, field

import numpy as np

RATE_HZ = 2000.0
STEPS, VREF, OHM, GAIN = 4096, 3.3, 0.005, 20.0
LEADS = ("U", "V", "W")

BENCH = """
# The pump.
[bench]
name = "coolant pump, 24 V"
[link]
wire = "text"
columns = ["n", "iu", "iv", "iw"]
[[group]]
rate = "2 kHz"
[adc]
bits = 12
reference = "3.3 V"
reference_tolerance = "0.1 %"
offset_error = "2 LSB"
"""

CHANNEL = """
[[channel]]
name = "{name}"
phase = "{phase}"   # lead
sensor = "shunt"
shunt = "5 mΩ"
shunt_tolerance = "1 %"
gain = {gain}
gain_error = "0.3 %"
offset = "150 µV"
reference = "mid-supply"
"""


def bench(**changes: str) -> str:
    text = BENCH + "".join(
        CHANNEL.format(name=f"i{lead.lower()}", phase=lead, gain=int(GAIN)) for lead in LEADS
    )
    for was, now in changes.items():
        text = text.replace(was, now)
    return text


@dataclass
class Board:
    """What is really wired: for each column its lead, its sign and its gain over the nominal one."""

    leads: tuple[str, ...] = LEADS
    signs: tuple[int, ...] = (1, 1, 1)
    gains: tuple[float, ...] = (1.0, 1.0, 1.0)
    offsets_a: tuple[float, ...] = (0.02, -0.01, 0.015)
    noise_a: float = 0.02
    crosstalk: float = 0.0
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(3))

    def codes(self, step: str, amperes: float, n: int) -> np.ndarray:
        """``(n, 3)`` codes of so many scans while a current flows in at one lead and out at another."""
        into, _, out_of = step.partition("-")
        currents = {lead: amperes * ((lead == into) - (lead == out_of)) for lead in LEADS}
        found = []
        for column in range(3):
            current = currents[self.leads[column]] + self.crosstalk * amperes * (step != "rest")
            read_a = self.signs[column] * self.gains[column] * current + self.offsets_a[column]
            pin_v = VREF / 2 + GAIN * OHM * (read_a + self.rng.normal(0, self.noise_a, n))
            found.append(np.round(pin_v / VREF * STEPS))
        return np.stack(found, axis=1).astype(int)


SEQUENCE = ("rest", "U-V", "V-W")
AT = "rest=0-1,U-V=1-2,V-W=2-3"


class Bench:
    """A board on a socket that sends what flows now; the one who walks sets it by answering."""

    def __init__(self, board: Board, steps: tuple[str, ...] = SEQUENCE) -> None:
        self.board, self.step, self.amperes = board, "rest", 1.0
        self.waiting = list(steps)
        self.server = socket.create_server(("127.0.0.1", 0))
        self.over = False
        self.thread = threading.Thread(target=self._serve)
        self.thread.start()

    @property
    def port(self) -> str:
        return f"socket://127.0.0.1:{self.server.getsockname()[1]}"

    def _serve(self) -> None:
        self.server.settimeout(0.05)
        while not self.over:
            try:
                peer, _ = self.server.accept()
            except TimeoutError:
                continue
            n = 0
            with peer:
                while not self.over:
                    rows = self.board.codes(self.step, self.amperes, 20).tolist()
                    text = "".join(f"{n + k},{','.join(map(str, row))}\n" for k, row in enumerate(rows))
                    n += len(rows)
                    try:
                        peer.sendall(text.encode())
                    except OSError:
                        break
                    time.sleep(0.01)

    def close(self) -> None:
        self.over = True
        self.thread.join()
        self.server.close()
