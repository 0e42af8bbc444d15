"""Runs, two of them side by side, pictures and replay, in a browser on a logbook that a recorder wrote."""

import subprocess
import sys
import threading

import pytest
from axe_playwright_python.sync_playwright import Axe
from fingers import Hand
from picture_bytes import png
from seen import count_of

from dashboard.app import Server, Settings
from livesense.cli.main import main
from livesense.logbook.pictures import add_picture
from livesense.logbook.reader import Logbook
from simulator.main import BENCH

HOSTILE = '<img src=x onerror="alert(1)">$x$ %{y}'


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Two runs of the pump: one with a bench file that says 4 mΩ, and a name that means harm."""
    folder = tmp_path_factory.mktemp("runs")
    sent, other = folder / "sim.bin", folder / "other.toml"
    assert main(["simulate", "--speed", "max", "--duration", "8s", "--outlet", f"file:{sent}"]) == 0
    other.write_text(BENCH.read_text(encoding="utf-8").replace('"5 mΩ"', '"4 mΩ"'), encoding="utf-8")
    for bench, name in ((BENCH, "as it is"), (other, HOSTILE)):
        said = ["record", str(bench), "--port", f"file:{sent}", "--until-closed", "--quiet", "--name", name]
        assert main([*said, "--logbook", str(folder / "runs.db")]) == 0
    return folder / "runs.db"


@pytest.fixture
def book(recorded, tmp_path):
    from livesense.logbook.copying import copy_run

    path = tmp_path / "book.db"
    with Logbook(recorded) as logbook:
        for number in (1, 2):
            copy_run(logbook, number, path, lambda *_: None)
    return path


@pytest.fixture
def page_on(window):
    """Open a path of a page on a logbook."""
    servers = []

    def page_on(book, path, scheme="light", width=1440, **more):
        server = Server(Settings(book, token="t"))
        thread = threading.Thread(target=server.run)
        thread.start()
        servers.append((server, thread))
        screen = window(scheme, width, **more)
        screen.page.goto(server.url)
        screen.page.goto(server.address + path)
        return screen

    yield page_on
    for server, thread in servers:
        server.close()
        thread.join(10)
        assert not thread.is_alive()


def choose(screen, *numbers):
    for number in numbers:
        screen.page.locator(f".ag-row[row-id='{number}'] input[type=checkbox]").check()
    screen.wait(f"document.getElementById('runs-acts').dataset.chosen === '{len(numbers)}'")


READY = {
    "runs": "document.querySelectorAll('.settled .ag-row a').length >= 2",
    "compare/1/2": "!!(window.livesense?.compare?.drawn && document.querySelector('#compare-pairs td'))",
    "runs/1": "!!(window.livesense?.run?.found && livesense.run.stretches.marks.length)",
}


@pytest.mark.slow
def test_runs_that_are_alike_at_rest_only_are_not_called_alike(book, page_on):
    screen = page_on(book, "runs")

    def at_rest(route):
        told = route.fetch().json()
        told["first"]["state"] = told["second"]["state"] = "at rest"
        for pair in told["pairs"]:
            for row in pair["rows"]:
                row["differs"] = False
        route.fulfill(json=told | {"matched": True})

    screen.page.route("**/api/compare/1/2", at_rest)
    screen.page.goto(screen.page.url.replace("/runs", "/compare/1/2"))
    screen.wait(
        "/under load they were not compared/.test(document.getElementById('compare-say')?.textContent)"
    )


@pytest.mark.slow
def test_two_runs_are_chosen_and_laid_over_one_another(book, page_on):
    screen = page_on(book, "runs")
    screen.wait(READY["runs"])
    # It can be reached before it can do anything, and says what it wants.
    screen.page.get_by_role("button", name="Compare two").focus()
    screen.page.keyboard.press("Enter")
    screen.wait("document.getElementById('runs-said').textContent.includes('Choose two runs')")
    choose(screen, 1, 2)
    screen.page.get_by_role("button", name="Compare two").click()
    screen.wait("location.pathname === '/compare/1/2'")
    screen.wait(READY["compare/1/2"])
    assert "differ" in screen.text("#compare-say")
    assert "iu: shunt" in screen.text("#changed") and "4 mΩ" in screen.text("#changed")
    screen.page.get_by_role("button", name="current begins to flow").click()
    screen.wait("livesense.compare.alignment.key === 'start' && livesense.compare.drawn >= 2")
    # The same codes through 4 mΩ are 5/4 of the amperes, wherever both are known.
    ratio = screen.page.evaluate(
        """() => {
          const [a, b] = livesense.compare.plot.data.map(({ y }) => Math.max(...y.filter((v) => v === v)));
          return b / a;
        }"""
    )
    assert ratio == pytest.approx(1.25, rel=0.02)


def luminance(colour):
    """Relative luminance, as WCAG 2.2 defines it."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (v / 255 for v in colour)]
    return sum(share * c for share, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_where_two_runs_agree_both_are_seen_in_grey_as_well(book, page_on, scheme):
    screen = page_on(book, "compare/1/2", scheme)
    screen.wait(READY["compare/1/2"])
    # The same codes, and nothing of the channel's chain differs: one line lies exactly on the other.
    screen.page.locator("#compare-channels").get_by_role("button", name="vbus").click()
    screen.page.get_by_role("button", name="the runs' beginnings").click()
    screen.wait("livesense.compare.plot.data.length === 3")
    assert "second: thin, dashed, highest and lowest" in screen.text("#compare-legend")
    screen.page.evaluate("livesense.compare.view(5.0, 5.02)")
    screen.wait("livesense.compare.plot.data.length === 2")
    assert screen.page.evaluate(
        "(([a, b]) => a.y.length > 100 && a.y.every((v, i) => v === b.y[i]))(livesense.compare.plot.data)"
    )
    colours = screen.page.evaluate(
        "['--below', '--ink', '--paper'].map((name) => livesense.colour(name).match(/[0-9a-f]{2}/g)"
        ".map((two) => parseInt(two, 16)))"
    )
    place = screen.page.locator("#compare-graph .nsewdrag").bounding_box()
    first, second, _ = count_of(screen.page, screen.page.screenshot(clip=place, full_page=True), colours)
    assert first > 2 * place["width"] and second > 0.3 * place["width"]
    light = sorted((luminance(colour) + 0.05) for colour in colours)
    # 3:1 is what WCAG 2.2 (1.4.11) asks of what a picture is understood by.
    assert light[1] / light[0] > 3 and light[2] / light[1] > 3
    assert " ".join(screen.text("#compare-legend").split()) == "Run 1 first: broad Run 2 second: thin, dashed"


@pytest.mark.slow
def test_two_runs_are_moved_by_a_finger_and_stretched_by_two_or_a_wheel(book, page_on):
    screen = page_on(book, "compare/1/2", width=390, has_touch=True, is_mobile=True)
    screen.wait(READY["compare/1/2"])
    screen.page.locator("#compare-graph").evaluate("(e) => e.scrollIntoView({ block: 'center' })")
    box, hand = screen.page.locator("#compare-graph .nsewdrag").bounding_box(), Hand(screen)
    ends = "[livesense.compare.from, livesense.compare.to]"
    from_s, to_s = screen.page.evaluate(ends)
    y, at = box["y"] + 100, [box["x"] + part * box["width"] for part in (0.2, 0.4, 0.6, 0.8)]
    hand.drag([(at[0], y)], [(at[2], y)])
    screen.wait(f"livesense.compare.from < {from_s - 0.3 * (to_s - from_s)}")
    hand.drag([(at[1], y), (at[2], y)], [(at[0], y), (at[3], y)])
    screen.wait(f"livesense.compare.to - livesense.compare.from < {0.5 * (to_s - from_s)}")
    before = screen.page.evaluate("livesense.compare.to - livesense.compare.from")
    screen.page.mouse.move(at[1], y)
    screen.page.keyboard.down("Control")
    screen.page.mouse.wheel(0, 120)
    screen.wait(f"livesense.compare.to - livesense.compare.from > {1.3 * before}")
    screen.wait("livesense.compare.drawn >= 2")


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("path", list(READY))
def test_axe_finds_nothing_and_nothing_scrolls_sideways(book, page_on, path, scheme):
    add_picture(book, 1, "bench.png", png(40, 30))
    for width in (1440, 390):
        screen = page_on(book, path, scheme, width)
        screen.wait(READY[path])
        found = Axe().run(screen.page)
        assert found.violations_count == 0, found.generate_report()
        assert screen.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "scrolls sideways"


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_narrow_comparisons_are_blocks_of_lines_and_still_tables(book, page_on, scheme):
    screen = page_on(book, "compare/1/2", scheme, 390)
    screen.wait(READY["compare/1/2"])
    wide = (
        "[...document.querySelectorAll('.compare-table')].filter((box) => box.scrollWidth > box.clientWidth)"
    )
    assert screen.page.evaluate(f"{wide}.length") == 0, "a table scrolls in its box"
    table = screen.page.get_by_role("region", name="Figures of iu").get_by_role("table")
    assert table.get_by_role("columnheader").all_inner_texts() == ["Figure", "First", "Second", "Difference"]
    row = table.get_by_role("row").filter(has_text="highest that is read")
    assert row.inner_text().split("\n") == [
        "highest that is read", "First", "16 A", "Second", "20 A", "Difference", "4 A",
    ]  # fmt: skip
    changed = screen.page.get_by_role("region", name="Table of what changed").get_by_role("row")
    assert "First\n5 mΩ\nSecond\n4 mΩ" in changed.filter(has_text="iu: shunt").inner_text()


@pytest.mark.slow
def test_runs_are_found_and_deleted_after_a_question(book, page_on):
    screen = page_on(book, "runs")
    screen.wait(READY["runs"])
    field = screen.page.get_by_label("Find by name")
    field.fill("as IT is")
    screen.wait("document.getElementById('runs-count').textContent === '1 of 2 runs'")
    screen.wait("document.querySelectorAll('.ag-center-cols-container .ag-row').length === 1")
    field.fill("")
    screen.wait("document.getElementById('runs-count').textContent === '2 runs'")
    choose(screen, 2)
    screen.page.get_by_role("button", name="Delete …").click()
    assert HOSTILE in screen.text("dialog")
    assert Axe().run(screen.page).violations_count == 0
    screen.page.keyboard.press("Escape")
    screen.wait("!document.querySelector('dialog')")
    with Logbook(book) as logbook:
        assert len(logbook.runs()) == 2
    screen.page.get_by_role("button", name="Delete …").click()
    screen.page.get_by_role("button", name="Delete this run for good").click()
    screen.wait("document.querySelectorAll('.ag-center-cols-container .ag-row').length === 1")
    with Logbook(book) as logbook:
        assert [row.number for row in logbook.runs()] == [1]


@pytest.mark.slow
def test_names_that_mean_harm_stay_text_on_these_screens(book, page_on):
    dialogs = []
    for path in ("runs", "compare/1/2", "runs/2"):
        screen = page_on(book, path)
        screen.page.on("dialog", lambda d: (dialogs.append(d.message), d.dismiss()))
        screen.wait(READY.get(path, "!!(window.livesense?.run?.found && livesense.run.held)"))
        assert HOSTILE in screen.text("#screen")
        assert screen.page.locator("img[src='x']").count() == 0
    assert not dialogs


@pytest.mark.slow
def test_a_picture_is_drawn_anew_kept_shown_and_removed(book, page_on):
    screen = page_on(book, "runs/1")
    screen.wait(READY["runs/1"])
    chosen = {"name": "bench.png", "mimeType": "image/png", "buffer": png(2000, 500)}
    screen.page.locator("#picture-file").set_input_files(chosen)
    screen.wait("document.querySelector('#run-pictures img')?.naturalWidth === 1600")
    assert screen.page.locator("#run-pictures img").get_attribute("alt") == "bench.png"
    bad = {"name": "bench.png", "mimeType": "image/png", "buffer": b"<svg onload=alert(1)>"}
    screen.page.locator("#picture-file").set_input_files(bad)
    screen.wait("document.getElementById('picture-said').textContent.startsWith('That is no picture')")
    screen.page.get_by_role("button", name="Remove bench.png").click()
    screen.page.get_by_role("button", name="Remove it").click()
    screen.wait("!document.querySelector('#run-pictures img')")


@pytest.mark.slow
def test_a_note_is_added_to_a_run_that_is_over(book, page_on):
    screen = page_on(book, "runs/1", width=390)
    screen.wait(READY["runs/1"])
    screen.page.get_by_label("Add a note").fill(HOSTILE)
    screen.page.keyboard.press("Enter")
    screen.wait("/^added 20/.test(document.querySelector('#run-notes p').textContent)")
    assert screen.text("#run-notes p:first-child").endswith(HOSTILE)
    assert screen.text("#aloud") == "Note kept with the run."
    assert screen.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "scrolls sideways"
    assert Axe().run(screen.page).violations_count == 0


CUT = """window.cut = []; window.written = [];
const write = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, x, ...more) {
  const wide = this.measureText(text).width;
  const from = { center: x - wide / 2, right: x - wide }[this.textAlign] ?? x;
  window.written.push(text);
  if (from < 0 || from + wide > this.canvas.clientWidth) window.cut.push(text);
  return write.call(this, text, x, ...more);
};"""


@pytest.mark.slow
@pytest.mark.parametrize("width", [1440, 390])
def test_no_word_is_cut_off_at_the_edge_of_a_canvas(book, page_on, width):
    screen = page_on(book, "runs", width=width)
    screen.page.add_init_script(CUT)
    screen.page.goto(screen.page.url.rsplit("/", 1)[0] + "/runs/1")
    screen.wait(READY["runs/1"])
    screen.wait("written.some((text) => text.endsWith('A rms'))")
    assert screen.page.evaluate("cut") == []


@pytest.mark.slow
def test_a_long_run_zooms_from_all_to_single_scans(book, page_on):
    screen = page_on(book, "runs/1")
    screen.wait(READY["runs/1"])
    for span in ("2, 8", "6, 6.2", "6.1, 6.102"):
        before = screen.page.evaluate("livesense.run.zoomed")
        screen.page.evaluate(f"livesense.run.view({span})")
        screen.wait(f"livesense.run.zoomed > {before}")
    # Twice the visible two milliseconds at 20 kS/s.
    assert screen.page.evaluate("livesense.run.held.times[0].length") == pytest.approx(80, abs=2)
    assert screen.page.evaluate("!livesense.run.held.reduced")


@pytest.mark.slow
def test_a_replayed_run_is_seen_as_if_live(recorded, tmp_path, page_on):
    from livesense.analysis import RunAnalysis
    from livesense.outlets import open_outlet
    from livesense.replay.playing import Sent, play
    from livesense.replay.timeline import Tape

    outlet, stop, path = open_outlet("tcp:0"), threading.Event(), tmp_path / "again.db"

    def send():
        with Logbook(recorded) as logbook:
            tape = Tape(RunAnalysis(logbook, 1), 4.0, 8.0)
            while outlet.wait_for_receiver(stop):
                play(tape.pieces(), outlet, stop, 1.0, Sent())

    said = ["record", str(BENCH), "--port", outlet.address, "--quiet", "--logbook", str(path)]
    player = threading.Thread(target=send)
    player.start()
    recorder = subprocess.Popen([sys.executable, "-m", "livesense.cli.main", *said])
    try:
        screen = page_on(path, "")
        screen.wait("!!(window.livesense?.live?.frames > 10)")
        screen.wait("/^Running|^Recording/.test(document.getElementById('say').textContent)")
        screen.wait("livesense.live.shown.steady")
    finally:
        stop.set()
        outlet.close(stop)
        recorder.terminate()
        recorder.wait(30)
        player.join(10)
    assert not player.is_alive()


MOST = 0.02
"""As in test_nothing_jumps: of the cumulative score of the Layout Instability draft (WICG)."""
WATCH = """window.shifts = [];
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifts.push(entry.value);
}).observe({ type: 'layout-shift', buffered: true });"""


@pytest.mark.slow
@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("path", ["compare/1/2", "runs/1"])
def test_nothing_jumps_while_a_screen_is_filled(book, page_on, path, width):
    screen = page_on(book, "runs", width=width)
    screen.page.add_init_script(WATCH)
    screen.page.goto(screen.page.url.rsplit("/", 1)[0] + "/" + path)
    screen.wait(READY[path])
    screen.page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    assert sum(screen.page.evaluate("window.shifts")) <= MOST
