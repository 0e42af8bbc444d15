"""``livesense walk BENCH``: a known current through pairs of motor leads, before power."""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from livesense.cli.logbooks import existing_logbook, usable_logbook
from livesense.cli.options import add_json, add_logbook, file_name, span
from livesense.cli.output import print_json, quantity, safe, table
from livesense.errors import UsageError
from livesense.wording import significant

if TYPE_CHECKING:
    from collections.abc import Sequence

    from livesense.bench import Bench
    from livesense.samples import GroupInfo
    from livesense.walk.session import Pushed, Reading
    from livesense.walk.steps import Step

OTHER_NOT_PROVEN = "another channel is not proven"

TRIES = 3
"""Times a step is read again when something moves."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add this command's options."""
    from livesense.walk.steps import USUAL

    parser.add_argument("bench", metavar="BENCH", type=Path, help="the bench file")
    parser.add_argument("--current", metavar="VALUE", required=True, help='what is pushed, such as "1.000 A"')
    parser.add_argument(
        "--reference-error",
        metavar="LIMIT",
        action="append",
        required=True,
        help='of the meter that tells the current: "0.5 %%", "10 mA"; repeatable',
    )
    parser.add_argument(
        "--reference", metavar="NAME", default="supply", help="the meter that tells the current"
    )
    parser.add_argument(
        "--steps", metavar="A-B,…", default=USUAL, help=f"in at one lead, out at another (default {USUAL})"
    )
    parser.add_argument(
        "--volts",
        metavar="STEP=VALUE",
        action="append",
        default=[],
        help='volts at the clamps in a step, "U-V=0.210 V": tells the winding\'s resistance; repeatable',
    )
    parser.add_argument(
        "--volts-error", metavar="LIMIT", default="0 %", help='of those volts, such as "0.5 %%"'
    )
    parser.add_argument("--port", metavar="URL", help="a port other than the bench file's")
    parser.add_argument(
        "--seconds",
        type=span,
        default=2.0,
        metavar="TIME",
        help="how long each step is read: 2 (default), 10s",
    )
    parser.add_argument("--run", metavar="RUN", help="a recorded walk instead of a port: a number, or last")
    parser.add_argument(
        "--at", metavar="STEP=FROM-TO,…", help="where the steps lie in that run: rest=0-2,U-V=4-6,V-W=8-10"
    )
    parser.add_argument("--yes", action="store_true", help="do not ask whether the drive is dead")
    parser.add_argument("--no-keep", action="store_true", help="keep nothing in the logbook")
    parser.add_argument("--out", type=file_name, metavar="FILE", help="write the corrected bench file there")
    add_logbook(parser)
    add_json(parser)


def run(args: argparse.Namespace) -> int:
    """Walk."""
    from livesense import bench as bench_file
    from livesense.chain import Chain
    from livesense.walk.given import Given, read_pushed
    from livesense.walk.session import facts, walked, walked_names
    from livesense.walk.steps import read_steps

    bench = bench_file.load(args.bench)
    names, left = walked_names(bench)
    steps = read_steps(args.steps)
    pushed = read_pushed(
        Given(args.current, args.reference_error, args.reference, args.volts, args.volts_error), steps
    )
    if (args.run is None) != (args.at is None):
        raise UsageError("expected --run and --at together: which run, and where each step lies in it")
    groups, readings = _stored(args, names, steps) if args.run else _live(args, bench, names, steps)
    if not readings:
        return 1
    chain = Chain(bench, groups)
    result = walked(bench, chain, readings, pushed)
    told = facts(chain, readings, pushed, result, left)
    told["calibrations"] = _keep(args, bench, chain, groups, readings, pushed, result)
    if args.out is not None:
        told["out"] = _write(args.out, bench, result.edits)
    if args.json:
        print_json(told)
    else:
        _print(told)
    return 0 if result.proven else 1


_AT = re.compile(r"(?P<step>[A-Za-z-]+)=(?P<from>\d+(?:\.\d+)?)-(?P<to>\d+(?:\.\d+)?)")


def _stored(
    args: argparse.Namespace, names: list[str], steps: Sequence[Step]
) -> tuple[Sequence[GroupInfo], list[Reading]]:
    """Read the steps from a stored run."""
    from livesense.analysis import RunAnalysis
    from livesense.cli.calibration_points import StoredPoint, averaged_run
    from livesense.cli.options import run_reference
    from livesense.logbook.reader import Logbook
    from livesense.walk.session import Reading

    windows = {}
    for part in args.at.split(","):
        found = _AT.fullmatch(part.strip())
        if found is None or not float(found["from"]) < float(found["to"]):
            raise UsageError(f"--at: expected STEP=FROM-TO such as rest=0-2 or U-V=4-6, got {part.strip()!r}")
        windows[found["step"].upper()] = float(found["from"]), float(found["to"])
    wanted = ["REST", *(step.name for step in steps)]
    if sorted(windows) != sorted(wanted):
        raise UsageError(f"--at: expected {', '.join(wanted).replace('REST', 'rest')}, got {args.at!r}")
    number = run_reference(args.run)
    readings = []
    with Logbook(existing_logbook(args.logbook)) as logbook:
        groups = RunAnalysis(logbook, number).run.groups
        for step in (None, *steps):
            from_s, to_s = windows["REST" if step is None else step.name]
            averages, device, warm = averaged_run(logbook, StoredPoint("", number, from_s, to_s), names)
            readings.append(Reading(step, averages, device, warm))
    return groups, readings


def _live(
    args: argparse.Namespace, bench: Bench, names: list[str], steps: Sequence[Step]
) -> tuple[Sequence[GroupInfo], list[Reading]]:
    """Lead through the steps at a port; no readings where somebody breaks off."""
    from livesense.averaging import averages, hear, mean_temperatures
    from livesense.chain import Chain
    from livesense.cli.benches import opened_bench
    from livesense.walk.session import Reading, not_still
    from livesense.walk.words import ASK_SURE, CAUTION, instruction, seen

    _, address = opened_bench(args)
    _say(CAUTION)
    if not args.yes and not _asked(f"{ASK_SURE} [y/N] ", ("y", "yes")):
        _say("livesense: nothing was done")
        return (), []
    groups: Sequence[GroupInfo] = ()
    readings: list[Reading] = []
    for step in (None, *steps):
        for tries_left in reversed(range(TRIES)):
            if not _asked(instruction(step, args.current) + " Then press Enter (q breaks off). "):
                _say("livesense: broken off, nothing was kept")
                return (), []
            heard = hear(bench, address, args.seconds)
            groups, chain = heard.groups, Chain(bench, heard.groups)
            found = averages(chain, heard, names)
            reading = Reading(step, found, heard.device, mean_temperatures(chain, heard))
            why = not_still(chain, reading)
            if why is None:
                readings.append(reading)
                _say(seen(chain, reading, readings[0]))
                break
            _say(f"{why}.")
            if tries_left == 0:
                _say("livesense: it does not come to rest; nothing was kept")
                return (), []
    return groups, readings


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _asked(question: str, answers: tuple[str, ...] | None = None) -> bool:
    """Ask on standard error; without ``answers``, Enter goes on and q or the end of input does not."""
    print(question, end="", file=sys.stderr, flush=True)
    line = sys.stdin.readline()
    if not sys.stdin.isatty():
        _say("")
    said = line.strip().lower()
    if answers is not None:
        return said in answers
    return bool(line) and said != "q"


def _keep(
    args: argparse.Namespace,
    bench: Bench,
    chain: Any,
    groups: Sequence[GroupInfo],
    readings: list[Reading],
    pushed: Pushed,
    result: Any,
) -> dict[str, Any]:
    """Keep a scale of each proven channel; tells its number, or why there is none."""
    from livesense.logbook.rows import CalibrationRow
    from livesense.logbook.writer import LogbookWriter
    from livesense.walk.keeping import scales

    made = scales(bench, chain, groups, readings, pushed, result)
    rows = [row for row in made.values() if isinstance(row, CalibrationRow)]
    numbers: list[int] = []
    if rows and result.proven and not args.no_keep:
        with LogbookWriter(usable_logbook(args.logbook)) as writer:
            numbers = writer.add_calibrations(rows)
    told: dict[str, Any] = {}
    for name, row in made.items():
        if isinstance(row, str):
            told[name] = {"calibration": None, "reason": row}
        elif not numbers:
            why = "not asked for" if args.no_keep else OTHER_NOT_PROVEN
            told[name] = {"calibration": None, "reason": why}
        else:
            told[name] = {
                "calibration": numbers[rows.index(row)],
                "reason": None,
                "u_scale_percent_before": 100 * chain.channels[name].u_scale,
                "u_scale_percent": 100 * chain.channels[name].with_scale(_scale(row)).u_scale,
            }
    return told


def _scale(row: Any) -> Any:
    from livesense.calibrated import in_use

    return in_use([row], row.wall_s).calibration[row.channel].scale


def _write(path: Path, bench: Bench, edits: Sequence[Any]) -> dict[str, Any]:
    from livesense.checks.editing import edited

    if not edits:
        return {"file": None, "changed": []}
    if path.exists():
        raise UsageError(f"{path}: expected a new name for the corrected bench file, this one is there")
    text = bench.text
    try:
        text = edited(text, edits)
    except ValueError as error:
        raise UsageError(str(error)) from error
    try:
        path.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error
    return {"file": str(path), "changed": [edit.line for edit in edits]}


def _print(told: dict[str, Any]) -> None:
    print(f"Pushed: {quantity(told['current'])}; ± is k = 2 (about 95 %)")
    for name, c in told["channels"].items():
        print(f"{safe(name)}: {safe(c['text'])}")
        if c["fix"]:
            print(f"  fix: {safe(c['fix'])}")
    for name, why in told["not_walked"].items():
        print(f"{safe(name)}: not walked: {safe(why)}")
    # Gains of what is wired or scaled another way than the file says are no small differences.
    proven = told["proven"]
    known = {n: c for n, c in told["channels"].items() if proven and c["relative_gain"] is not None}
    if known:
        print("\nGains against each other, by the one current through them in series")
        rows = [
            (
                name,
                quantity(c["relative_gain"]),
                quantity(c["crosstalk_percent"]) if c["crosstalk_percent"] else "",
            )
            for name, c in known.items()
        ]
        print(table(("channel", "against the mean", "where none flows"), rows))
    for step, r in told["resistance"].items():
        half = {"value": r["value"] / 2, "u": r["u"] / 2, "unit": r["unit"]}
        print(f"\nLead to lead {step}: {quantity(r)}; of one phase (star) {quantity(half)}")
    if told["resistance"]:
        mean = sum(r["value"] for r in told["resistance"].values()) / len(told["resistance"]) / 2
        print("at the temperature the winding has now; up to where the volts were sensed")
        print(f'in the bench file, [motor]: resistance = "{significant(mean, 4)} Ω"')
    kept = {n: c for n, c in told["calibrations"].items() if c["calibration"] is not None}
    if kept:
        ways = {
            "current": "from the current that was pushed",
            "mean": "against each other; as a whole from their mean, which is better known than the current",
        }
        print(f"\nKept as calibrations, {ways[told['scale_from']]}; runs recorded from now on use them")
    else:
        reasons = [c["reason"] for c in told["calibrations"].values()]
        # Why one is not proven tells more than that another one is not.
        reasons = [r for r in dict.fromkeys(reasons) if r != OTHER_NOT_PROVEN] or reasons[:1]
        print(f"\nNothing was kept: {'; '.join(safe(r) for r in reasons)}")
    if told.get("out") and told["out"]["file"]:
        print(f"Written to {safe(told['out']['file'])}: {'; '.join(map(safe, told['out']['changed']))}")
    elif "out" in told:
        print("No bench file was written: nothing in it has to change")
