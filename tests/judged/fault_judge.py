"""Grades of what `livesense check --json` finds on a bench with seeded faults.

Written from docs/wire.md and docs/check.md alone, before the code was tuned to it; imports no livesense.

A fault is named by a finding of severity fault or warning, of its kind and on its channel; but

- a fault that is not of one channel may be named on any;
- `pair`: `scale` on one of the two sensors names it too, as `scale` of the bus current names `bus`;
- `zero-off` that was never seen at a standstill may be named on no channel: it is the sum of three zeros.

A false alarm is any fault or warning on a healthy bench.
"""

from __future__ import annotations

from typing import Any

from seeded_faults import OF_NO_CHANNEL, Case


def alarms(answer: dict[str, Any]) -> list[dict[str, Any]]:
    """Findings that someone would act on."""
    return [one for one in answer["findings"] if one["severity"] in ("fault", "warning")]


def unnamed(case: Case, answer: dict[str, Any]) -> list[str]:
    """Faults of the case that no finding names."""
    found = alarms(answer)
    return [
        f"{kind}({channel})"
        for kind, channel in case.faults
        if not any(_names(case, kind, channel, one) for one in found)
    ]


def _names(case: Case, kind: str, channel: str | None, finding: dict[str, Any]) -> bool:
    if finding["kind"] == "scale" and case.pair and kind == "pair":
        return finding["channel"] in (case.pair, case.pair.split("_")[0])
    if finding["kind"] == "scale" and kind == "bus":
        return finding["channel"] == "ibus"
    if finding["kind"] != kind:
        return False
    if kind in OF_NO_CHANNEL or finding["channel"] == channel:
        return True
    return kind == "zero-off" and finding["channel"] is None and not case.stands
