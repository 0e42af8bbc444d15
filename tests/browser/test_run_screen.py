"""The screens of the runs: what they open with, what they say of interruptions, how they grow."""

import itertools
import re
import time
from datetime import datetime, timedelta

import pytest

from livesense.logbook.rows import OutageRow, RestartRow

pytestmark = pytest.mark.slow

ZOOMED = "!!(window.livesense?.run?.zoomed && document.querySelector('#run-figures td'))"
AXES = "Object.keys(livesense.run.plot._fullLayout).filter((key) => /^yaxis[0-9]*$/.test(key)).length"


def drawn(screen):
    return screen.page.evaluate("livesense.run.plot.data.map((trace) => trace.yaxis || 'y')")


def test_a_run_opens_with_all_of_it_and_figures_of_its_first_steady_part(opened):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    assert screen.page.evaluate("livesense.run.from === 0 && livesense.run.to >= 600")
    assert screen.text("#run-caption").startswith("The whole run: 0.0 s to 60")
    said = screen.text("#run-figures .said")
    assert "the first steady part of this run" in said and said.startswith("Of 0.")
    marks = screen.page.evaluate("livesense.run.plot.layout.shapes.filter((s) => s.line?.width === 5)")
    assert [round(mark["x1"] - mark["x0"], 3) for mark in marks] == [5.0]


def test_from_afar_each_channel_has_a_strip_of_its_own_and_close_up_they_share_axes(opened):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    assert drawn(screen) == ["y", "y2", "y3"]
    strips = screen.page.evaluate("['yaxis', 'yaxis2', 'yaxis3'].map((a) => livesense.run.plot.layout[a])")
    assert all(above["domain"][0] > below["domain"][1] for above, below in itertools.pairwise(strips))
    assert len({tuple(strip["range"]) for strip in strips}) == 1
    labels = screen.page.evaluate("livesense.run.plot.layout.annotations.map((a) => a.text)")
    assert {"iu", "iv", "iw"} <= set(labels)
    screen.page.evaluate("livesense.run.view(10, 10.05)")
    screen.wait("livesense.run.plot.data.every((trace) => (trace.yaxis || 'y') === 'y')")
    assert screen.wait(AXES) == 1
    screen.page.evaluate("livesense.run.whole()")
    screen.wait("livesense.run.plot.data[2].yaxis === 'y3'")


def test_all_events_can_be_reached_page_by_page(opened, state, fake):
    state.events = [fake.overcurrent(1.0 + n, 1.2 + n) for n in range(60)]
    screen = opened("runs/1")
    screen.wait("document.getElementById('run-events-count')?.textContent === 'Events 1 to 25 of 60'")
    pages = screen.page.get_by_role("group", name="Pages of events")
    assert pages.get_by_role("button", name="Before").is_disabled()
    pages.get_by_role("button", name="After").click()
    screen.wait("document.getElementById('run-events-count').textContent === 'Events 26 to 50 of 60'")
    pages.get_by_role("button", name="Last").click()
    screen.wait("document.getElementById('run-events-count').textContent === 'Events 51 to 60 of 60'")
    assert screen.page.locator("#run-events tbody tr").count() == 10
    assert pages.get_by_role("button", name="After").is_disabled()
    screen.page.get_by_role("button", name="60.000 s").click()
    screen.wait("Math.abs(livesense.run.from - 59.95) < 0.01 && Math.abs(livesense.run.to - 60.25) < 0.01")


def test_few_events_need_no_pages(opened, state, fake):
    state.events = [fake.overcurrent(10.0, 10.2)]
    screen = opened("runs/1")
    screen.wait("document.getElementById('run-events-count')?.textContent === '1 event'")
    assert not screen.page.locator("#run-events-pages").is_visible()
    assert "14.23 A" in screen.text("#run-events")


def test_interruptions_are_said_with_their_times_and_marked(opened, state):
    began = state.began - state.seconds
    state.outages = [OutageRow(began + 300.0, began + 320.0, "unplugged", None, "restart")]
    state.restarts = [RestartRow(0, 3_200_000, 2_999_999, 0, None)]
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    said = screen.text("#run-interruptions")
    assert "1 outage of the port, 1 restart of the device, 1 gap." in said
    assert "300.000 s" in said and "320.000 s" in said and "unplugged" in said
    labels = screen.page.evaluate("livesense.run.plot.layout.annotations.map((a) => a.text)")
    assert {"port away", "restart"} <= set(labels)
    away = "livesense.run.plot.layout.annotations.find((a) => a.text === 'port away').textangle"
    assert screen.page.evaluate(away) == -90, "20 s of 600 s have no room for the words"
    boxes = screen.page.evaluate(
        "livesense.run.plot.layout.shapes.filter((s) => s.type === 'rect').map((s) => [s.x0, s.x1])"
    )
    assert [300.0, 320.0] in [[round(x0, 3), round(x1, 3)] for x0, x1 in boxes]
    assert len(boxes) == 2, "the gap is marked too"
    screen.page.evaluate("livesense.run.view(295, 325)")
    screen.wait(f"{away} === 0")
    screen.page.locator("#run-interruptions").get_by_role("button", name="300.000 s").click()
    screen.wait("livesense.run.from < 300 && livesense.run.to > 320 && livesense.run.to < 330")


def test_a_run_being_recorded_grows_and_a_chosen_stretch_stays(opened):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    before = screen.page.evaluate("livesense.run.to")
    screen.wait(f"livesense.run.to > {before}")
    screen.page.evaluate("livesense.run.view(10, 10.5)")
    all_of_it = screen.page.evaluate("livesense.run.about.to_s")
    screen.wait(f"livesense.run.about.to_s > {all_of_it}")
    assert screen.page.evaluate("[livesense.run.from, livesense.run.to]") == [10, 10.5]
    assert "being recorded now" in screen.text("#run-what")


def test_the_end_of_a_recording_is_told(opened, state):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    state.frozen_at = time.time()
    state.state = "complete"
    screen.wait("document.getElementById('run-what').textContent.includes('complete')")
    screen.wait("livesense.run.about.recording === false")


def test_a_recorder_that_dies_was_last_heard_of_then(opened, state):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    assert screen.page.locator("#run-last-sign").is_hidden()
    state.frozen_at = time.time()
    state.state = "recovered"
    screen.wait("!document.getElementById('run-last-sign').hidden")
    said = screen.text("#run-last-sign")
    assert "last heard of at 20" in said and "What came later is missing" in said
    again = opened("runs/1")
    again.wait(ZOOMED)
    assert "What came later is missing" in again.text("#run-last-sign")


LAST = "livesense.run.plot.layout.annotations.find((a) => a.text === 'last scan')"


def test_the_last_scan_of_a_recorder_that_died_is_marked_and_what_followed_unknown(opened, state):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    assert screen.page.evaluate("livesense.run.end === livesense.run.about.to_s")
    state.frozen_at = time.time()
    state.state = "recovered"
    screen.wait(f"!!{LAST}")
    end = screen.page.evaluate("livesense.run.about.to_s")
    assert screen.page.evaluate(f"{LAST}.x") == pytest.approx(end)
    box = screen.page.evaluate("livesense.run.plot.layout.shapes.filter((s) => s.type === 'rect').at(-1)")
    assert (
        box["x0"] == pytest.approx(end) and box["x1"] > screen.page.evaluate("livesense.run.to") - 1e-6 > end
    )
    labelled = screen.page.get_by_role("figure", name="Samples of this run").get_attribute("aria-label")
    assert "the recorder died, and what the device sent afterwards is not known" in labelled
    assert "nothing is known of what followed" in screen.page.locator("#strip").get_attribute(
        "aria-valuetext"
    )
    assert screen.text("#strip-to").endswith("then unknown")
    assert "Its recorder died" in screen.text("#run-interruptions")
    # Pointed at, both pictures say it.
    screen.page.locator("#run-graph .annotation", has_text="last scan").hover()
    screen.wait("/recorder died/.test(document.querySelector('#run-graph .hoverlayer').textContent)")
    strip = screen.page.locator("#strip").bounding_box()
    screen.page.mouse.move(strip["x"] + strip["width"] - 5, strip["y"] + 40)
    screen.wait("/recorder died/.test(document.getElementById('strip').title)")
    screen.page.mouse.move(strip["x"] + strip["width"] / 2, strip["y"] + 40)
    screen.wait("document.getElementById('strip').title === ''")
    # Close up, no more than a little of what is unknown is shown.
    screen.page.evaluate("livesense.run.view(1e6, 1e6 + 1)")
    screen.wait("livesense.run.plot._fullLayout.xaxis.range[1] - livesense.run.about.to_s < 0.1")
    assert screen.page.evaluate("livesense.run.to") == pytest.approx(end + 0.06)
    screen.page.get_by_role("button", name="Earlier").click()
    screen.wait(f"!{LAST}")


def test_a_server_that_is_gone_is_said(opened, served):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    served.stop()
    screen.wait("document.getElementById('run-what').textContent.includes('does not answer')")
    # The browser itself complains of what it could not load.
    screen.complaints.clear()
    screen.page.close()


@pytest.mark.parametrize("width", [1440, 390])
def test_nothing_of_the_runs_is_cut(opened, width):
    screen = opened("runs", width=width)
    screen.wait("!!document.querySelector('.settled .ag-row a')")
    screen.wait(
        "[...document.querySelectorAll('#runs-grid .ag-header-cell')].every("
        "(cell) => cell.getBoundingClientRect().right <= innerWidth)"
    )
    shown = screen.text("#runs-grid .ag-row")
    assert "first turn" in shown and "recording" in shown
    assert screen.page.locator(".run-more").first.is_visible() == (width < 900)
    assert screen.page.evaluate(
        "[...document.querySelectorAll('#runs-grid .ag-cell')].every("
        "(cell) => cell.scrollWidth <= cell.clientWidth + 1)"
    )


@pytest.mark.parametrize("width", [1440, 390])
def test_nothing_of_the_events_is_cut(opened, state, fake, width):
    state.events = [fake.overcurrent(10.0, 10.2) | {"text": "iv: beyond 12 A; 7 scans were lost inside"}]
    screen = opened("runs/1", width=width)
    screen.wait("!!document.querySelector('#run-events td')")
    assert screen.page.evaluate(
        "[...document.querySelectorAll('#run-events td')].every("
        "(cell) => cell.getBoundingClientRect().right <= innerWidth)"
    )
    assert "7 scans were lost inside" in screen.text("#run-events")


def test_what_is_withheld_is_a_dash_and_its_reason_stands_once(opened):
    screen = opened("runs/1")
    screen.wait(ZOOMED)
    cells = screen.page.locator("#run-figures tbody tr").first.locator("td").all_inner_texts()
    assert cells[4] == "50.0000 ± 0.0020 Hz"
    assert cells[6] == "–a"
    said = screen.text("#run-figures")
    assert said.count("below its own noise") == 1 and said.count("no channel measures the bus current") == 1
    marked = screen.page.locator("#run-figures td.none").first
    assert marked.get_attribute("title") == "below its own noise"


def test_notes_are_paged_newest_first_below_the_field(opened, state):
    state.notes = [f"note {n}" for n in range(60)]
    screen = opened("runs/1")
    screen.wait("document.querySelectorAll('#run-notes p').length === 25")
    assert screen.text("#run-notes-count") == "Notes 1 to 25 of 60, newest first"
    assert screen.text("#run-notes p:first-child").endswith("note 59")
    field, notes = (screen.page.locator(f"#{name}").bounding_box() for name in ("note-text", "run-notes"))
    assert field["y"] < notes["y"]
    screen.page.locator("#run-notes-last").click()
    screen.wait("document.querySelectorAll('#run-notes p').length === 10")
    assert screen.text("#run-notes p:last-child").endswith("note 0")
    assert screen.page.locator("#run-notes-after").is_disabled()
    screen.page.locator("#run-notes-before").click()
    assert screen.text("#run-notes-count") == "Notes 26 to 50 of 60, newest first"


def test_a_graph_is_not_seen_before_it_has_the_colours_of_the_page(opened):
    screen = opened(scheme="dark")
    held = []
    screen.page.route("**/samples?*", lambda route: held.append(route))
    screen.page.goto(screen.page.url.partition("?")[0] + "runs/1")
    screen.wait("!!document.querySelector('#run-graph .gridlayer path') && !!window.livesense?.run?.plot")
    seen = "getComputedStyle(document.querySelector('#run-graph .gridlayer path')).{}"
    assert screen.page.evaluate(seen.format("visibility")) == "hidden"
    # What is held goes on with it.
    screen.page.unroute("**/samples?*")
    screen.wait(f"{seen.format('visibility')} === 'visible'")
    # The line of the dark scheme, #2c343d in page.css.
    assert screen.page.evaluate(seen.format("stroke")) == "rgb(44, 52, 61)"


def test_the_wheel_with_ctrl_zooms_about_what_is_pointed_at_and_alone_scrolls_the_page(opened):
    screen = opened("runs/1?from=100&to=200")
    screen.wait(ZOOMED)
    place = screen.page.locator("#run-graph .nsewdrag").first
    place.scroll_into_view_if_needed()
    box = place.bounding_box()
    screen.page.mouse.move(box["x"] + box["width"] / 4, box["y"] + 60)
    screen.page.keyboard.down("Control")
    screen.page.mouse.wheel(0, -120)
    screen.wait("livesense.run.to - livesense.run.from < 70")
    screen.page.keyboard.up("Control")
    from_s, to_s = screen.page.evaluate("[livesense.run.from, livesense.run.to]")
    assert abs(from_s + (to_s - from_s) / 4 - 125.0) < 0.2
    screen.wait("Math.abs(livesense.run.plot._fullLayout.xaxis.range[0] - livesense.run.from) < 1e-9")
    before = screen.page.evaluate("scrollY")
    screen.page.mouse.wheel(0, 120)
    screen.wait(f"scrollY > {before}")
    assert screen.page.evaluate("[livesense.run.from, livesense.run.to]") == [from_s, to_s]


def test_when_a_run_began_is_told_in_the_zone_of_the_browser(served, new_context):
    told = []
    for zone in ("Asia/Kolkata", "UTC"):
        page = new_context(timezone_id=zone).new_page()
        page.goto(served.server.url)
        page.goto(served.server.address + "runs/1")
        began = page.get_by_text(re.compile(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d · ")).first.inner_text()
        told.append(datetime.fromisoformat(re.search(r"\d{4}-.{14}", began)[0]))
    assert told[0] - told[1] == timedelta(hours=5, minutes=30)


def test_the_word_of_a_note_stays_inside_the_picture(opened, state):
    state.notes = ["drive gave up, rotor blocked; impeller cleared by hand"]
    screen = opened("runs/1", width=390)
    screen.wait(ZOOMED)
    screen.page.evaluate("livesense.run.view(2.5, 7.5)")
    word = (
        "[...document.querySelectorAll('#run-graph .annotation')].find((a) => /^drive/.test(a.textContent))"
    )
    screen.wait(f"livesense.run.held && !!{word}")
    ends = screen.page.evaluate(
        f"[{word}, document.querySelector('#run-graph .nsewdrag')].map((e) => e.getBoundingClientRect())"
        ".flatMap((r) => [r.left, r.right])"
    )
    assert ends[2] - 1 <= ends[0] < ends[1] <= ends[3] + 1
    hangs = screen.page.evaluate(
        """(() => {
          const entry = document.querySelector('#run-notes p'), text = document.createRange();
          text.selectNodeContents(entry.lastChild);
          return new Set([...text.getClientRects()].map((line) => Math.round(line.left))).size;
        })()"""
    )
    assert hangs == 1
