"""Rows of the table that ``all.py`` prints, and the loop that tells how fast the machine was meanwhile."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np


@dataclass(frozen=True, slots=True)
class Row:
    """One measured value; ``alternative`` is what it stands beside, measured in the same run.

    ``ratio`` is ours over the alternative's where ``unit`` is a speed, and what the target is about.
    ``met`` None: there is no target.
    """

    figure: int
    what: str
    value: float
    unit: str
    alternative: str = ""
    other: float | None = None
    ratio: float | None = None
    target: str = ""
    met: bool | None = None


@dataclass(slots=True)
class Report:
    """What was measured, and the calibration loop's times around it."""

    rows: list[Row] = field(default_factory=list)
    loops: list[float] = field(default_factory=list)

    def add(self, *args: Any, **more: Any) -> None:
        """Add a row and print it at once."""
        row = Row(*args, **more)
        self.rows.append(row)
        print(line(row), flush=True)

    def calibrate(self) -> None:
        """Run the calibration loop once more."""
        self.loops.append(loop_s())

    def as_json(self) -> dict[str, Any]:
        """Everything, for ``--json``."""
        return {
            "calibration_s": {
                "best": min(self.loops),
                "median": statistics.median(self.loops),
                "all": self.loops,
            },
            "rows": [asdict(row) for row in self.rows],
        }


HEADER = ("figure", "what", "measured", "beside", "ratio", "target", "met")


def cells(row: Row) -> tuple[str, ...]:
    """Write a row as texts."""
    other = "" if row.other is None else f"{number(row.other)} {row.unit}".rstrip()
    beside = f"{row.alternative}: {other}" if other else row.alternative
    return (
        str(row.figure),
        row.what,
        f"{number(row.value)} {row.unit}".rstrip(),
        beside,
        "" if row.ratio is None else number(row.ratio),
        row.target,
        {None: "", True: "yes", False: "no"}[row.met],
    )


def line(row: Row) -> str:
    """Write a row for the terminal."""
    figure, what, value, beside, ratio, target, met = cells(row)
    return f"{figure:>2}  {what:<64} {value:>14}  {beside:<44} {ratio:>7}  {target:<16} {met}".rstrip()


def markdown(report: Report) -> str:
    """Write the table as docs/performance.md has it."""
    lines = ["| " + " | ".join(HEADER) + " |", "|" + "---|" * len(HEADER)]
    lines += ["| " + " | ".join(cells(row)) + " |" for row in report.rows]
    return "\n".join(lines)


def number(value: float) -> str:
    """Write three digits, no exponent."""
    if value == 0:
        return "0"
    digits = max(0, 2 - int(np.floor(np.log10(abs(value)))))
    return f"{value:.{digits}f}"


def loop_s() -> float:
    """Time a fixed piece of work, half Python and half numpy: about a quarter of a second of one core."""
    began = time.perf_counter()
    total = 0
    for value in range(1_500_000):
        total += value & 255
    data = np.random.default_rng(total).normal(size=400_000)
    for _ in range(4):
        data = np.sort(np.abs(np.fft.irfft(np.fft.rfft(data))))
    return time.perf_counter() - began


def best_cpu_s(work: Callable[[], object], passes: int) -> float:
    """Take the least processor time of some passes: what other programs do is left out."""
    return best_in_turn((work,), passes)[0]


def best_in_turn(works: Sequence[Callable[[], object]], passes: int) -> list[float]:
    """Take the least processor time of each of some works, done in turn.

    A processor that slows down for a while, as shared ones do, then slows all of them: their ratios stay.
    """
    times: list[list[float]] = [[] for _ in works]
    for _ in range(passes):
        for work, spent in zip(works, times, strict=True):
            began = time.process_time()
            work()
            spent.append(time.process_time() - began)
    return [min(spent) for spent in times]


def median_ms(seconds: Sequence[float]) -> float:
    """Median, in milliseconds."""
    return 1e3 * statistics.median(seconds)
