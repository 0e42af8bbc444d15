"""A walk on a run: its steps read from the logbook by their times, and judged."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from livesense.chain import Chain
from livesense.errors import UsageError
from livesense.stretch_means import stretch_means, stretch_temperatures
from livesense.walk.given import Given, read_pushed
from livesense.walk.session import Pushed, Reading, Walked, not_still, walked, walked_names
from livesense.walk.steps import Step, read_steps

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

REST = "rest"


class RunWalk:
    """A walk on one run, which may still be recorded.

    Raises
    ------
    UsageError
        where the bench has no phase current that a walk reaches.
    """

    def __init__(self, analysis: RunAnalysis) -> None:
        self.analysis = analysis
        self.names, self.left = walked_names(analysis.bench)
        # Without calibrations, as the command judges: a walk tells what the bench file says wrongly.
        self.chain = Chain(analysis.bench, analysis.run.groups)

    def end_s(self) -> float:
        """Up to where all channels of the walk have scans, in seconds of the run; 0 without any."""
        ends = []
        for group in {self.chain.channels[name].group for name in self.names}:
            first, stop = self.analysis.run.extent(group)
            ends.append(self.analysis.run.time_axis(group).end_s(stop - 1) if stop > first else 0.0)
        return min(ends)

    def read(self, step: Step | None, window: tuple[float, float]) -> Reading:
        """Average a step, or the rest (None); UsageError where scans are missing in it."""
        averages = stretch_means(self.analysis, *window, self.names)
        warm = stretch_temperatures(self.analysis, *window)
        return Reading(step, averages, self.analysis.run.row.device, warm)

    def moved(self, reading: Reading) -> str | None:
        """Tell what moves in a step; None where all stands still."""
        return not_still(self.chain, reading)

    def judged(
        self, windows: Mapping[str, tuple[float, float]], given: Given
    ) -> tuple[Walked, list[Reading], Pushed]:
        """Judge the steps, ``rest`` among them; UsageError where one cannot be read, or moves."""
        if REST not in windows:
            raise UsageError("expected the rest among the steps: read it first")
        steps = read_steps(",".join(name for name in windows if name != REST))
        readings = [self.read(step, windows[REST if step is None else step.name]) for step in (None, *steps)]
        for reading in readings:
            if (why := self.moved(reading)) is not None:
                raise UsageError(f"{reading.name}: {why}; read this step again")
        pushed = read_pushed(given, steps)
        return walked(self.analysis.bench, self.chain, readings, pushed), readings, pushed
