"""What is taken along from a run: its picture on white, its figures as a table; stretches, notes, phasors."""

import struct
from xml.etree import ElementTree

import pytest

READY = "!!(window.livesense?.run?.zoomed && livesense.run.found && livesense.run.held)"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def run_screen(opened, state, fake):
    state.notes = ["valve open", fake.HOSTILE]
    state.events = [fake.overcurrent(10.0, 10.2)]

    def run_screen(path="runs/1?from=10&to=10.1", **how):
        screen = opened(path, **how)
        screen.wait(READY)
        return screen

    return run_screen


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_picture_is_saved_on_white_with_its_caption(run_screen, scheme):
    screen = run_screen(scheme=scheme)
    with screen.page.expect_download() as download:
        screen.page.get_by_role("button", name="Save as SVG").click()
    assert download.value.suggested_filename == "run-1-10.000s.svg"
    root = ElementTree.parse(download.value.path()).getroot()
    texts = [node.text for node in root.iter(f"{SVG}text")]
    assert texts[0] == "Run 1, first turn"
    assert texts[-1] == "10 kS/s, 600 rpm, ± 1.0 %"
    assert root.find(f"{SVG}rect").get("fill") == "#ffffff"
    # The light page's colour of phase U, whatever the scheme.
    text = download.value.path().read_text(encoding="utf-8")
    assert "rgb(0, 114, 178)" in text and "rgb(86, 180, 233)" not in text
    assert "<script" not in text and "onerror" not in text


@pytest.mark.slow
def test_the_figures_are_copied_as_lines_and_as_a_table(run_screen):
    screen = run_screen()
    screen.page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    screen.page.get_by_role("button", name="Copy figures").click()
    screen.wait("document.getElementById('run-copied').textContent === 'The table is on the clipboard.'")
    text = screen.page.evaluate("navigator.clipboard.readText()")
    lines = [line.split("\t") for line in text.splitlines()]
    assert lines[0][0].startswith("Run 1, first turn; 10.00000 s to 10.10000 s; 10 kS/s")
    assert lines[1] == ["Channel", "Figure", "Value", "± (k = 2)", "Unit", "Withheld"]
    assert ["iu", "RMS", "4.24", "0.05", "A", ""] in lines
    # A minus that spreadsheets read, and the reason where there is no figure.
    assert ["iu", "Lowest", "-6.00", "0.06", "A", ""] in lines
    assert ["iu", "THD", "", "", "", "below its own noise"] in lines
    types = screen.page.evaluate("navigator.clipboard.read().then((items) => items[0].types)")
    assert sorted(types) == ["text/html", "text/plain"]


@pytest.mark.slow
def test_a_picture_is_saved_where_the_clipboard_is_refused(run_screen):
    screen = run_screen()
    screen.page.evaluate("() => { navigator.clipboard.write = () => Promise.reject(new Error('no')) }")
    with screen.page.expect_download() as download:
        screen.page.get_by_role("button", name="Copy picture").click()
    data = download.value.path().read_bytes()
    assert data.startswith(b"\x89PNG\r\n\x1a\n")
    assert struct.unpack(">II", data[16:24]) == (2200, 1244)
    screen.wait("document.getElementById('run-copied').textContent.includes('clipboard was refused')")


@pytest.mark.slow
def test_stretches_lead_to_their_waveform_and_notes_stand_in_the_picture(run_screen):
    screen = run_screen("runs/1?from=0&to=20")
    screen.wait("document.querySelectorAll('#run-stretches button').length === 2")
    labels = "livesense.run.plot.layout.annotations.map((a) => a.text)"
    screen.wait(f"{labels}.includes('valve open')")
    assert not any("<" in text for text in screen.page.evaluate(labels))
    assert screen.text("#phasors .small-words").startswith("U 0°, V −120.31")
    screen.page.locator("#run-stretches button").nth(1).click()
    screen.wait("livesense.run.from < 20 && livesense.run.to > 290")
    shown = screen.text("#run-caption")
    # Times of day in the viewer's own zone, with the date.
    began = screen.page.evaluate(
        "livesense.stamp((livesense.run.about.started_wall_s + livesense.run.from) * 1e3)"
    )
    assert began in shown
