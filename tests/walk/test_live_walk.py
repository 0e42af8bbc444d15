"""A walk that the page asks a recorder to keep: by the command's rules, all or nothing."""

import json
from pathlib import Path

import numpy as np
import pytest
from walk_bench import RATE_HZ, SEQUENCE, Board, bench

from livesense.live_walk import walk_of_run
from livesense.logbook.writer import LogbookWriter

WINDOWS = {"rest": [0, 1], "U-V": [1, 2], "V-W": [2, 3]}


@pytest.fixture
def recorded_walk(livesense):
    def made(board):
        codes = np.concatenate([board.codes(step, 1.0, int(RATE_HZ)) for step in SEQUENCE])
        lines = [f"{n},{','.join(map(str, row))}" for n, row in enumerate(codes.tolist())]
        Path("s.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        Path("pump.toml").write_text(bench(), encoding="utf-8")
        answer = livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
        assert answer.code == 0, answer.err

    return made


def keep(text=None, **changes):
    said = {"windows": WINDOWS, "current": "1.000 A", "errors": ["0.02 %"], **changes}
    with LogbookWriter(Path("livesense.db")) as writer:
        return walk_of_run(writer, 1, json.dumps(said) if text is None else text)


def test_it_is_kept_as_the_command_keeps_it(recorded_walk, livesense):
    recorded_walk(Board(gains=(1.004, 0.997, 1.002)))
    said = keep()
    assert said.startswith("scale kept of iu, iv, iw, from the current; runs recorded from now on use it")
    livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
    found = livesense("measure", "last", "--from", "1", "--to", "2", "--json").json["channels"]
    assert found["iu"]["mean"]["value"] == pytest.approx(1.0, abs=0.003)
    assert found["iv"]["mean"]["value"] == pytest.approx(-1.0, abs=0.003)


def test_the_winding_is_kept_with_it(recorded_walk, livesense):
    recorded_walk(Board())
    assert keep(volts={"U-V": "0.210 V"}, volts_error="0.5 %").startswith("scale kept of iu, iv, iw")
    livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
    told = livesense("show", "last", "--json").json["calibration"]["channels"]["iu"]["scale"]["resistance"]
    assert told["U-V"]["value"] == pytest.approx(0.21, rel=1e-9)
    assert told["U-V"]["u"] == pytest.approx(0.21 * np.hypot(0.005, 0.0002) / 3**0.5, rel=1e-6)
    assert "Winding by the walk, lead to lead U-V: 0.2100 ± 0.0013 Ω" in livesense("show", "last").out


def test_a_current_that_is_badly_known_keeps_the_gains_against_each_other(recorded_walk):
    recorded_walk(Board())
    assert "against each other, as a whole from their mean" in keep(errors=["3 %"])


def test_nothing_is_kept_while_anything_is_wrong(recorded_walk, livesense):
    recorded_walk(Board(signs=(1, -1, 1)))
    said = keep()
    assert said.startswith("nothing was kept: ")
    assert "iv not proven" in said
    livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
    assert livesense("show", "last", "--json").json["calibration"] is None


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"windows": {**WINDOWS, "V-W": [8, 9]}}, "expected at least 16 scans in a row"),
        ({"windows": {"U-V": [1, 2], "V-W": [2, 3]}}, "the rest"),
        ({"windows": {"rest": [0, 1], "U-V": [1, 2]}}, "at least two steps"),
        ({"windows": {**WINDOWS, "U-V": [0.5, 1.5]}}, "U-V: iu"),
        ({"current": "0 A"}, "a current above zero"),
        ({"errors": ["much"]}, "a limit of error such as"),
        ({"windows": 3}, "expected the times of the steps"),
    ],
)
def test_what_cannot_be_kept_is_said(recorded_walk, changes, told):
    recorded_walk(Board())
    said = keep(**changes)
    assert said.startswith("nothing was kept: ")
    assert told in said


@pytest.mark.parametrize("text", ["", "[]", "{}", "null", '{"windows": {"rest": 1}}'])
def test_a_request_that_is_none(recorded_walk, text):
    recorded_walk(Board())
    assert "expected the times of the steps" in keep(text)
