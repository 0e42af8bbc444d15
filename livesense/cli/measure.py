"""``livesense measure RUN``: figures with their uncertainty."""

from __future__ import annotations

import argparse
from typing import Any

from livesense.cli.opened import opened_run
from livesense.cli.options import add_json, add_logbook, add_run, add_window, check_window
from livesense.cli.output import print_json, quantity, table
from livesense.trend_facts import row_texts


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    add_run(parser)
    add_window(parser)
    parser.add_argument(
        "--trend",
        metavar="STEP",
        choices=("auto", "200ms", "3s", "1min", "10min"),
        help="instead: the figures of each 200ms, 3s, 1min or 10min; auto makes at most 1000 rows",
    )
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Measure a stretch of a run."""
    check_window(args)
    with opened_run(args) as analysis:
        if args.trend is not None:
            return _trend(analysis.trends(args.from_s, args.to_s, args.trend), as_json=args.json)
        facts = analysis.measure(args.from_s, args.to_s)
        states = {channel.name for channel in analysis.channels if channel.quantity == "state"}
    if args.json:
        print_json(facts)
    else:
        _print(facts, states)
    return 0


def _trend(facts: dict[str, Any], *, as_json: bool) -> int:
    if as_json:
        print_json(facts)
        return 0
    print(f"Run {facts['run']}, {facts['from_s']:.6g} s to {facts['to_s']:.6g} s, each {facts['resolution']}")
    for head, lines in row_texts(facts):
        print("\n" + table(head, lines))
    print("\n± of each channel and all other figures: --json")
    return 0


_SHOWN = (
    "mean", "rms", "ac_rms", "fundamental_rms", "frequency_hz", "phase_deg", "thd_percent", "noise_rms",
    "min", "max", "peak_to_peak", "crest_factor",
)  # fmt: skip


def _print(facts: dict[str, Any], states: set[str]) -> None:
    """Print the figures; ``states`` are channels of which means and rms values say nothing."""
    span = f"{facts['used_from_s']:.6g} s to {facts['used_to_s']:.6g} s"
    what = {"steady": "the longest steady stretch, ", "all": "all of it, "}.get(facts["window"], "")
    print(f"Run {facts['run']}, {what}{span}; ± is k = 2 (about 95 %)")
    if facts["window"] == "steady":
        print("Other stretches: `livesense stretches`; other windows: --from and --to")
    if facts["dropped"]:
        print(facts["dropped"])
    withheld: dict[str, str] = dict(facts.get("withheld", {}))
    for name, figures in facts["channels"].items():
        if name in states:
            continue
        reasons: dict[str, str] = figures.get("withheld", {})
        shown = [
            (_label(key, figures), quantity(figures.get(key), reasons.get(key, "")))
            for key in _SHOWN
            if key in figures
        ]
        clipped = figures["clipped_scans"]
        print(f"\n{name}" + (f"  ({clipped} scans clipped)" if clipped else ""))
        print(table(("figure", "value"), shown))
        if figures["u_excludes"]:
            print("± leaves out what the bench file does not state: " + ", ".join(figures["u_excludes"]))
    parts = {part: facts.get(part) or {} for part in ("three_phase", "power", "speed", "temperatures")}
    parts |= {
        f"three_phase_by_place.{p}": figures for p, figures in facts.get("three_phase_by_place", {}).items()
    }
    for part, figures in parts.items():
        if rows := _rows(part, figures, withheld):
            print(f"\n{part.replace('_by_place.', ', ').replace('_', ' ')}")
            print(table(("figure", "value"), rows))
            if figures.get("u_excludes"):
                print("± leaves out the scan rate's own error: it was fitted against no clock")


def _label(key: str, figures: dict[str, Any]) -> str:
    order = figures.get("thd_order")
    return f"{key} (to harmonic {order})" if key == "thd_percent" and order else key


def _rows(part: str, figures: dict[str, Any], withheld: dict[str, str]) -> list[tuple[str, str]]:
    """Names and texts of a part's figures; what is withheld says why."""
    own: dict[str, str] = figures.get("withheld", {})
    rows = []
    for key, value in figures.items():
        if key in ("withheld", "u_excludes"):
            continue
        several = (
            {f"angle {phase}": (f"angles_deg.{phase}", angle) for phase, angle in (value or {}).items()}
            if key == "angles_deg"
            else {key: (key, value)}
        )
        for label, (path, figure) in several.items():
            reason = own.get(path) or withheld.get(f"{part}.{path}", "")
            rows.append((label, figure if isinstance(figure, str) else quantity(figure, reason)))
    return rows
