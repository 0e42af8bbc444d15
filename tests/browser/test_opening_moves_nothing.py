"""Nothing jumps while a screen opens: on a logbook with a run that is over and one that is being recorded."""

import time

import pytest
from acting import PATIENCE_S, WATCH, Stack, simulated

from livesense.bringup.kept import asked
from livesense.logbook import requests as logbook_requests
from livesense.logbook.reader import Logbook
from livesense.logbook.rows import StageRow

pytestmark = pytest.mark.slow

MOST = 0.02
"""As in test_nothing_jumps.py: of the cumulative score of the Layout Instability draft (WICG)."""
SCREENS = {
    "live": ("", "window.livesense?.live?.frames >= 3 && !!document.querySelector('.tile')"),
    "record": ("record", "/^Recording/.test(document.getElementById('rec-say')?.textContent)"
               " && !!document.querySelector('#rec-port option') && !!document.querySelector('.rec-card')"),
    "bringup": ("bringup", "!!document.querySelector('[data-stage][aria-current=step]')"
                " && /1 of 7/.test(document.getElementById('bring-say').textContent)"),
    "walk": ("walk", "!!document.querySelector('[data-step][aria-current=step]')"),
    "runs": ("runs", "!!document.querySelector('.settled .ag-row a')"),
    "run": ("runs/1", "!!(window.livesense?.run?.zoomed && document.querySelector('#run-figures td')"
            " && /stretch/.test(document.getElementById('run-stretches-said')?.textContent))"),
    "run being recorded": ("runs/2", "!!(window.livesense?.run?.zoomed"
                           " && document.querySelector('#run-figures td'))"),
    "compare": ("compare/1/2", "!!document.querySelector('#compare-pairs td, .compare-table td')"),
    "bench": ("bench", "/Looked at/.test(document.getElementById('bench-checked')?.textContent)"),
    "nothing": ("runs/77", "!!document.querySelector('#now')"),
}  # fmt: skip
SETTLED_MS = 2500
"""After what a screen waits for has come: the looks that it takes each second or two."""


CHECKS = [
    {"what": name, "verdict": "passed", "value": "0.0100 ± 0.0010 A", "expected": "0 A ± 0.15 A, still"}
    for name in ("bus", "iu", "iv", "iw", "ibus")
]
TEXT = "The bus is at 0.10 ± 0.10 V; iu, iv, iw and ibus rest at 0.0100 ± 0.0010 A."
PASSED = StageRow(0, 1.8e9, "zero-off", "passed", 0.5, 2.5, TEXT, {"checks": CHECKS})


def kept(logbook):
    with Logbook(logbook) as book:
        return book.run(2).stages()


@pytest.fixture(scope="module")
def stack(tmp_path_factory):
    with simulated() as link:
        stack = Stack(tmp_path_factory.mktemp("opening"), link)
        control = stack.server.page.control

        def until(right):
            end = time.monotonic() + PATIENCE_S
            while not right(control.look()):
                assert time.monotonic() < end, control.look()
                time.sleep(0.1)

        def recorded(run, seconds):
            until(lambda told: not told["starting"])
            control.start(
                {
                    "bench": 0,
                    "port": link,
                    "name": f"{run}: valve half open, new shunts, cold start after a night",
                }
            )
            until(lambda told: any(r["run"] == run and r["seconds"] > seconds for r in told["recordings"]))

        recorded(1, 6.0)
        control.stop(1)
        until(lambda told: not told["recordings"])
        recorded(2, 3.0)
        logbook_requests.ask(stack.logbook, 2, "stage", asked(PASSED))
        end = time.monotonic() + PATIENCE_S
        while not kept(stack.logbook):
            assert time.monotonic() < end, "the recorder keeps no verdict"
            time.sleep(0.1)
        yield stack
        stack.close()


@pytest.mark.parametrize("name", list(SCREENS))
def test_it_stands_still_from_the_first_paint_on(stack, window, name):
    path, ready = SCREENS[name]
    found = {}
    for width in (1440, 390):
        for scheme in ("light", "dark"):
            screen = window(scheme, width)
            screen.page.goto(stack.server.url)
            screen.page.add_init_script(WATCH)
            screen.page.goto(stack.server.address + path)
            screen.wait(ready)
            screen.page.wait_for_timeout(SETTLED_MS)
            found[width, scheme] = (
                round(sum(screen.page.evaluate("window.shifts")), 4),
                screen.page.evaluate("window.shifters"),
            )
            screen.page.close()
    assert all(score <= MOST for score, _ in found.values()), found
