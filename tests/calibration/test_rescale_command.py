"""A run that is over gets a corrected chain, and goes back to the one before."""

from __future__ import annotations

import csv
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import Sender, bench_text, description_frame, group, scans_frame

from livesense import bench as bench_file
from livesense.analysis import RunAnalysis
from livesense.logbook.reader import Logbook
from livesense.watching import events_again

Command = Callable[..., Any]

CODE_A = 3.3 / 4096 / (20 * 0.005)
OFF = {"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}
RULE = """
[[watch]]
kind = "overcurrent"
channels = ["iu", "iv", "iw"]
limit = "8 A"
hold = "2 ms"
release_hold = "20 ms"
"""


def wave(peak_a: float, hz: float = 50.0, scans: int = 4000) -> np.ndarray:
    return peak_a / CODE_A * np.sin(2 * np.pi * hz * np.arange(scans) / 2000)


def bursts(scans: int = 4000) -> dict[str, np.ndarray]:
    """6 A, and 9 A between the scans 1000 and 1600."""
    size = np.where((np.arange(scans) >= 1000) & (np.arange(scans) < 1600), 1.5, 1.0)
    return {name: zero + size * wave(6.0) for name, zero in OFF.items()}


SHUNT_4 = ('shunt = "5 mΩ"', 'shunt = "4 mΩ"')


@pytest.fixture
def run(bench: Any, sent: Any, livesense: Command) -> Path:
    """A recorded run with one overload in each channel."""
    path: Path = bench(bench_text(more=RULE))
    assert livesense("record", path, "--port", sent(bursts()), "--json").json["events"] == 3
    return path


def corrected(bench: Any, *changes: tuple[str, str]) -> Path:
    text = bench_text(more=RULE)
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path: Path = bench(text, "fixed.toml")
    return path


def figures(livesense: Command) -> tuple[float, int, list[float]]:
    rms = livesense("measure", 1, "--from", 0, "--to", 0.5, "--json").json["channels"]["iu"]["ac_rms"][
        "value"
    ]
    events = livesense("events", 1, "--json").json["events"]
    return rms, len(events), sorted(event["peak"]["value"] for event in events)


def test_a_corrected_shunt_changes_figures_and_events_and_undo_brings_them_back(
    run: Path, bench: Any, livesense: Command
) -> None:
    before = figures(livesense)
    assert before[0] == pytest.approx(6 / 2**0.5, rel=0.01)
    answer = livesense(
        *("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "the 4 mΩ shunts were fitted"),
        *("--by", "Kim", "--json"),
    )
    assert answer.code == 0, answer.err
    assert (answer.json["revision"], answer.json["events_before"]) == (1, 3)
    assert answer.json["channels"]["iu"]["per_code"] == pytest.approx([CODE_A, 1.25 * CODE_A])
    after = figures(livesense)
    assert after[0] == pytest.approx(1.25 * before[0], rel=1e-6)
    # 7.5 A lies below 8 A, 11.25 A beyond.
    assert after[1] == answer.json["events"] == 3
    assert after[2] == pytest.approx([1.25 * peak for peak in before[2]])
    assert livesense("runs", "--json").json["runs"][0]["events"] == 3
    shown = livesense("show", 1, "--json").json
    assert shown["revision"] == 1
    assert '"4 mΩ"' in shown["bench"]
    assert [(r["revision"], r["reason"], r["by"]) for r in shown["revisions"]] == [
        (0, "", ""),
        (1, "the 4 mΩ shunts were fitted", "Kim"),
    ]
    undone = livesense("rescale", 1, "--undo", "--json")
    assert undone.json == {"run": 1, "undone": 1, "revision": 0, "events": 3}
    assert figures(livesense) == before
    assert livesense("rescale", 1, "--undo").code == 2


def test_a_smaller_limit_finds_more_and_a_larger_one_nothing(
    run: Path, bench: Any, livesense: Command
) -> None:
    for limit, count in (("4 A", 3), ("12 A", 0)):
        fixed = corrected(bench, ('limit = "8 A"', f'limit = "{limit}"'))
        answer = livesense("rescale", 1, "--bench", fixed, "--reason", "limit", "--json")
        assert answer.json["events"] == count
        assert len(livesense("events", 1, "--json").json["events"]) == count
    with Logbook("livesense.db") as book:
        assert [len(book.run(1).events(revision)) for revision in (0, 1, 2)] == [3, 3, 0]


def test_live_events_and_codes_are_never_touched(
    run: Path, bench: Any, livesense: Command, tmp_path: Path
) -> None:
    def kept() -> tuple[list[Any], list[Any]]:
        with Logbook("livesense.db") as book:
            reader = book.run(1)
            codes = np.concatenate([codes for _, codes in reader.codes(0, *reader.extent(0))])
            return reader.events(0), codes.tolist()

    before = kept()
    livesense("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "shunts", "--json")
    assert kept() == before


def test_exports_follow(run: Path, bench: Any, livesense: Command, tmp_path: Path) -> None:
    def first() -> float:
        livesense("export", 1, "--out", tmp_path / "out.csv", "--force")
        with (tmp_path / "out.csv").open(newline="", encoding="utf-8") as file:
            return float(next(iter(csv.DictReader(file)))["iu_A"])

    before = first()
    livesense("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "shunts", "--json")
    assert first() == pytest.approx(1.25 * before)


def test_an_open_analysis_notices(run: Path, bench: Any, livesense: Command) -> None:
    with Logbook("livesense.db") as book:
        analysis = RunAnalysis(book, 1)
        assert analysis.chain.channels["iu"].per_code == pytest.approx(CODE_A)
        livesense("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "shunts", "--json")
        analysis.refresh()
        assert analysis.chain.channels["iu"].per_code == pytest.approx(1.25 * CODE_A)
        livesense("rescale", 1, "--undo")
        analysis.refresh()
        assert analysis.chain.channels["iu"].per_code == pytest.approx(CODE_A)


def test_a_later_zero_is_applied_on_purpose_only(run: Path, sent: Any, livesense: Command) -> None:
    livesense("zero", run, "--port", sent(OFF), "--json")

    def mean() -> float:
        return float(
            livesense("measure", 1, "--from", 0, "--to", 0.4, "--json").json["channels"]["iu"]["mean"][
                "value"
            ]
        )

    assert mean() == pytest.approx(5.3 * CODE_A, abs=0.3 * CODE_A)
    answer = livesense("rescale", 1, "--calibration", "latest", "--reason", "zeros taken after", "--json")
    assert answer.code == 0, answer.err
    assert answer.json["calibration"]["channels"]["iu"]["zero"]["calibration"] == 1
    assert mean() == pytest.approx(0, abs=0.3 * CODE_A)
    again = livesense("rescale", 1, "--calibration", "latest", "--reason", "again")
    assert (again.code, "nothing would change" in again.err) == (2, True)
    livesense("rescale", 1, "--calibration", "none", "--reason", "as the data sheets say", "--json")
    assert mean() == pytest.approx(5.3 * CODE_A, abs=0.3 * CODE_A)
    livesense("rescale", 1, "--undo")
    assert mean() == pytest.approx(0, abs=0.3 * CODE_A)


def test_a_corrected_bench_file_keeps_the_zeros_of_its_boards(
    bench: Any, sent: Any, livesense: Command
) -> None:
    path = bench(bench_text(more=RULE))
    livesense("zero", path, "--port", sent(OFF), "--json")
    livesense("record", path, "--port", sent(bursts()), "--json")
    kept = livesense("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "shunts", "--json").json
    assert set(kept["calibration"]["channels"]) == {"iu", "iv", "iw"}
    board = ('name = "iu"', 'name = "iu"\nboard = "B1"')
    other = livesense("rescale", 1, "--bench", corrected(bench, board), "--reason", "board", "--json").json
    assert set(other["calibration"]["channels"]) == {"iv", "iw"}


def test_a_bench_file_that_does_not_fit_is_refused(run: Path, bench: Any, livesense: Command) -> None:
    fixed = corrected(bench, ('name = "iw"', 'name = "iw"\ncolumn = "adc7"'))
    answer = livesense("rescale", 1, "--bench", fixed, "--reason", "columns", "--json")
    assert (answer.code, answer.out) == (1, "")
    assert "adc7" in answer.err
    broken = corrected(bench, ('shunt = "5 mΩ"', 'shunt = "5 mA"'))
    assert livesense("rescale", 1, "--bench", broken, "--reason", "x", "--json").code == 2
    assert livesense("rescale", 1, "--list", "--json").json["revision"] == 0


def test_a_bench_file_of_another_bench_is_told(run: Path, bench: Any, livesense: Command) -> None:
    fixed = corrected(bench, ("coolant pump, 24 V", "fan, 48 V"), SHUNT_4)
    warnings = livesense("rescale", 1, "--bench", fixed, "--reason", "shunts", "--json").json["warnings"]
    assert "the bench file is of 'fan, 48 V', the run was recorded on 'coolant pump, 24 V'" in warnings[0]


def test_wrong_use(run: Path, bench: Any, livesense: Command) -> None:
    fixed = corrected(bench, SHUNT_4)
    for options in (
        (),
        ("--undo", "--list"),
        ("--bench", fixed, "--undo"),
        ("--bench", fixed),
        ("--reason", "x"),
    ):
        answer = livesense("rescale", 1, *options)
        assert (answer.code, answer.out) == (2, "")
        assert "expected" in answer.err
    assert livesense("rescale", 1, "--bench", fixed, "--reason", "  ").code == 2
    assert livesense("rescale", 9, "--bench", fixed, "--reason", "x").code == 1
    assert "nothing would change" in livesense("rescale", 1, "--bench", run, "--reason", "x").err


def test_people_are_told_what_changed(run: Path, bench: Any, livesense: Command) -> None:
    said = livesense("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "shunts of 4 mΩ").out
    assert "Run 1 has revision 1: shunts of 4 mΩ" in said
    assert "0.00805664 → 0.0100708" in said
    assert "3 events found again, 3 before" in said
    assert "as recorded" in livesense("rescale", 1, "--list").out
    assert "Revisions (now 1; 0 is as recorded)" in livesense("show", 1).out
    assert "is undone" in livesense("rescale", 1, "--undo").out
    assert "undone" in livesense("show", 1).out


def test_a_run_without_scans_has_nothing_to_rescale(bench: Any, livesense: Command, tmp_path: Path) -> None:
    (tmp_path / "empty.bin").write_bytes(b"")
    livesense("record", bench(), "--port", f"file:{tmp_path / 'empty.bin'}", "--json")
    answer = livesense("rescale", 1, "--bench", corrected(bench, SHUNT_4), "--reason", "x")
    assert answer.code == 1
    assert "holds no scans" in answer.err


def test_a_rescale_that_is_killed_leaves_the_revision_before(
    run: Path, bench: Any, livesense: Command
) -> None:
    before = figures(livesense)
    fixed = corrected(bench, SHUNT_4)
    script = Path(__file__).with_name("killed_rescale.py")
    child = subprocess.Popen(
        [sys.executable, str(script), "livesense.db", str(fixed)], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    with child.stdout:
        assert child.stdout.readline() == "inside\n"
        child.kill()
    child.wait()
    assert figures(livesense) == before
    assert livesense("rescale", 1, "--list", "--json").json["revision"] == 0
    assert livesense("rescale", 1, "--bench", fixed, "--reason", "once more", "--json").json["revision"] == 1


# The events of a chain are the same live and found again


def rough(seed: int) -> bytes:
    """Two groups with overloads, lost packets, restarts, and a change of the scan rate."""
    random = np.random.default_rng(seed)
    names = ("iu", "iv", "iw")
    rates = [1000, 100]
    senders = [Sender(names), Sender(("ix",), number=1)]
    boot = 1

    def described() -> bytes:
        return description_frame([group(names, rates[0]), group(("ix",), rates[1])], boot=str(boot))

    out = described()
    level = [0.0, 0.0]
    for _ in range(400):
        turn = random.random()
        if turn < 0.06:
            for sender in senders:
                sender.counter += int(random.integers(0, 40))
        elif turn < 0.08:
            boot += 1
            for sender in senders:
                sender.counter = int(random.integers(0, 3))
            out += described()
        elif turn < 0.10:
            rates[0] = 3000 - rates[0]
            out += described()
        which = int(random.random() < 0.25)
        sender = senders[which]
        if random.random() < 0.3:
            level[which] = float(random.choice([0.0, 7.0, 9.0, -9.5, 15.0, 20.0]))
        count = int(random.integers(1, 12))
        codes = np.clip(
            2048 + level[which] / CODE_A + random.normal(0, 60, (count, len(sender.channels))), 0, 4095
        )
        scans = [tuple(map(int, row)) for row in codes]
        out += scans_frame(which, sender.counter, scans)
        sender.counter += count
    return out


ROUGH = """
[[channel]]
name = "ix"
sensor = "shunt"
shunt = "5 mΩ"
gain = 20
reference = "mid-supply"
[[watch]]
kind = "overcurrent"
channels = ["iu", "iv", "ix"]
limit = "8 A"
hold = "4 ms"
release_hold = "15 ms"
[[watch]]
kind = "overcurrent"
channels = ["iu", "iv", "iw"]
quantity = "vector"
limit = "5 A"
hold = "2 ms"
release = "3 A"
release_hold = "30 ms"
[[watch]]
kind = "overcurrent"
quantity = "cycle-rms"
channels = ["iu", "iv", "iw"]
limit = "7 A"
[[watch]]
kind = "inverse-time"
channels = ["iu", "iv", "iw"]
curve = "B"
pickup = "2 A"
tms = 0.02
[[watch]]
kind = "thermal"
channels = ["iu"]
pickup = "3 A"
tau = "2 s"
[[watch]]
kind = "i2t"
channels = ["iv", "ix"]
i2t = "20 A²s"
"""


@pytest.mark.parametrize("seed", range(12))
def test_the_same_chain_finds_the_same_events_again(recorded: Any, seed: int) -> None:
    summary = recorded(rough(seed), bench_text(more=ROUGH))
    assert summary["restarts"] > 0
    assert summary["gaps"] > 0
    assert summary["events"] > 10
    with Logbook("livesense.db") as book:
        analysis = RunAnalysis(book, "last")
        live = [row.event for row in analysis.run.events(0)]
        again = events_again(analysis.run, analysis.bench, analysis.chain)

    def by_place(events: Any) -> list[Any]:
        return sorted(events, key=lambda e: (e.group, e.rule, e.channel, e.start_scan))

    assert by_place(again) == by_place(live)


def test_a_calibrated_chain_finds_the_same_events_live_and_again(
    bench: Any, sent: Any, livesense: Command
) -> None:
    # 1 A above the limit without the zero, below it with: the watch has to know the zero.
    text = bench_text(more=RULE.replace("8 A", "2 A").replace("2 ms", "1 ms"))
    path = bench(text)
    high = {name: code + 2.5 / CODE_A for name, code in OFF.items()}
    assert livesense("record", path, "--port", sent(high), "--json").json["events"] == 3
    zero = livesense("zero", path, "--port", sent(high), "--json", "--force", "test of the watch")
    assert zero.code == 0, zero.err
    assert livesense("record", path, "--port", sent(high), "--json").json["events"] == 0
    beyond = {name: code + wave(2.3) for name, code in high.items()}
    assert livesense("record", path, "--port", sent(beyond), "--json").json["events"] > 0
    with Logbook("livesense.db") as book:
        analysis = RunAnalysis(book, "last")
        live = [row.event for row in analysis.run.events(0)]
        assert events_again(analysis.run, analysis.bench, analysis.chain) == sorted(
            live, key=lambda e: e.start_scan
        )
        uncalibrated = bench_file.parse(text)
        assert analysis.bench == uncalibrated or analysis.bench.text == uncalibrated.text
    facts = livesense("rescale", "last", "--calibration", "latest", "--reason", "x")
    assert "nothing would change" in facts.err
