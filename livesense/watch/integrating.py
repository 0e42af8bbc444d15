"""Rules that integrate: an event once a current has been beyond its pick-up for too long for its size.

The current counts by the rms of its cycles (:mod:`livesense.watch.cycles`). A *stay* begins with the
first cycle whose rms is above the pick-up and ends before the first one at or below 0.95 of it; between
the two nothing is added and nothing forgotten. An event is a stay in which the rule tripped, from the
pick-up on. Without a pick-up, I²t sums every scan since the run or the device began, and trips once.

What was not seen is not counted: over a gap sums keep their value, a thermal image cools as without
current. So a trip may have come earlier than it is told, and later by less than a cycle: a part of a
cycle beside a gap counts with its own rms. Such a part ends nothing, and what it begins must be confirmed
by a whole cycle. A gap that nobody counted passes no time. A restart, the run's end or another scan rate
starts from cold.
"""

from __future__ import annotations

from collections.abc import Sequence

from livesense.bench import Watch
from livesense.samples import Event
from livesense.watch.columns import RuleWatch, Tracker, integrals
from livesense.watch.laws import Law, Thermal, i2t, inverse_time
from livesense.watch.stays import Stay, StayTracker, SumTracker
from livesense.watch.words import duration, figure, peak_text, reservations

KINDS = ("inverse-time", "thermal", "i2t")


class IntegratingWatch(RuleWatch[Stay]):
    """One integrating rule on one group of channels; see :class:`RuleWatch`."""

    def __init__(
        self, rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int
    ) -> None:
        if rule.kind not in KINDS:
            raise ValueError(f"kind: expected {', '.join(KINDS)}, got {rule.kind!r}")
        super().__init__(rule, rule_number, channels, rate_hz, group)
        longest = self._keep_cycles()
        self._trackers = [self._tracker(longest) for _ in channels]

    def _tracker(self, longest: int) -> Tracker[Stay]:
        rule, rate_hz = self._rule, self._rate_hz
        if not rule.limit:
            return SumTracker(rule.i2t, rate_hz)
        return StayTracker(_law(rule, rate_hz), rule.limit, longest)

    def _is_news(self, told: Stay | None, lasting: Stay) -> bool:
        # Its last scan moves with every cycle; that alone is nothing to write down.
        return told is None or (told.start, told.peak, told.lost, told.lost_unknown) != (
            lasting.start,
            lasting.peak,
            lasting.lost,
            lasting.lost_unknown,
        )

    def _event(self, column: int, found: Stay) -> Event:
        rule, name = self._rule, self._names[column]
        is_sum = rule.kind == "i2t"
        return Event(
            kind=rule.kind,
            channel=name,
            group=self._group,
            rule=self._number,
            start_scan=found.start,
            end_scan=None if found.open else found.end,
            peak=found.peak.value,
            peak_scan=found.peak.scan,
            peak_at_least=found.peak.clipped,
            limit=rule.i2t if is_sum else rule.limit,
            unit=rule.unit,
            text=self._text(name, found),
            lost_scans=found.lost,
            cut_short=found.cut_short,
            details=self._details(
                column,
                found.start,
                None if found.open else found.end,
                {
                    "lost_uncounted": found.lost_unknown,
                    **self._integrals(found),
                    "trip_scan": found.trip,
                    "limit_unit": "A²s" if is_sum else rule.unit,
                },
            ),
        )

    def _integrals(self, stay: Stay) -> dict[str, float]:
        """∫ i² dt, that beyond the pick-up squared, and for how long it was."""
        rule = self._rule
        if not rule.limit:
            return integrals(stay.square * rule.i2t)
        scale = rule.limit**2 / self._rate_hz
        return integrals(stay.square * scale, stay.over * scale, stay.beyond / self._rate_hz)

    def _text(self, name: str, stay: Stay) -> str:
        rule = self._rule
        assert stay.trip is not None
        after = duration((stay.trip - stay.start + 1) / self._rate_hz)
        peak = peak_text(stay.peak, rule.unit)
        pickup = f"pick-up {figure(rule.limit)} {rule.unit} rms"
        if stay.open:
            text = f"{name}: current is beyond its {pickup}; peak so far {peak}"
        elif rule.limit:
            lasted = duration((stay.end - stay.start + 1) / self._rate_hz)
            text = f"{name}: current peaked at {peak}, {pickup}, over {lasted}"
        else:
            text = f"{name}: current peaked at {peak}"
        text += f"; {_tripped(rule)} after {after}"
        text += reservations(stay.peak, stay.lost, stay.lost_unknown, stay.cut_short)
        if stay.lost or stay.lost_unknown:
            text += "; the trip may have come earlier"
        return text


def _law(rule: Watch, rate_hz: float) -> Law:
    if rule.kind == "inverse-time":
        return inverse_time(rule.curve, rule.tms, rate_hz)
    if rule.kind == "thermal":
        return Thermal(rule.tau_s, rate_hz, rule.preload / rule.limit)
    return i2t(rule.i2t, rule.limit, rate_hz)


def _tripped(rule: Watch) -> str:
    if rule.kind == "inverse-time":
        return f"inverse-time curve {rule.curve} tripped"
    if rule.kind == "thermal":
        return "the thermal image tripped"
    return f"{figure(rule.i2t)} A²s were reached"
