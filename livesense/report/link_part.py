"""Gaps, restarts, outages and faults of a report."""

from __future__ import annotations

from collections.abc import Iterator

from livesense.report.content import Block, Facts, Section, Table, Words
from livesense.report.gathered import Gathered
from livesense.report.words import MISSING
from livesense.wording import counted

MOST_ROWS = 20
"""Of each list; the rest is counted."""


def link_health(gathered: Gathered) -> Iterator[Section]:
    """Tell what became of every scan."""
    shown = gathered.shown
    rows: list[tuple[str, str, str]] = []
    for group in shown["groups"]:
        lost = group["scans_lost"]
        said = "loss cannot be counted: the device sends no counter" if lost is None else f"{lost} lost"
        rows.append((f"Group {group['group']}", f"{group['scans_stored']} scans stored, {said}", ""))
    if (kept := shown.get("keep") or {}).get("text"):
        rows.append(("Raw samples kept", kept["text"], ""))
    faults = ", ".join(f"{kind} {count}" for kind, count in shown["faults"].items()) or "none"
    rows += [
        ("Faults on the line", faults, ""),
        ("Port away", shown["away"]["text"] if shown["away"]["count"] else "never", ""),
        ("Restarts of the device", str(len(shown["restarts"])), ""),
        ("Gaps", str(len(shown["gaps"])), ""),
    ]
    blocks: list[Block] = [Facts(tuple(rows))]
    if shown["gaps"]:
        body = tuple(
            (str(g["group"]), str(g["first"]), str(g["count"] or MISSING), g["cause"])
            for g in shown["gaps"][:MOST_ROWS]
        )
        blocks.append(Table(("group", "first lost scan", "scans", "cause"), body, (3,)))
        if len(shown["gaps"]) > MOST_ROWS:
            more = counted(len(shown["gaps"]) - MOST_ROWS, "more gap")
            blocks.append(Words(f"And {more}; `livesense show` lists all."))
    yield Section("Gaps and link", tuple(blocks))
