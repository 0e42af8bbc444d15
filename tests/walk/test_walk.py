"""The walk: benches with known mistakes, read from a stored run and from a port."""

from __future__ import annotations

import io
import math
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from walk_bench import AT, RATE_HZ, SEQUENCE, Bench, Board, bench

from livesense.bench import parse

Command = Callable[..., Any]


@pytest.fixture
def walk(livesense: Command, tmp_path: Path) -> Callable[..., Any]:
    """Record a walk as a run, a second for each step, and judge it."""

    def made(
        board: Board,
        text: str = "",
        *words: str,
        amperes: float = 1.0,
        error: str = "0.2 %",
        json: bool = True,
    ) -> Any:
        parts = [board.codes(step, amperes, int(RATE_HZ)) for step in SEQUENCE]
        lines = [f"{n},{','.join(map(str, row))}" for n, row in enumerate(np.concatenate(parts).tolist())]
        (tmp_path / "s.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
        (tmp_path / "pump.toml").write_text(text or bench(), encoding="utf-8")
        recorded = livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
        assert recorded.code == 0, recorded.err
        known = ["--current", "1.000 A", "--reference-error", error, "--run", "last", "--at", AT]
        return livesense("walk", "pump.toml", *known, *words, *(["--json"] if json else []))

    return made


class TestVerdicts:
    def test_a_bench_that_is_right_is_proven(self, walk):
        answer = walk(Board())
        assert answer.code == 0, answer.err
        assert answer.json["proven"] is True
        for name, lead in (("iu", "U"), ("iv", "V"), ("iw", "W")):
            told = answer.json["channels"][name]
            assert (told["verdict"], told["phase"], told["direction"]) == ("proven", lead, 1)
            assert abs(told["gain"]["value"] - 1) <= 2.5 * told["gain"]["u"]
            assert "mapping, direction and scale proven" in told["text"]

    @pytest.mark.parametrize("column", [0, 1, 2])
    def test_one_that_counts_the_other_way(self, walk, column):
        signs = tuple(-1 if n == column else 1 for n in range(3))
        answer = walk(Board(signs=signs), "", "--out", "right.toml")
        assert answer.code == 1
        verdicts = [c["verdict"] for c in answer.json["channels"].values()]
        assert verdicts == ["reversed" if n == column else "proven" for n in range(3)]
        fixed = parse(Path("right.toml").read_text(encoding="utf-8"))
        assert [c.plus_input for c in fixed.channels] == [
            "motor" if n == column else "bridge" for n in range(3)
        ]

    def test_all_three_the_other_way_which_no_current_of_a_motor_tells(self, walk):
        answer = walk(Board(signs=(-1, -1, -1)))
        assert [c["verdict"] for c in answer.json["channels"].values()] == ["reversed"] * 3

    def test_labels_exchanged_in_a_circle_which_no_current_of_a_motor_tells(self, walk):
        answer = walk(Board(leads=("V", "W", "U")), "", "--out", "right.toml")
        told = answer.json["channels"]
        assert [c["verdict"] for c in told.values()] == ["swapped"] * 3
        assert [c["fix"] for c in told.values()] == ['phase = "V"', 'phase = "W"', 'phase = "U"']
        text = Path("right.toml").read_text(encoding="utf-8")
        assert [c.phase for c in parse(text).channels] == ["V", "W", "U"]
        assert text.count("# lead") == 3

    def test_two_exchanged_and_one_of_them_turned(self, walk):
        told = walk(Board(leads=("V", "U", "W"), signs=(1, -1, 1))).json["channels"]
        assert [c["verdict"] for c in told.values()] == ["swapped", "swapped", "proven"]
        assert (told["iv"]["phase"], told["iv"]["direction"]) == ("U", -1)
        assert "counts the other way" in told["iv"]["text"]

    @pytest.mark.parametrize(
        ("gain", "fix"), [(2.5, "gain = 50"), (0.5, "gain = 10"), (1.05, 'shunt = "5.25')]
    )
    def test_a_wrong_gain_is_named(self, walk, gain, fix):
        told = walk(Board(gains=(1.0, gain, 1.0))).json["channels"]
        assert [c["verdict"] for c in told.values()] == ["proven", "scale", "proven"]
        assert told["iv"]["fix"].startswith(fix)
        assert told["iv"]["gain"]["value"] == pytest.approx(gain, rel=0.01)

    def test_a_dead_channel(self, walk):
        told = walk(Board(gains=(1.0, 0.0, 1.0))).json["channels"]
        assert [c["verdict"] for c in told.values()] == ["proven", "no-signal", "proven"]

    def test_a_channel_that_hears_all_leads_a_little(self, walk):
        told = walk(Board(crosstalk=0.008)).json["channels"]["iw"]
        assert told["crosstalk_percent"]["value"] == pytest.approx(0.8, abs=0.2)
        assert "of the current where none flows" in told["text"]

    def test_a_channel_that_mixes_two(self, walk):
        told = walk(Board(leads=("U", "V", "V"), signs=(1, 1, -1), crosstalk=0.3)).json["channels"]
        assert {c["verdict"] for c in told.values()} & {"mixed", "swapped"}
        assert walk(Board(crosstalk=0.3)).json["channels"]["iu"]["verdict"] == "mixed"


class TestFigures:
    def test_gains_against_each_other_do_not_need_the_current(self, walk):
        """The supply tells 1.000 A and pushes 1.01: the common scale is off, the gains' ratio is not."""
        gains = (1.003, 0.998, 1.001)
        told = walk(Board(gains=gains, noise_a=0.05), amperes=1.01, error="2 %").json["channels"]
        for name, gain in zip(("iu", "iv", "iw"), gains, strict=True):
            relative = told[name]["relative_gain"]
            assert relative["u"] < 0.003
            assert abs(relative["value"] - gain / np.mean(gains)) <= 2.5 * relative["u"]
            assert told[name]["gain"]["u"] == pytest.approx(0.02 / math.sqrt(3), rel=0.1)

    def test_coverage_of_the_gains(self) -> None:
        """Of many walks, k = 2 of the gain against the mean holds the truth in at least 95 of 100."""
        from livesense.calibrating import Reference
        from livesense.chain import Chain
        from livesense.samples import CodeType, GroupInfo
        from livesense.stillness import average
        from livesense.walk.session import Pushed, Reading, walked
        from livesense.walk.steps import read_steps

        settings = parse(bench())
        chain = Chain(settings, [GroupInfo(RATE_HZ, CodeType.TEXT, None, ("iu", "iv", "iw"))])
        steps = read_steps("U-V,V-W")
        rng = np.random.default_rng(11)
        held = []
        for _ in range(150):
            gains = tuple(1 + rng.uniform(-0.005, 0.005, 3))
            board = Board(gains=gains, rng=rng, noise_a=float(rng.uniform(0.01, 0.1)))
            readings = []
            for step in (None, *steps):
                codes = board.codes("rest" if step is None else step.name, 1.0, 2000)
                averages = {n: average(codes[:, c], RATE_HZ) for c, n in enumerate(("iu", "iv", "iw"))}
                readings.append(Reading(step, averages, "", {}))
            result = walked(settings, chain, readings, Pushed(1.0, Reference("s", 0.01, 0, 0), {}))
            for verdict, gain in zip(result.verdicts, gains, strict=True):
                assert verdict.relative is not None
                held.append(abs(verdict.relative.value - gain / np.mean(gains)) <= 2 * verdict.relative.u)
        assert np.mean(held) >= 0.95

    def test_the_winding_s_resistance(self, walk):
        answer = walk(
            Board(), "", "--volts", "U-V=0.210 V", "--volts-error", "0.5 % (k=1)", "--volts", "v-w=0.212 V"
        )
        found = answer.json["resistance"]
        assert found["U-V"]["value"] == pytest.approx(0.21)
        assert found["U-V"]["u"] == pytest.approx(0.21 * math.hypot(0.005, 0.002 / math.sqrt(3)))
        assert found["V-W"]["value"] == pytest.approx(0.212)


class TestKept:
    def test_a_good_current_makes_the_scale(self, walk, livesense):
        gains = (1.004, 0.997, 1.002)
        answer = walk(Board(gains=gains), error="0.02 %")
        assert answer.json["scale_from"] == "current"
        for c in answer.json["calibrations"].values():
            assert c["u_scale_percent"] < 0.5 * c["u_scale_percent_before"]
        # The next run uses it: a current of 1 A is read as 1 A.
        livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
        found = livesense("measure", "last", "--from", "1", "--to", "2", "--json").json["channels"]
        assert found["iu"]["mean"]["value"] == pytest.approx(1.0, abs=0.003)
        assert found["iv"]["mean"]["value"] == pytest.approx(-1.0, abs=0.003)
        assert found["iw"]["mean"]["value"] == pytest.approx(0.0, abs=0.003)

    def test_a_bad_current_makes_the_gains_right_against_each_other(self, walk, livesense):
        gains = (1.004, 0.997, 1.002)
        answer = walk(Board(gains=gains), error="3 %", amperes=1.02)
        assert answer.json["scale_from"] == "mean"
        livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
        found = livesense("measure", "last", "--from", "1", "--to", "2", "--json").json
        iu, iv = (found["channels"][n]["mean"]["value"] for n in ("iu", "iv"))
        assert iu == pytest.approx(-iv, abs=0.003)
        # As a whole they stay where the mean of the chains is.
        assert iu == pytest.approx(1.02 * np.mean(gains), abs=0.003)

    def test_nothing_is_kept_while_anything_is_wrong(self, walk, livesense):
        answer = walk(Board(signs=(1, -1, 1)))
        assert all(c["calibration"] is None for c in answer.json["calibrations"].values())
        livesense("record", "pump.toml", "--port", "file:s.txt", "--until-closed", "--json")
        assert livesense("show", "last", "--json").json["calibration"] is None

    def test_nothing_is_kept_when_not_asked_for(self, walk):
        answer = walk(Board(), "", "--no-keep")
        assert all(c["reason"] == "not asked for" for c in answer.json["calibrations"].values())

    def test_a_corrected_file_is_not_written_over_another(self, walk):
        Path("right.toml").write_text("mine", encoding="utf-8")
        answer = walk(Board(signs=(1, -1, 1)), "", "--out", "right.toml")
        assert answer.code == 2
        assert Path("right.toml").read_text(encoding="utf-8") == "mine"


class TestWords:
    def test_in_words(self, walk):
        said = walk(Board(), "", "--volts", "U-V=0.210 V", json=False).out
        assert "iu: U-V +" in said
        assert "\u22120.000" not in said
        assert "Gains against each other" in said
        assert "of one phase (star) 0.105" in said
        assert "Kept as calibrations" in said

    def test_what_a_walk_does_not_reach(self, walk):
        low = bench(**{'name = "iw"\nphase = "W"': 'name = "iw"\nplace = "low-side"\nphase = "W"'})
        answer = walk(Board(), low)
        assert "carries nothing while no switch conducts" in answer.json["not_walked"]["iw"]
        assert set(answer.json["channels"]) == {"iu", "iv"}

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (["--steps", "U-V"], "at least two steps"),
            (["--steps", "U-V,V-U"], "through all of U, V and W"),
            (["--steps", "U-X,V-W"], "two of the leads U, V and W each, got 'U-X'"),
            (["--steps", "U-V,V-W,U-V"], "each step once"),
            (["--volts", "W-U=1 V"], "expected one of the steps U-V, V-W"),
            (["--volts", "U-V=-1 V"], "expected volts above zero"),
            (["--volts-error", "1 V"], "--volts-error: expected a share"),
            (["--current", "0 A"], "expected a current above zero"),
            (["--current", "1 V"], 'expected a value in A such as "1.000 A"'),
            (["--at", "rest=0-1,U-V=1-2"], "--at: expected rest, U-V, V-W"),
            (["--at", "rest=1-0,U-V=1-2,V-W=2-3"], "expected STEP=FROM-TO"),
        ],
    )
    def test_wrong_use(self, walk, words, told):
        answer = walk(Board(), "", *words)
        assert (answer.code, answer.out) == (2, "")
        assert told in answer.err

    def test_a_run_needs_its_places_and_the_other_way_round(self, walk, livesense):
        walk(Board())
        words = ["walk", "pump.toml", "--current", "1 A", "--reference-error", "1 %", "--run", "last"]
        assert "expected --run and --at together" in livesense(*words).err

    def test_a_bench_without_phase_currents_in_the_motor_s_lines(self, livesense):
        text = bench(**{'sensor = "shunt"': 'place = "low-side"\nsensor = "shunt"'})
        Path("low.toml").write_text(text, encoding="utf-8")
        answer = livesense("walk", "low.toml", "--current", "1 A", "--reference-error", "1 %")
        assert answer.code == 2
        assert "expected phase currents in the motor's lines" in answer.err


class Hands(io.StringIO):
    """Standard input of somebody who sets the supply before each Enter."""

    def __init__(self, bench: Bench, *instead: str) -> None:
        super().__init__()
        self.bench, self.instead = bench, list(instead)

    def readline(self, *_: Any) -> str:
        if self.instead:
            return self.instead.pop(0)
        if self.bench.waiting:
            self.bench.step = self.bench.waiting.pop(0)
        return "\n"


@pytest.fixture
def served() -> Any:
    opened: list[Bench] = []

    def make(board: Board) -> Bench:
        opened.append(Bench(board))
        return opened[-1]

    yield make
    for one in opened:
        one.close()


class TestAtAPort:
    WORDS = ("--current", "1.000 A", "--reference-error", "0.5 %", "--seconds", "0.5")

    @pytest.fixture(autouse=True)
    def _file(self, livesense: Command) -> None:
        Path("pump.toml").write_text(bench(), encoding="utf-8")

    def test_led_through(self, livesense, served, monkeypatch):
        board = served(Board(signs=(1, 1, -1)))
        monkeypatch.setattr(sys, "stdin", Hands(board))
        answer = livesense("walk", "pump.toml", *self.WORDS, "--port", board.port, "--yes", "--json")
        assert answer.code == 1, answer.err
        assert [c["verdict"] for c in answer.json["channels"].values()] == ["proven", "proven", "reversed"]
        assert "prove it dead with a rated meter" in answer.err
        assert "clamp the supply's + to lead U and its − to lead V" in answer.err
        assert "U-V: iu +" in answer.err

    def test_who_says_no_is_not_led(self, livesense, served, monkeypatch):
        board = served(Board())
        monkeypatch.setattr(sys, "stdin", Hands(board, "n\n"))
        answer = livesense("walk", "pump.toml", *self.WORDS, "--port", board.port)
        assert (answer.code, answer.out) == (1, "")
        assert "nothing was done" in answer.err

    def test_broken_off(self, livesense, served, monkeypatch):
        board = served(Board())
        monkeypatch.setattr(sys, "stdin", Hands(board, "y\n", "\n", "q\n"))
        answer = livesense("walk", "pump.toml", *self.WORDS, "--port", board.port)
        assert (answer.code, answer.out) == (1, "")
        assert "broken off" in answer.err

    @pytest.mark.slow
    def test_what_moves_is_read_again_and_then_given_up(self, livesense, served, monkeypatch):
        board = served(Board())
        plain, begun = board.board.codes, time.monotonic()

        def drifting(step: str, amperes: float, n: int) -> np.ndarray:
            return plain(step, amperes, n) + int(400 * (time.monotonic() - begun))

        monkeypatch.setattr(board.board, "codes", drifting)
        monkeypatch.setattr(sys, "stdin", Hands(board))
        answer = livesense("walk", "pump.toml", *self.WORDS, "--port", board.port, "--yes")
        assert answer.code == 1
        assert answer.err.count("drifts by") == 3
        assert "it does not come to rest" in answer.err


def test_a_scale_that_the_bench_file_knows_better_is_not_kept(walk: Callable[..., Any]) -> None:
    """At 1 A, 124 codes, a non-linearity of 3 LSB is worth 2.4 %; the file's limits come to 0.6 %."""
    text = bench().replace('offset_error = "2 LSB"', 'offset_error = "2 LSB"\ninl = "3 LSB"')
    told = walk(Board(), text).json
    assert told["proven"]
    reasons = {c["reason"] for c in told["calibrations"].values()}
    assert all(c["calibration"] is None for c in told["calibrations"].values())
    assert all("and the bench file within ± 1.2 %: push more than " in reason for reason in reasons)
    # iu and iw are at 1 A once and twice at 0 A, iv at −1, 0 and 1 A: slopes of 1.22 and 0.71 × 1.73 codes.
    amperes = {float(reason.split("push more than ")[1].split()[0]) for reason in reasons}
    assert all(1.6 < a < 3.5 for a in amperes)
    assert max(amperes) > 1.5 * min(amperes)
    assert "resistance = " not in walk(Board(), text, json=False).out
