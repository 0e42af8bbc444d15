"""From a rule of the bench file to what watches it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from livesense.bench import Watch
from livesense.samples import BoolArray, Event, FloatArray
from livesense.watch.integrating import KINDS, IntegratingWatch
from livesense.watch.levels import LevelWatch
from livesense.watch.loads import LoadWatch
from livesense.watch.overcurrent import OvercurrentWatch
from livesense.watch.sequence import SequenceWatch

AnyWatch = OvercurrentWatch | IntegratingWatch | LevelWatch | SequenceWatch | LoadWatch

MADE: tuple[tuple[tuple[str, ...], type[AnyWatch]], ...] = (
    (("overcurrent",), OvercurrentWatch),
    (KINDS, IntegratingWatch),
    (LevelWatch.KINDS, LevelWatch),
    (SequenceWatch.KINDS, SequenceWatch),
    (LoadWatch.KINDS, LoadWatch),
)
"""What watches which kinds of rules."""


def watch_for(rule: Watch, rule_number: int, channels: Sequence[str], rate_hz: float, group: int) -> AnyWatch:
    """Make what watches a rule; parameters and errors are those of :class:`RuleWatch`."""
    made = next((made for kinds, made in MADE if rule.kind in kinds), None)
    if made is None:
        raise ValueError(
            f"kind: expected {', '.join(k for kinds, _ in MADE for k in kinds)}, got {rule.kind!r}"
        )
    return made(rule, rule_number, channels, rate_hz, group)


def rule_events(
    rule: Watch,
    rule_number: int,
    channels: Sequence[str],
    rate_hz: float,
    group: int,
    stretches: Iterable[tuple[int, FloatArray, BoolArray]],
) -> list[Event]:
    """Find the events of one rule in stored stretches, in order of their start.

    Parameters
    ----------
    stretches
        ``(first, values (n, k), clipped (n, k))`` in rising order; a jump of ``first`` is a gap. For a
        restart, call this once for each side of it.
    """
    watch = watch_for(rule, rule_number, channels, rate_hz, group)
    found: dict[str, Event] = {}
    for first, values, clipped in stretches:
        for event in watch.feed(first, values, clipped):
            found[event.details["key"]] = event
    for event in watch.close():
        found[event.details["key"]] = event
    return sorted(found.values(), key=lambda event: event.start_scan)
