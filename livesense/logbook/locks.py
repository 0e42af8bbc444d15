"""Whether a recorder is still at work on a run.

A recorder holds an operating-system lock on a file beside the logbook for as
long as it lives; the system frees it at the process's death, however that comes.
The lock is taken before the run's row, which holds the lock's name, can be read
by anyone, so that a look from outside cannot be in the recorder's way.
"""

from __future__ import annotations

import time
import uuid
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from livesense.errors import LogbookError

if TYPE_CHECKING:
    from filelock import FileLock

_LOOKS = 4
_BETWEEN_LOOKS_S = 0.002


def lock_path(logbook: Path, token: str) -> Path:
    """Name the lock file of the run with this token."""
    safe = "".join(c for c in token if c.isascii() and c.isalnum())[:64]
    return logbook.with_name(f"{logbook.name}-run-{safe}.lock")


class RunLock:
    """Held by a recorder from before its run is visible until after its end is."""

    def __init__(self, logbook: Path) -> None:
        from filelock import FileLock, Timeout

        self.token = uuid.uuid4().hex
        self._path = lock_path(logbook, self.token)
        self._lock: FileLock | None = FileLock(self._path, thread_local=False)
        try:
            self._lock.acquire(timeout=0)
        except (OSError, NotImplementedError, Timeout) as error:
            raise LogbookError(
                f"{self._path}: cannot be locked ({error}); keep the logbook on a local disk"
            ) from error

    def release(self) -> None:
        """Let go; safe to call again."""
        lock, self._lock = self._lock, None
        if lock is not None:
            lock.release()
            with suppress(OSError):
                self._path.unlink()


def is_held(logbook: Path, token: str) -> bool | None:
    """Whether some process holds the run's lock; None where that cannot be found out.

    Two lookers can meet, and one then finds the lock taken by the other for an
    instant: so a taken lock is looked at a few times.
    """
    path = lock_path(logbook, token)
    if not path.exists():
        return False
    from filelock import FileLock, Timeout

    for look in range(_LOOKS):
        if look:
            time.sleep(_BETWEEN_LOOKS_S)
        lock = FileLock(path, thread_local=False)
        try:
            lock.acquire(timeout=0)
        except Timeout:
            continue
        except (OSError, NotImplementedError):
            return None
        lock.release()
        return False
    return True


def sweep(logbook: Path, tokens: set[str]) -> None:
    """Remove lock files that dead recorders of these runs left behind."""
    from filelock import FileLock, Timeout

    for token in tokens:
        path = lock_path(logbook, token)
        if not path.exists():
            continue
        lock = FileLock(path, thread_local=False)
        with suppress(OSError, NotImplementedError, Timeout):
            lock.acquire(timeout=0)
            lock.release()
            path.unlink()
