"""Nothing jumps: what is laid out stays where it is while values, states and words change."""

import pytest

pytestmark = pytest.mark.slow

MOST = 0.02
"""Of the cumulative score of the Layout Instability draft (WICG), over a whole test. From memory: browsers'
makers call up to 0.1 good for a page that loads."""
WATCH = """window.shifts = [];
new PerformanceObserver((list) => {
  for (const entry of list.getEntries()) {
    const where = entry.sources.map((s) => s.node && (s.node.id || s.node.className || s.node.nodeName));
    if (!entry.hadRecentInput) window.shifts.push([entry.value, String(where)]);
  }
}).observe({ type: 'layout-shift', buffered: true });"""


def shifted(screen):
    shifts = screen.page.evaluate("window.shifts")
    return sum(value for value, _ in shifts), shifts


@pytest.fixture
def watched(opened, served):
    def watched(path="", width=1440):
        screen = opened(width=width)
        screen.page.add_init_script(WATCH)
        screen.page.goto(served.server.address + path)
        return screen

    return watched


@pytest.mark.parametrize("width", [1440, 390])
def test_live_stands_still_from_start_to_a_dead_recorder(watched, state, fake, width):
    screen = watched(width=width)
    screen.live()
    screen.wait("!!document.querySelector('.tile')")
    # Low enough in a narrow window for the tiles to be seen.
    screen.page.evaluate(f"window.scrollTo(0, {300 if width == 390 else 0})")
    tells = "document.getElementById('{}').textContent.includes('{}')"
    state.growth_per_s = 0.8
    screen.wait(tells.format("phases", "changing"))
    state.growth_per_s = 0.0
    state.amplitude_a = 18.0
    screen.wait(tells.format("phases", "clipped"))
    state.amplitude_a = 0.02
    screen.wait(tells.format("say", "At rest"))
    newest_s = state.newest_s()
    state.events = [fake.overcurrent(newest_s - 2.0, None)]
    screen.wait(tells.format("say", "Overcurrent"))
    screen.page.evaluate("window.scrollTo(0, 0)")
    state.events = []
    screen.wait(tells.format("say", "At rest"))
    state.state = "recovered"
    screen.wait(tells.format("say", "stopped without closing"))
    score, shifts = shifted(screen)
    assert score < MOST, shifts


@pytest.mark.parametrize("width", [1440, 390])
def test_a_run_stands_still_while_it_is_filled_and_zoomed(watched, state, fake, width):
    state.events = [fake.overcurrent(10.0, 10.2)]
    screen = watched("runs/1", width)
    screen.wait("!!(window.livesense?.run?.zoomed && document.querySelector('#run-figures td'))")
    for span in ("10, 10.05", "0, 300", "12.345678, 12.345978"):
        before = screen.page.evaluate("livesense.run.zoomed")
        screen.page.evaluate(f"livesense.run.view({span})")
        screen.wait(f"livesense.run.zoomed > {before}")
    screen.wait("document.querySelector('.said').textContent.includes('the stretch shown above')")
    score, shifts = shifted(screen)
    assert score < MOST, shifts


def test_the_score_sees_what_moves(watched):
    screen = watched()
    screen.live()
    screen.page.evaluate("document.getElementById('headline').style.paddingTop = '200px'")
    screen.wait("window.shifts.length > 0")
    assert shifted(screen)[0] > MOST
