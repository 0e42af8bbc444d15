"""`archive` against the single runs: what it tells of them is what `measure` and `events` tell."""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_run import codes, stored
from scripting_page import in_examples, keys, sections

from livesense.archive.slopes import slope_per_day

Command = Callable[..., Any]


@pytest.fixture
def ask(livesense: Command, dataset: Path) -> Callable[..., dict[str, Any]]:
    def call(question: str, *options: object) -> dict[str, Any]:
        answer = livesense("archive", question, dataset, "--workers", "0", "--json", *options)
        assert answer.code == 0, answer.err
        return answer.json

    return call


def test_figures_are_those_of_measure(ask: Command, livesense: Command) -> None:
    found = ask("summary", "--figures")
    assert [run["run"] for run in found["by_run"]] == [1, 2, 3]
    for run in found["by_run"]:
        assert run["figures"] == livesense("measure", run["run"], "--json").json


@pytest.mark.slow
def test_sums_over_all_scans(ask: Command) -> None:
    found = ask("summary")
    pump, spare = found["benches"]
    assert (pump["bench_name"], pump["runs"], spare["bench_name"], spare["runs"]) == (
        "coolant pump, 24 V",
        2,
        "spare",
        1,
    )
    assert pump["scans_lost"] == 80
    assert pump["events"] == {"overcurrent": 3}
    raw = codes()[stored(), 0].astype(float)
    both = (np.concatenate([raw, raw + 5]) - 2048) * 3.3 / (4096 * 20 * 0.005)
    iu = pump["channels"]["iu"]
    assert iu["scans"] == both.size
    # The same in exact arithmetic, rounded once.
    assert iu["mean"]["value"] == pytest.approx(math.fsum(both) / both.size, rel=1e-12)
    assert iu["rms"]["value"] == pytest.approx(math.sqrt(math.fsum(both**2) / both.size), rel=1e-12)
    assert (iu["min"]["value"], iu["max"]["value"]) == pytest.approx((both.min(), both.max()), rel=1e-11)
    # Systematic: 1 % as a limit of the shunt, of an rms far above the offset.
    assert iu["rms"]["u"] == pytest.approx(0.01 / math.sqrt(3) * iu["rms"]["value"], rel=0.2)
    # One of the thermometer's floats is not a number.
    assert pump["channels"]["t_sink"]["scans"] == 2 * 89
    assert pump["channels"]["iw"]["scans"] == both.size


@pytest.mark.slow
def test_events_are_those_of_events(ask: Command, livesense: Command) -> None:
    found = ask("events")
    assert (found["count"], [event["run"] for event in found["events"]]) == (3, [1, 1, 3])
    for run in (1, 3):
        here = [event for event in found["events"] if event["run"] == run]
        alone = livesense("events", run, "--json").json["events"]
        more = {"bench_name", "id", "run", "at"}
        assert [{k: v for k, v in event.items() if k not in more} for event in here] == alone
    assert found["events"][1]["at"].startswith("2026-03-01T")
    assert ask("events", "--kind", "thermal")["count"] == 0
    limited = ask("events", "--limit", "1")
    assert (limited["count"], len(limited["events"])) == (3, 1)


@pytest.mark.slow
def test_a_trend_is_what_measure_tells_of_each_window(ask: Command, livesense: Command) -> None:
    found = ask("trend", "--figure", "channels.iu.rms", "--every", "100ms")
    assert len(found["points"]) + found["withheld"] == 18
    for point in found["points"]:
        window = f"{int(point['from_s'] * 10 + 1e-6) / 10}"
        alone = livesense(
            "measure", point["run"], "--from", window, "--to", float(window) + 0.1, "--json"
        ).json
        assert point["figure"] == alone["channels"]["iu"]["rms"]
    assert set(found["slopes"]) == {"coolant pump, 24 V", "spare"}


def test_a_slope_is_that_of_a_line() -> None:
    # y = 3 + 0.5 a day, with residuals +d, −2d, +d: slope unchanged, s² = 6 d² / (3 − 2), Σ(x − x̄)² = 2.
    points = [
        {"at": f"2026-03-0{day + 1}T00:00:00+00:00", "figure": {"value": 3 + 0.5 * day + off, "unit": "A"}}
        for day, off in enumerate((0.1, -0.2, 0.1))
    ]
    found = slope_per_day(points)
    assert found is not None
    assert (found["value"], found["unit"]) == (pytest.approx(0.5), "A/d")
    assert found["u"] == pytest.approx(0.1 * math.sqrt(3))
    assert slope_per_day(points[:2]) is None
    assert slope_per_day([points[0]] * 3) is None


@pytest.mark.slow
def test_only_some_of_the_runs(ask: Command, livesense: Command, dataset: Path) -> None:
    assert [run["run"] for run in ask("summary", "--bench", "spare")["by_run"]] == [2]
    assert [run["run"] for run in ask("summary", "--since", "2026-03-02")["by_run"]] == [2, 3]
    assert [run["run"] for run in ask("summary", "--until", "2026-03-02")["by_run"]] == [1, 2]
    answer = livesense("archive", "summary", dataset, "--workers", "0", "--bench", "none")
    assert (answer.code, answer.out) == (2, "")
    assert "expected runs of none in this time" in answer.err


@pytest.mark.slow
def test_as_text(livesense: Command, dataset: Path) -> None:
    summary = livesense("archive", "summary", dataset, "--workers", "0")
    assert "coolant pump, 24 V: 2 runs" in summary.out
    assert "3 overcurrent events" in summary.out
    events = livesense("archive", "events", dataset, "--workers", "0")
    assert "3 events in 3 runs" in events.out
    trend = livesense("archive", "trend", dataset, "--workers", "0", "--figure", "channels.iu.rms")
    assert "channels.iu.rms" in trend.out


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("trend", "{ds}", "--figure", "channels.iq.rms"), "which no run has"),
        (("trend", "{ds}", "--figure", "run"), "which no run has"),
        (("summary", "empty"), "expected a dataset, found no run in it"),
        (("summary", "{ds}", "--scheduler", "tcp://127.0.0.1:1", "--workers", "1"), "leave one of them out"),
    ],
)
@pytest.mark.slow
def test_wrong_questions(livesense: Command, dataset: Path, options: tuple[str, ...], words: str) -> None:
    given = [option.format(ds=dataset) for option in options]
    more = [] if "--workers" in given else ["--workers", "0"]
    answer = livesense("archive", *given, *more)
    assert (answer.code, answer.out) == (2, "")
    assert words in answer.err


@pytest.mark.slow
def test_tls_wants_its_files(livesense: Command, dataset: Path) -> None:
    answer = livesense("archive", "summary", dataset, "--scheduler", "tls://127.0.0.1:1")
    assert (answer.code, answer.out) == (2, "")
    assert "--tls-ca" in answer.err


@pytest.mark.slow
def test_a_newer_dataset_is_refused_by_name(livesense: Command, dataset: Path) -> None:
    entry = next(dataset.rglob("_run.json"))
    facts = json.loads(entry.read_text())
    entry.write_text(json.dumps(facts | {"format": 2}))
    answer = livesense("archive", "summary", dataset, "--workers", "0")
    assert answer.code == 1
    assert "expected a dataset of format 1, found 2" in answer.err


@pytest.mark.parametrize("what", ["cut", "other", "gone"])
@pytest.mark.slow
def test_a_damaged_dataset_is_told(livesense: Command, dataset: Path, what: str) -> None:
    path = next(dataset.rglob("group-0-*.parquet"))
    if what == "cut":
        path.write_bytes(path.read_bytes()[:1000])
    elif what == "other":
        next(dataset.rglob("_run.json")).write_text("[]")
    else:
        path.unlink()
    answer = livesense("archive", "summary", dataset, "--workers", "0")
    assert answer.code in (1, 2)
    assert answer.out == ""
    assert "went wrong inside" not in answer.err


@pytest.mark.slow
def test_a_missing_library_is_named(
    livesense: Command, dataset: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    answer = livesense("archive", "summary", dataset)
    assert (answer.code, answer.out) == (2, "")
    assert "pip install 'livesense[archive]'" in answer.err


@pytest.mark.slow
def test_every_key_is_told(ask: Command, livesense: Command, three_runs: Path, tmp_path: Path) -> None:
    told = in_examples(sections()["archive"])
    figures = {"figures"} | in_examples(sections()["measure"]) | in_examples(sections()["events"])
    for question in ("summary", "events", "trend"):
        found = set(keys(ask(question)))
        assert found - told - figures - {"value", "u", "unit", "iu", "iv", "iw", "t_sink", "overcurrent",
                                         "coolant pump, 24 V", "spare"} == set()  # fmt: skip
    exported = set(keys(livesense("export", "--format", "dataset", tmp_path / "new", "--json").json))
    assert exported - set(re.findall(r'"([a-z_]+)"', sections()["export"])) == set()
