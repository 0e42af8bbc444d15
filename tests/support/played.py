"""A scenario of the simulator straight into a bench's rules: the codes of the device, without a link."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from livesense.bench import Bench, parse
from livesense.chain import Chain
from livesense.samples import CodeType, Event, GroupInfo
from livesense.watching import GroupWatches
from simulator.main import BENCH
from simulator.sensing import FAST, SLOW
from simulator.trouble import SCENARIOS
from simulator.world import SLOW_HZ, World

BENCH_TEXT = BENCH.read_text(encoding="utf-8")


@dataclass
class Played:
    """What a scenario gave: its events, its phases with the second they begin at, and values."""

    rate_hz: float
    bench: Bench
    events: list[Event]
    phases: list[tuple[str, float]]
    codes: np.ndarray
    chain: Chain
    truth: dict[str, Any] = field(default_factory=dict)

    def of(self, kind: str) -> list[Event]:
        return [event for event in self.events if event.kind == kind]

    def begins_s(self, phase: str) -> float:
        return next(at for name, at in self.phases if name == phase)

    def values(self, name: str) -> np.ndarray:
        return self.chain.value(name, self.codes)

    def start_s(self, event: Event) -> float:
        return event.start_scan / self.rate_hz

    def end_s(self, event: Event) -> float:
        return event.end_scan / self.rate_hz


def play(
    name: str, *, more: str = "", rate_hz: int = 5000, seed: int = 1, seconds: float | None = None
) -> Played:
    """Play a scenario once."""
    bench = parse(BENCH_TEXT + more, "coolant-pump.toml")
    scenario = SCENARIOS[name]
    world = World(scenario, rate_hz=rate_hz, seed=seed)
    groups = [
        GroupInfo(float(rate_hz), CodeType.U16, 12, FAST),
        GroupInfo(float(SLOW_HZ), CodeType.U16, 12, SLOW),
    ]
    chain = Chain(bench, groups)
    watches = [GroupWatches(bench, chain, 0, float(rate_hz)), GroupWatches(bench, chain, 1, float(SLOW_HZ))]
    latest: dict[tuple[int, str], Event] = {}
    phases, codes, true = [], [], []
    scan = slow = 0
    for _ in range(round((seconds or scenario.seconds) / 0.1)):
        chunk = world.chunk()
        phases += [(mark.phase.name, mark.time_s) for mark in chunk.marks]
        found = watches[0].feed(scan, chunk.codes) + watches[1].feed(slow, chunk.slow)
        scan, slow = scan + len(chunk.codes), slow + len(chunk.slow)
        for event in found:
            latest[event.rule, event.details["key"]] = event
        codes.append(chunk.codes)
        true.append(chunk.current_a)
    for event in watches[0].close(scan - 1) + watches[1].close(slow - 1):
        latest[event.rule, event.details["key"]] = event
    events = sorted(latest.values(), key=lambda e: e.start_scan)
    return Played(
        float(rate_hz),
        bench,
        events,
        phases,
        np.concatenate(codes),
        chain,
        {"current_a": np.concatenate(true)},
    )
