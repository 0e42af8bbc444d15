"""A run that needs no logbook: three 50 Hz currents and a bus voltage, always up to the present.

It answers like `livesense.analysis.RunAnalysis` as far as the page asks, with values from closed
forms, so that a test knows what must be on the screen.
"""

from __future__ import annotations

import math
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np

from dashboard.follow import Recording
from livesense.bench import Bench
from livesense.budget_facts import budget_facts
from livesense.calibrated import NOTHING
from livesense.chain import ChannelChain
from livesense.chain.budget import Acts, Budget, Term
from livesense.errors import RunNotFoundError
from livesense.logbook.rows import GapRow, HealthRow, NoteRow, RestartRow, RunRow
from livesense.samples import BoolArray, CodeType, FloatArray, GroupInfo, SegmentStart, TimeAxis

RATE_HZ = 10_000.0
AMPLITUDE_A = 6.0
FREQUENCY_HZ = 50.0
HOSTILE = '<img src=x onerror="alert(1)">$x$ %{y}'


@dataclass(frozen=True)
class FakeChannel:
    name: str
    unit: str = "A"
    quantity: str = "current"
    phase: str | None = None
    place: str = "in-line"
    group: int = 0
    computed: bool = False
    source: tuple[str, ...] = ()
    low: float = -16.5
    high: float = 16.5


@dataclass(frozen=True)
class FakeWatch:
    kind: str = "overcurrent"
    channels: tuple[str, ...] = ("iu", "iv", "iw")
    limit: float = 12.0
    unit: str = "A"
    instant: bool = True


def quantity(value: float, u: float, unit: str) -> dict[str, Any]:
    return {"value": value, "u": u, "unit": unit}


@dataclass
class FakeState:
    """What a test may change while the page looks."""

    state: str = "recording"
    seconds: float = 600.0
    began: float = field(default_factory=time.time)
    frozen_at: float | None = None
    frequency_hz: float = FREQUENCY_HZ
    amplitude_a: float = AMPLITUDE_A
    growth_per_s: float = 0.0
    names: tuple[str, str, str] = ("iu", "iv", "iw")
    faults: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    events: list[dict[str, Any]] = field(default_factory=list)
    outages: list[Any] = field(default_factory=list)
    restarts: list[RestartRow] = field(default_factory=list)
    link: str = "open"

    def newest_s(self) -> float:
        now = self.frozen_at if self.frozen_at is not None else time.time()
        return self.seconds + now - self.began


@dataclass(frozen=True)
class Window:
    group: int
    first: int
    rate_hz: float
    time_s: FloatArray
    values: dict[str, FloatArray]
    clipped: dict[str, BoolArray]


@dataclass(frozen=True)
class Band:
    time_s: FloatArray
    low: FloatArray
    high: FloatArray
    mean: FloatArray


class FakeRun:
    """The reader's side of the run."""

    number = 1

    def __init__(self, state: FakeState) -> None:
        self._state = state
        self.groups = (
            GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv", "iw", "vbus")),
        )  # fmt: skip

    def revisions(self) -> list[Any]:
        return []

    def is_dropped(self, group: int, first: int, stop: int) -> bool:
        return False

    def dropped(self, group: int | None = None, level: int = 0) -> list[Any]:
        return []

    @property
    def row(self) -> RunRow:
        s = self._state
        return RunRow(
            number=1,
            name="first turn",
            started_wall_s=s.began - s.seconds,
            seconds=s.newest_s(),
            state=s.state,
            ended={"complete": "time", "failed": "error"}.get(s.state),
            ended_wall_s=time.time() - 12.0 if s.state in ("complete", "failed") else None,
            channels=(*s.names, "vbus"),
            events=len(s.events),
            scans_lost=0,
            bench_name="coolant pump, 24 V",
            bench_text="",
            bench_path="pump.toml",
            device="pump-bench",
            wire="framed",
            port="socket://127.0.0.1:7000",
            version="0",
            summary=None,
        )

    def extent(self, group: int) -> tuple[int, int]:
        return 0, int(self._state.newest_s() * RATE_HZ)

    def scans_stored(self, group: int) -> int:
        return self.extent(group)[1]

    def scans_lost(self, group: int) -> int | None:
        return 0

    def has_trends(self, group: int) -> bool:
        return False

    def fault_counts(self) -> dict[str, int]:
        return dict(self._state.faults)

    def health(self) -> HealthRow | None:
        return HealthRow(time.time(), {"link": self._state.link})

    def is_away(self) -> bool:
        return any(outage.ended_wall_s is None for outage in self.outages())

    def outages(self) -> list[Any]:
        return list(self._state.outages)

    def gaps(self, group: int | None = None, *, most: int | None = None) -> list[GapRow]:
        return [GapRow(0, int(100 * RATE_HZ), 5000, "wire", None)][:most]

    def gap_count(self) -> int:
        return 1

    def restarts(self) -> list[RestartRow]:
        return list(self._state.restarts)

    def stages(self) -> list[Any]:
        return []

    def notes(self, *, newest: int | None = None) -> list[NoteRow]:
        return [NoteRow(n, self.row.started_wall_s + 5.0, None, "device", text)
                for n, text in enumerate(self._state.notes)][-newest if newest else None:]  # fmt: skip

    def time_axis(self, group: int) -> TimeAxis:
        return TimeAxis((SegmentStart(0, 0, 0.0, RATE_HZ),))


class FakeAnalysis:
    """The analysis' side: closed forms instead of codes."""

    def __init__(self, state: FakeState) -> None:
        self._state = state
        self.run = FakeRun(state)
        u, v, w = state.names
        self.channels = [
            FakeChannel(u, phase="U"),
            FakeChannel(v, phase="V"),
            FakeChannel(w, phase="W", computed=True, source=(u, v)),
            FakeChannel("vbus", unit="V", quantity="voltage", phase="bus", low=0.0, high=36.3),
        ]
        self.in_use = NOTHING
        self.revision = 0
        # No channel of the bench file's own: the walk says that it reaches none.
        self.bench = SimpleNamespace(
            name="coolant pump, 24 V",
            rules=(FakeWatch(channels=state.names),),
            channels=(),
            motor=SimpleNamespace(sequence="UVW"),
        )

    def refresh(self) -> None:
        """Nothing is kept, so nothing is old."""

    def extent_s(self) -> tuple[float, float]:
        return 0.0, self._state.newest_s()

    def scans_between(self, group: int, from_s: float, to_s: float) -> tuple[int, int]:
        return round(from_s * RATE_HZ), round(to_s * RATE_HZ)

    def _value(self, name: str, time_s: FloatArray) -> FloatArray:
        if name == "vbus":
            return np.full(len(time_s), 24.0) + 0.1 * np.sin(
                2 * np.pi * 6 * self._state.frequency_hz * time_s
            )
        shift = self._state.names.index(name) * 2 * np.pi / 3
        wave = self._state.amplitude_a * np.sin(2 * np.pi * self._state.frequency_hz * time_s - shift)
        wave *= 1.0 + self._state.growth_per_s * (time_s - self._state.newest_s())
        return np.clip(wave, -16.5, 16.5)

    def _window(self, first: int, stop: int, names: Any) -> Window:
        scans = np.arange(first, stop, dtype=np.int64)
        time_s = scans / RATE_HZ
        chosen = [c.name for c in self.channels if names is None or c.name in names]
        values = {name: self._value(name, time_s) for name in chosen}
        return Window(0, first, RATE_HZ, time_s, values, {n: np.abs(v) >= 16.5 for n, v in values.items()})

    def latest(self, seconds: float, names: Any = None) -> dict[int, Window]:
        _, stop = self.run.extent(0)
        return {0: self._window(max(0, stop - int(seconds * RATE_HZ)), stop, names)}

    def window(self, from_s: float | None, to_s: float | None, names: Any = None) -> list[Window]:
        first, stop = math.ceil((from_s or 0.0) * RATE_HZ - 1e-6), math.ceil((to_s or 0.0) * RATE_HZ - 1e-6)
        return [self._window(first, stop, names)]

    def envelope(self, name: str, from_s: float, to_s: float, buckets: int) -> Band:
        edges = np.linspace(from_s, to_s, buckets + 1)
        middle = (edges[1:] + edges[:-1]) / 2
        peak = 24.1 if name == "vbus" else self._state.amplitude_a
        low = np.full(buckets, 23.9 if name == "vbus" else -peak)
        hole = (middle > 100.0) & (middle < 100.5)
        high = np.full(buckets, peak)
        low[hole] = high[hole] = np.nan
        return Band(middle, low, high, (low + high) / 2)

    def measure(self, from_s: float | None = None, to_s: float | None = None) -> dict[str, Any]:
        rms = self._state.amplitude_a / math.sqrt(2)
        f = self._state.frequency_hz
        channel = {
            "mean": quantity(0.01, 0.02, "A"), "rms": quantity(rms, 0.021, "A"),
            "min": quantity(-self._state.amplitude_a, 0.03, "A"),
            "max": quantity(self._state.amplitude_a, 0.03, "A"),
            "frequency_hz": quantity(f, 0.001, "Hz"), "fundamental_rms": quantity(rms, 0.02, "A"),
            "thd_percent": None, "clipped_scans": 40 if self._state.amplitude_a > 16.5 else 0,
            "u_excludes": ["offset_drift"],
        }  # fmt: skip
        return {
            "run": 1, "from_s": from_s, "to_s": to_s, "used_from_s": from_s, "used_to_s": to_s,
            "channels": {name: dict(channel) for name in self._state.names},
            "three_phase": {
                "sequence": "UVW", "angles_deg": {
                    "U": quantity(0.0, 0.0, "°"), "V": quantity(-120.31, 0.02, "°"),
                    "W": quantity(119.98, 0.02, "°"),
                }, "unbalance_percent": quantity(0.31, 0.1, "%"), "residual_rms": None,
            },
            "power": {"bus_voltage": quantity(24.03, 0.06, "V"), "bus_current": None, "input_power": None,
                      "energy_Wh": None, "charge_Ah": None},
            "speed": {"electrical_hz": quantity(f, 0.001, "Hz"), "rpm": quantity(f * 12, 0.02, "rpm")},
            "temperatures": {},
            "withheld": {
                "power.bus_current": "no channel measures the bus current",
                "power.input_power": "no channel measures the bus current",
                "three_phase.residual_rms": "phase W is computed from the others",
                **{f"channels.{n}.thd_percent": "below its own noise" for n in self._state.names},
            },
        }  # fmt: skip

    def budgets(self) -> dict[str, dict[str, Any] | None]:
        bench = SimpleNamespace(motor=None, conditions=SimpleNamespace(bus_voltage_v=None))
        terms = (
            Term("shunt_tolerance", "resistance of the shunt", Acts.SCALE, 0.006, "± 1 % (limit)"),
            Term("inl", "non-linearity of the converter", Acts.BOW, 0.01, "± 2 LSB (limit)"),
        )
        chain = {
            c.name: ChannelChain(
                name=c.name, unit=c.unit, quantity=c.quantity, phase=c.phase, place="in-line", group=0,
                low=c.low, high=c.high, budget=Budget(terms),
            )
            for c in self.channels
        }  # fmt: skip
        return {name: budget_facts(cast("Bench", bench), channel) for name, channel in chain.items()}

    def events(self, newest: int | None = None) -> list[dict[str, Any]]:
        return list(self._state.events)

    def events_page(self, offset: int, limit: int) -> list[dict[str, Any]]:
        return self._state.events[offset : offset + limit]


class FakeDesk:
    """Stands where `dashboard.reading.Desk` stands."""

    def __init__(self, state: FakeState) -> None:
        self._analysis = FakeAnalysis(state)
        self.logbook = SimpleNamespace(
            runs=lambda: [self._analysis.run.row],
            calibrations=lambda name, boards: [],
            waiting_points=lambda name, boards: [],
            select=lambda *_: [],
            notes_of_runs=dict,
            events_of_runs=dict,
        )

    def run(self, number: int, fresh: bool = True) -> FakeAnalysis:
        if number != 1:
            raise RunNotFoundError(f"this logbook has no run {number}")
        return self._analysis

    def recording(self) -> list[Recording]:
        alive = self._analysis.run.row.state == "recording"
        return [Recording(1, True, time.time())] if alive else []

    def newest(self) -> int | None:
        return 1

    def newest_with_scans(self) -> int | None:
        return 1

    def state(self, number: int) -> str:
        return self.run(number).run.row.state

    def close(self) -> None:
        """There is nothing to let go of."""


class FakeReading:
    """Stands where `dashboard.reading.Reading` stands."""

    def __init__(self, state: FakeState) -> None:
        self.path = Path("no-such-logbook.db")
        self.state = state

    @contextmanager
    def desk(self) -> Iterator[FakeDesk]:
        yield FakeDesk(self.state)

    def close(self) -> None:
        """There is nothing to let go of."""


def overcurrent(start_s: float, end_s: float | None, channel: str = "iv") -> dict[str, Any]:
    return {
        "kind": "overcurrent", "channel": channel, "group": 0,
        "start_scan": int(start_s * RATE_HZ), "end_scan": None if end_s is None else int(end_s * RATE_HZ),
        "start_s": start_s, "end_s": end_s,
        "peak": quantity(14.23, 0.08, "A"), "limit": quantity(12.0, 0.0, "A"), "text": "beyond 12 A",
    }  # fmt: skip
