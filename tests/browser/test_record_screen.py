"""Recording from the page, on the whole stack: started, watched, noted, held against a meter, stopped."""

import pytest
from acting import WATCH, Stack, clean, simulated, tab_to

SAY = "document.getElementById('rec-say')?.textContent"
ENDS = "document.getElementById('rec-ends')?.textContent"


@pytest.fixture
def stack(tmp_path):
    with simulated() as link:
        stack = Stack(tmp_path, link)
        yield stack
        stack.close()


@pytest.fixture
def opened(window):
    def opened(stack, width=1440, scheme="light"):
        screen = window(scheme, width)
        screen.page.add_init_script(WATCH)
        screen.page.goto(stack.server.url)
        screen.page.goto(stack.server.address + "record")
        screen.wait(f"{SAY} === 'Nothing is being recorded.'")
        screen.wait("document.querySelector('#rec-port option[value^=socket]')")
        return screen

    return opened


@pytest.mark.slow
def test_a_bench_session_from_start_to_stop(stack, opened):
    screen = opened(stack)
    page = screen.page
    assert "take its power off first" in screen.text("#start")
    clean(screen)
    page.select_option("#rec-port", stack.links[0])
    page.fill("#rec-name", "<img src=x onerror=alert(1)> cold")
    page.click("#rec-start")
    screen.wait(f"{SAY} === 'Recording run 1.'")
    assert "<img src=x onerror=alert(1)> cold" in screen.text("#rec-runs")

    page.fill("#rec-note", "valve half open")
    page.keyboard.press("Enter")
    screen.wait("document.getElementById('rec-notes').textContent.includes('valve half open')")
    page.click("#rec-mark")
    screen.wait("document.getElementById('rec-notes').textContent.startsWith('Mark')")

    screen.wait("!!document.querySelector('#rec-channel option[value=iu]')")
    page.fill("#rec-value", "0,7 A")
    page.fill("#rec-error", "a lot")
    page.click("#rec-compare")
    screen.wait("document.getElementById('rec-error').getAttribute('aria-invalid') === 'true'")
    assert "expected a limit of error" in screen.text("#rec-error-wrong")
    page.fill("#rec-error", "1,5 %")
    page.click("#rec-compare")
    screen.wait("/^Run 1: They (dis)?agree: iu /.test(document.getElementById('rec-agrees').textContent)")
    screen.wait("document.getElementById('rec-notes').textContent.startsWith('Meter: They')")
    page.click("#zero-take")
    screen.wait(
        "document.getElementById('zero-answer').textContent.startsWith('Nothing was done: it has to')"
    )
    page.get_by_label("The drive is de-energised and at rest").check()
    page.click("#zero-take")
    # The simulated pump turns by now, or is just about to.
    screen.wait("/^Run 1: (no )?zero (was )?kept/.test(document.getElementById('zero-answer').textContent)")
    clean(screen)

    page.click("#rec-stop-1")
    screen.wait(f"{ENDS}.includes('Run 1 is complete.')")
    screen.wait(f"{SAY} === 'Nothing is being recorded.'")
    page.get_by_role("button", name="Dismiss: Run 1 is complete.").click()
    screen.wait(f"{ENDS} === ''")
    assert sum(page.evaluate("window.shifts")) <= 0.02


@pytest.mark.slow
def test_by_keyboard_alone_and_what_the_line_carries(stack, opened):
    screen = opened(stack, width=390, scheme="dark")
    keys = screen.page.keyboard
    tab_to(screen, "#rec-port")
    for _ in range(20):
        if screen.page.input_value("#rec-port") == stack.links[0]:
            break
        keys.press("ArrowDown")
    tab_to(screen, "#rec-identify")
    keys.press("Enter")
    screen.wait("document.getElementById('rec-carries').textContent.startsWith('The wire is framed')")
    assert "[[channel]]" in screen.text("#rec-evidence pre")
    clean(screen)
    screen.page.evaluate("document.getElementById('screen').focus()")
    tab_to(screen, "#rec-start")
    keys.press("Enter")
    screen.wait(f"{SAY} === 'Recording run 1.'")
    screen.page.evaluate("document.getElementById('screen').focus()")
    tab_to(screen, "#rec-stop-1")
    keys.press("Enter")
    screen.wait(f"{ENDS}.includes('Run 1 is complete.')")


@pytest.mark.slow
def test_a_recorder_outlives_the_server_and_its_death_is_said_soon(stack, opened):
    screen = opened(stack)
    screen.page.select_option("#rec-port", stack.links[0])
    screen.page.click("#rec-start")
    screen.wait(f"{SAY} === 'Recording run 1.'")
    (started,) = stack.server.page.control.recorders._started
    process = started.process
    screen.page.close()
    stack.end()
    stack.begin()
    screen = opened_again(stack, screen)
    screen.wait(f"{SAY} === 'Recording run 1.'")
    process.returncode = None
    process.kill()
    process.wait(10)
    screen.wait(f"{ENDS}.includes('died')")
    assert "What it recorded until then is kept." in screen.text("#rec-ends")


def opened_again(stack, screen):
    page = screen.page.context.new_page()
    again = type(screen)(page)
    page.goto(stack.server.url)
    page.goto(stack.server.address + "record")
    return again
