"""A rescale to be killed in the middle of its transaction: ``python killed_rescale.py LOGBOOK BENCH``."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import Any

from livesense import bench
from livesense.logbook import revisions
from livesense.rescaling import Choice, rescale

there = revisions.event_insertions


def slowly(*given: Any) -> Any:
    # The revision's row is written by now, its events are not.
    print("inside", flush=True)
    time.sleep(600)
    return there(*given)


revisions.event_insertions = slowly
rescale(Path(sys.argv[1]), 1, bench=bench.load(sys.argv[2]), choice=Choice.KEPT, reason="to be killed")
