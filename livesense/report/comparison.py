"""The report of two runs, or of two chains of one phase: which of them to choose, and why."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from livesense import __version__
from livesense.analysis import RunAnalysis
from livesense.compare.facts import sentence
from livesense.compare.words import row_label, verdict
from livesense.report import waves
from livesense.report.content import Block, Facts, Figure, Items, Report, Section, Source, Table, Tone, Words
from livesense.report.digest import raw_digest
from livesense.report.head_part import CAUTIONS, Order
from livesense.report.words import MISSING, figure, seconds, utc
from livesense.wording import significant

HEADROOM = 1.25
"""Range over the highest peak to be read: a range that is used up tells nothing of what lies beyond
(common practice, no source)."""

SHOWN_S = 0.06


def comparison_of(first: RunAnalysis, second: RunAnalysis, facts: Mapping[str, Any], order: Order) -> Report:
    """Make the report of a comparison.

    Parameters
    ----------
    first, second
        The runs; one and the same where chains are compared.
    facts
        As ``compare --json`` has them.
    """
    chains = facts["chains"]
    what = f"run {facts['first']['run']}"
    what = f"two chains of {what}" if chains else f"{what} and run {facts['second']['run']}"
    return Report(
        f"{first.bench.name}: comparison of {what}",
        "Every ± is an expanded uncertainty with the coverage factor k = 2 (about 95 %). Differences are "
        "held against what both sides do not have in common.",
        (
            Section("Result", tuple(_result(facts, peak_of(first)))),
            Section("What is compared", (Facts(tuple(_sides(first, second, facts, order))),)),
            *_pairs(first, second, facts),
            Section(
                "What the bench file says differently" if chains else "What changed",
                tuple(_changed(facts)),
            ),
            Section("Cautions", (Items(CAUTIONS),)),
            Section("Where this comes from", tuple(_origin(first, second, order, chains=chains))),
        ),
    )


def peak_of(analysis: RunAnalysis) -> float | None:
    """Tell the highest current that a chain has to read: limits of overcurrent, else the rated peak."""
    motor = analysis.bench.motor
    rated = None if motor is None or motor.rated_current_a is None else 2**0.5 * motor.rated_current_a
    limits = [w.limit for w in analysis.bench.watches if w.kind == "overcurrent" and w.limit is not None]
    return max([*limits, *([rated] if rated is not None else [])], default=None)


def choice(pair: Mapping[str, Any], peak: float | None) -> tuple[str | None, str]:
    """Choose between the sides of a pair: ``"first"``, ``"second"`` or None, and the reason.

    A range that cannot hold the highest current is out; of those that can, the one with the smaller error at
    a tenth of full load, which tells a gain or shunt that is too small.
    """
    rows = {row["figure"]: row for row in pair["rows"]}
    unit = pair["unit"]
    reach = {side: _reach(rows, side) for side in ("first", "second")}
    if peak is not None:
        needed = f"{significant(peak, 3)} {unit}"
        held = [side for side, most in reach.items() if most >= peak]
        if not held:
            return None, f"neither range holds {needed}: a smaller gain or shunt is needed"
        if len(held) == 1:
            other = "second" if held[0] == "first" else "first"
            most = f"{significant(reach[other], 3)} {unit}"
            return held[0], f"the {other} one reads up to {most} only, and {needed} have to be read"
    small = rows["error_small"]
    first, second = (float((small[side] or {}).get("value") or math.nan) for side in reach)
    if math.isnan(first) or math.isnan(second) or first == second:
        return None, "neither is better by what is known"
    better = "first" if first < second else "second"
    errors = f"{significant(min(first, second), 2)} % against {significant(max(first, second), 2)} %"
    reason = f"at {significant(small['at']['value'], 2)} {unit} its error is {errors}"
    if peak is not None and math.isfinite(reach[better]):
        left = reach[better] / peak
        room = f"{100 * (left - 1):.0f} % above the highest"
        most = f"{significant(reach[better], 3)} {unit}"
        reason += f"; it reads up to {most}, {'only ' if left < HEADROOM else ''}{room}"
    return better, reason


def _reach(rows: Mapping[str, Any], side: str) -> float:
    """Tell how far a chain reads to both sides; to one, where it has only one."""
    low, high = rows["range_low"][side]["value"], rows["range_high"][side]["value"]
    ends = [abs(end) for end in (low, high) if end is not None]
    return float("inf") if not ends else max(ends) if min(ends) < 0.1 * max(ends) else min(ends)


def _result(facts: Mapping[str, Any], peak: float | None) -> Iterator[Block]:
    if not facts["matched"]:
        yield Words(
            f"Speed and current are not alike, so figures under load are not compared: {facts['why_not']}",
            Tone.LEAD,
        )
    for pair in facts["pairs"]:
        chosen, reason = choice(pair, peak)
        said = f"take the {chosen} one" if chosen else "no choice"
        yield Words(f"{pair['of']}: {said}, {reason}.", Tone.LEAD)
        yield Words(sentence(dict(pair)))
    yield Words(
        "The choice is made by range and by error at small currents; heat, bandwidth and price are yours to "
        "weigh.",
        Tone.NOTE,
    )


def _sides(
    first: RunAnalysis, second: RunAnalysis, facts: Mapping[str, Any], order: Order
) -> Iterator[tuple[str, str, str]]:
    if order.purpose:
        yield "Purpose", order.purpose, ""
    if order.by:
        yield "By", order.by, ""
    for label, analysis, side in (("First", first, facts["first"]), ("Second", second, facts["second"])):
        name = f" “{side['name']}”" if side["name"] else ""
        state = ""
        if side["frequency_hz"] is not None:
            state = f", {side['frequency_hz']:.4g} Hz, {side['rms_a']:.3g} A rms"
        yield (
            label,
            f"run {side['run']}{name}, {seconds(side['from_s'])} to {seconds(side['to_s'])}{state}",
            f"recorded {utc(analysis.run.row.started_wall_s)}",
        )
    low, high = facts["band_hz"]
    yield "Band of the noise", f"{significant(low, 4)} Hz to {significant(high, 4)} Hz", ""


def _pairs(first: RunAnalysis, second: RunAnalysis, facts: Mapping[str, Any]) -> Iterator[Section]:
    for pair in facts["pairs"]:
        blocks: list[Block] = [
            Table(
                ("figure", "first", "second", "second − first", ""),
                tuple(_row(row) for row in pair["rows"]),
                (0, 4),
            )
        ]
        for analysis, side, name in _drawn(first, second, facts, pair):
            about = f"{name} of run {side['run']} from {seconds(side['from_s'])} on"
            to_s = min(side["to_s"], side["from_s"] + SHOWN_S)
            picture = waves.waveform(analysis, [name], side["from_s"], to_s, about=about)
            if picture is not None:
                blocks.append(Figure(picture, f"{about}."))
        yield Section(pair["of"], tuple(blocks))


def _drawn(
    first: RunAnalysis, second: RunAnalysis, facts: Mapping[str, Any], pair: Mapping[str, Any]
) -> Sequence[tuple[RunAnalysis, Mapping[str, Any], str]]:
    names = pair["of"].split(", ")
    return [(first, facts["first"], names[0]), (second, facts["second"], names[-1])]


def _row(row: Mapping[str, Any]) -> tuple[str, ...]:
    return row_label(row), *(_cell(row[key]) for key in ("first", "second", "difference")), verdict(row)


def _cell(quantity: Mapping[str, Any] | None) -> str:
    if quantity is not None and quantity["value"] is not None and quantity["u"] == 0:
        return f"{significant(quantity['value'], 4)} {quantity['unit']}".rstrip()
    return figure(quantity)


def _changed(facts: Mapping[str, Any]) -> Iterator[Block]:
    if not facts["changed"]:
        yield Words("Nothing that is written down.")
        return
    rows = tuple(
        (c["of"], c["key"], *(MISSING if c[side] is None else str(c[side]) for side in ("first", "second")))
        for c in facts["changed"]
    )
    yield Table(("of", "key", "first", "second"), rows, (0, 1, 2, 3))


def _origin(first: RunAnalysis, second: RunAnalysis, order: Order, *, chains: bool) -> Iterator[Block]:
    rows = []
    for analysis in [first] if chains else [first, second]:
        number = analysis.run.row.number
        bench = hashlib.sha256(analysis.bench.text.encode("utf-8")).hexdigest()
        rows += [
            (f"Raw codes of run {number}", f"SHA-256 {raw_digest(analysis.run)}", ""),
            (f"Bench file of run {number}", f"SHA-256 {bench}", f"revision {analysis.revision}"),
            (f"Run {number} recorded by", f"livesense {analysis.run.row.version}", ""),
        ]
    yield Facts((*rows, ("Report by", f"livesense {__version__}", "")))
    if order.command:
        yield Words("This report is made again by")
        yield Source(order.command)
