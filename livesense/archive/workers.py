"""Who computes: this process, a cluster on this computer, or any Dask scheduler."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from livesense import __version__
from livesense.archive import tasks
from livesense.archive.layout import EXTRA
from livesense.errors import LivesenseError, UsageError
from livesense.export.needs import needed

Tell = Callable[[str, int, int], None]
Call = tuple[Callable[..., Any], tuple[Any, ...]]

RETRIES = 2
"""A task whose file system failed for a moment is tried again; one whose worker died is anyway."""

WAIT_S = 30
"""So long a scheduler may take to answer, and to have a worker."""


@dataclass(frozen=True, slots=True)
class Where:
    """Where tasks run.

    ``scheduler`` is an address such as ``tls://host:8786``; None: on this computer, in ``workers`` processes,
    or within this one where that is 0. The certificate files are those of ``tls://``.
    """

    scheduler: str | None = None
    workers: int | None = None
    ca: str | None = None
    cert: str | None = None
    key: str | None = None


class Here:
    """Runs tasks one after the other in this process."""

    def all(self, calls: Sequence[Call], tell: Tell, what: str) -> list[Any]:
        """Run tasks; results in their order."""
        found = []
        for number, (function, given) in enumerate(calls):
            tell(what, number, len(calls))
            found.append(function(*given))
        return found


class Spread:
    """Runs tasks on the workers of a Dask scheduler."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._distributed = needed("distributed", EXTRA, "archive")

    def all(self, calls: Sequence[Call], tell: Tell, what: str) -> list[Any]:
        """Run tasks; results in their order, however they were spread."""
        futures = [self._client.submit(f, *given, pure=False, retries=RETRIES) for f, given in calls]
        for done, future in enumerate(self._distributed.as_completed(futures, loop=self._client.loop)):
            tell(what, done, len(calls))
            if future.status == "error":
                error = future.exception()
                self._client.cancel(futures)
                if isinstance(error, LivesenseError):
                    raise error
                raise UsageError(f"a worker failed: {error!r}; look at its own log") from error
        return list(self._client.gather(futures))


@contextmanager
def computing(where: Where) -> Iterator[Here | Spread]:
    """Start or join what computes, for a block.

    Raises
    ------
    UsageError
        Dask is missing, the scheduler does not answer, or its workers have another livesense.
    """
    if where.scheduler is None and where.workers == 0:
        try:
            yield Here()
        finally:
            tasks.close_all()
        return
    distributed = needed("distributed", EXTRA, "archive")
    with ExitStack() as stack:
        if where.scheduler is None:
            client = _local(stack, distributed, where.workers)
        else:
            client = _joined(stack, distributed, where)
        yield Spread(client)


def _local(stack: ExitStack, distributed: Any, workers: int | None) -> Any:
    """Start workers on this computer, reached through loopback only, with keys that are thrown away after."""
    dask = needed("dask", EXTRA, "archive")
    needed("cryptography", EXTRA, "archive on this computer")
    stack.enter_context(
        # No page that anyone on this computer could look at.
        dask.config.set({"distributed.scheduler.http.routes": [], "distributed.worker.http.routes": []})
    )
    stack.enter_context(_no_program())
    cluster = stack.enter_context(
        distributed.LocalCluster(
            n_workers=workers or min(os.cpu_count() or 1, 8),
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address="127.0.0.1:0",
            # Others on this computer can reach loopback too: a key that they do not have keeps them out.
            security=distributed.Security.temporary(),
            silence_logs=50,
        )
    )
    return stack.enter_context(distributed.Client(cluster))


@contextmanager
def _no_program() -> Iterator[None]:
    """Keep workers from running the program that starts them, as new processes of Python otherwise do.

    They need none of it; and a script without ``if __name__ == "__main__"`` would start workers for ever.
    """
    kept = sys.modules["__main__"]
    sys.modules["__main__"] = ModuleType("__main__")
    try:
        yield
    finally:
        sys.modules["__main__"] = kept


def _joined(stack: ExitStack, distributed: Any, where: Where) -> Any:
    security = None
    if str(where.scheduler).startswith("tls://"):
        if not (where.ca and where.cert and where.key):
            raise UsageError("--scheduler tls://…: expected --tls-ca, --tls-cert and --tls-key with it")
        security = distributed.Security(
            tls_ca_file=where.ca,
            tls_client_cert=where.cert,
            tls_client_key=where.key,
            require_encryption=True,
        )
    try:
        client = stack.enter_context(
            distributed.Client(where.scheduler, security=security, timeout=WAIT_S, set_as_default=False)
        )
        client.wait_for_workers(1, timeout=WAIT_S)
    except (OSError, TimeoutError, ValueError) as error:
        raise UsageError(
            f"--scheduler {where.scheduler}: expected a Dask scheduler with at least one worker within "
            f"{WAIT_S} s, found {error}"
        ) from error
    others = {
        found for found in client.run(tasks.version, on_error="return").values() if found != __version__
    }
    if others:
        raise UsageError(
            f"--scheduler {where.scheduler}: expected workers with livesense {__version__}, as here, found "
            f"{', '.join(sorted(map(str, others)))}; install the same one on all"
        )
    return client
