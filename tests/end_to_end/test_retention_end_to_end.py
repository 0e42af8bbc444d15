"""A run of which old raw scans were dropped, through every command that reads it."""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text, description_frame, group

from dashboard.interruptions import interruptions
from dashboard.run_data import samples
from dashboard.run_figures import figures
from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook
from livesense.retained import dropped_text, newest_kept_s
from livesense.samples import CodeType
from livesense.wire.encode import frames

CHANNELS = ("iu", "iv", "iw")
RATE_HZ = 20000
SECONDS = 40
WATCH = """
[[watch]]
kind = "overcurrent"
channels = ["iu"]
limit = "12 A"
pre = "20 ms"
post = "40 ms"

[keep]
raw = "10 s"
"""


def codes() -> np.ndarray[Any, Any]:
    """Balanced currents of 100 Hz and 4 A; in the sixth second ten cycles of 14 A."""
    time_s = np.arange(SECONDS * RATE_HZ) / RATE_HZ
    peak = np.where((time_s >= 5.0) & (time_s < 5.1), 14.0, 4.0)[:, None] / 0.008056640625
    angle = 2 * np.pi * 100 * time_s[:, None] - 2 * np.pi / 3 * np.arange(3)
    noise = np.random.default_rng(1).normal(0, 1.0, (len(time_s), 3))
    return np.rint(2048 + peak * np.sin(angle) + noise).astype("<u2")


@pytest.fixture
def run(recorded: Callable[..., dict[str, Any]]) -> dict[str, Any]:
    stream = description_frame([group(CHANNELS)]) + frames(0, 0, codes(), 80, CodeType.U16)
    return recorded(stream, bench_text(more=WATCH))


@pytest.mark.slow
def test_what_the_commands_say(
    run: dict[str, Any], livesense: Callable[..., Any], exported: Callable[..., Any], tmp_path: Path
) -> None:
    assert run["groups"][0]["scans_stored"] == SECONDS * RATE_HZ
    assert run["events"] == 1

    show = livesense("show", "last", "--json").json
    (facts,) = show["groups"]
    before, after = show["keep"]["dropped"]
    assert facts["scans_stored"] == SECONDS * RATE_HZ
    assert facts["scans_lost"] == 0
    assert facts["scans_dropped"] == before["scans"] + after["scans"] > 20 * RATE_HZ
    assert show["keep"]["raw_s"] == 10.0
    assert (before["from_s"], before["reason"]) == (0.0, "age")
    (event,) = livesense("events", "last", "--json").json["events"]
    # `around` is 100 ms, longer than pre and post.
    assert before["stop"] == event["start_scan"] - 2000
    assert after["first"] == event["end_scan"] + 2001
    told = livesense("show", "last").out
    assert "Retention:" in told
    assert "were dropped by retention after 10 s ([keep] raw); kept: raw samples from" in told

    gone = livesense("measure", "last", "--from", "12", "--to", "14", "--json")
    assert gone.code != 0
    assert "no figures between 12 s and 14 s: raw samples from 5." in gone.err
    assert "of events 4.9" in gone.err
    event_only = livesense("measure", "last", "--from", "4.95", "--to", "5.15", "--json").json
    assert event_only["channels"]["iu"]["max"]["value"] == pytest.approx(14.0, abs=0.1)
    newest = livesense("measure", "last", "--json").json
    assert newest["window"] == "steady"
    assert newest["used_from_s"] == pytest.approx(after["to_s"], abs=0.1)
    assert newest["dropped"] is None
    whole = livesense("measure", "last", "--from", "0", "--json").json
    assert whole["used_from_s"] == pytest.approx(after["to_s"], abs=0.001)
    assert newest["channels"]["iu"]["rms"]["value"] == pytest.approx(4 / np.sqrt(2), rel=0.01)
    assert whole["dropped"] == show["keep"]["text"]
    assert livesense("measure", "last", "--from", "38", "--to", "39", "--json").json["dropped"] is None

    rows = exported("--codes")
    scans = [int(row["scan"]) for row in rows]
    assert len(scans) == SECONDS * RATE_HZ - facts["scans_dropped"]
    assert (scans[0], scans[-1]) == (before["stop"], SECONDS * RATE_HZ - 1)
    one = codes()[scans[100]]
    assert [int(rows[100][f"{name}_code"]) for name in CHANNELS] == one.tolist()
    answer = livesense("export", "last", "--out", tmp_path / "again.csv", "--json")
    assert "livesense: not in the export: raw samples from 0.000 s to" in answer.err
    assert answer.json["dropped"] == show["keep"]["text"]

    checked = livesense("verify", "--json")
    assert (checked.code, checked.json["total"] if "total" in checked.json else 0) == (0, 0)
    assert livesense("stretches", "last", "--json").json["stretches"]
    assert livesense("check", "pump.toml", "--run", "last", "--json").json["findings"] is not None
    (listed,) = livesense("runs", "--json").json["runs"]
    assert (listed["seconds"], listed["scans_lost"]) == (SECONDS, 0)


def test_events_are_found_again_where_raw_scans_are(
    run: dict[str, Any], livesense: Callable[..., Any], tmp_path: Path
) -> None:
    (before,) = livesense("events", "last", "--json").json["events"]
    corrected = bench_text(more=WATCH).replace("gain = 20", "gain = 20.2")
    assert corrected != bench_text(more=WATCH)
    (tmp_path / "pump.toml").write_text(corrected, encoding="utf-8")
    answer = livesense("rescale", "last", "--bench", "pump.toml", "--reason", "gain measured", "--json")
    assert answer.code == 0, answer.err
    assert answer.json["events"] == 1
    assert any("events were looked for only where they can be" in text for text in answer.json["warnings"])
    (after,) = livesense("events", "last", "--json").json["events"]
    # One per cent less of a sine reaches the limit a scan or two later.
    assert after["start_scan"] == pytest.approx(before["start_scan"], abs=2)
    assert after["end_scan"] == pytest.approx(before["end_scan"], abs=2)


def test_where_a_dropped_range_ends_is_no_matter_of_rounding(
    run: dict[str, Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Logbook(tmp_path / "livesense.db") as book:
        analysis = RunAnalysis(book, "last")
        axis = analysis.run.time_axis(0)
        row = analysis.run.dropped(0)[-1]
        rounded = 0
        for stop in range(590_000, 592_000):
            cut = replace(row, stop=stop)
            monkeypatch.setattr(analysis.run, "dropped", lambda group=None, cut=cut: [cut])
            begin_s = float(axis.time_s(np.array([stop]))[0])
            rounded += begin_s < newest_kept_s(analysis)
            assert dropped_text(analysis, begin_s, None) is None
            assert dropped_text(analysis, begin_s - 1 / RATE_HZ, None) is not None
        assert rounded > 0, "none of these instants was rounded: this shows nothing"


def test_show_says_before_when_no_waveform_of_an_event_is_left(
    run: dict[str, Any], tmp_path: Path, livesense: Callable[..., Any]
) -> None:
    with sqlite3.connect(tmp_path / "livesense.db") as db:
        db.execute("UPDATE dropped SET reason = 'waveforms' WHERE first = 0")
    db.close()
    said = livesense("show", "last").out
    told = r"; of events before 4\.9\d\d s no waveform is left, their rows and figures are \(\[keep\] size\)"
    assert re.search(told, said)
    assert livesense("show", "last", "--json").json["keep"]["dropped"][0]["reason"] == "waveforms"


def test_what_the_page_draws_and_says(run: dict[str, Any], tmp_path: Path) -> None:
    with Logbook(tmp_path / "livesense.db") as book:
        analysis = RunAnalysis(book, "last")
        for from_s, to_s in ((0.0, float(SECONDS)), (12.0, 12.05), (12.0, 30.0)):
            packed = samples(analysis, ["iu"], from_s, to_s, 1200)
            length = int.from_bytes(packed[:4], "little")
            about = json.loads(packed[4 : 4 + length])
            (count,) = about["points"]
            assert about["reduced"]
            values = np.frombuffer(packed, "<f4", count, 4 + length + 8 * count)
            assert np.isfinite(values).all()
            assert np.abs(values).max() == pytest.approx(14.0 if from_s < 5 else 4.0, abs=0.2)
        said = interruptions(analysis)["text"]
        assert "Raw samples from 0.000 s to" in said
        assert "dropped by retention after 10 s ([keep] raw)" in said
        found = figures(analysis, 0.0, float(SECONDS))
        assert found["from_s"] > 28.0
        assert found["of"] == "the first steady part of the raw samples kept of this run"
