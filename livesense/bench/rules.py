"""Reading one ``[[watch]]`` table: which keys a kind has, and what stands for those left out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from livesense.bench import Adc, Channel, Conditions, Motor, Sensor, Watch
from livesense.bench.checks import check_watch, range_of, reach
from livesense.bench.keys import REQUIRED_OF_WATCH, WATCH, WATCH_LEVELS, WATCH_UNITS
from livesense.bench.state_words import meaning
from livesense.bench.tables import Place
from livesense.bench.triples import PHASES, bus_voltage, phase_triple
from livesense.bench.values import Unfit, listed

RELEASE_OF_LIMIT = 0.95
"""Share of a limit at or below which what is beyond it ends (common practice, no source)."""
RELEASE_HOLD_S = 0.05
LONGEST_CYCLE_S = 0.2
LONGEST_TURN_S = 1.2
"""Electrical cycles from 1 Hz on are looked at, jitter of their ends included."""

FEWEST = {"unbalance": 2}
"""A cycle within which the load changes is unlike itself, and no unbalance: at 1 Hz it lasts for the hold."""
PRE_S = 0.1
POST_S = 0.4

OVER_RATED = 1.5
BUS_SHARE = 0.2
BUS_RELEASE = 0.03
RELEASE_OF_SHARE = 0.8
COOLER_K = 3.0

HOLDS_S = {
    "overload": 60.0,
    "unbalance": 1.0,
    "overvoltage": 0.005,
    "undervoltage": 0.005,
    "overtemperature": 1.0,
    "stall": 0.3,
    "standing": 10.0,
}
RELEASE_HOLDS_S = {
    "overload": 1.0,
    "phase-loss": 0.2,
    "unbalance": 0.5,
    "reversed": 0.2,
    "stall": 0.2,
    "standing": 1.0,
    "overtemperature": 1.0,
}
QUANTITIES = {
    "overcurrent": "instant",
    "overload": "vector-rms",
    "stall": "vector-rms",
    "standing": "vector-rms",
    "phase-loss": "sequence",
    "unbalance": "sequence",
    "reversed": "sequence",
    "inverse-time": "cycle-rms",
    "thermal": "cycle-rms",
    "i2t": "cycle-rms",
}
"""What is held against the limit, by kind; "instant" where it is not here."""

NOTES = ("clipping", "standing", "reversed", "unbalance")
"""Kinds that tell of something to look at, and not of a fault by themselves."""

ABOVE_RATED = {"unbalance": 0.2, "phase-loss": 0.1, "reversed": 0.1}
"""Share of the rated current below which the sequence of the phases says nothing."""

IN_USE_RATED = 0.05
"""Share of the rated current below which a drive is not in use, in the default rule on the bus."""

TRIPLES = ("overload", "phase-loss", "unbalance", "reversed", "stall", "standing")
BUSES = ("overvoltage", "undervoltage")


class Rules:
    """Reads the rules of one bench."""

    def __init__(
        self, channels: Sequence[Channel], adc: Adc, motor: Motor | None, conditions: Conditions
    ) -> None:
        self.channels = channels
        self.adc = adc
        self.conditions = conditions
        self._rated_a = motor.rated_current_a if motor is not None else None
        self._sequence = motor.sequence if motor is not None else None

    def read(self, place: Place, given: Mapping[str, Any]) -> Watch | str:
        """Read a rule; the kind alone where its default is switched off.

        Raises
        ------
        BenchError
            when it cannot be used.
        """
        keys = place.read(given, WATCH)
        if "kind" not in keys:
            place.fail("kind", f"a value such as {WATCH['kind'].example}")
        kind = str(keys["kind"])
        if keys.pop("off", False):
            if more := [key for key in keys if key != "kind"]:
                place.fail(more[0], "no further key beside off = true", given[more[0]])
            return kind
        for key in keys:
            only = WATCH[key].only
            if only and kind not in only:
                place.fail(
                    key, f'no such key with kind = "{kind}" (it belongs to {listed(only)})', given[key]
                )
        for key in REQUIRED_OF_WATCH.get(kind, ()):
            if key not in keys:
                since = f', since kind = "{kind}"' if key != "channels" else ""
                place.fail(key, f"a value such as {WATCH[key].example}{since}")
        for key in {"limit", "release"} & set(keys):
            try:
                keys[key] = WATCH_LEVELS[kind](keys[key])
            except Unfit as unfit:
                place.fail(key, str(unfit), given[key])
        watch = self.completed(place, kind, keys)
        self._check(place, watch, keys, given)
        check_watch(place, watch, self.channels, self.adc, given)
        return watch

    def completed(self, place: Place, kind: str, keys: Mapping[str, Any]) -> Watch:
        """Make a rule of what is stated and the defaults of its kind."""
        quantity = keys.get("quantity", QUANTITIES.get(kind, "instant"))
        if kind == "i2t" and "pickup" not in keys:
            quantity = "instant"
        above = keys.get("above", 0.0)
        if kind in ABOVE_RATED and not above:
            above = self._above(place, kind)
        limit = keys.get("limit", keys.get("pickup"))
        if limit is None:
            limit = above if kind == "reversed" else self._limit(place, kind)
        if kind == "clipping":
            limit = self._end(keys["channels"])
        return Watch(
            kind=kind,
            quantity=quantity,
            channels=keys.get("channels") or self._channels(place, kind),
            limit=limit,
            unit=self._unit(kind, keys),
            hold_s=keys.get("hold", HOLDS_S.get(kind, 0.0)),
            release=keys.get("release", self._release(kind, keys.get("note", limit / 2), limit)),
            release_hold_s=keys.get("release_hold", RELEASE_HOLDS_S.get(kind, RELEASE_HOLD_S)),
            pre_s=keys.get("pre", PRE_S),
            post_s=keys.get("post", POST_S),
            longest_cycle_s=keys.get(
                "longest_cycle", LONGEST_TURN_S if kind in ABOVE_RATED else LONGEST_CYCLE_S
            ),
            curve=keys.get("curve", ""),
            tms=keys.get("tms", 1.0),
            tau_s=keys.get("tau", 0.0),
            i2t=keys.get("i2t", 0.0),
            preload=keys.get("preload", 0.0),
            above=above,
            cycles=keys.get("cycles", 3) if kind in ("phase-loss", "reversed") else FEWEST.get(kind, 0),
            note=keys.get("note", limit / 2) if kind == "unbalance" else 0.0,
            sequence=self._expected(place) if kind == "reversed" else "",
            currents=self._in_use_by(place, keys) if kind == "undervoltage" and above else (),
            state=keys.get("state", ""),
            says=self._said(place, kind, keys) if "state" in keys else (),
            severity="note" if kind in NOTES else "alarm",
        )

    def _unit(self, kind: str, keys: Mapping[str, Any]) -> str:
        if kind == "clipping" and "channels" in keys:
            units = {c.name: c.unit for c in self.channels}
            return units.get(keys["channels"][0], "")
        return WATCH_UNITS.get(kind, "A")

    def _limit(self, place: Place, kind: str) -> float:
        """Give the limit that stands for one left out."""
        match kind:
            case "overload":
                return OVER_RATED * self._rated(place)
            case "stall":
                return self._rated(place)
            case "standing":
                return 0.05 * self._rated(place)
            case "phase-loss":
                return 50.0
            case "unbalance":
                return 10.0
            case "overvoltage" | "undervoltage":
                nominal = self.conditions.bus_voltage_v
                if nominal is None:
                    place.fail("limit", "a voltage here, or bus_voltage in [bench] to take a share of")
                return nominal * (1 + BUS_SHARE if kind == "overvoltage" else 1 - BUS_SHARE)
        return 0.0

    def _end(self, names: Sequence[str]) -> float:
        """Give the end of the range: the nearest one of these channels; 0 where only codes tell it."""
        by_name = {c.name: c for c in self.channels}
        known = [by_name[name] for name in names if name in by_name]
        spans = [range_of(channel, by_name, self.adc) for channel in known]
        return min((reach(span) for span in spans if span is not None), default=0.0)

    def _rated(self, place: Place) -> float:
        if self._rated_a is None:
            place.fail("limit", "a current here, or rated_current in [motor] to take a share of")
        return self._rated_a

    def _above(self, place: Place, kind: str) -> float:
        if self._rated_a is None:
            place.fail("above", "a current here, or rated_current in [motor] to take a share of")
        return ABOVE_RATED[kind] * self._rated_a

    def _expected(self, place: Place) -> str:
        if self._sequence is None:
            place.fail("kind", "sequence in [motor]: it tells which way round is forward", "reversed")
        return self._sequence

    def _release(self, kind: str, note: float, limit: float) -> float:
        match kind:
            case "overvoltage":
                return (1 - BUS_RELEASE) * limit
            case "undervoltage":
                return (1 + BUS_RELEASE) * limit
            case "overtemperature":
                return limit - COOLER_K
            case "phase-loss":
                return RELEASE_OF_SHARE * limit
            case "unbalance":
                return RELEASE_OF_SHARE * note
        return RELEASE_OF_LIMIT * limit

    def _channels(self, place: Place, kind: str) -> tuple[str, ...]:
        """Give the channels that stand for those left out."""
        if kind in TRIPLES:
            found = phase_triple(self.channels)
            if found is None:
                place.fail("channels", "one current each of the phases U, V and W, of one group")
            return found
        name = bus_voltage(self.channels)
        if name is None:
            place.fail("channels", 'a channel in V, or one with phase = "bus" in the file')
        return (name,)

    def in_use_above(self) -> float:
        """Give the current above which the drive is in use; 0 where no current beside the bus tells it."""
        bus = bus_voltage(self.channels)
        return IN_USE_RATED * self._rated_a if self._rated_a and bus and self._beside((bus,)) else 0.0

    def _in_use_by(self, place: Place, keys: Mapping[str, Any]) -> tuple[str, ...]:
        """Give the currents that tell whether the drive is in use while a voltage is watched."""
        watched = keys.get("channels") or self._channels(place, "undervoltage")
        found = self._beside(watched)
        if not found:
            place.fail("above", "currents of the phases, sampled with the voltage", keys["above"])
        return found

    def _said(self, place: Place, kind: str, keys: Mapping[str, Any]) -> tuple[tuple[int, str], ...]:
        """Give what the codes of a state channel mean, where it is sampled with the currents."""
        name = keys["state"]
        states = [c for c in self.channels if c.sensor is Sensor.STATE]
        found = next((c for c in states if c.name == name), None)
        if found is None:
            there = f"out of {', '.join(c.name for c in states)}" if states else "in the file, which has none"
            place.fail("state", f"a state channel {there}", name)
        watched = keys.get("channels") or self._channels(place, kind)
        groups = {c.group for c in self.channels if c.name in watched and not c.source}
        # Where the file names no groups, the device tells them.
        if None not in {*groups, found.group} and groups != {found.group}:
            place.fail(
                "state",
                "a state that the device sends in the group of the currents, scan by scan: in another group "
                "nothing tells which scans it is about (leave it out: the currents alone tell a stall too)",
                f"{name} in group {found.group}",
            )
        says = tuple((code, what) for code, word in found.labels if (what := meaning(word)) is not None)
        if not {"align", "run"} & {what for _, what in says}:
            place.fail(
                "state", 'a state whose labels tell that the drive aligns or runs, such as "run"', name
            )
        return says

    def _beside(self, names: Sequence[str]) -> tuple[str, ...]:
        """Name the currents of the phases that may be sampled together with other channels."""
        currents = phase_triple(self.channels) or tuple(
            c.name for c in self.channels if c.phase in PHASES and c.quantity == "current" and not c.source
        )
        together = [c for c in self.channels if not c.source and c.name in (*names, *currents)]
        return currents if len({c.group for c in together}) == 1 else ()

    def _check(self, place: Place, watch: Watch, keys: Mapping[str, Any], given: Mapping[str, Any]) -> None:
        """Check keys against each other."""
        if "longest_cycle" in keys and watch.kind == "overcurrent" and watch.quantity != "cycle-rms":
            place.fail(
                "longest_cycle",
                f'no such key with quantity = "{watch.quantity}": no rms is taken',
                given["longest_cycle"],
            )
        if watch.kind == "i2t" and "pickup" not in keys and "longest_cycle" in keys:
            place.fail(
                "longest_cycle", "a pickup beside it: without one no rms is taken", given["longest_cycle"]
            )
        if watch.preload >= watch.limit and watch.kind == "thermal":
            place.fail("preload", "less than the pickup, which nothing bears for long", given["preload"])
        if watch.note > watch.limit:
            place.fail("note", "at most the limit", given["note"])
        if "release" not in given:
            return
        if watch.kind == "undervoltage":
            if watch.release < watch.limit:
                place.fail("release", "at least the limit", given["release"])
        elif watch.release > (watch.note or watch.limit):
            what = "note" if watch.note else "limit"
            place.fail("release", f"at most the {what}", given["release"])


def named(watch: Watch, **changes: Any) -> Watch:
    """Mark a rule as one of the defaults."""
    return replace(watch, default=True, **changes)
