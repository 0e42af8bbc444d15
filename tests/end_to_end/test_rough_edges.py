"""Mistakes and odd recordings that once went wrong, each by the real commands."""

from __future__ import annotations

import json
import math
import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, scans_frame

Command = Callable[..., Any]
Recorded = Callable[..., dict[str, Any]]

CODE_A = 3.3 / 4096 / (20 * 0.005)


def sine_stream(amplitude_a: float, frequency_hz: float, rate_hz: float, count: int) -> bytes:
    """Three balanced currents, rounded to codes and without any noise."""
    stream = description_frame([group(("iu", "iv", "iw"), rate_hz=rate_hz)])
    scans = [
        tuple(
            round(2048 + amplitude_a / CODE_A * math.cos(2 * math.pi * (frequency_hz * n / rate_hz - k / 3)))
            for k in range(3)
        )
        for n in range(count)
    ]
    for at in range(0, count, 100):
        stream += scans_frame(0, at, scans[at : at + 100])
    return stream


@pytest.mark.parametrize("name", ["livesense.db", "pump.toml"])
def test_export_never_writes_over_a_logbook_or_a_bench_file(
    recorded: Recorded, livesense: Command, tmp_path: Path, name: str
) -> None:
    recorded(sine_stream(5, 50, 1000, 200), bench_text())
    before = (tmp_path / name).read_bytes()
    answer = livesense("export", "last", "--out", name, "--json")
    assert (answer.code, answer.out) == (2, "")
    assert "is no export" in answer.err
    assert (tmp_path / name).read_bytes() == before
    assert livesense("export", "last", "--out", name, "--force", "--json").code == 2
    assert (tmp_path / name).read_bytes() == before


def test_channels_that_change_before_any_scan_are_no_error(recorded: Recorded) -> None:
    one, other = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = description_frame([group(one.channels)]) + description_frame([group(other.channels)])
    summary = recorded(stream + other.packet(10), bench_text())
    assert (summary["ended"], summary["groups"][0]["scans_stored"]) == ("closed", 10)


def test_channels_that_change_after_the_last_scan_are_no_error(recorded: Recorded) -> None:
    one, other = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = description_frame([group(one.channels)]) + one.packet(10)
    assert recorded(stream + description_frame([group(other.channels)]), bench_text())["ended"] == "closed"


@pytest.mark.parametrize("count", [1, 2, 3, 17])
def test_few_scans_are_measured_as_far_as_they_go(recorded: Recorded, livesense: Command, count: int) -> None:
    recorded(sine_stream(5, 50, 1000, count), bench_text())
    answer = livesense("measure", "last", "--json")
    assert answer.code == 0, answer.err
    assert answer.json["channels"]["iu"]["max"]["value"] == pytest.approx(5, abs=0.01)
    assert answer.json["channels"]["iu"]["frequency_hz"] is None


@pytest.mark.parametrize(
    ("amplitude_a", "frequency_hz"), [(1.26, 50.0), (0.3, 400.0), (7.0, 1000.0), (0.05, 125.0)]
)
def test_rounding_without_noise_is_within_the_uncertainty(
    recorded: Recorded, livesense: Command, amplitude_a: float, frequency_hz: float
) -> None:
    bench = bench_text().replace('shunt_tolerance = "1 %"', "").replace('gain_error = "0.3 %"', "")
    recorded(sine_stream(amplitude_a, frequency_hz, 20_000, 1200), bench)
    facts = livesense("measure", "last", "--json").json
    true = amplitude_a / math.sqrt(2)
    for figure in (
        facts["channels"]["iu"]["fundamental_rms"],
        facts["channels"]["iv"]["rms"],
        facts["three_phase"]["positive_rms"],
    ):
        assert abs(figure["value"] - true) <= 2 * figure["u"], figure


def test_damaged_logbook_is_said_in_one_line(recorded: Recorded, livesense: Command, tmp_path: Path) -> None:
    recorded(sine_stream(5, 50, 1000, 200), bench_text())
    path = tmp_path / "livesense.db"
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    content = bytearray(path.read_bytes())
    begin = content.index(b"CREATE TABLE")
    content[begin : begin + 12] = b"\xff\xfe" * 6
    path.write_bytes(content)
    for command in ("runs", "show", "measure", "events"):
        answer = livesense(command)
        assert answer.code == 1
        assert answer.err.startswith("livesense: ")
        assert answer.err.count("\n") == 1
        assert "inside livesense" not in answer.err


@pytest.mark.slow
def test_recording_from_an_open_pipe_ends_by_time(tmp_path: Path) -> None:
    (tmp_path / "pump.toml").write_text(bench_text(), encoding="utf-8")
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "livesense.cli.main",
            "record",
            "pump.toml",
            "--port",
            "-",
            "--for",
            "500ms",
            "--json",
        ],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdin is not None
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdin.write(sine_stream(5, 50, 1000, 200))
    process.stdin.flush()
    out = process.stdout.read()
    err = process.stderr.read()
    assert process.wait(30) == 0, err
    process.stdin.close()
    process.stdout.close()
    process.stderr.close()
    assert json.loads(out)["groups"][0]["scans_stored"] == 200
    assert json.loads(out)["ended"] == "time"


def test_frequency_is_that_of_the_rate_at_its_own_time(recorded: Recorded, livesense: Command) -> None:
    def stream(rate_hz: float, first: int, count: int) -> bytes:
        made = description_frame([group(("iu", "iv", "iw"), rate_hz=rate_hz)])
        for at in range(0, count, 100):
            scans = [
                tuple(
                    round(
                        2048
                        + 600 * math.cos(2 * math.pi * (100 * n / rate_hz - k / 3))
                        + (n * 7919 % 13 - 6) / 6
                    )
                    for k in range(3)
                )
                for n in range(at, at + 100)
            ]
            made += scans_frame(0, first + at, scans)
        return made

    recorded(stream(20_000, 0, 20_000) + stream(5000, 20_000, 10_000), bench_text())
    for window in ((0.2, 0.8), (1.5, 2.5)):
        facts = livesense("measure", "last", "--from", window[0], "--to", window[1], "--json").json
        assert facts["speed"]["electrical_hz"]["value"] == pytest.approx(100, abs=0.01)
        assert facts["speed"]["rpm"]["value"] == pytest.approx(1200, abs=0.1)


@pytest.mark.slow
def test_stream_that_is_not_paced_is_measured_at_the_nominal_rate(tmp_path: Path, livesense: Command) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(30)
        port = f"socket://127.0.0.1:{server.getsockname()[1]}"
        (tmp_path / "pump.toml").write_text(bench_text(), encoding="utf-8")
        process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "livesense.cli.main",
                "record",
                "pump.toml",
                "--port",
                port,
                "--until-closed",
            ],
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
        )
        with server.accept()[0] as peer:
            # Thirty seconds' worth within one or two.
            data = sine_stream(5, 50, 1000, 30_000)
            for at in range(0, len(data), len(data) // 20):
                peer.sendall(data[at : at + len(data) // 20])
                process.poll()
                time.sleep(0.06)
        assert process.wait(60) == 0
    facts = livesense("measure", "last", "--from", "1", "--to", "5", "--json").json
    assert facts["speed"]["electrical_hz"]["value"] == pytest.approx(50, abs=0.01)


def test_terminal_that_went_away_does_not_end_a_recording(tmp_path: Path) -> None:
    from livesense.bench import parse
    from livesense.link.address import parse_address
    from livesense.record_settings import RecordSettings
    from livesense.recorder import Recorder

    one, other = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    (tmp_path / "s.bin").write_bytes(
        description_frame([group(one.channels)])
        + one.packet(10)
        + description_frame([group(other.channels)])
        + other.packet(20)
    )

    def gone(text: str) -> None:
        raise BrokenPipeError(text)

    recorder = Recorder(
        RecordSettings(parse(bench_text()), parse_address(f"file:{tmp_path / 's.bin'}"), tmp_path / "l.db"),
        tell=gone,
    )
    summary = recorder.run()
    assert (summary["ended"], summary["runs"], summary["groups"][0]["scans_stored"]) == ("closed", [1, 2], 20)


def test_run_that_ended_by_a_change_of_channels_says_so(recorded: Recorded, tmp_path: Path) -> None:
    one, other = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = description_frame([group(one.channels)]) + one.packet(10)
    recorded(stream + description_frame([group(other.channels)]) + other.packet(5), bench_text())
    with sqlite3.connect(tmp_path / "livesense.db") as connection:
        rows = connection.execute("SELECT ended, summary FROM run ORDER BY number").fetchall()
    assert [(ended, json.loads(summary)["ended"]) for ended, summary in rows] == [("closed", "closed")] * 2
