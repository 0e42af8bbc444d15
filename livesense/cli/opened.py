"""One run of a logbook, opened for a command that reads it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from livesense.cli.logbooks import existing_logbook
from livesense.cli.options import run_reference
from livesense.cli.output import safe
from livesense.errors import LogbookError

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis


@contextmanager
def opened_run(args: argparse.Namespace, *, needs_scans: bool = True) -> Iterator[RunAnalysis]:
    """Open the run that the command line names.

    Raises
    ------
    LogbookError
        when there is no such logbook or run, and with ``needs_scans`` where the run holds none: nothing
        can then be said about limits, figures or rows.
    """
    from livesense.analysis import RunAnalysis
    from livesense.logbook.reader import Logbook

    reference = run_reference(args.run)
    with Logbook(existing_logbook(args.logbook)) as logbook:
        for warning in logbook.warnings:
            print(f"livesense: {safe(warning)}", file=sys.stderr)
        analysis = RunAnalysis(logbook, reference)
        if needs_scans and not analysis.run.holds_scans():
            number = analysis.run.row.number
            raise LogbookError(f"{no_scans(number)}; `livesense show {number}` tells what came instead")
        yield analysis


def no_scans(number: int) -> str:
    """Write the sentence that every command has for a run without scans."""
    return f"run {number} holds no scans"
