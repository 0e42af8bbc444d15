"""A new user's first look: each screen without anything to show says what to do and leads there."""

import threading

import pytest
from axe_playwright_python.sync_playwright import Axe

from dashboard.app import Server, Settings
from simulator.main import BENCH

SCREENS = {
    "live": ("", "#advice a"),
    "bring-up": ("bringup", "#now a"),
    "bring-up of a run": ("bringup/7", "#now a"),
    "walk": ("walk", "#now a"),
    "walk of a run": ("walk/7", "#now a"),
    "runs": ("runs", "#runs-empty a"),
    "a run": ("runs/7", "#now a"),
    "compare": ("compare/1/2", "#now a"),
}


@pytest.fixture
def page_on(window, tmp_path):
    """Open paths of a page whose logbook is not there."""
    servers = []

    def page_on(benches=(), scheme="light", width=1440):
        server = Server(Settings(tmp_path / "none.db", token="t", benches=benches))
        thread = threading.Thread(target=server.run)
        thread.start()
        servers.append((server, thread))
        screen = window(scheme, width)
        screen.page.goto(server.url)
        return screen, lambda path: screen.page.goto(server.address + path)

    yield page_on
    for server, thread in servers:
        server.close()
        thread.join(10)
        assert not thread.is_alive()


@pytest.mark.slow
@pytest.mark.parametrize(("width", "scheme"), [(1440, "light"), (390, "dark")])
def test_each_leads_to_record_and_then_names_the_command(page_on, width, scheme):
    screen, go = page_on((BENCH,), scheme, width)
    for path, link in SCREENS.values():
        go(path)
        screen.wait(f"document.querySelector({link!r})?.textContent === 'Record'")
        said = screen.page.locator(link).first.locator("xpath=..").inner_text()
        assert said.index("Record") < said.index("livesense record BENCH.toml")
        # No link stands apart from its comma.
        assert screen.page.evaluate(f"getComputedStyle(document.querySelector({link!r})).display") == "inline"
        assert "No Rows To Show" not in screen.text("#screen")
        assert Axe().run(screen.page).violations_count == 0
        screen.page.locator(link).first.click()
        screen.wait("document.getElementById('rec-say')?.textContent === 'Nothing is being recorded.'")
        assert "Choose a bench file and a port below" in screen.text("#rec-advice")


@pytest.mark.slow
def test_without_a_bench_file_record_and_bench_say_how_to_get_one(page_on):
    screen, go = page_on()
    go("record")
    screen.wait("/no bench file/.test(document.getElementById('rec-advice')?.textContent)")
    assert "livesense init pump.toml" in screen.text("#screen")
    go("bench")
    screen.wait("document.querySelector('#now a')?.textContent === 'Record'")
    assert "livesense serve --bench pump.toml" in screen.text("#now")


@pytest.mark.slow
def test_a_button_that_can_do_nothing_yet_does_not_look_as_if(page_on):
    screen, _go = page_on()
    screen.wait("/Nothing has been recorded/.test(document.getElementById('say')?.textContent)")
    pause = screen.page.locator("#live-pause")
    assert pause.is_disabled()
    ink = screen.page.evaluate("getComputedStyle(document.body).color")
    assert pause.evaluate("(e) => getComputedStyle(e).backgroundColor") != ink
    said = screen.page.locator("#aloud").text_content()
    assert "Record, or in a terminal: livesense record" in said
