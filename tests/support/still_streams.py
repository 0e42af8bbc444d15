"""Streams of a bench that stands still or carries known currents, from the device written by hand."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from plain_device import description_frame, group, scans_frame

RATE_HZ = 2000

OFF = {"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}
"""Zeros of a bench, in codes."""


def stream(
    codes: Mapping[str, Any],
    *,
    scans: int = 4000,
    rate_hz: float = RATE_HZ,
    noise: float = 1.2,
    seed: int = 1,
    **more: Any,
) -> bytes:
    """Frames of channels with a mean code (a number, or ``(scans,)``) each, and noise."""
    random = np.random.default_rng(seed)
    columns = [
        np.broadcast_to(np.asarray(c, float), (scans,)) + random.normal(0, noise, scans)
        for c in codes.values()
    ]
    rows = np.clip(np.rint(np.column_stack(columns)), 0, 4095).astype(int)
    out = description_frame([group(tuple(codes), rate_hz=rate_hz)], **more)
    for at in range(0, scans, 100):
        out += scans_frame(0, at, [tuple(row) for row in rows[at : at + 100].tolist()])
    return out
