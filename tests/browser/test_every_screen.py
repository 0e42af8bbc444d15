"""What holds for every screen: accessible, by keyboard, quiet, and deaf to what names say."""

import pytest
from axe_playwright_python.sync_playwright import Axe

SCREENS = {
    "live": "",
    "runs": "runs",
    "run": "runs/1?from=10&to=10.1",
    "nothing": "runs/77",
    "walk": "walk/77",
}
READY = {
    "live": "!!(window.livesense && livesense.live && livesense.live.frames > 3)",
    "runs": "!!document.querySelector('.settled .ag-row a')",
    "run": "!!(window.livesense?.run?.zoomed && document.querySelector('#run-figures td'))",
    "nothing": "!!document.querySelector('#now')",
    "walk": "!!document.querySelector('#cautions')",
}


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", list(SCREENS))
def test_axe_finds_nothing(opened, state, fake, name, scheme):
    state.events = [fake.overcurrent(10.0, 10.2)]
    for width in (1440, 390):
        screen = opened(SCREENS[name], scheme=scheme, width=width)
        screen.wait(READY[name])
        found = Axe().run(screen.page)
        assert found.violations_count == 0, found.generate_report()
        assert screen.page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "scrolls sideways"


@pytest.mark.slow
@pytest.mark.parametrize("tone", ["warning", "fault"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_when_things_go_wrong(opened, state, fake, scheme, tone):
    newest_s = state.newest_s()
    state.events = [fake.overcurrent(newest_s - 2.0, newest_s - 1.0 if tone == "warning" else None)]
    screen = opened(scheme=scheme)
    screen.wait(f"document.getElementById('headline')?.dataset.tone === '{tone}'")
    found = Axe().run(screen.page)
    assert found.violations_count == 0, found.generate_report()


@pytest.mark.slow
def test_everything_can_be_reached_and_used_by_keyboard(opened, state, fake):
    state.events = [fake.overcurrent(10.0, 10.2)]
    screen = opened("runs")
    screen.wait(READY["runs"])
    screen.page.locator(".ag-row a").first.focus()
    screen.page.keyboard.press("Enter")
    screen.wait("!!window.livesense?.run?.zoomed")
    strip = screen.page.get_by_role("slider")
    strip.focus()
    for _ in range(8):
        screen.page.keyboard.press("+")
    screen.wait("livesense.run.to - livesense.run.from < 4")
    before = screen.page.evaluate("livesense.run.from")
    screen.page.keyboard.press("ArrowRight")
    screen.wait(f"livesense.run.from > {before}")
    assert "to" in strip.get_attribute("aria-valuetext")
    screen.page.keyboard.press("Escape")
    screen.wait("livesense.run.from === livesense.run.about.from_s")
    reached = set()
    for _ in range(40):
        screen.page.keyboard.press("Tab")
        reached.add(
            screen.page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()")
        )
    assert {"run-closer", "run-wider", "Voltages"} <= reached


@pytest.mark.slow
def test_names_and_notes_that_mean_harm_stay_text(opened, state, fake):
    evil = fake.HOSTILE
    state.names = (evil, "<b>iv</b>", "iw")
    state.notes = [evil, "</script><script>alert(2)</script>", "javascript:alert(3)"]
    state.events = [fake.overcurrent(10.0, 10.2, channel=evil) | {"text": evil}]
    dialogs = []
    for path in SCREENS.values():
        screen = opened(path)
        screen.page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
        screen.wait("!!(window.livesense && document.querySelector('[data-screen], #now'))")
        if path == "":
            screen.live()
            screen.page.keyboard.press("p")
            screen.wait("livesense.live.plot.data.length === 3")
            box = screen.page.locator("#live-graph .nsewdrag").bounding_box()
            screen.page.mouse.move(box["x"] + 200, box["y"] + 150)
            screen.wait("!!document.querySelector('#live-graph .hoverlayer :is(.legend, .hovertext)')")
            assert screen.page.locator("#live-graph .hoverlayer a").count() == 0
            assert evil in screen.text("#phases")
        if path.startswith("runs/1"):
            screen.wait(READY["run"])
            assert evil in screen.text("#run-notes")
        assert screen.page.locator("img[src='x']").count() == 0
        assert all(
            href.startswith(("/", "#")) for href in screen.page.eval_on_selector_all(
                "a[href]", "links => links.map(a => a.getAttribute('href'))"
            )
        )  # fmt: skip
    assert not dialogs


def test_one_run_zooms_and_shows_an_event(opened, state, fake):
    state.events = [fake.overcurrent(300.0, 300.4)]
    screen = opened("runs/1")
    screen.wait("!!window.livesense?.run?.zoomed")
    screen.page.get_by_role("button", name="300.000 s").click()
    screen.wait("Math.abs(livesense.run.from - 299.9) < 1e-6 && Math.abs(livesense.run.to - 300.5) < 1e-6")
    screen.wait("livesense.run.held && livesense.run.held.times[0].length > 1000")
    screen.wait("!!document.querySelector('#run-figures td')")
    assert "4.24 ± 0.05 A" in screen.text("#run-figures")
    screen.page.get_by_role("button", name="Voltages").click()
    screen.wait("livesense.run.plot.data.length === 1 && livesense.run.plot.data[0].name === 'vbus'")


@pytest.mark.slow
def test_a_note_is_handed_on(opened, state, monkeypatch):
    asked = []

    def ask(path, run, kind, text):
        asked.append((run, kind, text))
        state.notes.append(text)
        return 1

    monkeypatch.setattr("dashboard.run_data.logbook_requests.ask", ask)
    screen = opened("runs/1")
    screen.wait("!!window.livesense?.run?.zoomed")
    screen.page.get_by_label("Add a note").fill("shunt swapped")
    screen.page.keyboard.press("Enter")
    screen.wait("document.getElementById('run-notes').textContent.includes('shunt swapped')")
    assert asked == [(1, "note", "shunt swapped")]
