"""Asking for a zero on the screen of a run that is being recorded."""

import pytest

pytestmark = pytest.mark.slow

ANSWER = "document.getElementById('zero-answer')?.textContent"


def test_it_is_asked_only_when_the_drive_is_said_to_be_off(opened):
    screen = opened("runs/1")
    screen.wait("!!document.getElementById('zero-take')")
    said = screen.text("#calibration")
    assert "Not calibrated" in said
    assert "prove it dead with a rated meter" in said
    screen.page.get_by_role("button", name="Take zeros").click()
    screen.wait(f"{ANSWER}.startsWith('Nothing was done: it has to')")


def test_the_answer_stands_below_the_button(opened):
    screen = opened("runs/1")
    screen.wait("!!document.getElementById('zero-take')")
    answers = iter([None, "zero kept of iu, iv; runs recorded from now on use it"])
    screen.page.route("**/api/runs/1/zero", lambda route: route.fulfill(json={"request": 7}))
    screen.page.route("**/api/runs/1/zero/7", lambda route: route.fulfill(json={"answer": next(answers)}))
    screen.page.get_by_label("The drive is de-energised and at rest").check()
    button = screen.page.get_by_role("button", name="Take zeros")
    button.click()
    screen.wait(f"{ANSWER}.startsWith('zero kept of iu, iv')")
    assert button.is_enabled()


def test_a_run_that_is_over_has_no_button(opened, state):
    state.state = "complete"
    screen = opened("runs/1")
    screen.wait("!!document.getElementById('calibration')")
    assert screen.page.locator("#zero-take").count() == 0
