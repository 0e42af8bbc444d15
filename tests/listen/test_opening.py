"""Hints for ports that cannot be opened, on each system."""

from __future__ import annotations

import pytest

from livesense.listen.opening import Closed, opening_hints

PORTS = [("/dev/ttyACM0", "pump board"), ("/dev/ttyUSB1", "")]


def told(trouble: str, system: str = "linux", given: str = "/dev/ttyACM1", **more: object) -> str:
    (hint,) = opening_hints(Closed(given, trouble, system, **more))  # type: ignore[arg-type]
    assert hint.key == trouble
    return hint.text


def test_missing_lists_what_is_there_and_the_nearest_name() -> None:
    text = told("missing", ports=PORTS)
    assert "There is: /dev/ttyACM0 (pump board), /dev/ttyUSB1. Did you mean /dev/ttyACM0?" in text


@pytest.mark.parametrize(
    ("system", "said"), [("linux", "dmesg"), ("darwin", "/dev/cu."), ("win32", "Device Manager")]
)
def test_missing_without_any_port(system: str, said: str) -> None:
    text = told("missing", system)
    assert text.startswith("The system lists no serial port at all. ")
    assert said in text


@pytest.mark.parametrize(
    ("system", "more", "said"),
    [
        ("linux", {"group": "dialout"}, "sudo usermod -aG dialout $USER"),
        ("linux", {"group": "uucp"}, "belongs to the group uucp"),
        ("linux", {}, "often dialout or uucp"),
        ("linux", {"group": "dialout", "member": True}, "You are in the port's group dialout"),
        ("darwin", {}, "On macOS everybody may"),
        ("win32", {}, "Device Manager"),
    ],
)
def test_permission(system: str, more: dict[str, object], said: str) -> None:
    assert said in told("permission", system, **more)


@pytest.mark.parametrize(
    ("system", "more", "said"),
    [
        ("linux", {"holders": ["monitor (process 12)"]}, "open in monitor (process 12)"),
        ("linux", {}, "`lsof /dev/ttyACM1`"),
        ("darwin", {}, "`lsof /dev/ttyACM1`"),
        ("win32", {}, "task manager"),
    ],
)
def test_busy(system: str, more: dict[str, object], said: str) -> None:
    assert said in told("busy", system, **more)


@pytest.mark.parametrize("trouble", ["refused", "unknown_host", "no_answer"])
def test_sockets_repeat_the_address(trouble: str) -> None:
    assert "socket://board:5000" in told(trouble, given="socket://board:5000")


def test_nothing_is_added_where_nothing_is_known() -> None:
    assert opening_hints(Closed("COM5", "", "win32")) == []
