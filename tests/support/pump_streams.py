"""Streams of the coolant pump's three currents, framed and as lines of text."""

from __future__ import annotations

import numpy as np

from livesense.samples import CodeType, GroupInfo
from livesense.wire.encode import description_packet, encode_frame
from livesense.wire.encode import frames as scan_frames

GROUPS = [
    GroupInfo(20000.0, CodeType.U16, 12, ("iu", "iv", "iw", "vbus")),
    GroupInfo(10.0, CodeType.U16, 12, ("t_sink",)),
]
DESCRIPTION = encode_frame(description_packet(GROUPS, device="pump-bench"))


def wave(scans: int = 800, columns: int = 3) -> np.ndarray:
    angle = 2 * np.pi * 83 * np.arange(scans)[:, None] / 20000 - 2 * np.pi / 3 * np.arange(columns)
    noise = np.random.default_rng(5).normal(0, 2, (scans, columns))
    return np.round(2048 + 700 * np.sin(angle) + noise).astype(np.uint16)


def frames(*, described: bool = True, scans: int = 800) -> bytes:
    return DESCRIPTION * described + scan_frames(0, 0, wave(scans, 4), 16, CodeType.U16)


def lines(form: str, *, header: str = "", end: str = "\n", n: int = 400, first: int = 0) -> bytes:
    """One line a scan; ``form`` may use n, us (a clock of 50 µs a scan, ±1), a, b, c and hh."""
    made = [header + end] if header else []
    for number, (a, b, c) in enumerate(wave(n).tolist()):
        us = (2**32 - 6000 + 50 * number + number % 2) % 2**32
        text = form.format(n=(first + number) % 2**32, n8=(first + number) % 256, us=us, a=a, b=b, c=c)
        made.append(text + end)
    return "".join(made).encode()
