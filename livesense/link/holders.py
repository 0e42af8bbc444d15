"""Other programs that have a port open, where the system tells."""

from __future__ import annotations

import os
from pathlib import Path

PROCESSES = Path("/proc")


def holders(device: str) -> list[str]:
    """Name the programs that have a device open, as ``name (process number)``.

    Only Linux tells, and only of the user's own programs; elsewhere, and where nobody has it, the list is
    empty. This program itself is left out.
    """
    target = os.path.realpath(device)
    found = []
    for process in sorted(PROCESSES.glob("[0-9]*")):
        if process.name != str(os.getpid()) and _has_open(process, target):
            found.append(f"{_name(process)} (process {process.name})")
    return found


def _has_open(process: Path, target: str) -> bool:
    try:
        return any(os.path.realpath(link) == target for link in (process / "fd").iterdir())
    except OSError:
        # Somebody else's program, or one that has just ended.
        return False


def _name(process: Path) -> str:
    try:
        return (process / "comm").read_text(encoding="utf-8", errors="replace").strip()
    except OSError:
        return "a program"
