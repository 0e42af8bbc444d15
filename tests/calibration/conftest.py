"""Benches and streams for calibrations."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from plain_device import bench_text
from still_streams import stream

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
