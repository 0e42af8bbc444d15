"""The page's web server: one Dash app, its own routes, and waitress in front."""

from __future__ import annotations

import errno
import logging
import secrets
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from dash import ClientsideFunction, Dash, Input, Output, no_update
from waitress import create_server

from dashboard import (
    bench_data,
    bench_screen,
    bringup_data,
    bringup_screen,
    calibration,
    compare_data,
    compare_screen,
    points,
    record_data,
    record_screen,
    run_chain,
    run_data,
    run_pictures,
    run_removal,
    run_report,
    run_screen,
    runs_screen,
    screens,
    stream,
    walk_data,
    walk_screen,
)
from dashboard.benches import Benches
from dashboard.find import find
from dashboard.guard import LARGEST_REQUEST, Guard
from dashboard.live import Live
from dashboard.reading import Reading
from dashboard.share import EncryptedServer, Share, check_certificate
from dashboard.shell import nothing_here, shell
from dashboard.ways import START
from livesense.errors import LivesenseError, RunNotFoundError, UsageError
from livesense.logbook import pictures
from livesense.walk.recorded import RunWalk

if TYPE_CHECKING:
    from dashboard.reading import Desk
    from livesense.analysis import RunAnalysis

LOOPBACK = ("127.0.0.1", "localhost", "::1")
OTHER_THREADS = 8
"""Server threads beside those that streams hold for as long as they last."""
LARGEST_BACKLOG = 256 * 1024
"""Bytes waiting for one client before its stream waits too: a picture that is late is worth nothing."""
LARGEST_ANSWER = 64 * 1024 * 1024

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<script src="/assets/scheme.js"></script>
{%css%}
</head>
<body>
{%app_entry%}
{%config%}
{%scripts%}
{%renderer%}
</body>
</html>
"""


def _new_token() -> str:
    return secrets.token_urlsafe(24)


@dataclass(frozen=True, slots=True)
class Settings:
    """What the page is started with.

    ``port`` 0 takes a free one. ``token`` is asked of every browser once; it stands in the printed
    address. ``streams`` bounds the live streams open at a time, over all browsers. ``benches`` are the bench
    files that can be recorded with and edited, ``links`` ports beside those of this computer. ``share``
    lets other computers in, by one name.
    """

    logbook: Path
    host: str = "127.0.0.1"
    port: int = 0
    token: str = field(default_factory=_new_token, repr=False)
    open_browser: bool = False
    frames_per_s: float = 30.0
    streams: int = 12
    benches: tuple[Path, ...] = ()
    links: tuple[str, ...] = ()
    share: Share | None = None


class Page:
    """A Dash app with what it stands on; ``close`` lets go of logbook, streams and threads."""

    def __init__(self, settings: Settings, reading: Reading | None = None) -> None:
        self.settings = settings
        self.reading = reading or Reading(settings.logbook)
        self.live = Live(self.reading, settings.frames_per_s)
        self.streams = stream.Streams(self.live, settings.streams, settings.frames_per_s)
        share = settings.share
        self.guard = Guard(
            settings.token,
            settings.port or None,
            name=share.name if share is not None else "",
            encrypted=share is not None and share.encrypted,
        )
        benches = Benches(settings.benches, settings.links)
        self.control = record_data.Control(self.reading, benches)
        self.dash = _dash_app(self.reading, benches)
        stream.add_routes(self.dash.server, self.streams)
        run_data.add_routes(self.dash.server, self.reading)
        run_removal.add_routes(self.dash.server, self.reading)
        run_pictures.add_routes(self.dash.server, self.reading)
        run_report.add_routes(self.dash.server, self.reading, self.control.commands)
        compare_data.add_routes(self.dash.server, self.reading)
        points.add_routes(self.dash.server, self.reading)
        walk_data.add_routes(self.dash.server, self.reading)
        record_data.add_routes(self.dash.server, self.control)
        bench_data.add_routes(self.dash.server, self.control)
        bringup_data.add_routes(self.dash.server, self.reading)
        self.guard.protect(self.dash.server, self.dash.csp_hashes())

    def close(self) -> None:
        """End streams and facts, close the logbook."""
        self.streams.stopping.set()
        self.control.close()
        self.live.close()
        self.reading.close()


def create_app(settings: Settings) -> Dash:
    """Return the Dash app for a logbook; ``settings.port`` must be the port it will be reached at."""
    return Page(settings).dash


def _dash_app(reading: Reading, benches: Benches) -> Dash:
    app = Dash(
        "dashboard",
        assets_folder=str(Path(__file__).parent / "assets"),
        # It stands in the head of the page, not with the scripts at its end.
        assets_ignore=r"scheme\.js",
        use_pages=False,
        include_pages_meta=False,
        serve_locally=True,
        title="livesense",
        update_title="",
        index_string=_PAGE,
        suppress_callback_exceptions=True,
        meta_tags=[{"name": "viewport", "content": "width=device-width, initial-scale=1"}],
    )
    app.layout = shell()

    @app.callback(Output("screen", "children"), Input("where", "pathname"))
    def show_screen(path: str | None) -> Any:
        return _screen(reading, benches, path or "/")

    @app.callback(
        Output("runs-grid", "rowData"),
        Output("runs-empty", "hidden"),
        Output("runs-count", "children"),
        Input("runs-again", "n_intervals"),
        Input("runs-find", "value"),
        Input("runs-with-events", "checked"),
        prevent_initial_call=True,
    )
    def list_again(_: int, query: str | None, with_events: bool | None) -> Any:
        try:
            with reading.desk() as desk:
                found = (
                    find(desk.logbook, query or "", bool(with_events)) if desk is not None else ([], {}, 0)
                )
        except LivesenseError:
            return no_update, no_update, no_update
        rows, told, count = found
        return runs_screen.runs_grid(rows, told), bool(count), runs_screen.count_text(len(rows), count)

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("livesense", "runsChosen"),
        Output("runs-acts", "data-chosen"),
        Input("runs-grid", "selectedRows"),
        prevent_initial_call=True,
    )

    app.clientside_callback(  # type: ignore[no-untyped-call]
        ClientsideFunction("livesense", "liveControls"),
        Output("live-pause", "children"),
        Input("live-kind", "value"),
        Input("live-span", "value"),
        Input("live-pause", "n_clicks"),
    )
    return app


def _screen(reading: Reading, benches: Benches, path: str) -> Any:
    parts = [part for part in path.split("/") if part]
    if not parts:
        return screens.live()
    if parts == ["record"]:
        return record_screen.record(benches)
    if parts[0] == "bench" and len(parts) < 3:
        number = parts[1] if len(parts) == 2 else "0"
        if number == "0" or (number.isdecimal() and len(number) < 4 and int(number) < len(benches.files)):
            return bench_screen.bench(benches, int(number))
    try:
        with reading.desk() as desk:
            if parts == ["runs"]:
                return runs_screen.runs(desk.logbook.runs() if desk is not None else [])
            if len(parts) == 3 and parts[0] == "compare" and all(map(_is_number, parts[1:])):
                if desk is None:
                    return _no_logbook()
                first, second = (desk.run(int(part)).run.row for part in parts[1:])
                return compare_screen.compare(first, second)
            if len(parts) == 2 and parts[0] == "runs" and _is_number(parts[1]):
                if desk is None:
                    return _no_logbook()
                return _run_screen(desk.run(int(parts[1])))
            if parts[0] in ("walk", "bringup") and len(parts) < 3 and all(map(_is_number, parts[1:])):
                wanted = int(parts[1]) if len(parts) == 2 else None
                return (_walk_screen if parts[0] == "walk" else _bringup_screen)(desk, wanted)
    except RunNotFoundError:
        return nothing_here(f"This logbook has no run {' or no run '.join(parts[1:])}.")
    except LivesenseError as error:
        return nothing_here(f"The logbook cannot be read: {error}")
    return nothing_here("There is no such screen.", "Go to [Live] or to [Runs].")


def _no_logbook() -> Any:
    """Say why no run can be opened, and how the first one comes to be."""
    return nothing_here("There is no logbook yet.", f"It begins with the first recording. Start one {START}.")


def _is_number(part: str) -> bool:
    return part.isdecimal() and len(part) < 12


def _run_screen(analysis: RunAnalysis) -> Any:
    run = analysis.run
    from_s, to_s = analysis.extent_s() if run.groups else (0.0, 0.0)
    plots = run_data.plots(analysis) if to_s > from_s else []
    budgets = analysis.budgets() if plots else {}
    stands_on = [*run_chain.chain(analysis), calibration.calibration(analysis)] if plots else []
    pictures = run_pictures.band_of_pictures(analysis)
    report = [run_report.band_of_report(analysis)] if plots else []
    more = [*bringup_screen.kept_band(run.stages()), pictures, *stands_on, *report]
    sign = run_data.last_sign_text(run)
    return run_screen.run(run.row, plots, run_data.why_no_scans(run), budgets, more, sign)


def _start_for(what: str, wanted: int | None) -> str:
    """Say how a walk or a bring-up gets its run, and where one that is over keeps its own."""
    kept = "" if wanted is None else f" What run {wanted} keeps stands on its own screen, under [Runs]."
    return f"Start a recording {START}. The {what} then opens here.{kept}"


def _bringup_screen(desk: Desk | None, wanted: int | None) -> Any:
    number, others = walk_data.chosen(desk, wanted) if desk is not None else (None, [])
    if desk is None or number is None:
        why = "Nothing is being recorded." if wanted is None else f"Run {wanted} is not being recorded."
        return bringup_screen.no_bringup(why, _start_for("bring-up", wanted))
    analysis = desk.run(number)
    judged = {row.stage for row in analysis.run.stages()}
    return bringup_screen.bringup(analysis.run.row, analysis.bench, others, judged)


def _walk_screen(desk: Desk | None, wanted: int | None) -> Any:
    number, others = walk_data.chosen(desk, wanted) if desk is not None else (None, [])
    if desk is None or number is None:
        why = "Nothing is being recorded." if wanted is None else f"Run {wanted} is not being recorded."
        return walk_screen.no_walk(why, _start_for("walk", wanted))
    analysis = desk.run(number)
    try:
        walk = RunWalk(analysis)
    except LivesenseError as error:
        return walk_screen.no_walk("This bench cannot be walked.", f"Run {number}: {error}")
    return walk_screen.walk(analysis.run.row, walk.names, walk.left, others)


class Server:
    """The page behind a bound socket; ``run`` blocks, ``close`` ends it from any thread."""

    def __init__(self, settings: Settings, reading: Reading | None = None) -> None:
        if settings.host not in LOOPBACK:
            raise UsageError(
                f"the page is served on this machine only: expected one of {', '.join(LOOPBACK)}, "
                f"got {settings.host!r}"
            )
        if settings.share is not None:
            check_certificate(settings.share)
        self.page = Page(settings, reading)
        self._stopping = threading.Event()
        self._encrypted: EncryptedServer | None = None
        threads, largest = settings.streams + OTHER_THREADS, 2 * max(LARGEST_REQUEST, pictures.LARGEST_BYTES)
        if settings.share is not None and settings.share.encrypted:
            try:
                app = self.page.dash.server
                self._encrypted = EncryptedServer(app, settings.share, settings.port, threads, largest)
            except UsageError:
                self.page.close()
                raise
            self.page.guard.port = self.port
            return
        self._map: dict[int, Any] = {}
        host = "::1" if settings.host == "::1" else "127.0.0.1"
        if settings.share is not None:
            host = "::" if settings.share.name.startswith("[") else "0.0.0.0"
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        try:
            bound = socket.create_server((host, settings.port), family=family)
        except (OSError, OverflowError) as error:
            self.page.close()
            busy = getattr(error, "errno", None) == errno.EADDRINUSE
            why = "another program listens there" if busy else getattr(error, "strerror", None) or str(error)
            raise UsageError(
                f"cannot listen on port {settings.port}: {why}; name another one with --port (0: any free)"
            ) from error
        self._server = create_server(
            self.page.dash.server,
            map=self._map,
            sockets=[bound],
            threads=threads,
            outbuf_high_watermark=LARGEST_BACKLOG,
            # Nothing is spilt into temporary files: the largest answer is a script of 5 MB.
            outbuf_overflow=LARGEST_ANSWER,
            max_request_body_size=largest,
            clear_untrusted_proxy_headers=True,
            ident="livesense",
        )
        self.page.guard.port = self.port

    @property
    def port(self) -> int:
        """The port that was bound."""
        return self._encrypted.port if self._encrypted is not None else int(self._server.effective_port)

    @property
    def address(self) -> str:
        """The page's address without its token."""
        settings = self.page.settings
        host = "[::1]" if settings.host == "::1" else settings.host
        if settings.share is not None:
            host = settings.share.name
        scheme = "https" if self._encrypted is not None else "http"
        return f"{scheme}://{host}:{self.port}/"

    @property
    def url(self) -> str:
        """The address with the token, to be opened once."""
        return f"{self.address}?token={self.page.settings.token}"

    def run(self) -> None:
        """Serve until :meth:`close` is called or KeyboardInterrupt is raised here."""
        if self._encrypted is not None:
            try:
                self._encrypted.run(self._stopping)
            except KeyboardInterrupt:
                pass
            finally:
                self.page.close()
                self._encrypted.close()
            return
        try:
            while not self._stopping.is_set():
                self._server.asyncore.loop(timeout=0.2, map=self._map, use_poll=False, count=1)
        except KeyboardInterrupt:
            pass
        finally:
            self.page.close()
            self._server.task_dispatcher.shutdown(cancel_pending=True, timeout=3)
            self._server.asyncore.close_all(self._map, ignore_all=True)

    def close(self) -> None:
        """Make :meth:`run` return within its loop's timeout; a second call does nothing."""
        # waitress' trigger is not pulled: run() may have closed it by then, and a closed descriptor's
        # number may belong to somebody else's file.
        self._stopping.set()
        self.page.streams.stopping.set()


def serve(settings: Settings, ready: Callable[[str], None] | None = None) -> None:
    """Serve the page until the process is asked to end (SIGINT, SIGTERM, or Ctrl-Break on Windows).

    ``ready`` is called with the address, token included, once connections are taken. Raises UsageError
    when the port cannot be had.
    """
    server = Server(settings)

    def stop(_signal: int, _frame: FrameType | None) -> None:
        server.close()

    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGBREAK"):
            if hasattr(signal, name):
                signal.signal(getattr(signal, name), stop)
    # waitress warns of every queue that is longer than a moment; a page load is one.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    if ready is not None:
        ready(server.url)
    if settings.open_browser:
        webbrowser.open(server.url)
    server.run()
