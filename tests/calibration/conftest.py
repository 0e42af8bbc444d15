"""Streams of a bench at rest and of one that carries a known current, from a device written by hand."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text, description_frame, group, scans_frame

CODE_A = 3.3 / 4096 / (20 * 0.005)
"""Amperes per code of the bench that `bench_text` writes."""

RATE_HZ = 2000


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


Made = Callable[..., str]


@pytest.fixture
def sent(tmp_path: Path) -> Made:
    """Write a stream to a file; returns its address."""

    def write(codes: Mapping[str, Any], name: str = "stream.bin", **more: Any) -> str:
        (tmp_path / name).write_bytes(stream(codes, **more))
        return f"file:{tmp_path / name}"

    return write


@pytest.fixture
def bench(tmp_path: Path) -> Callable[..., Path]:
    """Write a bench file."""

    def write(text: str | None = None, name: str = "pump.toml", **more: Any) -> Path:
        path = tmp_path / name
        path.write_text(bench_text(**more) if text is None else text, encoding="utf-8")
        return path

    return write


OFF = {"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}
"""Zeros of a bench, in codes."""
