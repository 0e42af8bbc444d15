"""The walk on the page, on a real stack: a board on a socket, a recorder, a server, a browser."""

import shlex
from collections.abc import Iterator
from typing import Any

import pytest
from acting import clean
from walk_bench import Board
from walk_stack import Stack, stacks

from livesense.logbook.reader import Logbook

STEPS = ("rest", "U-V", "V-W")


@pytest.fixture
def stack(tmp_path) -> Iterator[Any]:
    with stacks(tmp_path) as make:
        yield make


@pytest.fixture
def walked(window) -> Any:
    """Open a stack's walk in a window."""

    def opened(stack: Stack, width: int = 1440, scheme: str = "light") -> Any:
        screen = window(scheme, width)
        screen.page.goto(stack.server.url)
        screen.page.goto(stack.server.address + "walk")
        return screen

    return opened


def seen(step: str) -> str:
    return f"document.getElementById('walk-{step}-seen')?.textContent"


def read(screen: Any, stack: Stack, step: str, press: Any) -> str:
    """Set the supply, ask for a step, and wait for what is said of it."""
    stack.flows(step)
    press(f"#walk-{step}-read")
    screen.wait(f"!/^(Reading|$)/.test({seen(step)})")
    return str(screen.page.evaluate(seen(step))).replace("\u00a0", " ")


SENTENCE = "document.getElementById('walk-sentence')?.textContent"


WATCH = """
window.shifts = [];
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) if (!entry.hadRecentInput) window.shifts.push(entry.value);
}).observe({ type: 'layout-shift' });"""
"""From now on: what moved while the page was made is not asked for here."""


@pytest.mark.slow
def test_led_through_to_proven_and_kept_by_the_command_that_is_told(stack, walked, livesense):
    there = stack(Board())
    screen = walked(there)
    screen.wait("document.getElementById('now')?.textContent.includes('Nothing is being recorded.')")
    assert "livesense record BENCH.toml" in screen.text("#now")
    assert "prove it dead with a rated meter" in screen.text("#cautions")
    there.record()
    # By itself, as soon as there are scans.
    screen.wait("!!document.getElementById('walk-rest')?.getAttribute('aria-current')")
    page = screen.page
    page.evaluate(WATCH)

    assert "tick first that the drive is dead" in read(screen, there, "rest", page.click)
    page.get_by_label("The drive is dead, proven with a rated meter").check()
    # Marked as disabled, it still says why.
    assert "the rest comes first" in read(screen, there, "U-V", lambda at: page.click(at, force=True))
    page.get_by_label("Current", exact=True).fill("one")
    page.get_by_label("Error of its meter").fill("0,2 %")
    screen.wait("!!document.getElementById('walk-current').getAttribute('aria-invalid')")
    assert "such as \"1.000 A\", got 'one'" in screen.text("#walk-current-field")
    page.get_by_label("Current", exact=True).fill("1,000 A")

    assert read(screen, there, "rest", page.click).startswith("Rest is read. Codes: iu 205")
    assert read(screen, there, "U-V", page.click).startswith(("iu +1.00", "iu +0.99"))
    assert screen.text("#walk-sentence") == "Comes when all steps are read."
    assert "iw −1.00" in read(screen, there, "V-W", page.click) or "iw −0.99" in page.evaluate(seen("V-W"))
    screen.wait(f"{SENTENCE} === 'iu, iv, iw: mapping, direction and scale proven.'")
    assert sum(page.evaluate("window.shifts")) < 0.002

    said = screen.text("#walk-told")
    assert "Gains against each other" in said
    assert said.count("mapping, direction and scale proven") == 3
    clean(screen)

    # Loaded anew, it is all there, but for the word that the drive is dead.
    page.reload()
    screen.wait(f"{SENTENCE} === 'iu, iv, iw: mapping, direction and scale proven.'")
    assert not page.get_by_label("The drive is dead").is_checked()
    assert page.input_value("#walk-current") == "1,000 A"

    page.get_by_role("button", name="Keep", exact=True).click()
    screen.wait("document.getElementById('walk-kept').textContent.startsWith('scale kept of iu, iv, iw, ')")
    assert page.get_attribute("#walk-keep", "aria-disabled") == "true"

    # The recorder is not disturbed: the same scans make the same calibration from a terminal.
    words = shlex.split(page.inner_text("#walk-command"))
    assert words[:2] == ["livesense", "walk"]
    kept = livesense(*words[1:])
    assert kept.code == 0, kept.err
    assert "Kept as calibrations" in kept.out
    there.stop()
    with Logbook(there.folder / "livesense.db") as book:
        assert book.run(1).row.scans_lost == 0


@pytest.mark.slow
def test_led_through_by_keyboard_to_reversed_and_its_fix(stack, walked, livesense):
    there = stack(Board(signs=(1, 1, -1)))
    there.record()
    screen = walked(there, width=390, scheme="dark")
    screen.wait("!!document.getElementById('walk-rest')?.getAttribute('aria-current')")
    keys = screen.page.keyboard

    def to(selector: str) -> None:
        for _ in range(30):
            if screen.page.evaluate(f"document.activeElement.matches('{selector}')"):
                return
            keys.press("Tab")
        pytest.fail(f"the keyboard does not reach {selector}")

    def press(selector: str) -> None:
        to(selector)
        keys.press("Enter")

    to("#walk-sure")
    keys.press("Space")
    to("#walk-current")
    keys.type("1")
    to("#walk-error")
    keys.type("0.5 %")
    for step in STEPS:
        assert not read(screen, there, step, press).startswith("Not read")
    screen.wait(f"{SENTENCE} === 'iw: reversed; iu, iv: proven.'")
    said = screen.text("#walk-told")
    assert 'Fix: in the [[channel]] named "iw": plus_input = "motor"' in said
    assert "its inputs are exchanged, or plus_input is not as wired" in said
    clean(screen)

    words = shlex.split(screen.page.inner_text("#walk-command"))
    assert words[words.index("--out") + 1] == "corrected.toml"
    assert livesense(*words[1:]).code == 1
    assert 'plus_input = "motor"' in (there.folder / "corrected.toml").read_text(encoding="utf-8")

    # One more step takes the verdict back until it is read.
    to("#walk-more")
    keys.press("Space")
    screen.wait(f"{SENTENCE} === 'Comes when all steps are read.'")
    assert screen.page.get_attribute("#walk-W-U", "aria-current") == "step"
    assert read(screen, there, "W-U", press).startswith("iu −")
    screen.wait(f"{SENTENCE} === 'iw: reversed; iu, iv: proven.'")
    assert "--steps U-V,V-W,W-U" in screen.text("#walk-command")

    press("#walk-over")
    screen.wait(f"{SENTENCE} === 'Comes when all steps are read.' && !{seen('rest')}")
    there.stop()
