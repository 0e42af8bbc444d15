"""A recorder that stopped without closing its run: when it was last heard of, and what may be missing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from livesense.wording import counted, duration

if TYPE_CHECKING:
    from livesense.logbook.run_reader import RunReader

SILENT_S = 2.0
"""Without bytes for so long before the last sign, the line was silent then; a sign comes each second."""

KEPT = (
    "Everything committed until then is kept. What came later is missing: the last fraction of a second, "
    "up to 2 s after a power cut, and what the device has sent since."
)


@dataclass(frozen=True, slots=True)
class LastSign:
    """When the recorder was last heard of (None: never), and in whole sentences what may be missing."""

    wall_s: float | None
    text: str


def heard(at: str) -> str:
    """Say when a recorder was last heard of, in a sentence with a space behind; nothing for no time."""
    return f"Its recorder was last heard of at {at}. " if at else ""


def last_sign(run: RunReader) -> LastSign | None:
    """Tell a recorder's last sign of life; None of a run that is being recorded or was closed."""
    if run.row.state != "recovered":
        return None
    health = run.health()
    if health is None:
        return LastSign(None, "Its recorder never gave a sign of life.")
    figures = health.figures
    text = [KEPT]
    arrived_s, waiting = figures.get("last_arrival_wall_s"), figures.get("waiting_bytes")
    if figures.get("link") == "away":
        text.append("The port was away then.")
    elif isinstance(arrived_s, int | float) and health.wall_s - arrived_s > SILENT_S:
        text.append(f"Nothing had come for {duration(health.wall_s - arrived_s)} then.")
    if isinstance(waiting, int) and waiting > 0:
        text.append(f"Of what had come, {counted(waiting, 'byte')} were not decoded yet.")
    return LastSign(health.wall_s, " ".join(text))
