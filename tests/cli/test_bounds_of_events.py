"""What a clipped event's figure is a bound of: at least so high, or at most so low."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from dashboard.tiles import event_row
from livesense.cli.events import _row
from livesense.event_facts import event_facts
from livesense.logbook.rows import EventRow
from livesense.samples import Event

AXIS = SimpleNamespace(time_s=lambda scans: np.asarray(scans) / 1000, end_s=lambda scan: (scan + 1) / 1000)


def facts(kind: str, clipped: bool) -> dict[str, Any]:
    event = Event(kind, "vbus", 0, 0, 100, 200, 0.0, 150, clipped, 19.2, "V", "vbus: voltage")
    analysis: Any = SimpleNamespace(
        chain=SimpleNamespace(channels={}), run=SimpleNamespace(time_axis=lambda group: AXIS)
    )
    return event_facts(analysis, [cast("EventRow", SimpleNamespace(event=event))])[0]


@pytest.mark.parametrize(
    ("kind", "key", "words", "sign"),
    [("undervoltage", "at_most", "at most ", "≤ "), ("overvoltage", "at_least", "at least ", "≥ ")],
)
def test_a_clipped_undervoltage_was_no_higher(kind: str, key: str, words: str, sign: str) -> None:
    told = facts(kind, clipped=True)
    assert {"at_most", "at_least"} & set(told["peak"]) == {key}
    assert _row(told)[5].startswith(words)
    assert event_row(told)["peak"].startswith(sign)


def test_what_was_not_clipped_is_no_bound() -> None:
    told = facts("undervoltage", clipped=False)
    assert not {"at_most", "at_least"} & set(told["peak"])
    assert not _row(told)[5].startswith("at ")
