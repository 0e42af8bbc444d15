"""`export` as a user meets it: standard output, and files that are there already."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group

Command = Callable[..., Any]
Recorded = Callable[..., dict[str, Any]]


@pytest.fixture
def one_group(recorded: Recorded) -> Sender:
    sender = Sender()
    recorded(description_frame([group(sender.channels)]) + sender.packet(5), bench_text())
    return sender


@pytest.fixture
def two_groups(recorded: Recorded) -> None:
    fast, slow = Sender(), Sender(channels=("t_sink", "state"), number=1)
    described = [group(fast.channels), group(slow.channels, rate_hz=10)]
    recorded(description_frame(described) + fast.packet(5) + slow.packet(2), bench_text())


def test_dash_is_standard_output(one_group: Sender, livesense: Command, tmp_path: Path) -> None:
    answer = livesense("export", "last", "--codes", "--out", "-")
    assert answer.code == 0
    lines = answer.out.splitlines()
    assert lines[0] == "scan,time_s," + ",".join(f"{name}_code" for name in one_group.channels)
    assert [tuple(map(int, line.split(",")[2:])) for line in lines[1:]] == one_group.made
    assert not (tmp_path / "-").exists()


def test_standard_output_has_the_bytes_of_the_file(
    one_group: Sender, livesense: Command, tmp_path: Path
) -> None:
    printed = livesense("export", "last", "--out", "-").out
    livesense("export", "last", "--out", "a.csv")
    assert printed.encode() == (tmp_path / "a.csv").read_bytes()


def test_several_groups_do_not_go_to_standard_output(two_groups: None, livesense: Command) -> None:
    answer = livesense("export", "last", "--codes", "--out", "-")
    assert (answer.code, answer.out) == (2, "")
    assert "group 0: iu, iv, iw" in answer.err
    assert "group 1: t_sink, state" in answer.err
    chosen = livesense("export", "last", "--codes", "--out", "-", "--channels", "state")
    assert (chosen.code, chosen.out.splitlines()[0]) == (0, "scan,time_s,state_code")


def test_json_and_rows_do_not_share_standard_output(one_group: Sender, livesense: Command) -> None:
    answer = livesense("export", "last", "--out", "-", "--json")
    assert (answer.code, answer.out) == (2, "")
    assert "--json" in answer.err


@pytest.mark.parametrize("options", [(), ("--out", "run-1.csv")])
def test_an_earlier_export_is_kept_unless_asked(
    one_group: Sender, livesense: Command, tmp_path: Path, options: tuple[str, ...]
) -> None:
    assert livesense("export", "last").code == 0
    before = (tmp_path / "run-1.csv").read_bytes()
    answer = livesense("export", "last", "--codes", *options)
    assert (answer.code, answer.out) == (2, "")
    assert "--force" in answer.err
    assert (tmp_path / "run-1.csv").read_bytes() == before
    assert livesense("export", "last", "--codes", "--force", *options).code == 0
    assert (tmp_path / "run-1.csv").read_bytes() != before


def test_nothing_is_written_when_the_second_file_is_taken(
    two_groups: None, livesense: Command, tmp_path: Path
) -> None:
    (tmp_path / "a-g1.csv").write_bytes(b"scan,time_s\r\n")
    assert livesense("export", "last", "--codes", "--out", "a.csv").code == 2
    assert not (tmp_path / "a.csv").exists()


def test_a_group_that_the_bench_file_lacks_is_codes_only(
    two_groups: None, livesense: Command, tmp_path: Path
) -> None:
    answer = livesense("export", "last", "--json")
    assert answer.json["files"] == ["run-1.csv"]
    assert "does not describe them: t_sink, state; --codes" in answer.err
    assert (tmp_path / "run-1.csv").read_text().startswith("scan,time_s,iu_A,iv_A,iw_A\n")
    coded = livesense("export", "last", "--codes", "--out", "c.csv", "--json").json
    assert (coded["files"], coded["rows"]) == (["c.csv", "c-g1.csv"], 7)
    assert (tmp_path / "c-g1.csv").read_text().startswith("scan,time_s,t_sink_code,state_code\n")


def test_a_bench_file_without_any_channel_exports_codes_only(
    recorded: Recorded, livesense: Command, tmp_path: Path
) -> None:
    sender = Sender()
    recorded(description_frame([group(sender.channels)]) + sender.packet(5), bench_text(channels=()))
    answer = livesense("export", "last")
    assert (answer.code, answer.out) == (2, "")
    assert "iu, iv, iw" in answer.err
    assert "--codes" in answer.err
    assert not list(tmp_path.glob("*.csv"))
    assert livesense("export", "last", "--codes").code == 0


@pytest.mark.parametrize("name", ["run.xlsx", "run.mat", "run.JSON"])
def test_a_suffix_of_something_else_is_refused(one_group: Sender, livesense: Command, name: str) -> None:
    answer = livesense("export", "last", "--out", name)
    assert answer.code == 2
    assert "expected --out to end in .csv, .parquet, .cfg (COMTRADE) or .mf4 (MDF 4)" in answer.err
    assert not Path(name).exists()


def test_the_suffix_tells_the_format(one_group: Sender, livesense: Command) -> None:
    assert livesense("export", "last", "--out", "run.parquet").code == 0
    assert Path("run.parquet").read_bytes().startswith(b"PAR1")
    assert livesense("export", "last", "--out", "named.data", "--format", "csv").code == 0
    assert Path("named.data").read_text(encoding="utf-8").startswith("scan,time_s")
