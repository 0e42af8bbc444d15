"""Stretches of a run for its outline: starts, steady parts, changes, stops; worked out once."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Any

from livesense.errors import LivesenseError
from livesense.stretch_facts import stretches_of

if TYPE_CHECKING:
    from livesense.analysis import RunAnalysis

LONGEST_S = 300.0
"""Stretches of longer parts would keep the page waiting; `livesense stretches` has no such limit."""
REMEMBERED = 16

_Key = tuple[str, int, int, float, float, int]


class Stretches:
    """Marks of the stretches last asked for; shared by all threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._known: OrderedDict[_Key, list[dict[str, Any]]] = OrderedDict()

    def marks(self, analysis: RunAnalysis, from_s: float, to_s: float) -> dict[str, Any]:
        """Return ``{"marks": […], "text"}``; the text says why there are none, or nothing."""
        if to_s - from_s > LONGEST_S:
            minutes = f"{LONGEST_S / 60:.0f} min"
            text = f"Stretches are told of up to {minutes}: choose a part, or see `livesense stretches`."
            return {"marks": [], "text": text}
        run = analysis.run
        stop = run.extent(0)[1] if run.groups else 0
        key = (str(run.row.started_wall_s), run.number, analysis.revision, from_s, to_s, stop)
        with self._lock:
            known = self._known.get(key)
        if known is None:
            try:
                known = list(stretches_of(analysis, from_s, to_s)["marks"])
            except LivesenseError as error:
                return {"marks": [], "text": f"No stretches: {error}."}
            with self._lock:
                self._known[key] = known
                while len(self._known) > REMEMBERED:
                    self._known.popitem(last=False)
        return {"marks": known, "text": "" if known else "No stretch was found."}
