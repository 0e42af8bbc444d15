"""The command line as a user meets it: one message, the right exit code, never a traceback."""

from __future__ import annotations

import argparse
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group

from livesense.cli import main as main_module
from livesense.cli.options import seconds, span
from livesense.cli.output import safe
from livesense.wording import duration

Command = Callable[..., Any]


def test_help_names_every_command(livesense: Command) -> None:
    answer = livesense("--help")
    assert answer.code == 0
    for name in main_module.COMMANDS:
        assert f"  {name} " in answer.out
    assert "not a protective device" in answer.out


@pytest.mark.parametrize("name", main_module.COMMANDS)
def test_every_command_has_help_of_its_own(livesense: Command, name: str) -> None:
    answer = livesense(name, "--help")
    assert answer.code == 0
    assert f"livesense {name}" in answer.out


def test_unknown_command_is_wrong_use_and_names_the_nearest(livesense: Command) -> None:
    answer = livesense("recrod")
    assert (answer.code, answer.out) == (2, "")
    assert "did you mean 'record'?" in answer.err


def test_unknown_option_is_one_message(livesense: Command) -> None:
    answer = livesense("runs", "--jsn")
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.count("\n") == 1
    assert answer.err.startswith("livesense: runs: ")


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (("runs",), 1, "there is no logbook"),
        (("show", "1"), 1, "there is no logbook"),
        (("record", "none.toml"), 2, "none.toml"),
        (("measure", "last", "--from", "3", "--to", "2"), 2, "expected --from before --to"),
        (("record", "pump.toml", "--port", "http://x:1"), 2, "expected a device name"),
        (("record", "pump.toml"), 2, "no port"),
        (("record", "pump.toml", "--for", "ten"), 2, "expected a time such as 10s"),
        (("measure", "1", "--from", "1,5"), 2, "got '1,5' (the decimal sign is a point)"),
        (("verify", "other.db"), 2, "name a logbook with --logbook other.db"),
        (("check", "last"), 2, "expected a bench file, got last; a run is checked with BENCH --run last"),
    ],
)
def test_mistake_is_one_message_with_what_was_expected(
    livesense: Command, tmp_path: Path, arguments: tuple[str, ...], code: int, said: str
) -> None:
    assert livesense("init", "pump.toml").code == 0
    text = (tmp_path / "pump.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("port")]
    (tmp_path / "pump.toml").write_text("\n".join(lines), encoding="utf-8")
    answer = livesense(*arguments)
    assert (answer.code, answer.out) == (code, "")
    assert answer.err.startswith("livesense: ")
    assert said in answer.err
    assert "Traceback" not in answer.err
    assert not (tmp_path / "livesense.db").exists()


def test_bad_unit_in_the_bench_file_names_file_place_key(livesense: Command, tmp_path: Path) -> None:
    livesense("init", "pump.toml")
    path = tmp_path / "pump.toml"
    text = path.read_text(encoding="utf-8").replace('shunt = "5 mΩ"', 'shunt = "5 mA"', 1)
    path.write_text(text, encoding="utf-8")
    answer = livesense("record", "pump.toml", "--port", "file:x")
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.startswith(
        'livesense: pump.toml: channel "iu": shunt: expected a resistance such as "5 mΩ"'
    )
    assert 'got "5 mA"' in answer.err


def test_a_decimal_comma_in_the_bench_file_is_told(livesense: Command, tmp_path: Path) -> None:
    livesense("init", "pump.toml")
    path = tmp_path / "pump.toml"
    text = path.read_text(encoding="utf-8").replace('shunt = "5 mΩ"', 'shunt = "0,5 mΩ"', 1)
    path.write_text(text, encoding="utf-8")
    said = livesense("check", "pump.toml", "--file-only").err
    assert 'expected a resistance such as "5 mΩ" with a decimal point, got "0,5 mΩ"' in said


def test_init_writes_once_and_asks_before_replacing(livesense: Command, tmp_path: Path) -> None:
    assert livesense("init", "pump.toml").code == 0
    (tmp_path / "pump.toml").write_text("mine", encoding="utf-8")
    answer = livesense("init", "pump.toml")
    assert answer.code == 2
    assert "--force" in answer.err
    assert (tmp_path / "pump.toml").read_text(encoding="utf-8") == "mine"
    assert livesense("init", "pump.toml", "--force").code == 0
    assert "[[channel]]" in (tmp_path / "pump.toml").read_text(encoding="utf-8")


def test_ports_prints_json(livesense: Command) -> None:
    facts = livesense("ports", "--json").json
    assert isinstance(facts["ports"], list)


def heavy_of(call: str, folder: Path) -> str:
    """Tell what of the libraries that take long to load a command loads."""
    script = (
        "import sys; from livesense.cli.main import main\n"
        f"try: main({call})\nexcept SystemExit: pass\n"
        "heavy = {'numpy', 'serial', 'dash', 'pint', 'sqlite_utils', 'soundfile'} & set(sys.modules)\n"
        "print('heavy:', sorted(heavy))"
    )
    return subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=folder
    ).stdout


def test_help_loads_nothing_heavy(tmp_path: Path) -> None:
    assert heavy_of("['--help']", tmp_path).endswith("heavy: []\n")


def test_a_list_of_runs_loads_nothing_heavy(recorded: Callable[..., Any], tmp_path: Path) -> None:
    sender = Sender()
    recorded(description_frame([group(sender.channels)]) + sender.packet(400), bench_text())
    printed = heavy_of("['runs', '--logbook', 'livesense.db']", tmp_path)
    assert "complete" in printed
    assert printed.endswith("heavy: []\n")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("10s", 10),
        ("2h", 7200),
        ("3d", 259200),
        ("500ms", 0.5),
        ("1h30min", 5400),
        ("1.5 m", 90),
        ("1w", 604800),
    ],
)
def test_time_spans(text: str, expected: float) -> None:
    assert span(text) == pytest.approx(expected)


@pytest.mark.parametrize("text", ["", "0", "-1s", "0s", "s", "10x", "1e99d", "nan s", "10s!"])
def test_what_is_no_time_span(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="expected"):
        span(text)


@pytest.mark.parametrize("text", ["-1", "nan", "inf", "1e13", "x"])
def test_what_is_no_instant(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="expected"):
        seconds(text)


@pytest.mark.parametrize(
    ("value", "expected"), [(4.25, "4.2 s"), (200, "3 min 20 s"), (7500, "2 h 05 min"), (2e5, "2 d 07 h")]
)
def test_durations(value: float, expected: str) -> None:
    assert duration(value) == expected


def test_control_characters_never_reach_the_terminal() -> None:
    assert safe("a\x1b[31mred\x07\x9b\u202e") == "a\\x1b[31mred\\x07\\x9b\\x202e"


@pytest.mark.parametrize(
    ("port", "said"), [(".", "got the folder '.'"), ("pump.toml", "file:pump.toml reads it")]
)
def test_a_folder_or_a_file_is_no_port(livesense: Command, port: str, said: str) -> None:
    livesense("init", "pump.toml")
    answer = livesense("record", "pump.toml", "--port", port)
    assert answer.code == 1
    assert said in answer.err
    assert "Errno" not in answer.err
    assert not (livesense("runs").code == 0 or list(Path.cwd().glob("livesense.db*")))
