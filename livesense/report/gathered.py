"""What is known of a run, gathered once for all sections of its report."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from livesense.analysis import RunAnalysis
from livesense.check_run import check_run
from livesense.checks.report import Report as CheckReport
from livesense.errors import DescriptionError, UsageError
from livesense.report.digest import raw_digest
from livesense.report.verdicts import Judged, judged
from livesense.stretch_facts import phase_channels, stretches_of

Said = Callable[[str], None]
"""Is told what is being done."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the sections share.

    Attributes
    ----------
    shown
        As ``show --json`` has it.
    stretches, no_stretches
        As ``stretches --json`` has them, or why there are none.
    phases
        Channel → U, V or W, those that stretches are told by; empty without.
    whole
        Figures of the whole run, where there are no stretches.
    check, no_check
        What ``check`` says, or why it says nothing.
    digest
        SHA-256 of the raw codes.
    """

    analysis: RunAnalysis
    shown: Mapping[str, Any]
    stretches: tuple[Mapping[str, Any], ...]
    no_stretches: str
    phases: Mapping[str, str]
    whole: Mapping[str, Any] | None
    events: tuple[Mapping[str, Any], ...]
    judged: tuple[Judged, ...]
    check: CheckReport | None
    no_check: str
    digest: str

    @property
    def steady(self) -> list[Mapping[str, Any]]:
        """Steady parts in their order."""
        return [row for row in self.stretches if row["kind"] == "steady"]


def gather(analysis: RunAnalysis, said: Said = lambda _: None) -> Gathered:
    """Read, measure, check and hash a run."""
    said("stretches and figures")
    stretches: tuple[Mapping[str, Any], ...] = ()
    no_stretches, phases, whole = "", {}, None
    try:
        phases = {channel.name: str(channel.phase) for channel in phase_channels(analysis)}
        stretches = tuple(stretches_of(analysis)["stretches"])
    except UsageError as error:
        no_stretches = str(error)
        whole = analysis.measure()
    if not stretches and whole is None:
        no_stretches = "too short to tell what the machine did"
        whole = analysis.measure()
    events = tuple(analysis.events())
    said("the check of wiring and scales")
    check, no_check = None, ""
    try:
        check = check_run(analysis, analysis.bench)
    except DescriptionError as error:
        no_check = str(error)
    said("the hash of the raw codes")
    digest = raw_digest(analysis.run)
    limits = dict(analysis.bench.limits)
    return Gathered(
        analysis,
        analysis.show(),
        stretches,
        no_stretches,
        phases,
        whole,
        events,
        tuple(judged(limits, stretches, phases, sum(e["severity"] == "alarm" for e in events))),
        check,
        no_check,
        digest,
    )
