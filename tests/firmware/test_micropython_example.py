"""The MicroPython example runs on a simulated board, and sends what the bench file beside it says."""

from __future__ import annotations

import importlib.util
import io
import sys
from collections.abc import Callable
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest
from firmware_kit import EXAMPLES, FIRMWARE, Heard, assert_carried, assert_fits

from livesense.bench import load
from livesense.linkbudget import USB_FULL_SPEED

MODULE = FIRMWARE / "micropython" / "livesense_wire.py"
MAIN = EXAMPLES / "micropython" / "main.py"

WRAP = (
    1 << 30
)  # of the ticks of most ports; no more is promised than a power of two (MicroPython's documentation)


class DoneError(Exception):
    """The simulated time is over."""


class Board:
    """A clock that a look at it moves by 20 µs and a conversion by 50; both wrap 1 s after the start."""

    def __init__(self, seconds: float, busy_at_s: float, busy_us: int) -> None:
        self.now_us = self.begun_us = WRAP - 1_000_000
        self.end_us = self.begun_us + round(seconds * 1e6)
        self.busy_at_us, self.busy_us = self.begun_us + round(busy_at_s * 1e6), busy_us

    def ticks_us(self) -> int:
        self.now_us += 20
        if self.busy_us and self.now_us >= self.busy_at_us:
            self.now_us, self.busy_us = self.now_us + self.busy_us, 0
        if self.now_us >= self.end_us:
            raise DoneError
        return self.now_us % WRAP

    def modules(self) -> dict[str, object]:
        board = self

        class ADC:
            def __init__(self, pin: int) -> None:
                self.pin = pin

            def read_u16(self) -> int:
                """Of 26 the period in which it was read, else a hundred times the pin; 12 bits made 16."""
                period = (board.now_us - board.begun_us) // 2000
                code = period % 4096 if self.pin == 26 else 100 * self.pin
                board.now_us += 50
                return code << 4 | code >> 8

        class Pin:
            IN = 0

            def __init__(self, pin: int, mode: int) -> None:
                self.pin = pin

            def value(self) -> int:
                """Enabled throughout; the fault pin goes low after two seconds."""
                return int(self.pin == 14 or board.now_us - board.begun_us < 2_000_000)

        def diff(after: int, before: int) -> int:
            return (after - before + WRAP // 2) % WRAP - WRAP // 2

        clock = SimpleNamespace(
            ticks_us=self.ticks_us,
            ticks_ms=lambda: self.now_us // 1000 % WRAP,
            ticks_diff=diff,
            ticks_add=lambda ticks, more: (ticks + more) % WRAP,
        )
        return {"machine": SimpleNamespace(ADC=ADC, Pin=Pin), "time": clock}


def wire() -> ModuleType:
    spec = importlib.util.spec_from_file_location("livesense_wire", MODULE)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Heard]:
    """Run the example for so many simulated seconds; returns what was heard."""

    def heard(seconds: float, busy_at_s: float = 0, busy_us: int = 0) -> Heard:
        line = io.BytesIO()
        with monkeypatch.context() as patch:
            for name, module in Board(seconds, busy_at_s, busy_us).modules().items():
                patch.setitem(sys.modules, name, module)
            patch.setitem(sys.modules, "livesense_wire", wire())
            patch.setattr(sys, "stdout", SimpleNamespace(buffer=line))
            with pytest.raises(DoneError):
                exec(compile(MAIN.read_text(encoding="utf-8"), str(MAIN), "exec"), {"__name__": "__main__"})
        return Heard(line.getvalue())

    return heard


def test_all_scans_come(run: Callable[..., Heard]) -> None:
    heard = run(4)
    assert heard.faults == []
    assert heard.channels == [["ibus", "vbus"], ["t_sink", "state"]]
    groups = heard.descriptions[0].groups
    assert [group.rate_hz for group in groups] == [500, 10]
    assert_fits(load(MAIN.with_name("bench.toml")), groups)
    assert_carried(groups, [25, 1], USB_FULL_SPEED)
    assert len(heard.descriptions) == 4
    assert len({description.boot for description in heard.descriptions}) == 1
    assert heard.first[0] == list(range(0, 2000, 25))
    assert heard.codes[0].tolist() == [[number, 2700] for number in range(2000)]
    assert heard.first[1] == list(range(40))
    assert heard.codes[1].tolist() == [[2800, 1]] * 20 + [[2800, 3]] * 20


def test_every_reset_has_another_number(run: Callable[..., Heard]) -> None:
    assert run(0.1).descriptions[0].boot != run(0.1).descriptions[0].boot


@pytest.mark.parametrize(("busy_us", "jump", "slow_jump"), [(7_300, 3, 1), (1_000_300, 500, 10)])
def test_scans_missed_are_counted_in_both_groups(
    run: Callable[..., Heard], busy_us: int, jump: int, slow_jump: int
) -> None:
    heard = run(4, 1.4905, busy_us)
    assert heard.faults == []
    numbers = heard.codes[0][:, 0]
    assert numbers[0] == 0
    assert numbers[-1] >= 1999 - 25  # what has not filled a packet yet
    jumps = np.flatnonzero(np.diff(numbers) != 1)
    assert np.diff(numbers)[jumps].tolist() == [jump]
    # Within a packet scans follow each other: so every one has its number, when each packet begins with that
    # of its counter, and one begins where numbers are missing.
    assert {*numbers[jumps + 1].tolist()} <= {*heard.first[0]} <= {*numbers.tolist()}
    assert max(np.diff(heard.first[1])) == slow_jump
    assert heard.first[1][-1] == 39
