"""Which run Live shows where several are recorded, and which recorders died meanwhile.

Nothing here reads a clock or a logbook: it is told which runs are being recorded, and asks for the
state of a run that no longer is.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

FRESH_S = 5.0
"""A recorder gives a sign each second; one that is so much later than another is passed over."""
HELD_S = 30.0
"""So long a run whose recorder died stays in sight where another one could be shown instead."""
DEATHS_KEPT = 16


@dataclass(frozen=True, slots=True)
class Recording:
    """A run that is being recorded: whether it has scans, and its recorder's last sign (wall time).

    ``away`` says that its port is gone.
    """

    number: int
    holds_scans: bool
    sign_wall_s: float
    away: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """What to show.

    ``others`` are the runs that are recorded beside it, newest first, ``away`` those of them whose port
    is gone. ``died`` are the other runs whose recorder died, each with its recorder's last sign (wall
    time), the latest death first; none for which a newer run has begun since. ``newer`` is the newest run
    of all where nothing is recorded and it was passed over because it holds no scans.
    """

    shown: int | None
    others: tuple[int, ...] = ()
    away: tuple[int, ...] = ()
    died: tuple[tuple[int, float], ...] = ()
    newer: int | None = None


@dataclass(frozen=True, slots=True)
class _Death:
    """When it was seen, the recorder's last sign (wall time), and the newest run at that time."""

    seen_s: float
    sign_wall_s: float
    newest: int


@dataclass
class Follow:
    """Remembers what was recorded, so that a recorder's death is told and not stepped over."""

    shown: int | None = None
    _alive: dict[int, float] = field(default_factory=dict)
    _deaths: dict[int, _Death] = field(default_factory=dict)

    def choose(
        self,
        now_s: float,
        recording: Sequence[Recording],
        newest: int | None,
        state_of: Callable[[int], str],
        newest_with_scans: Callable[[], int | None],
    ) -> Choice:
        """Choose the run to show.

        ``recording`` are the runs being recorded, newest first; ``newest`` is the newest of all;
        ``state_of`` tells the state of a run that was recorded at the last call; ``newest_with_scans``
        finds the newest run that holds scans, and is asked only where nothing is recorded.
        """
        alive = {run.number: run.sign_wall_s for run in recording}
        for number in sorted(set(self._alive) - set(alive)):
            if state_of(number) in ("recovered", "failed"):
                # What begins later than this is somebody's answer to the death.
                self._deaths[number] = _Death(now_s, self._alive[number], newest or number)
                self._deaths = dict(list(self._deaths.items())[-DEATHS_KEPT:])
        self._alive = alive
        self.shown = self._chosen(now_s, recording, newest, newest_with_scans)
        others = tuple(number for number in alive if number != self.shown)
        away = tuple(run.number for run in recording if run.away and run.number != self.shown)
        died = tuple(
            (number, death.sign_wall_s)
            for number, death in reversed(self._deaths.items())
            if number != self.shown and death.newest >= (newest or 0)
        )
        newer = newest if not recording and (newest or 0) > (self.shown or 0) else None
        return Choice(self.shown, others, away, died, newer)

    def _chosen(
        self,
        now_s: float,
        recording: Sequence[Recording],
        newest: int | None,
        newest_with_scans: Callable[[], int | None],
    ) -> int | None:
        best = _best(recording)
        death = None if self.shown is None else self._deaths.get(self.shown)
        if death is not None and death.newest >= (newest or 0):
            held_long = now_s - death.seen_s > HELD_S
            if not (held_long and best is not None and best.holds_scans):
                return self.shown
        if best is not None:
            return best.number
        found = newest_with_scans()
        return newest if found is None else found


def _best(recording: Sequence[Recording]) -> Recording | None:
    """Find the run with scans and a fresh sign of life; the newest of those that are alike."""
    if not recording:
        return None
    latest_s = max(run.sign_wall_s for run in recording)
    return max(
        recording,
        key=lambda run: (run.holds_scans, run.sign_wall_s >= latest_s - FRESH_S, run.number),
    )
