"""A bring-up on a run that is being recorded: its stages read from the logbook, and judged."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from livesense.bench.quantities import QuantityError, value_in
from livesense.bringup.judge import Current, Seen, Turning, Verdict, judge
from livesense.bringup.stages import Stage
from livesense.errors import UsageError
from livesense.logbook.rows import StageRow
from livesense.samples import Estimate
from livesense.stretch_means import stretch_means
from livesense.timetext import iso_time

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis
    from livesense.chain import ChannelChain

SECONDS = 2.0
"""So much of a run is looked at for a stage."""

TURNING = (Stage.OPEN_LOOP, Stage.CLOSED_LOOP)


class RunBringUp:
    """A bring-up on one run.

    Raises
    ------
    UsageError
        where the bench has no current with codes.
    """

    def __init__(self, analysis: RunAnalysis) -> None:
        self.analysis = analysis
        self.channels = [c for c in analysis.channels if c.quantity == "current" and c.per_code is not None]
        if not self.channels:
            raise UsageError("the bench file has no current channel with codes: nothing can be judged")

    def end_s(self) -> float:
        """Up to where all currents have scans, in seconds of the run; 0 without any."""
        ends = []
        for group in {channel.group for channel in self.channels}:
            first, stop = self.analysis.run.extent(group)
            ends.append(self.analysis.run.time_axis(group).end_s(stop - 1) if stop > first else 0.0)
        return min(ends)

    def kept(self) -> dict[str, StageRow]:
        """Find the newest verdict of each stage."""
        return {row.stage: row for row in self.analysis.run.stages()}

    def judged(self, stage: Stage, from_s: float, given: str = "") -> Verdict:
        """Judge a stage on the two seconds from an instant on.

        Raises
        ------
        UsageError
            Scans are missing in them, or what was given is no such value; its text begins with ``given: ``.
        """
        return judge(stage, self._seen(stage, from_s, from_s + SECONDS, read_given(stage, given)))

    def _seen(self, stage: Stage, from_s: float, to_s: float, given: Estimate | None) -> Seen:
        bench = self.analysis.bench
        motor = bench.motor
        if stage is Stage.WALK:
            return Seen((), None, None, None, None, None, walked=self._walked())
        bus_v, highest_v = self._bus(from_s, to_s)
        return Seen(
            currents=tuple(self._currents(from_s, to_s)),
            bus_v=bus_v,
            highest_bus_v=highest_v,
            nominal_v=bench.conditions.bus_voltage_v,
            rated_a=None if motor is None else motor.rated_current_a,
            wanted_sequence=None if motor is None else motor.sequence,
            turning=self._turning(from_s, to_s) if stage in TURNING else None,
            before=self._before() if stage is Stage.ZERO_ON else {},
            given=given,
        )

    def _currents(self, from_s: float, to_s: float) -> list[Current]:
        found = stretch_means(self.analysis, from_s, to_s, [c.name for c in self.channels])
        return [_current(channel, found[channel.name]) for channel in self.channels]

    def _before(self) -> dict[str, Estimate]:
        row = self.kept().get(Stage.ZERO_OFF)
        if row is None or row.from_s is None or row.to_s is None or row.verdict == "failed":
            return {}
        try:
            return {c.name: c.mean for c in self._currents(row.from_s, row.to_s)}
        except UsageError:
            # Its scans are not there any more.
            return {}

    def _bus(self, from_s: float, to_s: float) -> tuple[Estimate | None, float | None]:
        for channel in self.analysis.channels:
            if (channel.phase, channel.quantity) != ("bus", "voltage"):
                continue
            for window in self.analysis.window(from_s, to_s, [channel.name]):
                values = window.values[channel.name]
                if len(values):
                    mean = float(values.mean())
                    random = float(values.std()) / math.sqrt(len(values))
                    return Estimate(mean, random, float(channel.u_systematic(mean)), "V"), float(values.max())
        return None, None

    def _turning(self, from_s: float, to_s: float) -> Turning:
        facts = self.analysis.measure(from_s, to_s)
        three, withheld = facts["three_phase"] or {}, facts["withheld"]
        phases = [c.name for c in self.channels if c.phase in ("U", "V", "W")]
        figures = {name: facts["channels"].get(name, {}) for name in phases}
        events = [
            f"{event['kind']} of {event['channel']}"
            for event in self.analysis.events(newest=50)
            if event["start_s"] < to_s and (event["end_s"] is None or event["end_s"] > from_s)
        ]
        reasons = {
            key.split(".")[-1]: why for key, why in withheld.items() if not key.startswith("channels.")
        }
        return Turning(
            frequency_hz=_estimate(facts["speed"].get("electrical_hz")),
            rpm=_estimate(facts["speed"].get("rpm")),
            sequence=three.get("sequence"),
            unbalance_percent=_estimate(three.get("unbalance_percent")),
            residual_a=_estimate(three.get("residual_rms")),
            rms={name: _estimate(found.get("rms")) for name, found in figures.items()},
            clipped={name: int(found.get("clipped_scans") or 0) for name, found in figures.items()},
            power_w=_estimate(facts["power"].get("input_power")),
            events=events,
            withheld=reasons | {"frequency": reasons.get("electrical_hz", "")},
        )

    def _walked(self) -> str | None:
        """When the bench was walked, where that is kept: by this run's logbook, or as a stage of this run."""
        row = self.kept().get(Stage.WALK)
        if row is not None and row.verdict == "passed" and row.details.get("walked"):
            return str(row.details["walked"])
        scales = [r for r in self.analysis.run.calibration(self.analysis.revision) if r.reason == "walk"]
        phases = {c.name for c in self.channels if c.phase in ("U", "V", "W")}
        return iso_time(max(r.wall_s for r in scales))[:16].replace("T", " ") if (
            scales and phases <= {r.channel for r in scales}
        ) else None  # fmt: skip


def _current(channel: ChannelChain, average: Any) -> Current:
    per_code = channel.per_code or 0.0
    mean = Estimate(
        per_code * (average.code - (channel.zero_code or 0.0)),
        abs(per_code) * average.u_code,
        0.0,
        channel.unit,
    )
    common = [term.u for term in channel.budget.terms if term.key == "common_mode_rejection"]
    return Current(
        name=channel.name,
        phase=channel.phase,
        mean=mean,
        u_chain=float(channel.u_systematic(mean.value)),
        moves=average.movement(channel),
        line_a=abs(per_code) * average.line,
        clipped=average.clipped,
        range_a=channel.high - channel.low,
        u_common_mode=max(common, default=0.0),
        offset_stated="offset" not in channel.u_excludes,
        u_scale=channel.u_scale,
    )


def _estimate(found: Mapping[str, Any] | None) -> Estimate | None:
    if not found or found.get("value") is None:
        return None
    return Estimate(found["value"], found.get("u") or 0.0, 0.0, found.get("unit") or "")


def read_given(stage: Stage, text: str) -> Estimate | None:
    """Read what the drive was told: amperes to align with, a frequency or rpm; None where nothing is given.

    Raises
    ------
    UsageError
        whose text begins with ``given: ``.
    """
    text = text.strip()
    if not text:
        return None
    units: Sequence[tuple[str, str]] = ()
    if stage is Stage.ALIGN:
        units, example = (("A", "A"),), "4 A"
    elif stage in TURNING:
        units, example = (("Hz", "Hz"), ("rpm", "rpm")), "20 Hz, or 240 rpm"
    else:
        raise UsageError(f"given: expected nothing with {stage}, got {text!r}")
    for unit, name in units:
        try:
            value = value_in(text, unit)
        except QuantityError:
            continue
        if value > 0 and math.isfinite(value) and (unit != "Hz" or "rpm" not in text.lower()):
            return Estimate(value, 0.0, 0.0, name)
    raise UsageError(f"given: expected a value such as {example}, got {text!r}")
