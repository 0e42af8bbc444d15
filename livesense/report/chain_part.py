"""The chain of a report: channels, calibrations, uncertainty budgets, and what could not be proven."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from livesense.budget_facts import COLUMNS, alike, cells, headline
from livesense.report.content import Block, Items, Section, Table, Tone, Words
from livesense.report.gathered import Gathered
from livesense.report.words import MISSING, utc_of
from livesense.wording import significant


def chain(gathered: Gathered) -> Iterator[Section]:
    """Tell the channels and their calibrations."""
    blocks: list[Block] = [
        Table(
            ("channel", "phase", "sensor", "shunt, gain", "range", "A, V, … per code", "not stated"),
            tuple(_channel(gathered, row) for row in gathered.shown["chain"]),
            (0, 1, 2, 3, 6),
            ("Not stated: errors that the bench file leaves open; ± does not hold them.",),
        ),
        *(Words(text, Tone.CAUTION) for text in gathered.shown["chain_warnings"]),
        *_calibration(gathered),
    ]
    yield Section("Bench and sense chain", tuple(blocks))


def _channel(gathered: Gathered, row: Mapping[str, Any]) -> tuple[str, ...]:
    settings = next(c for c in gathered.analysis.bench.channels if c.name == row["name"])
    shunt = MISSING
    if settings.shunt_ohm is not None:
        shunt = f"{significant(1e3 * settings.shunt_ohm)} mΩ, × {significant(settings.gain or 0.0)}"
    low, high = row["range"]
    span = MISSING
    if low is not None and high is not None and row["sensor"] != "state":
        span = f"{significant(low, 4)} to {significant(high, 4)} {row['unit']}".rstrip()
    per_code = (
        MISSING if row["per_code"] is None else f"{significant(row['per_code'], 4)} {row['unit']}".rstrip()
    )
    sensor = row["sensor"] + (" (computed)" if row["computed"] else "")
    place = f", {row['place']}" if row["sensor"] == "shunt" and row["place"] else ""
    excluded = ", ".join(row["u_excludes"]) or "all is stated"
    return row["name"], row["phase"] or "", sensor + place, shunt, span, per_code, excluded


def _calibration(gathered: Gathered) -> Iterator[Block]:
    found = gathered.shown["calibration"]
    if found is None:
        yield Words("No calibration is in use: nominal values and stated limits of error count.")
    else:
        rows = [
            (
                name,
                kind,
                str(of["calibration"]),
                utc_of(of["made"])[:10],
                of["board"] or MISSING,
                of.get("reason") or "",
            )
            for name, kinds in found["channels"].items()
            for kind, of in kinds.items()
            if of is not None
        ]
        header = ("channel", "measured", "calibration", "made", "board", "remark")
        yield Table(header, tuple(rows), (0, 1, 3, 4, 5))
        yield from (Words(text, Tone.CAUTION) for text in found["warnings"])
    for revision in gathered.shown["revisions"]:
        if revision["revision"]:
            undone = ", undone later" if revision["undone"] else ""
            yield Words(f"Revision {revision['revision']}: {revision['reason']}{undone}.")


def bring_up(gathered: Gathered) -> Iterator[Section]:
    """Tell the stages of a guided bring-up, where some were judged on this run."""
    stages = gathered.shown["stages"]
    if not stages:
        return
    rows = tuple((row["stage"], row["verdict"], utc_of(row["at"]), row["text"]) for row in stages)
    checks = tuple(
        (row["stage"], one["what"], one["verdict"], one["value"], one["expected"])
        for row in stages
        for one in row["checks"]
    )
    header = ("stage", "of", "verdict", "seen", "expected")
    yield Section(
        "Bring-up",
        (
            Table(("stage", "verdict", "judged at", "what was seen"), rows, (0, 1, 2, 3)),
            *([Table(header, checks, (0, 1, 2, 3, 4))] if checks else []),
        ),
    )


def budgets(gathered: Gathered) -> Iterator[Section]:
    """Tell the uncertainty budget of each channel."""
    yield Section(
        "Uncertainty budget",
        (
            Words(
                "Standard uncertainties of stated errors (JCGM 100), largest first. What is measured adds "
                "its noise, which averages down; these do not."
            ),
        ),
    )
    for names, budget in alike({row["name"]: row["budget"] for row in gathered.shown["chain"]}):
        rows = tuple(cells(row) for row in budget["rows"])
        yield Section(f"{', '.join(names)}, {headline(budget)}", (Table(COLUMNS, rows, (0, 1)),), 3)


def proof(gathered: Gathered) -> Iterator[Section]:
    """Tell what the check found, and what the data cannot show."""
    check = gathered.check
    if check is None:
        yield Section(
            "What could not be proven", (Words(f"The check was not possible: {gathered.no_check}"),)
        )
        return
    blocks: list[Block] = []
    if check.findings:
        rows = tuple(
            (str(f.severity), str(f.kind), f.channel or MISSING, f.text, f.fix or MISSING)
            for f in check.findings
        )
        blocks.append(Table(("weight", "finding", "channel", "why", "what mends it"), rows, (0, 1, 2, 3, 4)))
    else:
        blocks.append(Words("The check of wiring and scales finds nothing wrong in these data."))
    yield Section("Check of wiring and scales", tuple(blocks))
    if check.unproven:
        yield Section("What could not be proven", (Items(check.unproven),))
