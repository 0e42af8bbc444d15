"""How alive the page is: ``python benchmarks/live_page.py [--seconds 12] [--json FILE] [--naive]``.

Simulator, recorder and page run as they do in use; a tap on the line between simulator and recorder
notes when each scan passed, so that the age of the newest sample on the screen is known at every
picture. Figures: pictures a second, and milliseconds from sample to paint (median and 95th percentile),
for the steady and the running picture, and what share of a core the page's server takes. The aims are
at least 25 a second and at most 150 ms at the 95th percentile.

``--naive`` also measures a page that asks for a whole figure thirty times a second, on the same logbook.

Needs a Chromium and playwright; POSIX only for the server's CPU time.
"""

from __future__ import annotations

import argparse
import socket
import statistics
import subprocess
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from browsing import ARGUMENTS, address_in, chromium, plain_page, started, tell
from playwright.sync_api import Page as BrowserPage
from playwright.sync_api import sync_playwright

from livesense.logbook.reader import Logbook
from livesense.samples import Packets
from livesense.wire.framed import FramedDecoder
from simulator.main import BENCH

RATE_HZ = 20_000.0
SETTLE_S = 9.0
"""The scenario stands still at first; cycles are there after this."""

# A message posted while a frame is made is handled after it has been painted.
LISTEN = """() => {
  window.painted = [];
  livesense.live.scope.onDrawn = (picture) => {
    const channel = new MessageChannel();
    const note = () => painted.push([performance.timeOrigin + performance.now(), picture.newest]);
    channel.port1.onmessage = note;
    channel.port2.postMessage(0);
  };
}"""


class Tap(threading.Thread):
    """Hands bytes on from the simulator to the recorder and notes when scans pass."""

    def __init__(self, upstream: tuple[str, int]) -> None:
        super().__init__(daemon=True)
        self._upstream = upstream
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self.origin_s = float("inf")
        """Host time of the run's scan 0: the earliest that any scan allows."""

    def run(self) -> None:
        client, _ = self._listener.accept()
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        source = socket.create_connection(self._upstream)
        decoder = FramedDecoder()
        first = None
        while data := source.recv(1 << 16):
            now = time.time()
            try:
                client.sendall(data)
            except OSError:
                return
            for event in decoder.feed(data):
                if not isinstance(event, Packets) or event.first is None:
                    continue
                fast = event.group == 0
                if fast.any():
                    if first is None:
                        first = int(event.first[fast][0])
                    stop = int(event.first[fast][-1] + event.count[fast][-1]) - first
                    # The last scan of a packet was taken no later than now.
                    self.origin_s = min(self.origin_s, now - (stop - 1) / RATE_HZ)


def cpu_s(pid: int) -> float:
    with open(f"/proc/{pid}/stat", encoding="ascii") as file:
        fields = file.read().rsplit(") ", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / 100.0


def measured(page: BrowserPage, origin_s: float, server: int, seconds: float) -> dict[str, float]:
    page.evaluate(LISTEN)
    before_s, began = cpu_s(server), time.monotonic()
    page.wait_for_timeout(seconds * 1000)
    lasted = time.monotonic() - began
    painted = page.evaluate("painted")
    ages = sorted(at_ms - 1000 * (origin_s + newest_s) for at_ms, newest_s in painted)
    return {
        "pictures_per_s": round(len(painted) / lasted, 1),
        "sample_to_paint_ms_p50": round(statistics.median(ages), 1),
        "sample_to_paint_ms_p95": round(ages[int(0.95 * len(ages))], 1),
        "server_core_percent": round(100 * (cpu_s(server) - before_s) / lasted, 1),
    }


def naive(logbook: Path, seconds: float, browser: Any) -> dict[str, float]:
    """A page that asks for a whole figure thirty times a second."""
    from dash import Dash, Input, Output, dcc, html

    from livesense.analysis import RunAnalysis

    app = Dash("naive")
    app.layout = html.Div([dcc.Graph(id="graph"), dcc.Interval(id="again", interval=33)])
    lock = threading.Lock()
    analysis = RunAnalysis(Logbook(logbook), "last")

    @app.callback(Output("graph", "figure"), Input("again", "n_intervals"))
    def draw(_: int) -> dict[str, Any]:
        with lock:
            window = analysis.latest(0.06, ["iu", "iv", "iw"])[0]
        return {"data": [{"x": window.time_s, "y": y, "name": name} for name, y in window.values.items()]}

    page = plain_page(app, browser)
    page.evaluate(
        "() => { window.n = 0;"
        " document.querySelector('.js-plotly-plot').on('plotly_afterplot', () => { n += 1; }); }"
    )
    page.wait_for_timeout(seconds * 1000)
    count = page.evaluate("n")
    page.close()
    return {"pictures_per_s": round(count / seconds, 1)}


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--json", metavar="FILE")
    parser.add_argument("--naive", action="store_true")
    args = parser.parse_args()
    program = chromium()
    processes: list[subprocess.Popen[str]] = []
    result: dict[str, Any] = {}
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        logbook = Path(folder) / "bench.db"
        try:
            simulator = started("simulate", "--scenario", "bring-up", "--outlet", "tcp:0")
            processes.append(simulator)
            host, port = address_in(simulator, "socket://").removeprefix("socket://").split(":")
            tap = Tap((host, int(port)))
            tap.start()
            line = f"socket://127.0.0.1:{tap.port}"
            processes.append(
                started("record", str(BENCH), "--port", line, "--logbook", str(logbook), "--quiet")
            )
            server = started("serve", "--logbook", str(logbook), "--port", "0", "--no-browser")
            processes.append(server)
            url = address_in(server, "http://")
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
                page = browser.new_page(viewport={"width": 1440, "height": 1000})
                page.goto(url)
                page.wait_for_timeout(SETTLE_S * 1000)
                with Logbook(logbook) as book:
                    # The run's second 0 is its first scan of any group.
                    origin_s = tap.origin_s - book.run(1).segments(0)[0].start_s
                result["steady"] = measured(page, origin_s, server.pid, args.seconds)
                page.get_by_text("Running", exact=True).click()
                page.get_by_text("0.2 s", exact=True).click()
                page.wait_for_timeout(500)
                result["running"] = measured(page, origin_s, server.pid, args.seconds)
                page.close()
                if args.naive:
                    result["naive"] = naive(logbook, args.seconds, browser)
                browser.close()
        finally:
            for process in reversed(processes):
                process.terminate()
                process.wait(10)
    tell(result, args.json)


if __name__ == "__main__":
    main()
