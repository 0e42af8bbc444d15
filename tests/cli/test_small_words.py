"""Texts of which each was missed once: a busy port, figures left out, a run without scans, `init`."""

from __future__ import annotations

import socket
from collections.abc import Callable
from typing import Any

from plain_device import Sender, bench_text, description_frame, group

Command = Callable[..., Any]


def test_a_page_port_that_is_taken(livesense: Command, recorded: Callable[..., Any]) -> None:
    fast = Sender()
    recorded(description_frame([group(fast.channels)]) + fast.packet(5), bench_text())
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        answer = livesense("serve", "--port", str(port), "--no-browser")
    assert answer.code == 2
    assert f"cannot listen on port {port}: another program listens there; name another one" in answer.err
    assert "Errno" not in answer.err


def test_measure_tells_every_figure_in_its_text(livesense: Command, recorded: Callable[..., Any]) -> None:
    fast = Sender()
    recorded(description_frame([group(fast.channels)]) + fast.packet(400), bench_text())
    said, facts = livesense("measure", "last").out, livesense("measure", "last", "--json").json
    told = {word.strip(",:") for word in said.split()}
    figures = {key for key, value in facts["channels"]["iu"].items() if isinstance(value, dict)}
    assert "Peaks not visible by up to " in said
    assert figures - told - {"withheld", "harmonics", "unseen_peak"} == set()


def test_init_says_what_comes_first(livesense: Command) -> None:
    assert "Set its port" in livesense("init", "pump.toml").out


def test_a_run_without_scans_has_no_empty_table(livesense: Command, recorded: Callable[..., Any]) -> None:
    recorded(b"\x01\x02\x00" * 5, bench_text(), code=1)
    answer = livesense("show", "last")
    assert "holds no scans" in answer.out
    assert "per code" not in answer.out
