"""`livesense check` as a user and as a script meet it."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import Sender, bench_text, description_frame, group
from pump_check import BENCH, IBUS, NAMES, RATE_HZ, U, V, W, pump, stream

from livesense import bench as bench_file

Command = Callable[..., Any]
KINDS = set(
    "no-signal stuck floating clipped reversed swapped scale zero-off reference-setup missing-phase "
    "noisy drift range-small range-tight range-wide bandwidth aliasing skew rate link bus pair".split()
)


def faulty() -> np.ndarray:
    codes = pump()["rated"]
    codes[:, V] = 4096 - codes[:, V]
    codes[:, W] = 2048 + (codes[:, W].astype(int) - 2048) // 2
    return codes


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    path = tmp_path / "pump.toml"
    path.write_text(BENCH, encoding="utf-8")
    return path


def sent(tmp_path: Path, codes: np.ndarray, name: str = "pump.bin") -> str:
    (tmp_path / name).write_bytes(stream(codes))
    return f"file:{tmp_path / name}"


def text_lines(codes: np.ndarray, scans_s: float) -> str:
    rows = [
        f"{k},{round(k * 1e6 / scans_s)},{','.join(map(str, row))}" for k, row in enumerate(codes.tolist())
    ]
    return "\n".join([f"n,t_us,{','.join(NAMES)}", *rows, ""])


def test_a_healthy_bench_exits_with_0(livesense: Command, bench: Path, tmp_path: Path) -> None:
    answer = livesense("check", bench, "--port", sent(tmp_path, pump()["rated"]), "--json")
    assert answer.code == 0
    facts = answer.json
    assert facts["ok"] is True
    assert all(f["severity"] == "note" for f in facts["findings"])
    assert facts["unproven"]
    assert facts["kirchhoff"]["gain_percent"]["U"]["unit"] == "%"


def test_json_has_the_keys_of_the_contract(livesense: Command, bench: Path, tmp_path: Path) -> None:
    answer = livesense("check", bench, "--port", sent(tmp_path, faulty()), "--json")
    assert answer.code == 1
    facts = answer.json
    assert facts["ok"] is False
    found = {(f["kind"], f["channel"]): f for f in facts["findings"] if f["severity"] != "note"}
    assert set(found) == {("reversed", "iv"), ("scale", "iw")}
    assert found["reversed", "iv"]["fix"] == 'plus_input = "motor"'
    assert found["scale", "iw"]["fix"] == "gain = 10"
    assert found["scale", "iw"]["or"] == {
        "table": "channel", "channel": "iw", "group": None, "key": "shunt", "value": "2.5 mΩ",
    }  # fmt: skip
    assert found["reversed", "iv"]["or"] is None
    for one in facts["findings"]:
        assert one["kind"] in KINDS
        assert one["severity"] in {"fault", "warning", "note"}
        assert one["text"]


def test_text_says_the_same(livesense: Command, bench: Path, tmp_path: Path) -> None:
    answer = livesense("check", bench, "--port", sent(tmp_path, faulty()))
    assert answer.code == 1
    assert "FAULT reversed iv" in answer.out
    assert 'fix, in [[channel]] "iv": plus_input = "motor"' in answer.out
    assert 'gain = 10\n       or: shunt = "2.5 mΩ"' in answer.out
    assert "Not proven by this, and shown by `livesense walk` (drive de-energised" in answer.out
    assert "  - All three reversed: into U and out of V, iu must read plus and iv minus" in answer.out
    assert "Nor proven, and shown otherwise:\n  - " in answer.out
    assert "does not prove a circuit dead" in answer.out
    assert "\n2 faults, 1 note. A check" in answer.out


def test_a_reader_that_goes_away_changes_no_verdict(bench: Path, tmp_path: Path) -> None:
    """`check … | head -1` in a script with pipefail must not say that nothing is wrong."""
    words = [
        sys.executable,
        "-m",
        "livesense.cli.main",
        "check",
        str(bench),
        "--port",
        sent(tmp_path, faulty()),
    ]
    process = subprocess.Popen(words, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert (process.wait(60), said) == (1, b"")


def test_out_writes_a_file_with_which_the_same_bytes_are_fine(
    livesense: Command, bench: Path, tmp_path: Path
) -> None:
    port = sent(tmp_path, faulty())
    answer = livesense("check", bench, "--port", port, "--out", tmp_path / "mended.toml", "--json")
    assert answer.code == 1
    assert answer.json["out"]["by_hand"] == []
    assert len(answer.json["out"]["changed"]) == 2
    assert livesense("check", tmp_path / "mended.toml", "--port", port).code == 0
    before, after = BENCH.splitlines(), (tmp_path / "mended.toml").read_text("utf-8").splitlines()
    assert [line for line in before if line not in after] == []
    assert [line for line in after if line not in before] == ['plus_input = "motor"', "gain = 10"]


def test_out_does_not_replace_a_file(livesense: Command, bench: Path, tmp_path: Path) -> None:
    answer = livesense("check", bench, "--port", sent(tmp_path, faulty()), "--out", bench)
    assert (answer.code, answer.out) == (2, "")
    assert bench.read_text("utf-8") == BENCH


def test_a_recorded_run_is_checked_with_the_bench_file_that_is_given(
    livesense: Command, bench: Path, tmp_path: Path
) -> None:
    port = sent(tmp_path, faulty())
    assert livesense("record", bench, "--port", port, "--until-closed", "--quiet").code == 0
    answer = livesense("check", bench, "--run", "last", "--out", tmp_path / "mended.toml", "--json")
    assert answer.code == 1
    kinds = {(f["kind"], f["channel"]) for f in answer.json["findings"] if f["severity"] != "note"}
    assert kinds == {("reversed", "iv"), ("scale", "iw")}
    assert livesense("check", tmp_path / "mended.toml", "--run", 1, "--logbook", "livesense.db").code == 0


def test_the_file_alone(livesense: Command, bench: Path, tmp_path: Path) -> None:
    answer = livesense("check", bench, "--file-only", "--json")
    assert answer.code == 0
    assert any("No data" in text for text in answer.json["unproven"])
    text = BENCH.replace('"6 A"', '"10.5 A"').replace("gain = 20", "gain = 25", 1)
    bench.write_text(text, encoding="utf-8")
    small = livesense("check", bench, "--file-only", "--json")
    assert small.code == 1
    kinds = {(f["kind"], f["channel"]) for f in small.json["findings"] if f["severity"] != "note"}
    # 14.85 A peak of ±12.8 A with gain 25, and of ±16 A with gain 20.
    assert kinds == {("range-small", "iu"), ("range-tight", "iv"), ("range-tight", "iw")}


@pytest.mark.parametrize(
    "options",
    [
        ("--run", "last", "--port", "file:x"),
        ("--file-only", "--port", "file:x"),
        ("--file-only", "--run", "1"),
        ("--logbook", "x.db"),
        (),
        ("--port", "ftp://x"),
    ],
)
def test_wrong_use_exits_with_2_and_prints_nothing(
    livesense: Command, bench: Path, options: tuple[str, ...]
) -> None:
    answer = livesense("check", bench, *options, "--json")
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.startswith("livesense: ")
    assert len(answer.err.splitlines()) == 1


def test_a_port_that_sends_nothing_or_something_else(livesense: Command, bench: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").write_bytes(b"")
    nothing = livesense("check", bench, "--port", f"file:{tmp_path / 'empty'}")
    assert (nothing.code, nothing.out) == (1, "")
    assert "nothing came" in nothing.err
    (tmp_path / "noise").write_bytes(b"hello\n" * 100)
    noise = livesense("check", bench, "--port", f"file:{tmp_path / 'noise'}")
    assert noise.code == 1
    assert "identify" in noise.err


class TestRate:
    def check(self, livesense: Command, tmp_path: Path, rate: str) -> Any:
        path = tmp_path / "text.toml"
        head = BENCH.replace('wire = "framed"', 'wire = "text"')
        path.write_text(head + f'\n[[group]]\nrate = "{rate}"\n', encoding="utf-8")
        return livesense("check", path, "--port", f"file:{tmp_path / 't'}", "--json")

    @pytest.mark.parametrize("true_hz", [20_000, 19_400, 20_600])
    def test_a_clock_that_is_off_by_3_percent_raises_nothing(
        self, livesense: Command, tmp_path: Path, true_hz: float
    ) -> None:
        (tmp_path / "t").write_text(text_lines(pump()["rated"][:8000], true_hz))
        answer = self.check(livesense, tmp_path, "20 kHz")
        assert answer.code == 0

    @pytest.mark.parametrize("stated", ["10 kHz", "18 kHz", "40 kHz"])
    def test_another_rate(self, livesense: Command, tmp_path: Path, stated: str) -> None:
        (tmp_path / "t").write_text(text_lines(pump()["rated"][:8000], RATE_HZ))
        answer = self.check(livesense, tmp_path, stated)
        assert answer.code == 1
        (found,) = [f for f in answer.json["findings"] if f["severity"] != "note"]
        assert found["kind"] == "rate"
        assert found["fix"] == 'rate = "20000 Hz"  # in [[group]]'


class TestLink:
    @pytest.mark.slow
    def test_frames_that_are_lost_are_an_alarm_and_hide_nothing_else(
        self, livesense: Command, bench: Path, tmp_path: Path
    ) -> None:
        frames = stream(faulty()).split(b"\0")
        kept = [frame for k, frame in enumerate(frames) if k % 50 != 7]
        (tmp_path / "lossy").write_bytes(b"\0".join(kept))
        answer = livesense("check", bench, "--port", f"file:{tmp_path / 'lossy'}", "--json")
        kinds = {(f["kind"], f["channel"]) for f in answer.json["findings"] if f["severity"] != "note"}
        assert ("link", None) in kinds
        assert {("reversed", "iv"), ("scale", "iw")} <= kinds

    def test_a_byte_that_is_damaged_is_a_note(self, livesense: Command, bench: Path, tmp_path: Path) -> None:
        data = bytearray(stream(np.tile(pump()["rated"], (2, 1))))
        data[len(data) // 2] ^= 0x10
        (tmp_path / "damaged").write_bytes(data)
        answer = livesense("check", bench, "--port", f"file:{tmp_path / 'damaged'}", "--json")
        notes = [f for f in answer.json["findings"] if f["kind"] == "link"]
        assert [f["severity"] for f in notes] == ["note"]
        assert answer.code == 0

    def test_codes_wider_than_stated(self, livesense: Command, tmp_path: Path) -> None:
        path = tmp_path / "narrow.toml"
        head = BENCH.replace('wire = "framed"', 'wire = "text"').replace("bits = 12", "bits = 10")
        path.write_text(head + '\n[[group]]\nrate = "20 kHz"\n', encoding="utf-8")
        (tmp_path / "t").write_text(text_lines(pump()["rated"][:4000], RATE_HZ))
        answer = livesense("check", path, "--port", f"file:{tmp_path / 't'}", "--json")
        fixes = {f["fix"] for f in answer.json["findings"] if f["kind"] == "scale" and f["channel"] is None}
        assert fixes == {"bits = 12  # in [adc]"}


def test_what_is_suggested_near_the_power_stage_begins_with_making_it_safe(
    livesense: Command, bench: Path, tmp_path: Path
) -> None:
    codes = pump()["rated"]
    codes[:, U] = 1500
    answer = livesense("check", bench, "--port", sent(tmp_path, codes), "--json")
    (found,) = [f for f in answer.json["findings"] if f["severity"] != "note"]
    assert found["fix"].startswith("De-energise, prove the bus dead with a rated meter")


def test_numbers_are_plain_json(livesense: Command, bench: Path, tmp_path: Path) -> None:
    codes = faulty()
    codes[:, IBUS] = 4096 - codes[:, IBUS]
    out = livesense("check", bench, "--port", sent(tmp_path, codes), "--json").out
    json.loads(out, parse_constant=lambda name: pytest.fail(f"{name} in JSON"))


def test_the_bench_of_these_tests_is_whole() -> None:
    assert [c.name for c in bench_file.parse(BENCH, "pump.toml").channels] == list(NAMES)


def test_channels_that_change_meanwhile_are_refused(livesense: Command, tmp_path: Path) -> None:
    groups = '[[group]]\nrate = "20 kHz"\ncode = "u16"\nchannels = ["iu", "iv", "iw"]'
    (tmp_path / "declared.toml").write_text(bench_text(groups=groups), encoding="utf-8")
    three, four = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = b"\0" + three.packet(400) + description_frame([group(four.channels)]) + four.packet(400)
    (tmp_path / "both").write_bytes(stream)
    answer = livesense("check", tmp_path / "declared.toml", "--port", f"file:{tmp_path / 'both'}")
    assert answer.code == 1
    assert "the device changed its channels meanwhile; try again" in answer.err
