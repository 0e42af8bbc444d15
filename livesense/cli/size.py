"""``livesense size``: which shunt and which gain, from what has to be measured."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from livesense.chain.choosing import choose, worth_showing
from livesense.chain.sizing import evaluate_all
from livesense.cli import size_options
from livesense.cli.earlier import check_place, write_whole
from livesense.cli.output import print_json
from livesense.cli.size_answer import Answer
from livesense.cli.size_inputs import question
from livesense.cli.size_points import read_points
from livesense.sizing_chart import MARK

MOST_LISTED = 36
"""Candidates by ``--shunt`` that are all listed; longer lists are thinned out like those of a series."""

add_arguments = size_options.add_arguments


def run(args: argparse.Namespace) -> int:
    """Print the candidates and the best of them; 1 where none fits."""
    asked = question(args)
    points = () if args.points is None else read_points(args.points)
    if args.chart is not None:
        check_place(args.chart, "chart", MARK, force=args.force)
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
    write_whole(path, text.encode("utf-8"))
