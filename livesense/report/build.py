"""From a run to the content of its report."""

from __future__ import annotations

from livesense.analysis import RunAnalysis
from livesense.report.chain_part import bring_up, budgets, chain, proof
from livesense.report.content import Report
from livesense.report.figure_part import events, figures, overview, starts
from livesense.report.gathered import Gathered, Said, gather
from livesense.report.head_part import Order, opening, origin
from livesense.report.link_part import link_health
from livesense.report.words import utc


def report_of(analysis: RunAnalysis, order: Order, said: Said = lambda _: None) -> tuple[Report, Gathered]:
    """Make the report of a run; also returns what it stands on. The same run makes the same report.

    Raises
    ------
    LogbookError
        when the run holds no scans.
    """
    gathered = gather(analysis, said)
    said("pictures")
    row = analysis.run.row
    name = f" “{row.name}”" if row.name else ""
    report = Report(
        f"{analysis.bench.name}: report of run {row.number}{name}",
        f"Recorded {utc(row.started_wall_s)} with livesense. Every ± is an expanded uncertainty with the "
        "coverage factor k = 2 (about 95 %), of what the bench file states and of the noise.",
        (
            *opening(gathered, order),
            *overview(gathered),
            *bring_up(gathered),
            *figures(gathered),
            *starts(gathered),
            *events(gathered),
            *chain(gathered),
            *budgets(gathered),
            *proof(gathered),
            *link_health(gathered),
            *origin(gathered, order),
        ),
    )
    return report, gathered
