"""Headers that change whether scans are counted: each run counts its loss throughout, or not at all."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from plain_device import bench_text

BENCH = bench_text("text", groups='[[group]]\nrate = "1 kHz"')
HEADER = b"n,iu,iv,iw\n"


@pytest.fixture
def lost_of(recorded: Callable[..., dict[str, Any]], livesense: Callable[..., Any]) -> Any:
    """Record a stream; gives the scans lost in each run, oldest first."""

    def call(stream: bytes) -> list[int | None]:
        summary = recorded(stream, BENCH)
        runs = livesense("runs", "--json").json["runs"]
        lost = [run["scans_lost"] for run in reversed(runs)]
        assert summary["groups"][0]["scans_lost"] == lost[-1]
        assert [run["run"] for run in reversed(runs)] == summary["runs"]
        return lost

    return call


def test_a_torn_line_before_the_header_does_not_make_loss_unknown(lost_of: Any, runs_of: Any) -> None:
    stream = b"48,2047,2050\n" + HEADER + b"7,1,2,3\n10,1,2,3\n"
    assert lost_of(stream) == [2]
    assert runs_of(stream, BENCH) == [(2, {}, [])]


def test_a_header_that_brings_the_counter_starts_the_next_run(lost_of: Any, runs_of: Any) -> None:
    stream = b"1,2,3\n4,5,6\n" + HEADER + b"1,2\n# ready\n7,1,2,3\n10,1,2,3\n"
    assert lost_of(stream) == [None, 2]
    assert runs_of(stream, BENCH) == [(2, {}, []), (2, {"bad_line": 1}, ["ready"])]


def test_a_header_that_drops_the_counter_starts_the_next_run(lost_of: Any) -> None:
    assert lost_of(HEADER + b"1,1,2,3\n3,1,2,3\niu,iv,iw\n1,2,3\n") == [1, None]


@pytest.mark.parametrize("header", [b"n,iu,iv,iw\n", b"t_ms,n,iu,iv,iw\n"])
def test_a_header_that_changes_the_clock_starts_the_next_run(lost_of: Any, header: bytes) -> None:
    stream = b"t_us,n,iu,iv,iw\n1000,1,1,2,3\n2000,2,1,2,3\n" + header
    columns = header.count(b",") + 1
    stream += b"".join(b",".join([b"%d" % n] * (columns - 3) + [b"1", b"2", b"3"]) + b"\n" for n in (5, 7))
    assert lost_of(stream) == [0, 1]


def test_the_same_header_again_goes_on(lost_of: Any) -> None:
    assert lost_of(HEADER + b"1,1,2,3\n" + HEADER + b"3,1,2,3\n") == [1]


def test_a_description_is_kept_with_each_run(
    recorded: Callable[..., dict[str, Any]], livesense: Callable[..., Any]
) -> None:
    told = b'#{"device":"pump-bench"}\n'
    recorded(told + b"iu,iv,iw\n1,2,3\n" + HEADER + b"7,1,2,3\n", BENCH)
    for run in (1, 2):
        assert "pump-bench" in str(livesense("show", str(run), "--json").json["description"])


def test_lines_that_end_in_cr_alone(recorded: Callable[..., dict[str, Any]]) -> None:
    summary = recorded(b"n,iu,iv,iw\r" + b"".join(b"%d,2,3,4\r" % n for n in range(50)), BENCH)
    assert summary["groups"][0]["scans_stored"] == 50
