"""A bring-up by keyboard alone: from no recording to verdicts, on a narrow screen."""

import pytest
from acting import Stack, clean, simulated, tab_to

FOCUS = "document.activeElement.id"


@pytest.fixture
def stack(tmp_path):
    with simulated("stages") as link:
        stack = Stack(tmp_path, link)
        yield stack
        stack.close()


def verdict(stage):
    return f"document.getElementById('bring-{stage}-verdict').textContent"


@pytest.mark.slow
def test_by_keyboard_alone(stack, window):
    screen = window(width=390, scheme="dark")
    keys = screen.page.keyboard
    screen.page.goto(stack.server.url)
    screen.page.goto(stack.server.address + "bringup")
    screen.wait("document.getElementById('now')?.textContent.includes('Nothing is being recorded.')")
    tab_to(screen, "#now a")
    assert screen.text("#now a") == "Record"
    stack.server.page.control.start({"bench": 0, "port": stack.links[0], "name": "first start"})
    # By itself; whoever stood on what is gone does not start over from the top of the page.
    screen.wait("!!document.querySelector('#bring-zero-off[aria-current=step]')")
    assert screen.page.evaluate("document.activeElement.matches('#screen')")

    # What was forgotten is said beside the button, which keeps the focus.
    tab_to(screen, "#bring-zero-off-judge")
    keys.press("Enter")
    screen.wait(f"/tick first/.test({verdict('zero-off')})")
    assert screen.page.evaluate(FOCUS) == "bring-zero-off-judge"
    back_to(screen, "#bring-sure")
    keys.press("Space")
    assert screen.page.evaluate("document.getElementById('bring-sure').checked")

    tab_to(screen, "#bring-zero-off-judge")
    keys.press("Space")
    screen.wait(f"/^(Passed|Not passed|Undecided)/.test({verdict('zero-off')})")
    # Asked for again from where one stands: nothing took the focus away meanwhile.
    assert screen.page.evaluate(FOCUS) == "bring-zero-off-judge"

    # The next stages follow in their order, the way to the walk among them.
    tab_to(screen, "#bring-walk a", most=2)
    tab_to(screen, "#bring-walk-judge", most=2)
    keys.press("Enter")
    screen.wait(f"/^Undecided/.test({verdict('walk')})")
    tab_to(screen, "#bring-zero-on-judge", most=2)
    tab_to(screen, "#bring-align-given", most=2)
    # Enter in a field judges its stage; a wrong entry has the focus and is told with its field.
    keys.type("much")
    keys.press("Enter")
    screen.wait("!!document.querySelector('#bring-align-given[aria-invalid]')")
    assert screen.page.evaluate(FOCUS) == "bring-align-given"
    described = "document.getElementById('bring-align-given').getAttribute('aria-describedby')"
    assert "bring-align-given-wrong" in screen.page.evaluate(described)
    keys.press("ControlOrMeta+a")
    keys.type("4 A")
    tab_to(screen, "#bring-align-judge", most=2)
    keys.press("Enter")
    screen.wait(f"/^(Passed|Not passed|Undecided)/.test({verdict('align')})")
    for stage in ("open-loop", "closed-loop"):
        tab_to(screen, f"#bring-{stage}-given", most=2)
        tab_to(screen, f"#bring-{stage}-judge", most=2)
    tab_to(screen, "#bring-stop-judge", most=2)
    # Nothing that has the focus hides under what stays at the top.
    seen = """(() => {
      const box = document.activeElement.getBoundingClientRect();
      const top = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);
      return document.activeElement.contains(top);
    })()"""
    assert screen.page.evaluate(seen)
    clean(screen)


def back_to(screen, selector, most=20):
    """Go back with Shift and Tab until an element has the focus."""
    for _ in range(most):
        if screen.page.evaluate(f"document.activeElement.matches({selector!r})"):
            return
        screen.page.keyboard.press("Shift+Tab")
    raise AssertionError(f"the keyboard does not lead back to {selector}")
