"""Cards of what is being recorded: buttons stay where they are while facts and neighbours change."""

import pytest

SAME = "document.activeElement === window.kept && window.kept.isConnected"


def row(run, seconds, stopping=""):
    return {
        "run": run, "name": f"pump {run}", "port": f"COM{run}", "bench": "coolant pump, 24 V",
        "began": "2026-03-02 10:15:00", "seconds": seconds, "holds_scans": True, "trouble": "", "notes": [],
        "stopping": stopping,
    }  # fmt: skip


@pytest.fixture
def told():
    """What the server tells of recorders; a test changes it while the screen looks."""
    return {"recordings": [row(1, 10.0)], "starting": [], "ends": []}


@pytest.fixture
def screen(opened, told):
    screen = opened("runs/77")
    page = screen.page
    page.route("**/api/record", lambda route: route.fulfill(json=told))
    page.route("**/api/record/ports", lambda route: route.fulfill(json={"ports": [], "of": {}}))
    page.route("**/api/record/*/channels", lambda route: route.fulfill(json={"channels": []}))
    page.click("#tab-record")
    screen.wait("!!document.getElementById('rec-stop-1')")
    page.locator("#rec-stop-1").focus()
    page.evaluate("window.kept = document.activeElement")
    assert page.evaluate("window.kept.id") == "rec-stop-1"
    return screen


def lasted(run, text):
    return f"document.getElementById('rec-lasted-{run}')?.textContent.includes('{text}')"


@pytest.mark.slow
def test_the_stop_button_keeps_the_focus_while_facts_and_neighbours_change(screen, told):
    told["recordings"] = [row(1, 21.0)]
    screen.wait(lasted(1, "21 s"))
    assert screen.page.evaluate(SAME)
    # Newest first: the card of another recorder comes before it.
    told["recordings"] = [row(2, 1.5), row(1, 22.0)]
    screen.wait("document.querySelector('.rec-card')?.id === 'rec-card-2'")
    assert screen.page.evaluate(SAME)
    told["recordings"] = [row(3, 1.0), row(2, 2.5), row(1, 23.0, "It was asked to stop.")]
    screen.wait(lasted(1, "It was asked to stop."))
    assert screen.page.evaluate(SAME)
    told["recordings"] = [row(3, 2.0), row(1, 24.0)]
    screen.wait("!document.getElementById('rec-card-2')")
    assert screen.page.evaluate(SAME)
    cards = "[...document.querySelectorAll('.rec-card')].map((card) => card.id)"
    assert screen.page.evaluate(cards) == ["rec-card-3", "rec-card-1"]


@pytest.mark.slow
def test_why_a_stop_was_refused_stays_readable(screen, told):
    why = "the logbook is locked by another program"
    screen.page.route("**/api/record/1/stop", lambda route: route.fulfill(json={"refused": why}))
    screen.page.keyboard.press("Enter")
    screen.wait(lasted(1, why))
    told["recordings"] = [row(2, 3.0), row(1, 31.0)]
    screen.wait(lasted(1, "31 s"))
    told["recordings"] = [row(1, 32.0)]
    screen.wait(lasted(1, "32 s"))
    assert screen.text("#rec-lasted-1") == f"32 s Not stopped: {why}"
    assert screen.page.evaluate(SAME)
    assert screen.page.locator("#rec-stop-1").is_enabled()


@pytest.mark.slow
def test_each_action_says_on_which_run_it_acts(screen, told):
    told["recordings"] = [row(2, 3.0), row(1, 31.0)]
    screen.wait("!document.getElementById('rec-which').hidden")
    for band in ("#notes", "#meter", "#zeros"):
        assert screen.text(f"{band} .rec-for").startswith("For run 1 “pump 1” from COM1;")
    assert screen.text("#zero-take") == "Take zeros of run 1"
    screen.page.get_by_label("The drive is de-energised and at rest").check()
    screen.page.select_option("#rec-run", "2")
    screen.wait(
        "document.querySelector('#zeros .rec-for').textContent.startsWith('For run 2 “pump 2” from COM2')"
    )
    assert screen.text("#zero-take") == "Take zeros of run 2"
    # The word was given for another drive.
    assert not screen.page.get_by_label("The drive is de-energised and at rest").is_checked()
    screen.page.route("**/api/runs/2/zero", lambda route: route.fulfill(json={"request": 7}))
    screen.page.route("**/api/runs/2/zero/7", lambda route: route.fulfill(json={"answer": "zero kept of iu"}))
    screen.page.get_by_label("The drive is de-energised and at rest").check()
    screen.page.click("#zero-take")
    screen.wait("document.getElementById('zero-answer').textContent === 'Run 2: zero kept of iu'")
    told["recordings"] = []
    screen.wait("document.querySelector('#zeros .rec-for').textContent.endsWith('none is.')")
