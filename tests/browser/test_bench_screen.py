"""The bench file as a form in a browser: edited, judged while typing, saved with comments, checked."""

import pytest
from acting import WATCH, Stack, clean, tab_to

from livesense.sizing_chart import ON_DARK, ON_WHITE
from simulator.main import BENCH

PUMP = BENCH.read_text(encoding="utf-8")
STATE = "document.getElementById('bench-state')?.textContent"
CHANGES = "document.getElementById('bench-changes')?.textContent"


@pytest.fixture
def stack(tmp_path):
    made = []

    def make(bench=PUMP):
        made.append(Stack(tmp_path, bench=bench))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def opened(window):
    def opened(stack, width=1440, scheme="light"):
        screen = window(scheme, width)
        screen.page.add_init_script(WATCH)
        screen.page.goto(stack.server.url)
        screen.page.goto(stack.server.address + "bench")
        screen.wait(f"{STATE} === 'It can be used as it stands.'")
        screen.wait("/Looked at/.test(document.getElementById('bench-checked')?.textContent)")
        return screen

    return opened


def hint(screen, ident):
    return screen.page.evaluate(f"document.getElementById('{ident}-wrong').textContent")


@pytest.mark.slow
def test_a_gain_is_changed_judged_and_saved(stack, opened):
    there = stack()
    screen = opened(there)
    page = screen.page
    assert sum(page.evaluate("window.shifts")) <= 0.02
    page.click("#b-channel-0 > summary")
    assert "8.057 mA" in screen.text("#b-channel-0-facts")
    clean(screen)
    page.fill("#b-channel-0-gain", "lots")
    screen.wait("document.getElementById('b-channel-0-gain').getAttribute('aria-invalid') === 'true'")
    assert hint(screen, "b-channel-0-gain") == 'expected a number above 0 and at most 1e+06, got "lots"'
    page.fill("#b-channel-0-shunt_tolerance", "0,5")
    screen.wait(
        "/got \"0.5\"/.test(document.getElementById('b-channel-0-shunt_tolerance-wrong').textContent)"
    )
    screen.wait(f"{CHANGES} === 'Changed, not saved; 2 mistakes to mend.'")
    assert page.get_attribute("#bench-save", "aria-disabled") == "true"
    clean(screen)
    page.fill("#b-channel-0-shunt_tolerance", "0,5 %")
    page.fill("#b-channel-0-gain", "12,5")
    screen.wait(f"{CHANGES} === 'Changed, not saved.'")
    screen.wait("document.getElementById('b-channel-0-facts').textContent.includes('12.89 mA')")

    # Loaded anew, what was typed is still there.
    page.reload()
    screen.wait(f"{CHANGES} === 'Changed, not saved.'")
    page.click("#bench-save")
    screen.wait(f"{STATE} === 'Saved. The file as it was before is pump.toml.bak.'")
    text = there.bench.read_text(encoding="utf-8")
    assert text == PUMP.replace("gain = 20", "gain = 12.5", 1).replace(
        'shunt_tolerance = "1 %"', 'shunt_tolerance = "0.5 %"', 1
    )
    assert there.bench.with_name("pump.toml.bak").read_text(encoding="utf-8") == PUMP


@pytest.mark.slow
def test_a_fix_goes_into_the_form(stack, opened):
    there = stack()
    screen = opened(there)
    edit = {"table": "channel", "channel": "iv", "group": None, "key": "plus_input", "value": "motor"}
    finding = {"kind": "reversed", "channel": "iv", "severity": "fault", "text": "iv reads the other way",
               "fix": 'plus_input = "motor"', "edit": edit}  # fmt: skip
    report = {"ok": False, "findings": [finding], "unproven": [], "looked_at": "a run"}
    screen.page.route("**/api/bench/0/check", lambda route: route.fulfill(json=report))
    screen.page.click("#b-check-run")
    screen.page.get_by_role("button", name="Put into the form: plus_input").click()
    screen.wait("document.activeElement.id === 'b-channel-1-plus_input'")
    assert screen.page.input_value("#b-channel-1-plus_input") == "motor"
    clean(screen)
    screen.wait(f"{CHANGES} === 'Changed, not saved.'")
    screen.page.click("#bench-undo")
    screen.wait(f"{CHANGES} === 'No change.'")
    screen.page.click("#b-check-run")
    screen.page.get_by_role("button", name="Put into the form: plus_input").click()
    screen.page.click("#bench-save")
    screen.wait(f"/^Saved/.test({STATE})")
    assert there.bench.read_text(encoding="utf-8").count('plus_input = "motor"') == 1


@pytest.mark.slow
def test_what_is_typed_is_checked_before_it_is_saved(stack, opened):
    screen = opened(stack())
    page = screen.page
    checked = "document.getElementById('bench-checked').textContent"
    # Commands in the server's words are code, not words between backticks.
    assert page.locator(".bench-findings li code", has_text="livesense walk").count()
    page.fill("#b-motor-rated_current", "20 A")
    screen.wait(f"/before the last change: check again/.test({checked})")
    page.click("#b-check-file")
    screen.wait(f"/^Looked at: .*, as it is typed here, not saved/.test({checked})")
    assert "it clips at rated load" in screen.text(".bench-findings")
    page.fill("#b-motor-rated_current", "much")
    screen.wait(f"{CHANGES} === 'Changed, not saved; 1 mistake to mend.'")
    page.click("#b-check-file")
    screen.wait(f"{checked} === 'not checked: mend what is marked first'")


@pytest.mark.slow
def test_the_chart_follows_the_scheme(stack, opened):
    screen = opened(stack())
    picture = "decodeURIComponent(document.querySelector('.bench-chart').src)"
    paper = f'{picture}.match(/<rect[^>]*fill="([^"]+)"/)[1]'
    assert screen.page.evaluate(paper) == ON_WHITE.paper
    screen.page.emulate_media(color_scheme="dark")
    screen.wait(f"{paper} === '{ON_DARK.paper}'")


@pytest.mark.slow
def test_the_chart_can_be_read_on_a_narrow_screen(stack, opened):
    screen = opened(stack(), 390)
    screen.wait("document.querySelector('.bench-chart')?.naturalWidth > 0")
    # Its letters are at least two thirds of their size; the page itself does not move aside.
    shown, drawn = screen.page.evaluate(
        "(c => [c.width, c.naturalWidth])(document.querySelector('.bench-chart'))"
    )
    assert shown >= drawn * 2 / 3
    assert screen.page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    clean(screen)


@pytest.mark.slow
def test_a_channel_comes_by_keyboard(stack, opened):
    there = stack()
    screen = opened(there, width=390, scheme="dark")
    keys = screen.page.keyboard
    tab_to(screen, "#b-add-channel", most=200)
    keys.press("Enter")
    screen.wait("document.activeElement.closest('#b-channel-7')")
    tab_to(screen, "#b-channel-7-name")
    keys.type("t_motor")
    tab_to(screen, "#b-channel-7-sensor")
    keys.type("ntc")
    screen.wait(
        "!!document.getElementById('b-channel-7-r25') && !document.getElementById('b-channel-7-shunt')"
    )
    for key, text in (("pull_up", "10 kΩ"), ("r25", "10 kΩ"), ("beta", "3950 K")):
        screen.page.fill(f"#b-channel-7-{key}", text)
    screen.wait(f"{CHANGES} === 'Changed, not saved.'")
    screen.wait("!!document.querySelector('#b-channel-7-facts dd')")
    clean(screen)
    screen.page.evaluate("document.getElementById('b-channel-7-name').focus()")
    tab_to(screen, "#bench-save", most=200)
    keys.press("Enter")
    screen.wait(f"/^Saved/.test({STATE})")
    assert 'name = "t_motor"\nsensor = "ntc"' in there.bench.read_text(encoding="utf-8")


@pytest.mark.slow
def test_hostile_texts_of_a_bench_file_stay_text(stack, opened):
    evil = "<img src=x onerror=alert(1)> %{x} $y$ \u202ez"
    text = PUMP.replace('name = "coolant pump, 24 V"', f'name = "{evil}"').replace(
        'labels = { 0 = "off"', f'board = "{evil}"\nlabels = {{ 0 = "{evil}"'
    )
    there = stack(text)
    screen = opened(there)
    dialogs = []
    screen.page.on("dialog", lambda dialog: (dialogs.append(dialog.message), dialog.dismiss()))
    assert screen.page.input_value("#b-bench-name") == evil
    screen.page.click("#b-channel-6 > summary")
    assert screen.page.input_value("#b-channel-6-board") == evil
    screen.page.fill("#b-channel-0-name", evil) if screen.page.locator("#b-channel-0-name").count() else None
    screen.page.click("#b-channel-0 > summary")
    screen.page.fill("#b-channel-0-name", evil)
    screen.wait("document.getElementById('b-channel-0-name').getAttribute('aria-invalid') === 'true'")
    assert screen.page.locator("img[src='x']").count() == 0
    card = screen.page.context.new_page()
    card.goto(there.server.address + "bench-card/0")
    assert card.locator("img").count() == 0
    assert "onerror" in card.inner_text("body")
    assert not dialogs


@pytest.mark.slow
def test_the_check_by_a_run_and_two_windows(stack, opened):
    there = stack()
    first, second = opened(there), opened(there)
    first.page.click("#b-channel-1 > summary")
    first.page.fill("#b-channel-1-delay", "0.3 µs")
    first.wait(f"{CHANGES} === 'Changed, not saved.'")
    first.page.click("#bench-save")
    first.wait(f"/^Saved/.test({STATE})")
    second.page.fill("#b-bench-bus_voltage", "48 V")
    second.wait(f"/changed meanwhile by somebody else/.test({STATE})")
    first.page.click("#b-check-run")
    first.wait("/record a run first/.test(document.getElementById('bench-checked').textContent)")
