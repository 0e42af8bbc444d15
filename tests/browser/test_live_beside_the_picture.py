"""Phasors, path, trend, markers, notes and keys of the Live screen."""

import pytest
from axe_playwright_python.sync_playwright import Axe

INK = """(box) => {
  const drawn = document.querySelector(box + ' canvas'), {width, height} = drawn;
  const canvas = Object.assign(document.createElement('canvas'), {width, height});
  const context = canvas.getContext('2d', {willReadFrequently: true});
  context.drawImage(drawn, 0, 0);
  const data = context.getImageData(0, 0, width, height).data;
  let left = width, right = 0, top = height, bottom = 0, count = 0;
  for (let y = 0; y < height; y++) for (let x = 0; x < width; x++) if (data[4 * (y * width + x) + 3] > 90) {
    count++; left = Math.min(left, x); right = Math.max(right, x);
    top = Math.min(top, y); bottom = Math.max(bottom, y);
  }
  return {count, width, height, left, right, top, bottom};
}"""


@pytest.fixture
def asked(state, monkeypatch):
    """What the page hands to the recorder; it is kept at once."""
    asked = []
    state.seconds = 20.0

    def ask(path, run, kind, text):
        asked.append((run, kind, text))
        state.notes.append(text)
        return 1

    monkeypatch.setattr("dashboard.run_data.logbook_requests.ask", ask)
    return asked


@pytest.mark.slow
def test_small_pictures_are_drawn_square_and_told_in_words(opened):
    screen = opened()
    screen.live()
    screen.wait("document.querySelector('#phasors .small-words').textContent.includes('V −120.31')")
    screen.wait("livesense.trend === undefined && livesense.live.trend.told?.strips?.length >= 2")
    for box in ("#phasors", "#locus", "#trend"):
        ink = screen.page.evaluate(f"({INK})('{box}')")
        assert ink["count"] > 300, box
    locus = screen.page.evaluate(f"({INK})('#locus')")
    assert locus["width"] == locus["height"]
    # The longest is 6 A on a scale of 8 A at most: the path fills a good part of the box.
    assert locus["right"] - locus["left"] > 0.5 * locus["width"]
    assert screen.text("#locus .small-words") == "6.00 A long"
    assert "A rms" in screen.page.locator("#trend canvas").get_attribute("aria-label")
    assert screen.page.locator("#phasors canvas").get_attribute("aria-label").startswith("Phasors: U 0°")


@pytest.mark.slow
def test_a_marker_by_key_is_drawn_and_stands_in_the_run(opened, asked, state):
    screen = opened()
    screen.live()
    screen.page.keyboard.press("r")
    screen.wait("livesense.live.kind === 'running' && livesense.live.shown && !livesense.live.shown.steady")
    screen.page.keyboard.press("m")
    screen.wait("document.getElementById('live-said').textContent === 'Marker 1 set.'")
    screen.page.keyboard.press("m")
    screen.wait("document.getElementById('live-said').textContent === 'Marker 2 set.'")
    assert asked == [(1, "note", "Marker 1"), (1, "note", "Marker 2")]
    screen.wait("livesense.live.scope.marks.some((m) => m.label === 'Marker 2')")
    screen.wait("livesense.live.trend.marks.length === 2")


@pytest.mark.slow
def test_a_note_is_written_without_leaving_the_picture(opened, asked):
    screen = opened()
    screen.live()
    screen.page.keyboard.press("n")
    screen.page.get_by_label("Note", exact=True).fill("valve open; p and m are only letters here")
    assert Axe().run(screen.page).violations_count == 0
    screen.page.keyboard.press("Enter")
    screen.wait("!document.querySelector('dialog')")
    assert asked == [(1, "note", "valve open; p and m are only letters here")]
    assert not screen.page.evaluate("livesense.live.paused")


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_keys_are_listed_and_sixty_pictures_can_be_asked_for(opened, scheme):
    screen = opened(scheme=scheme)
    screen.live()
    screen.page.keyboard.press("?")
    assert "Set a marker" in screen.text("dialog")
    assert Axe().run(screen.page).violations_count == 0
    screen.page.get_by_label("Draw 60 pictures a second").check()
    screen.page.keyboard.press("Escape")
    screen.wait("!document.querySelector('dialog')")
    assert "pace=fast" in screen.page.evaluate("livesense.live.query()")
    before = screen.page.evaluate("livesense.live.frames")
    screen.wait(f"livesense.live.frames > {before} + 20")
    screen.page.keyboard.press("f")
    assert "pace" not in screen.page.evaluate("livesense.live.query()")


@pytest.mark.slow
def test_without_a_recording_there_is_nothing_to_mark(opened, asked, state):
    state.state = "complete"
    screen = opened()
    screen.wait("!!(window.livesense?.live?.facts)")
    screen.page.keyboard.press("m")
    screen.wait("document.getElementById('live-said').textContent.includes('Nothing is being recorded')")
    assert not asked
