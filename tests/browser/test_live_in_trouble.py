"""The Live screen when something is late, gone or started anew, and before anything has come."""

import struct
import threading
import time
import zlib
from pathlib import Path

import pytest

from dashboard.app import Server, Settings
from dashboard.digits import lasting

pytestmark = pytest.mark.slow

NUMBERS = "[...document.querySelectorAll('#phases .number')].map((n) => n.textContent)"


def silence(screen):
    """Cut the line, so that what is shown stays as it is."""
    screen.page.evaluate("livesense.live.disconnect()")


def test_facts_are_shown_before_the_graph_is_there(opened, served):
    screen = opened("runs")
    held = []
    screen.page.route("**/plotly.min.js*", lambda route: held.append(route))
    screen.page.goto(served.server.address)
    screen.wait("document.getElementById('say')?.textContent.startsWith('Running forward at')")
    screen.wait("document.querySelectorAll('#phases .number').length === 3")
    assert not screen.page.evaluate("!!window.Plotly")
    assert screen.page.locator("#live-pause").is_disabled()
    assert screen.text("#picture .before") == "The picture comes with the first samples."
    for route in held:
        route.continue_()
    screen.live()
    screen.wait("!document.getElementById('live-pause').disabled")
    assert not screen.page.locator("#picture .before").is_visible()


@pytest.mark.slow
def test_before_the_first_answer_nothing_is_claimed(opened, served):
    screen = opened("runs")
    held = []
    screen.page.route("**/live/stream*", lambda route: held.append(route))
    screen.page.goto(served.server.address)
    screen.wait("document.getElementById('say')?.textContent.startsWith('Waiting for')")
    assert screen.page.locator("#headline").get_attribute("data-tone") == "note"
    assert "last" not in screen.text("#advice")
    for route in held:
        route.continue_()
    screen.live()
    assert screen.text("#say").startswith("Running forward at")


@pytest.mark.slow
def test_a_server_that_was_started_again_says_where_to_go(opened, served, fake, state):
    screen = opened()
    screen.live()
    port = served.server.port
    served.stop()
    again = Server(Settings(Path("none.db"), token="another", port=port), fake.FakeReading(state))
    thread = threading.Thread(target=again.run)
    thread.start()
    try:
        screen.wait("document.getElementById('say').textContent.startsWith('livesense was started again')")
        assert "Open the address that it printed" in screen.text("#advice")
        screen.wait("document.querySelector('[data-screen=live]').classList.contains('old')")
        # The new address, opened in another window of this browser, lets this one in again.
        other = screen.page.context.new_page()
        other.goto(again.url)
        screen.page.evaluate("livesense.live.connect()")
        screen.wait("document.getElementById('say').textContent.startsWith('Running forward at')")
        screen.complaints.clear()  # the browser itself complains of what was refused
    finally:
        again.close()
        thread.join(10)


def test_figures_behind_the_picture_are_dimmed_then_withheld(opened):
    screen = opened()
    screen.live()
    silence(screen)
    assert screen.page.evaluate(NUMBERS) == ["4.24"] * 3
    late = "livesense.live.tiles.reached(livesense.live.tiles.measuredTo + {}); livesense.live.ages()"
    screen.page.evaluate(late.format(1.4))
    assert "behind" in screen.page.locator("[data-screen=live]").get_attribute("class")
    assert screen.page.evaluate(NUMBERS) == ["4.24"] * 3
    assert screen.text("#figures-date") == "1.4 s behind the picture."
    screen.page.evaluate(late.format(2.4))
    assert screen.page.evaluate(NUMBERS) == ["\u2014"] * 3
    assert screen.text("#figures-date").startswith("Withheld: 2.4 s behind")
    assert "\u00b1" not in screen.text("#phases")
    screen.page.evaluate("livesense.live.connect()")
    screen.wait(f"{NUMBERS}.every((n) => n === '4.24')")


def test_a_figure_that_changes_has_no_tolerance(opened):
    screen = opened()
    screen.live()
    silence(screen)
    screen.page.evaluate(
        """() => {
             const live = livesense.live, rows = live.facts.tiles.map((row) =>
               row.key === 'rms:iu' ? { ...row, expanded: null, changing: '2.6 \u2192 1.5' } : row);
             live.tiles.tell({ ...live.facts, tiles: rows });
           }"""
    )
    assert screen.page.locator("#phases .tolerance").all_inner_texts() == [
        "changing: 2.6 \u2192 1.5", "\u00b1 0.05", "\u00b1 0.05",
    ]  # fmt: skip


@pytest.mark.parametrize(("tone", "keeps"), [("calm", False), ("fault", True)])
def test_late_facts_are_not_called_no_word(opened, state, fake, tone, keeps):
    if tone == "fault":
        state.events = [fake.overcurrent(state.newest_s() - 1.0, None)]
    screen = opened()
    screen.live()
    screen.wait(f"document.getElementById('headline').dataset.tone === '{tone}'")
    silence(screen)
    screen.page.evaluate("Object.assign(livesense.live.line, { silent: 0, factsAge: 4000 })")
    screen.page.evaluate("livesense.live.watch()")
    said = screen.text("#say") + screen.text("#advice")
    assert "computer is busy: figures and events are" in said
    assert "no word" not in said
    assert screen.text("#say").startswith("Overcurrent") is keeps


def test_a_browser_that_was_busy_itself_has_not_been_kept_waiting(opened):
    screen = opened()
    screen.live()
    silence(screen)
    silent = screen.page.evaluate(
        """() => {
             const line = livesense.live.line;
             Object.assign(line, { silent: 0, tickedAt: performance.now() - 60000 });
             line.tick();
             return line.silent;
           }"""
    )
    assert silent == 500


@pytest.mark.parametrize("gone", ["away", "complete", "silent"])
def test_what_is_old_looks_old(opened, state, gone):
    screen = opened()
    screen.live()
    number = screen.page.locator("#phases .number").first
    fresh = number.evaluate("(n) => getComputedStyle(n).color")
    if gone == "away":
        state.link = "away"
    elif gone == "complete":
        state.state = "complete"
    else:
        state.frozen_at = state.began
    screen.wait("document.querySelector('[data-screen=live]').classList.contains('old')")
    assert number.evaluate("(n) => getComputedStyle(n).color") != fresh
    screen.wait("document.getElementById('figures-date').textContent.startsWith('Not current')")


ANNOTATIONS = "livesense.live.plot._fullLayout.annotations.map((mark) => mark.text)"


@pytest.mark.parametrize("gone", ["recovered", "silent"])
def test_a_picture_that_stands_says_since_when(opened, state, gone):
    screen = opened()
    screen.live()
    assert not any("stands" in text for text in screen.page.evaluate(ANNOTATIONS))
    state.frozen_at = time.time()
    if gone == "recovered":
        state.state = "recovered"
    screen.wait(f"{ANNOTATIONS}.some((text) => /^stands since \\d\\d:\\d\\d:\\d\\d$/.test(text))")
    since = screen.page.evaluate("livesense.live.since") / 1e3
    assert abs(since - state.frozen_at) < 10
    assert screen.text("#live-caption").startswith("The ")
    state.began += time.time() - state.frozen_at
    state.frozen_at, state.state = None, "recording"
    screen.wait(f"!{ANNOTATIONS}.some((text) => text.startsWith('stands'))")
    screen.wait("document.getElementById('live-caption').textContent.startsWith('Begins')")


def test_figures_that_are_late_alone_do_not_make_the_picture_stand(opened):
    screen = opened()
    screen.live()
    silence(screen)
    # Asked in one step: the page looks at its own age many times a second.
    asked = "livesense.live.stand(true, %s), livesense.live.since"
    assert screen.page.evaluate(asked % 0.2) is None
    assert screen.page.evaluate(asked % 4) is not None


def test_a_time_of_another_day_has_its_date(opened):
    screen = opened()
    screen.live()
    noon = "new Date(2026, 10, 28, 12, 3, 4).getTime()"
    clock = screen.page.evaluate(
        f"[livesense.clock({noon}, {noon}), livesense.clock({noon}, {noon} + 864e5)]"
    )
    assert clock == ["12:03:04", "2026-11-28 12:03:04"]


def test_a_limit_off_the_scale_is_said(opened, state):
    state.amplitude_a = 2.0
    screen = opened()
    screen.live()
    assert screen.page.evaluate(ANNOTATIONS) == ["limit \u00b112 A, off this scale"]
    state.amplitude_a = 6.0
    screen.wait(f"{ANNOTATIONS}.join() === 'limit 12 A,limit \u221212 A'")


def test_a_reason_stands_once(opened):
    screen = opened()
    screen.live()
    text = screen.text("#figures")
    assert text.count("no channel measures the bus current") == 1
    assert "Input power and Bus current: no channel measures the bus current" in text


def test_a_pause_outlives_a_line_that_is_made_anew(opened):
    screen = opened()
    screen.live()
    screen.page.keyboard.press("p")
    screen.wait("livesense.live.plot.data.length === 3")
    frames = screen.page.evaluate("livesense.live.newest.newest")
    screen.page.evaluate("livesense.live.connect()")
    screen.wait(f"livesense.live.newest.newest > {frames} + 0.2")
    assert screen.page.evaluate("livesense.live.paused && livesense.live.plot.data.length === 3")


def colour_at(page, x, y):
    """Colour of one pixel, from a PNG of one pixel: its only row begins with a filter byte."""
    png = page.screenshot(clip={"x": x, "y": y, "width": 1, "height": 1})
    data, at = b"", 8
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        if png[at + 4 : at + 8] == b"IDAT":
            data += png[at + 8 : at + 8 + length]
        at += 12 + length
    return tuple(zlib.decompress(data)[1:4])


@pytest.mark.parametrize("width", [1440, 390, 1900])
def test_a_banner_reaches_the_edge_and_nothing_moves_for_it(opened, state, fake, width):
    screen = opened(width=width)
    screen.live()
    screen.wait("!!document.querySelector('#withheld li')")
    where = "['picture', 'figures', 'latest', 'health'].map((id) => document.getElementById(id).offsetTop)"
    before = screen.page.evaluate(where)
    newest_s = state.newest_s()
    state.events = [fake.overcurrent(newest_s - 2.0, None, name) for name in state.names]
    state.events += [fake.overcurrent(newest_s - 90.0, newest_s - 80.0)] * 6
    screen.wait("document.getElementById('headline').dataset.tone === 'fault'")
    screen.wait("document.querySelectorAll('#events li').length === 6")
    assert screen.page.evaluate(where) == before
    assert screen.page.evaluate("document.documentElement.scrollWidth") == width
    box = screen.page.locator("#headline .matter").bounding_box()
    middle = box["y"] + box["height"] / 2
    assert colour_at(screen.page, width - 2, middle) == colour_at(screen.page, box["x"] + 2, middle)
    assert screen.text("#say").startswith("Overcurrent: iu, iv and iw beyond 12 A")


def test_line_patterns_stay_apart_on_the_canvas_and_in_the_figure(opened):
    screen = opened()
    screen.live()
    patterns = screen.page.evaluate("livesense.looks.map((look) => look.dash)")
    # They are told apart by their rhythm, which no slope stretches away: none, long, long and short, short.
    assert [len(p) for p in patterns] == [0, 2, 4, 2]
    long, mixed, short = patterns[1:]
    assert long[0] == mixed[0] >= 4 * max(mixed[2], short[0])
    screen.page.keyboard.press("p")
    screen.wait("livesense.live.plot.data.length === 3")
    drawn = screen.page.evaluate("livesense.live.plot.data.map((trace) => trace.line.dash)")
    assert drawn == [",".join(f"{n}px" for n in p) or "solid" for p in patterns[:3]]


def test_browser_and_server_write_lengths_of_time_alike(opened):
    screen = opened()
    screen.live()
    for seconds in (0.02, 0.3, 1.0, 4.2, 9.9, 59.4, 61, 185, 3600, 7800, 190000):
        written, server = screen.page.evaluate(f"livesense.lasting({seconds})"), lasting(seconds)
        assert written.replace(".0 s", " s") == server, seconds


def test_a_window_without_a_stream_gathers_nothing_from_its_rests(opened):
    screen = opened()
    screen.live()
    screen.page.route("**/live/stream*", lambda route: route.fulfill(status=503))
    screen.page.evaluate(
        """() => {
          const at = AbortSignal.prototype, { addEventListener: add, removeEventListener: remove } = at;
          window.heldByAbort = window.rests = 0;
          at.addEventListener = function (...all) {
            window.heldByAbort += 1;
            window.rests += 1;
            return add.apply(this, all);
          };
          at.removeEventListener = function (...all) {
            window.heldByAbort -= 1;
            return remove.apply(this, all);
          };
          livesense.live.line.connect();
        }"""
    )
    screen.wait("window.rests >= 4")
    assert screen.page.evaluate("window.heldByAbort") <= 1
    screen.complaints.clear()  # the browser itself complains of the 503
