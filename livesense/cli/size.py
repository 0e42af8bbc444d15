"""``livesense size``: which shunt and which gain, from what has to be measured."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from livesense.chain.choosing import choose, worth_showing
from livesense.chain.sizing import evaluate_all
from livesense.cli import size_options
from livesense.cli.output import print_json
from livesense.cli.size_answer import Answer
from livesense.cli.size_inputs import question
from livesense.cli.size_points import read_points
from livesense.errors import UsageError

MOST_LISTED = 36
"""Candidates by ``--shunt`` that are all listed; longer lists are thinned out like those of a series."""

add_arguments = size_options.add_arguments


def run(args: argparse.Namespace) -> int:
    """Print the candidates and the best of them; 1 where none fits."""
    asked = question(args)
    points = () if args.points is None else read_points(args.points)
    if args.chart is not None:
        check_chart(args.chart, force=args.force)
    every = evaluate_all(asked.candidates, asked.bench, asked.demands)
    choice = choose(every, asked.demands)
    all_of_them = args.shunt and len(every) <= MOST_LISTED
    shown = every if all_of_them else worth_showing(every, asked.demands)
    answer = Answer(asked, choice, shown, len(every), points)
    if args.chart is not None:
        _write_chart(args.chart, answer)
    if args.json:
        print_json(answer.facts())
    else:
        print(answer.text())
    return 0 if choice.best is not None else 1


def check_chart(path: Path, *, force: bool) -> None:
    """Refuse to replace what is there, but for an earlier chart with ``--force``.

    Raises
    ------
    UsageError
        when the file may not be written.
    """
    from livesense.sizing_chart import MARK

    if not path.exists():
        return
    if not force:
        raise UsageError(
            f"{path} is there already; choose another name, or --force to replace an earlier chart"
        )
    try:
        head = path.read_bytes()[:1000]
    except OSError as error:
        raise UsageError(f"cannot replace {path}: {error.strerror or error}") from error
    if MARK.encode() not in head:
        raise UsageError(
            f"expected an earlier chart to replace, got something else in {path}; choose another name"
        )


def _write_chart(path: Path, answer: Answer) -> None:
    from livesense.cli.size_chart import chart_of
    from livesense.sizing_chart import page, svg

    # Written before anything is printed: where that fails, nothing is on standard output.
    chart = chart_of(answer.shown, answer.choice, answer.asked.demands, answer.points, answer.asked_text())
    if not any(curve.points for curve in chart.curves):
        print(
            f"livesense: no chart in {path}: no candidate reads a current that could be drawn",
            file=sys.stderr,
        )
        return
    html = path.suffix.lower() == ".html"
    text = page(chart, answer.text()) if html else svg(chart)
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from error
