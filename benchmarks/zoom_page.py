"""How fast a run's screen zooms: ``python benchmarks/zoom_page.py [--scans 2.5e7] [--json FILE] [--naive]``.

A run of four channels is written as fast as it goes, the page serves it, and a real browser zooms from all
of it to single scans and back: by key, by wheel, by a drag in the outline, and by moving the waveform. Each
gesture counts from the instant that the browser got it until the picture with the new samples is painted.
They follow one another as a hand's do, 0.1 s to 0.8 s apart, so that figures of the stretch before are often
still being worked out. The aim is at most 150 ms at the 95th percentile.

``--naive`` also measures a page that asks for a whole figure for each stretch, on the same run.

Needs a Chromium and playwright.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from browsing import ARGUMENTS, address_in, chromium, plain_page, started, tell
from playwright.sync_api import Browser, sync_playwright
from playwright.sync_api import Page as BrowserPage
from pump import CHANNELS, write_run

from livesense.logbook.reader import Logbook

RATE_HZ = 20_000.0
PATIENCE_S = 30.0
SHORTEST_S = 2e-3
"""Forty scans across the picture: each can be told from its neighbours."""
RESTS_MS = (100.0, 800.0)
SETTLE_MS = 1500.0
NOTCH = 120
"""What one notch of a wheel is, in the pixels that browsers tell."""
GROWS = 3.0
"""From one span to the next where they are chosen and not reached by zooming."""

GESTURES = ("key", "wheel", "outline", "moving")
READY = (
    "!!(window.livesense?.run?.zoomed && livesense.run.found && document.querySelector('#run-figures td'))"
)
# A message posted while a frame is made is handled after it has been painted.
WATCH = """() => {
  const run = livesense.run, fetch = run.fetch, samples = run.samples;
  window.painted = null;
  let began = 0, answer = 0;
  for (const kind of ['keydown', 'wheel', 'pointermove', 'pointerup'])
    window.addEventListener(kind, (event) => { began = event.timeStamp; }, { capture: true, passive: true });
  run.samples = async function (...asked) {
    const since = performance.now(), got = await samples.apply(run, asked);
    if (asked[3] === 'samples') answer = performance.now() - since;
    return got;
  };
  run.fetch = async function () {
    const before = run.zoomed;
    await fetch.call(run);
    if (run.zoomed === before) return;
    const channel = new MessageChannel(), told = { from: run.from, to: run.to, answer };
    channel.port1.onmessage = () => { window.painted = { ...told, ms: performance.now() - began }; };
    requestAnimationFrame(() => channel.port2.postMessage(0));
  };
}"""
VIEW = "[livesense.run.from, livesense.run.to]"


class Hand:
    """Zooms a run's screen by one gesture after the other; ``took`` is what each of them took."""

    def __init__(self, page: BrowserPage) -> None:
        self.page = page
        self.rng = random.Random(1)
        self.took: list[dict[str, float]] = []

    def view(self) -> tuple[float, float]:
        """Tell the stretch that is shown."""
        from_s, to_s = self.page.evaluate(VIEW)
        return float(from_s), float(to_s)

    def span_s(self) -> float:
        """Tell its length."""
        from_s, to_s = self.view()
        return to_s - from_s

    def show(self, from_s: float, to_s: float) -> None:
        """Show a stretch, not counted, and wait until nothing is under way."""
        self.page.evaluate(f"livesense.run.view({from_s}, {to_s})")
        self.page.wait_for_timeout(SETTLE_MS)

    def whole(self) -> tuple[float, float]:
        """Show all of the run; gives its ends."""
        from_s, to_s = self.page.evaluate("[livesense.run.about.from_s, livesense.run.about.to_s]")
        self.show(from_s, to_s)
        return float(from_s), float(to_s)

    def did(self, gesture: Callable[[], None]) -> None:
        """Make a gesture, wait for the picture of where it led, rest a little."""
        before = self.view()
        self.page.evaluate("window.painted = null")
        gesture()
        if self.view() == before:
            raise SystemExit("a gesture moved nothing")
        end = time.monotonic() + PATIENCE_S
        while True:
            # The browser's own clock told the time: that this asks late costs nothing.
            painted = self.page.evaluate("painted")
            if painted is not None and (painted["from"], painted["to"]) == self.view():
                break
            if time.monotonic() > end:
                raise SystemExit(f"no picture after {PATIENCE_S:g} s")
            self.page.wait_for_timeout(10)
        self.took.append({"ms": painted["ms"], "answer": painted["answer"], "span_s": self.span_s()})
        self.page.wait_for_timeout(self.rng.uniform(*RESTS_MS))

    def by_key(self) -> None:
        """Press plus on the outline until single scans are seen, minus until nearly all of the run is."""
        first, last = self.whole()
        self.page.locator("#strip").focus()
        while self.span_s() > SHORTEST_S:
            self.did(lambda: self.page.keyboard.press("+"))
            self.did(lambda: self.page.keyboard.press(self.rng.choice(["ArrowLeft", "ArrowRight"])))
        while self.span_s() < (last - first) / 4:
            self.did(lambda: self.page.keyboard.press("-"))

    def _box(self, selector: str) -> dict[str, float]:
        place = self.page.locator(selector).first
        place.scroll_into_view_if_needed()
        box = place.bounding_box()
        assert box is not None
        return dict(box)

    def by_wheel(self) -> None:
        """Turn the wheel two notches at a time, with Ctrl held, over places of the waveform."""
        first, last = self.whole()
        box = self._box("#run-graph .nsewdrag")
        self.page.keyboard.down("Control")

        def turn(towards: int) -> None:
            x = box["x"] + box["width"] * self.rng.uniform(0.3, 0.7)
            self.page.mouse.move(x, box["y"] + box["height"] / 2)
            self.did(lambda: self.page.mouse.wheel(0, towards * 2 * NOTCH))

        while self.span_s() > SHORTEST_S:
            turn(-1)
        while self.span_s() < (last - first) / 4:
            turn(1)
        self.page.keyboard.up("Control")

    def _drag(self, from_x: float, to_x: float, y: float) -> None:
        self.page.mouse.move(from_x, y)
        self.page.mouse.down()
        for part in (0.25, 0.5, 0.75, 1.0):
            self.page.mouse.move(from_x + part * (to_x - from_x), y)
        self.page.mouse.up()

    def by_outline(self) -> None:
        """Draw stretches in the outline, as long and as short as its pixels allow."""
        first, last = self.whole()
        for _ in range(24):
            box = self._box("#strip")
            width = 10 ** self.rng.uniform(-2, -0.2)
            begin = self.rng.uniform(0, 1 - width)
            shown = [(at - first) / (last - first) for at in self.view()]
            if shown[0] <= begin <= shown[1] and shown[1] - shown[0] < 0.98:
                # Inside the frame a drag moves it: the drag below begins outside of it.
                begin = shown[1] + 0.01 if shown[1] + 0.01 + width < 1 else max(0.0, shown[0] - width - 0.01)
            ends = [box["x"] + box["width"] * part for part in (begin, min(1.0, begin + width))]
            self.did(lambda e=ends, b=box: self._drag(*e, b["y"] + b["height"] / 2))  # type: ignore[misc]

    def by_moving(self) -> None:
        """Move the waveform aside by a part of its width, at all spans."""
        first, last = self.whole()
        span_s = (last - first) / GROWS
        while span_s > SHORTEST_S:
            begin = first + self.rng.uniform(0.2, 0.8) * (last - first - span_s)
            self.show(begin, begin + span_s)
            box = self._box("#run-graph .nsewdrag")
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            shift = box["width"] * self.rng.choice([-1, 1]) * self.rng.uniform(0.1, 0.4)
            self.did(lambda p=(x, x + shift, y): self._drag(*p))  # type: ignore[misc]
            span_s /= GROWS


def spread(ms: list[float]) -> dict[str, float]:
    """Tell the median and the 95th percentile."""
    return {"ms_p50": round(statistics.median(ms), 1), "ms_p95": round(sorted(ms)[int(0.95 * len(ms))], 1)}


def told(took: list[dict[str, float]]) -> dict[str, float]:
    """Sum up some gestures: milliseconds, and the seconds of the slowest one's stretch."""
    slowest = max(took, key=lambda one: one["ms"])
    answers = spread([one["answer"] for one in took])
    return {
        "gestures": len(took),
        **spread([one["ms"] for one in took]),
        **{f"answer_{key}": value for key, value in answers.items()},
        "slowest_ms": round(slowest["ms"], 1),
        "slowest_span_s": slowest["span_s"],
    }


def measured(page: BrowserPage, gestures: tuple[str, ...] = GESTURES) -> dict[str, Any]:
    """Zoom by all gestures; each is told alone, and all of them together, near and far."""
    result: dict[str, Any] = {}
    every: list[dict[str, float]] = []
    for name in gestures:
        hand = Hand(page)
        getattr(hand, f"by_{name}")()
        result[name] = told(hand.took)
        every += hand.took
    result["all"] = told(every)
    decades: dict[int, list[dict[str, float]]] = {}
    for one in every:
        decades.setdefault(len(str(int(one["span_s"] * RATE_HZ))) - 1, []).append(one)
    result["by_scans"] = {f"1e{decade}": told(some) for decade, some in sorted(decades.items())}
    return result


def naive(logbook: Path, browser: Browser) -> dict[str, float]:
    """Measure a page that asks for a whole figure of the pyramid's columns for each stretch."""
    from dash import Dash, Input, Output, dcc, html

    from livesense.analysis import RunAnalysis

    app = Dash("naive")
    app.layout = html.Div([dcc.Graph(id="graph"), dcc.Store(id="span", data=[0, 1])])
    lock, analysis = threading.Lock(), RunAnalysis(Logbook(logbook), "last")
    _, end_s = analysis.extent_s()

    @app.callback(Output("graph", "figure"), Input("span", "data"))
    def draw(span: list[float]) -> dict[str, Any]:
        traces = []
        with lock:
            for name in CHANNELS[:3]:
                band = analysis.envelope(name, *span, 1200)
                traces += [{"x": band.time_s, "y": y, "name": name} for y in (band.low, band.high)]
        return {"data": traces}

    page = plain_page(app, browser)
    page.evaluate(
        """() => {
          document.querySelector('.js-plotly-plot').on('plotly_afterplot', () => {
            const channel = new MessageChannel();
            channel.port1.onmessage = () => { window.painted = performance.now(); };
            requestAnimationFrame(() => channel.port2.postMessage(0));
          });
        }"""
    )
    rng, ms = random.Random(1), []
    span_s = end_s
    while span_s > 0.5:
        begin = rng.uniform(0, end_s - span_s)
        since = page.evaluate(
            "(span) => { window.painted = null;"
            " dash_clientside.set_props('span', { data: span }); return performance.now(); }",
            [begin, begin + span_s],
        )
        while (at := page.evaluate("window.painted")) is None:
            page.wait_for_timeout(10)
        ms.append(at - since)
        page.wait_for_timeout(rng.uniform(*RESTS_MS))
        span_s /= 2
    page.close()
    return spread(ms)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--scans", type=float, default=2.5e7, help="of four channels (default 2.5e7)")
    parser.add_argument("--gestures", nargs="+", choices=GESTURES, default=GESTURES)
    parser.add_argument("--width", type=int, default=1440)
    parser.add_argument("--json", metavar="FILE")
    parser.add_argument("--folder", type=Path, help="where the logbook is written")
    parser.add_argument("--naive", action="store_true")
    args = parser.parse_args()
    program = chromium()
    with tempfile.TemporaryDirectory(dir=args.folder, ignore_cleanup_errors=True) as folder:
        logbook = Path(folder) / "zoom.db"
        write_run(logbook, int(args.scans), RATE_HZ, "zoom")
        server = started("serve", "--logbook", str(logbook), "--port", "0", "--no-browser")
        try:
            with sync_playwright() as playwright:
                browser = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
                page = browser.new_page(viewport={"width": args.width, "height": 1000})
                url = address_in(server, "http://")
                page.goto(url)
                page.goto(f"{url.partition('?')[0]}runs/1")
                while not page.evaluate(READY):
                    page.wait_for_timeout(50)
                page.evaluate(WATCH)
                result = measured(page, tuple(args.gestures))
                page.close()
                if args.naive:
                    result["naive"] = naive(logbook, browser)
                browser.close()
        finally:
            server.terminate()
            server.wait(10)
    tell(result, args.json)


if __name__ == "__main__":
    main()
