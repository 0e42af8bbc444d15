"""A run of which old raw scans were dropped: exports and datasets have what is left, and say so."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text, description_frame, group

from livesense.samples import CodeType
from livesense.wire.encode import frames

RATE_HZ = 20_000
SECONDS = 25
CHANNELS = ("iu", "iv", "iw")

pytestmark = pytest.mark.slow


@pytest.fixture
def retained(recorded: Callable[..., Any]) -> dict[str, Any]:
    time_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    angle = 2 * np.pi * 100 * time_s[:, None] - 2 * np.pi / 3 * np.arange(3)
    noise = np.random.default_rng(1).normal(0, 1.0, (len(time_s), 3))
    codes = np.rint(2048 + 4 / 0.008056640625 * np.sin(angle) + noise).astype("<u2")
    stream = description_frame([group(CHANNELS)]) + frames(0, 0, codes, 80, CodeType.U16)
    return recorded(stream, bench_text(more='[keep]\nraw = "10 s"\n'))


def test_what_is_left_is_written_and_the_rest_is_told(
    retained: dict[str, Any], livesense: Callable[..., Any], tmp_path: Path
) -> None:
    assert retained["groups"][0]["scans_stored"] == SECONDS * RATE_HZ
    (gone,) = livesense("show", "last", "--json").json["keep"]["dropped"]
    left = SECONDS * RATE_HZ - gone["scans"]
    assert gone["scans"] > 0
    done = livesense("export", "last", "--format", "comtrade", "--json")
    assert done.json["rows"] == left
    assert "were dropped by retention" in done.json["dropped"]
    assert "were dropped by retention" in done.err
    header = (tmp_path / "run-1.hdr").read_text(encoding="utf-8")
    facts = json.loads(header[header.index("\n{") :].replace("\r\n", "\n"))
    assert facts["table"]["dropped"] == [
        {"first": gone["first"], "stop": gone["stop"], "scans": gone["scans"], "reason": "age"}
    ]


def test_a_dataset_has_the_same_figures(
    retained: dict[str, Any], livesense: Callable[..., Any], tmp_path: Path
) -> None:
    assert livesense("export", "--format", "dataset", tmp_path / "ds").code == 0
    found = livesense("archive", "summary", tmp_path / "ds", "--workers", "0", "--figures", "--json").json
    assert found["by_run"][0]["figures"] == livesense("measure", "last", "--json").json
    (gone,) = livesense("show", "last", "--json").json["keep"]["dropped"]
    assert found["benches"][0]["scans"] == SECONDS * RATE_HZ - gone["scans"]
    refused = livesense("archive", "trend", tmp_path / "ds", "--workers", "0", "--every", "1s", "--json").json
    # Windows of which nothing is left have no figure.
    assert refused["withheld"] >= gone["scans"] // RATE_HZ - 1
    assert len(refused["points"]) >= 9
