"""Gains against a reference meter from the run's page, on a real stack."""

import re
from collections.abc import Iterator
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from walk_bench import Board
from walk_stack import Stack, stacks

from livesense.logbook.reader import Logbook

ANSWER = "document.getElementById('point-answer')?.textContent"


@pytest.fixture
def stack(tmp_path) -> Iterator[Any]:
    with stacks(tmp_path) as make:
        yield make


def settled(there: Stack, amperes: float) -> None:
    """Let a current flow from U to V, and wait until two seconds of it are recorded."""
    there.bench.amperes = amperes
    there.flows("U-V")
    there.recorded(2.5)


@pytest.mark.slow
def test_points_become_a_scale_of_later_runs(stack, window, livesense):
    there = stack(Board(gains=(1.008, 0.995, 1.0)))
    there.record()
    there.recorded(0.5)
    screen = window()
    page = screen.page
    page.goto(there.server.url)
    page.goto(there.server.address + "runs/1")
    screen.wait("!!document.getElementById('point-add')")
    page.get_by_text("Gain against a reference meter").click()
    screen.wait(
        "document.getElementById('points-waiting').textContent === 'No points wait to be made a scale of.'"
    )
    assert "prove the DC link dead with a rated meter" in screen.text("#calibrate")
    assert page.input_value("#point-channels") == "iu"

    page.get_by_label("The meter reads").fill("10,000")
    page.get_by_role("button", name="Add the point").click()
    screen.wait(
        f"{ANSWER}.startsWith('No point was kept: expected what the reference meter may be wrong by')"
    )

    page.get_by_label("Channel", exact=True).fill("iu,-iv")
    page.get_by_label("Its limit of error").fill("0,02 %")
    settled(there, 10.0)
    page.get_by_role("button", name="Add the point").click()
    screen.wait(f"{ANSWER}.startsWith('Point kept: iu 10 A at code ')")
    screen.wait("document.querySelectorAll('.points-table tbody tr').length === 2")
    assert "add a point at another current" in screen.text("#points-waiting")
    assert page.get_by_role("button", name="Keep the scale").is_disabled()

    settled(there, -10.0)
    page.get_by_label("The meter reads").fill("\u221210 A")
    page.get_by_label("The meter reads").press("Enter")
    screen.wait("document.querySelectorAll('.points-table tbody tr').length === 4")
    screen.wait("document.getElementById('points-waiting').textContent.includes('a code, \u22120.79')")
    assert re.search(r"a code, 0\.(49|50)", screen.text("#points-waiting"))

    # A third point that is wrong shows itself, and is thrown away.
    page.get_by_label("The meter reads").fill("\u22129 A")
    page.get_by_role("button", name="Add the point").click()
    screen.wait("document.querySelectorAll('.points-table tbody tr').length === 6")
    assert "Largest residual 0.5" in screen.text("#points-waiting")
    for left in (5, 4):
        page.locator("[aria-label*='at \u22129.0'], [aria-label*='at 9.0']").first.click()
        screen.wait(f"document.querySelectorAll('.points-table tbody tr').length === {left}")
    for width in (1440, 390):
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            screen.wait(f"document.documentElement.dataset.mantineColorScheme === '{scheme}'")
            page.wait_for_timeout(300)
            found = Axe().run(page)
            assert found.violations_count == 0, found.generate_report()
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")

    page.get_by_role("button", name="Keep the scale").click()
    screen.wait(f"{ANSWER}.startsWith('Scale kept of iu, iv; runs recorded from now on use it')")
    screen.wait(
        "document.getElementById('points-waiting').textContent === 'No points wait to be made a scale of.'"
    )
    there.stop()
    with Logbook(there.folder / "livesense.db") as book:
        kept = {row.channel: row for row in book.calibrations("coolant pump, 24 V", {"iu": "", "iv": ""})}
        assert book.run(1).row.scans_lost == 0
    code_a = 3.3 / 4096 / (20 * 0.005)
    assert kept["iu"].per_code == pytest.approx(code_a / 1.008, rel=3e-4)
    assert kept["iv"].per_code == pytest.approx(code_a / 0.995, rel=3e-4)
