"""A logbook to write into, and what goes into it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter, RunWriter
from livesense.samples import CodeType, GroupInfo

STARTED_S = 1_700_000_000.0


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "pump.db"


@pytest.fixture
def writer(path: Path) -> Iterator[LogbookWriter]:
    with LogbookWriter(path) as opened:
        yield opened


StartRun = Callable[..., RunWriter]


@pytest.fixture
def start(writer: LogbookWriter) -> StartRun:
    """Give what starts a run, with one group unless told otherwise."""

    def begin(
        groups: list[GroupInfo] | None = None,
        *,
        on: LogbookWriter | None = None,
        counted: Any = True,
        **row: Any,
    ) -> RunWriter:
        values: dict[str, Any] = {
            "name": "first start",
            "bench_name": "coolant pump, 24 V",
            "bench_text": "[bench]\n",
            "bench_path": "pump.toml",
            "version": "0.1",
            "port": "socket://localhost:1",
            "wire": "framed",
            "started_wall_s": STARTED_S,
        }
        run = (on or writer).start_run(**(values | row))
        run.add_groups(groups or [currents()], counted=counted)
        return run

    return begin


@pytest.fixture
def read(path: Path) -> Iterator[Callable[[], Logbook]]:
    opened: list[Logbook] = []

    def open_one() -> Logbook:
        opened.append(Logbook(path))
        return opened[-1]

    yield open_one
    for book in opened:
        book.close()


def currents(
    code: CodeType = CodeType.U12, channels: tuple[str, ...] = ("iu", "iv", "iw", "vbus"), **more: Any
) -> GroupInfo:
    return GroupInfo(20000.0, code, 12, channels, **more)


@pytest.fixture
def group() -> Callable[..., GroupInfo]:
    return currents


@pytest.fixture
def pump_codes() -> Callable[..., np.ndarray[Any, Any]]:
    """Three currents and a bus voltage of 12 bit, ``(n, 4)``, with noise."""

    def make(count: int, first: int = 0, seed: int = 1) -> np.ndarray[Any, Any]:
        noise = np.random.default_rng([seed, first]).normal(0, 1.5, (count, 4))
        time_s = (first + np.arange(count)) / 20000
        angle = 2 * np.pi * 150 * time_s[:, None] - np.array([0, 1, 2]) * 2 * np.pi / 3
        codes = np.column_stack([2048 + 800 * np.sin(angle), np.full(count, 2900.0)]) + noise
        return np.clip(np.rint(codes), 0, 4095).astype("<u2")

    return make
