"""A bench file is replaced whole or not at all, and the one before it is kept."""

import os
import sys

import pytest

from livesense.bench_form.saving import digest, read_text, save
from livesense.errors import BenchError, UsageError
from simulator.main import BENCH

PUMP = BENCH.read_text(encoding="utf-8")
OTHER = PUMP.replace("gain = 20", "gain = 10", 1)


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "pump.toml"
    path.write_text(PUMP, encoding="utf-8", newline="")
    return path


def test_the_file_before_is_kept_beside_it(file):
    assert save(file, OTHER, digest(PUMP)) == digest(OTHER)
    assert read_text(file) == OTHER
    assert read_text(file.with_name("pump.toml.bak")) == PUMP
    save(file, PUMP, digest(OTHER))
    assert read_text(file.with_name("pump.toml.bak")) == OTHER
    assert sorted(p.name for p in file.parent.iterdir()) == ["pump.toml", "pump.toml.bak"]


def test_what_was_changed_meanwhile_is_not_overwritten(file):
    file.write_text(OTHER, encoding="utf-8", newline="")
    with pytest.raises(UsageError, match="changed meanwhile"):
        save(file, PUMP.replace("20", "10", 1), digest(PUMP))
    assert read_text(file) == OTHER


def test_what_cannot_be_used_is_not_written(file):
    with pytest.raises(BenchError):
        save(file, PUMP.replace('"5 mΩ"', '"5 mA"', 1), digest(PUMP))
    assert [p.name for p in file.parent.iterdir()] == ["pump.toml"]


def test_when_the_last_step_fails_the_file_stays(file, monkeypatch):
    replace = os.replace

    def fails(source, target):
        if str(target).endswith("pump.toml"):
            raise PermissionError(13, "Permission denied")
        replace(source, target)

    monkeypatch.setattr("livesense.bench_form.saving.os.replace", fails)
    with pytest.raises(
        UsageError, match=r"pump\.toml cannot be written: Permission denied; it stays as it was"
    ):
        save(file, OTHER, digest(PUMP))
    assert read_text(file) == PUMP
    assert not [p for p in file.parent.iterdir() if p.suffix == ".new"]


@pytest.mark.skipif(sys.platform == "win32", reason="symbolic links need rights there")
def test_where_a_link_leads_is_written_and_the_link_stays(file, tmp_path):
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    save(link, OTHER, digest(PUMP))
    assert link.is_symlink()
    assert read_text(file) == OTHER


def test_line_ends_stay(tmp_path):
    path = tmp_path / "pump.toml"
    text = PUMP.replace("\n", "\r\n")
    path.write_bytes(text.encode("utf-8"))
    assert read_text(path) == text
    save(path, text.replace("gain = 20", "gain = 10", 1), digest(text))
    assert path.read_bytes().count(b"\r\n") == PUMP.count("\n")


def test_what_cannot_be_read_says_so(tmp_path):
    with pytest.raises(BenchError, match="expected a bench file"):
        read_text(tmp_path / "missing.toml")
    (tmp_path / "odd.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(BenchError, match="UTF-8"):
        read_text(tmp_path / "odd.toml")
