"""``livesense show RUN``: what is known of a run."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.cli.opened import no_scans, opened_run
from livesense.cli.options import add_json, add_logbook, add_run
from livesense.cli.output import duration, print_json, safe, table


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
            print(f"  fitted against the clock: {fit['value']:.3f} ± {2 * fit['u']:.3f} Hz (k = 2){odd}")
    print()
    print(
        table(
            ("channel", "phase", "place", "sensor", "range", "per code", "not stated"),
            [
                (
                    c["name"],
                    c["phase"] or "",
                    c["place"] or "",
                    c["sensor"] + (" (computed)" if c["computed"] else ""),
                    _range(c),
                    f"{c['per_code']:.6g} {c['unit']}" if c["per_code"] is not None else "",
                    ", ".join(c["u_excludes"]),
                )
                for c in facts["chain"]
            ],
        )
    )
    for title, rows in (("Gaps", facts["gaps"]), ("Restarts", facts["restarts"]), ("Notes", facts["notes"])):
        if rows:
            print(f"\n{title}")
            print(table(tuple(rows[0]), [tuple(row.values()) for row in rows[:20]]))
            if len(rows) > 20:
                print(f"… and {len(rows) - 20} more; --json gives all")
    if facts["faults"]:
        print("\nFaults: " + ", ".join(f"{kind} {count}" for kind, count in facts["faults"].items()))


def _range(channel: dict[str, Any]) -> str:
    low, high = channel["range"]
    return "" if low is None or high is None else f"{low:.4g} … {high:.4g} {channel['unit']}"
