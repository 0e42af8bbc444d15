"""Fixtures that every room may use."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from livesense.cli.main import main

# A busy computer is slow, and a test that is slow is no mistake.
settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")


@dataclass(frozen=True)
class Answer:
    """What a command printed and how it ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        facts = json.loads(self.out)
        assert isinstance(facts, dict)
        return facts


@pytest.fixture
def livesense(
    capfd: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Answer]:
    """Run a command in a directory of its own."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("LIVESENSE_LOGBOOK", raising=False)

    def call(*arguments: object) -> Answer:
        capfd.readouterr()
        try:
            code = main([str(argument) for argument in arguments])
        except SystemExit as end:
            code = int(end.code or 0)
        captured = capfd.readouterr()
        return Answer(code, captured.out, captured.err)

    return call


@pytest.fixture
def recorded(livesense: Callable[..., Answer], tmp_path: Path) -> Callable[..., dict[str, Any]]:
    """Record bytes from a file; returns what `record --json` printed."""

    def call(stream: bytes, bench: str, *, code: int = 0) -> dict[str, Any]:
        (tmp_path / "stream.bin").write_bytes(stream)
        (tmp_path / "pump.toml").write_text(bench, encoding="utf-8")
        answer = livesense(
            "record", "pump.toml", "--port", f"file:{tmp_path / 'stream.bin'}", "--until-closed", "--json"
        )
        assert answer.code == code, answer.err
        return answer.json

    return call


@pytest.fixture
def exported(livesense: Callable[..., Answer], tmp_path: Path) -> Callable[..., list[dict[str, str]]]:
    """Export the last run; returns the rows of one group's CSV."""

    def call(*options: object, group: int = 0) -> list[dict[str, str]]:
        answer = livesense("export", "last", "--out", tmp_path / "out.csv", "--force", "--json", *options)
        assert answer.code == 0, answer.err
        with Path(answer.json["files"][group]).open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    return call
