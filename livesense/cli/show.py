"""``livesense show RUN``: what is known of a run."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.budget_facts import COLUMNS, alike, cells, headline
from livesense.cli.opened import no_scans, opened_run
from livesense.cli.options import add_json, add_logbook, add_run
from livesense.cli.output import print_json, quantity, safe, table
from livesense.last_sign import heard
from livesense.wording import MINUS, counted, duration, significant

MOST_ROWS = 20
"""Of each list in the text."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Show one run."""
    with opened_run(args, needs_scans=False) as analysis:
        facts = analysis.show()
    if args.json:
        print_json(facts)
    else:
        _print(facts)
    return 0


def _print(facts: dict[str, Any]) -> None:
    title = f" “{safe(facts['name'])}”" if facts["name"] else ""
    length = duration(facts["seconds"])
    print(f"Run {facts['run']}{title}: {facts['state']}, {length} from {facts['started'][:19]}")
    print(f"Bench {safe(facts['bench_name'])!r}, {facts['wire']} wire, port {safe(facts['port'])}")
    if facts["error"]:
        print(f"It ended because of an error: {safe(facts['error'])}")
    if facts["last_sign"]:
        at = facts["last_sign"]["at"]
        print(heard(_time(at) if at else "") + facts["last_sign"]["text"])
    if not any(group["scans_stored"] for group in facts["groups"]):
        yet = " yet" if facts["state"] == "recording" else ""
        print(f"{no_scans(facts['run']).capitalize()}{yet}")
    for group in facts["groups"]:
        lost = "loss cannot be counted" if group["scans_lost"] is None else f"{group['scans_lost']} lost"
        print(
            f"Group {group['group']}: {group['rate_hz']:g} scans/s, {group['scans_stored']} stored, {lost}; "
            f"{' '.join(map(safe, group['channels']))}"
        )
        if (fit := group["rate_fitted_hz"]) is not None:
            odd = ", which does not fit the nominal rate" if group["rate_off"] else ""
            print(f"  fitted against the clock: {quantity(fit)} (k = 2){odd}")
    if facts["keep"]["text"]:
        dropped = sum(group["scans_dropped"] for group in facts["groups"])
        print(f"Retention: {counted(dropped, 'scan')} of those stored dropped: {facts['keep']['text']}")
    if facts["chain"]:
        _chain(facts["chain"])
    _budgets(facts["chain"])
    _calibration(facts)
    _list("Gaps", facts["gaps"])
    if facts["away"]["count"]:
        print(f"\nInterruptions: the port was {facts['away']['text']}")
        _table(
            ("began", "length", "what it cost", "cause"),
            [(_time(o["began"]), _length(o["seconds"]), o["text"], o["cause"]) for o in facts["outages"]],
        )
    _list("Restarts", facts["restarts"])
    if facts["stages"]:
        print("Bring-up:")
        for stage in facts["stages"][-MOST_ROWS:]:
            print(f"  {stage['stage']}: {stage['verdict']}. {safe(stage['text'])}")
    if facts["notes"]:
        print("\nNotes")
        _table(("at", "scan", "source", "text"), [_note(note) for note in facts["notes"]])
    if facts["faults"]:
        print("\nFaults: " + ", ".join(f"{kind} {count}" for kind, count in facts["faults"].items()))


def _chain(chain: list[dict[str, Any]]) -> None:
    print()
    print(
        table(
            ("channel", "phase", "place", "sensor", "range", "per code", "not stated"),
            [
                (
                    c["name"],
                    c["phase"] or "",
                    # Where in the bridge is a question of shunts only.
                    c["place"] or "" if c["sensor"] == "shunt" else "",
                    c["sensor"] + (" (computed)" if c["computed"] else ""),
                    _range(c),
                    f"{significant(c['per_code'])} {c['unit']}".rstrip() if c["per_code"] is not None else "",
                    ", ".join(c["u_excludes"]),
                )
                for c in chain
            ],
        )
    )


def _budgets(chain: list[dict[str, Any]]) -> None:
    """Print the uncertainty budgets; channels with one and the same share a table."""
    for names, budget in alike({channel["name"]: channel["budget"] for channel in chain}):
        print(f"\nUncertainty of {', '.join(map(safe, names))} {headline(budget)}")
        print(table(COLUMNS, [cells(row) for row in budget["rows"]]))


def _calibration(facts: dict[str, Any]) -> None:
    """Print what was measured of the chain, and the revisions of the run."""
    found = facts["calibration"]
    if found is not None:
        print("\nCalibration")
        rows = [
            (name, kind, _time(c["made"]), c["board"], _measured(kind, c))
            for name, kinds in found["channels"].items()
            for kind, c in kinds.items()
        ]
        _table(("channel", "kind", "made", "board", "found"), rows)
        ohms: dict[str, Any] = next(
            (c["scale"]["resistance"] for c in found["channels"].values() if "scale" in c), {}
        )
        for step, r in ohms.items():
            print(f"Winding by the walk, lead to lead {safe(step)}: {quantity(r)}")
        for text in found["warnings"]:
            print(safe(text))
    revisions = [r for r in facts["revisions"] if r["revision"]]
    if revisions:
        print(f"\nRevisions (now {facts['revision']}; 0 is as recorded)")
        _table(
            ("revision", "made", "by", "reason", ""),
            [
                (r["revision"], _time(r["made"]), r["by"], r["reason"], "undone" if r["undone"] else "")
                for r in revisions
            ],
        )


def _measured(kind: str, c: dict[str, Any]) -> str:
    zero = f"zero at {quantity({'value': c['zero_code'], 'u': c['u_codes'], 'unit': ''})}"
    if kind == "zero":
        return zero
    scale = {"value": c["per_code"], "u": abs(c["per_code"]) * c["u_scale_percent"] / 100, "unit": c["unit"]}
    return f"{quantity(scale)} a code, {zero}"


def _list(title: str, rows: list[dict[str, Any]]) -> None:
    if rows:
        print(f"\n{title}")
        _table(tuple(rows[0]), [tuple("?" if v is None else v for v in row.values()) for row in rows])


def _table(header: tuple[str, ...], rows: list[tuple[Any, ...]]) -> None:
    print(table(header, rows[:MOST_ROWS]))
    if len(rows) > MOST_ROWS:
        print(f"… and {len(rows) - MOST_ROWS} more; --json gives all")


def _note(note: dict[str, Any]) -> tuple[Any, ...]:
    scan = "before the first" if note["scan"] is None else note["scan"]
    return _time(note["at"]), scan, note["source"], note["text"]


def _time(iso: str) -> str:
    return iso[:19].replace("T", " ")


def _length(seconds: float | None) -> str:
    return "not back" if seconds is None else duration(seconds)


def _range(channel: dict[str, Any]) -> str:
    low, high = channel["range"]
    if low is None or high is None:
        return ""
    if channel["sensor"] == "state":
        return f"{low:.0f} … {high:.0f}".replace("-", MINUS)
    return f"{significant(low, 4)} … {significant(high, 4)} {channel['unit']}".rstrip()
