"""A bring-up led through on the page against the simulator, stage by stage, on the whole stack."""

import pytest
from acting import WATCH, Stack, clean, simulated

from livesense.logbook.reader import Logbook


@pytest.fixture
def stack(tmp_path):
    with simulated("stages") as link:
        stack = Stack(tmp_path, link)
        yield stack
        stack.close()


def notes(stack):
    with Logbook(stack.logbook) as book:
        return [note.text for note in book.run(1).notes()]


def reach(screen, stack, note, since=0):
    """Wait until the simulated drive tells that it is so far."""
    for _ in range(600):
        if note in notes(stack)[since:]:
            return
        screen.page.wait_for_timeout(200)
    pytest.fail(f"the drive never told {note!r}: {notes(stack)}")


def judged(screen, stage, given=""):
    if given:
        screen.page.fill(f"#bring-{stage}-given", given)
    screen.page.click(f"#bring-{stage}-judge")
    box = f"document.getElementById('bring-{stage}-verdict')"
    screen.wait(f"/^(Passed|Not passed|Undecided)/.test({box}.textContent)")
    return screen.text(f"#bring-{stage}-verdict")


@pytest.mark.slow
def test_from_no_power_to_a_motor_that_stands_again(stack, window, livesense):
    screen = window()
    page = screen.page
    page.add_init_script(WATCH)
    page.goto(stack.server.url)
    page.goto(stack.server.address + "bringup")
    screen.wait("document.getElementById('now')?.textContent.includes('Nothing is being recorded.')")
    clean(screen)
    control = stack.server.page.control
    key = control.start({"bench": 0, "port": stack.links[0], "name": "first start"})
    assert key["key"] == 1
    # By itself, once there are scans.
    screen.wait("!!document.querySelector('#bring-zero-off-judge')")
    screen.wait("!!document.querySelector('#bring-zero-off[aria-current=step]')")
    page.click("#bring-zero-off-judge")
    screen.wait("/tick first/.test(document.getElementById('bring-zero-off-verdict').textContent)")
    page.get_by_label("What turns is guarded").check()
    assert "below 2 V" in screen.text("#bring-zero-off .bring-expected")

    assert "The bus is at" in judged(screen, "zero-off") and "Passed" in screen.text(
        "#bring-zero-off-verdict"
    )
    assert judged(screen, "walk").startswith("Undecided")
    reach(screen, stack, "bus on, gates off")
    screen.page.wait_for_timeout(2000)
    assert "24 V ± 10 %" in judged(screen, "zero-on")
    reach(screen, stack, "align")
    screen.page.wait_for_timeout(1500)
    page.fill("#bring-align-given", "much")
    page.click("#bring-align-judge")
    screen.wait("!!document.querySelector('#bring-align-given[aria-invalid]')")
    assert "such as 4 A" in screen.text("#bring-align-given-wrong")
    assert "the drive's 4 A are there" in judged(screen, "align", "4,0")
    # In the wrong stage: nothing turns yet.
    assert not judged(screen, "open-loop", "20 Hz").startswith("Passed")
    reach(screen, stack, "open loop")
    screen.page.wait_for_timeout(3000)
    page.evaluate("document.getElementById('bring-open-loop-verdict').replaceChildren()")
    assert "as commanded" in judged(screen, "open-loop", "20 Hz")
    reach(screen, stack, "closed loop")
    screen.page.wait_for_timeout(9000)
    assert "out of the supply" in judged(screen, "closed-loop", "2940 rpm")
    reach(screen, stack, "stop")
    screen.page.wait_for_timeout(5000)
    assert "prove it dead" in judged(screen, "stop")
    screen.wait("document.getElementById('bring-say').textContent === '6 of 7 stages passed.'")
    assert sum(page.evaluate("window.shifts")) <= 0.02
    clean(screen)

    # Kept with the run: in another window, on the run's page, and for programs.
    page.goto(stack.server.address + "bringup")
    screen.wait("document.getElementById('bring-say')?.textContent === '6 of 7 stages passed.'")
    page.goto(stack.server.address + "runs/1")
    screen.wait("/Closed loop/.test(document.getElementById('bring-up-of-run')?.textContent)")
    told = livesense("show", "1", "--logbook", stack.logbook, "--json").json
    assert [s["verdict"] for s in told["stages"] if s["stage"] == "closed-loop"] == ["passed"]
    assert told["stages"][0]["checks"][0]["what"] == "bus"
