"""Points asked for while a run is recorded: by the command's rules, of its newest seconds."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text
from still_streams import OFF, stream

from livesense.bench import parse
from livesense.live_points import discard_of_run, point_of_run, scale_of_run
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter

BENCH = parse(bench_text())
CODE_A = 3.3 / 4096 / (20 * 0.005)
BOARDS = dict.fromkeys(OFF, "")


@pytest.fixture
def recorded(livesense: Callable[..., Any], tmp_path: Path) -> Callable[[float], int]:
    """Record four seconds in which, in its last two, so much flows through iu and back through iv."""
    (tmp_path / "pump.toml").write_text(bench_text(), encoding="utf-8")

    def record(amperes: float, noise: float = 1.2, swing: float = 0.0) -> int:
        late = np.arange(8000) >= 3000
        wave = swing * np.sin(2 * np.pi * 50 * np.arange(8000) / 2000)
        codes = dict(OFF)
        for name, sign in (("iu", 1), ("iv", -1)):
            codes[name] = OFF[name] + np.where(late, sign * 1.005 * amperes / CODE_A + wave, 0.0)
        (tmp_path / "s.bin").write_bytes(stream(codes, scans=8000, noise=noise))
        answer = livesense("record", "pump.toml", "--port", f"file:{tmp_path / 's.bin'}", "--json")
        assert answer.code == 0, answer.err
        with Logbook(tmp_path / "livesense.db") as book:
            return book.runs()[0].number

    return record


def asked(run: int, **said: Any) -> str:
    text = json.dumps({"channels": "iu,-iv", "value": "8 A", "errors": ["0.02 %"], **said})
    with LogbookWriter(Path("livesense.db")) as writer:
        return point_of_run(writer, BENCH, run, text)


def waiting() -> list[Any]:
    with Logbook(Path("livesense.db")) as book:
        return book.waiting_points(BENCH.name, BOARDS)


def kept() -> str:
    with LogbookWriter(Path("livesense.db")) as writer:
        return scale_of_run(writer, BENCH)


def thrown(text: str) -> str:
    with LogbookWriter(Path("livesense.db")) as writer:
        return discard_of_run(writer, BENCH, text)


def test_two_points_make_the_scale_that_the_command_makes(recorded: Any, livesense: Any) -> None:
    said = asked(recorded(8.0))
    assert said.startswith("point kept: iu 8 A at code ")
    assert "iv \u22128 A at code " in said
    asked(recorded(-8.0), value="-8 A", meter="meter A")
    rows = waiting()
    assert [(r.channel, r.value, r.meter) for r in rows] == [
        ("iu", 8.0, "reference meter"), ("iv", -8.0, "reference meter"),
        ("iu", -8.0, "meter A"), ("iv", 8.0, "meter A"),
    ]  # fmt: skip
    assert {r.scans for r in rows} == {4000}
    assert kept() == "scale kept of iu, iv; runs recorded from now on use it, this one goes on as it began"
    assert waiting() == []
    with Logbook(Path("livesense.db")) as book:
        found = {row.channel: row for row in book.calibrations(BENCH.name, BOARDS)}
    assert found["iu"].per_code == pytest.approx(CODE_A / 1.005, rel=2e-4)
    assert found["iv"].zero_code == pytest.approx(OFF["iv"], abs=0.2)


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"channels": "ix"}, "expected names out of iu, iv, iw"),
        ({"value": "much"}, "expected a value in A such as \"1.000 A\", got 'much'"),
        ({"errors": []}, "expected what the reference meter may be wrong by"),
        ({"errors": ["x"]}, "expected a limit of error such as"),
    ],
)
def test_what_is_no_point_is_said(recorded: Any, said: dict[str, Any], told: str) -> None:
    answer = asked(recorded(8.0), **said)
    assert answer.startswith("no point was kept: ")
    assert told in answer
    assert waiting() == []


def test_what_alternates_is_no_point(recorded: Any) -> None:
    answer = asked(recorded(8.0, swing=300.0))
    assert answer.startswith("no point was kept: iu varies by ")
    assert not answer.endswith("no point was kept")
    assert waiting() == []


def test_one_point_is_no_scale_and_an_implausible_gain_none_either(recorded: Any) -> None:
    asked(recorded(8.0))
    assert "expected at least two points" in kept()
    asked(recorded(-8.0), value="-16 A")
    answer = kept()
    assert answer.startswith("no scale was kept: iu: its gain is ")
    assert '`livesense calibrate BENCH --fit --force "REASON"`' in answer
    assert len(waiting()) == 4


def test_points_are_thrown_away_one_by_one(recorded: Any) -> None:
    asked(recorded(8.0))
    first, second = waiting()
    assert thrown(json.dumps({"point": first.number})) == "the point of iu was thrown away"
    assert [row.number for row in waiting()] == [second.number]
    for text in (json.dumps({"point": first.number}), "{}", "[]", "x"):
        assert thrown(text).startswith("the point was not thrown away: ")
    assert len(waiting()) == 1
