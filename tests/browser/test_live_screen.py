"""The Live screen in a real browser."""

import pytest


def test_the_picture_moves_stands_still_on_pause_and_goes_on(opened, state):
    screen = opened()
    screen.live(10)
    assert screen.text("#live-caption") == "Begins where phase U rises through zero"
    assert (
        screen.text("#say") == "Running forward at 600 rpm; currents balanced within 0.6 %; V is 0.3° late."
    )

    screen.page.keyboard.press("p")
    screen.wait("livesense.live.plot.data.length === 3")
    drawn = screen.page.evaluate("livesense.live.scope.drawn")
    received = screen.page.evaluate("livesense.live.newest.newest")
    screen.wait(f"livesense.live.newest.newest > {received} + 0.2")
    assert screen.page.evaluate("livesense.live.scope.drawn") == drawn
    assert screen.page.evaluate("getComputedStyle(livesense.live.scope.canvas).visibility") == "hidden"
    assert "Standing still" in screen.text("#live-caption")

    # Real traces can be zoomed.
    box = screen.page.locator("#live-graph .nsewdrag").bounding_box()
    screen.page.mouse.move(box["x"] + 100, box["y"] + 100)
    screen.page.mouse.down()
    screen.page.mouse.move(box["x"] + 300, box["y"] + 250, steps=4)
    screen.page.mouse.up()
    screen.wait("livesense.live.plot._fullLayout.xaxis.range[1] < 40")

    screen.page.keyboard.press("p")
    screen.wait(f"livesense.live.scope.drawn > {drawn} + 5")
    assert screen.page.evaluate("livesense.live.plot.data.length") == 0
    screen.wait("livesense.live.plot._fullLayout.xaxis.range[1] === 60")


PIXELS = """() => {
  const live = livesense.live, scope = live.scope, area = scope.area();
  const drag = live.plot.querySelector('.nsewdrag').getBoundingClientRect();
  const canvas = scope.canvas.getBoundingClientRect();
  const zero = live.plot._fullLayout.yaxis.d2p(0), ten = live.plot._fullLayout.yaxis.d2p(10);
  // One flat trace at 10 A: its pixels must lie where Plotly puts 10 A.
  live.disconnect();
  scope.picture = null;
  scope.draw();
  scope.channels = [{ look: 0 }];
  scope.picture = { channels: 1, points: 2, x0: area.x[0], dx: area.x[1] - area.x[0],
    values: new Float32Array([10, 10]), clipped: new Uint8Array(2) };
  scope.draw();
  const ratio = scope.canvas.height / canvas.height, column = Math.round(scope.canvas.width / 2);
  const data = scope.context.getImageData(column, 0, 1, scope.canvas.height).data;
  let sum = 0, weight = 0;
  for (let y = 0; y < scope.canvas.height; y += 1) {
    sum += data[4 * y + 3] * (y + 0.5);
    weight += data[4 * y + 3];
  }
  return { left: canvas.left - drag.left, top: canvas.top - drag.top, width: canvas.width - drag.width,
    height: canvas.height - drag.height, painted: sum / weight / ratio, ten, zero, weight };
}"""


@pytest.mark.parametrize("width", [1440, pytest.param(390, marks=pytest.mark.slow)])
def test_the_canvas_lies_on_plotlys_axes_to_the_pixel(opened, width):
    screen = opened(width=width)
    screen.live()
    found = screen.page.evaluate(PIXELS)
    assert found["weight"] > 0
    for side in ("left", "top", "width", "height"):
        assert found[side] == pytest.approx(0.0, abs=0.51), side
    assert found["painted"] == pytest.approx(found["ten"], abs=0.6)
    assert found["ten"] < found["zero"]


@pytest.mark.slow
def test_a_running_picture_when_asked_and_when_slow(opened, state):
    screen = opened()
    screen.live()
    screen.page.get_by_text("Running", exact=True).click()
    screen.wait("livesense.live.shown && !livesense.live.shown.steady")
    screen.wait("livesense.live.plot._fullLayout.xaxis.range[0] === -2")
    screen.page.get_by_text("Steady", exact=True).click()
    screen.wait("livesense.live.shown && livesense.live.shown.steady")
    state.frequency_hz = 0.5
    screen.wait("livesense.live.shown && !livesense.live.shown.steady")
    assert "no even cycles" in screen.text("#live-caption")


@pytest.mark.slow
def test_a_recorder_that_died_and_a_server_that_is_gone_are_said(opened, served, state):
    screen = opened()
    screen.live()
    state.state = "recovered"
    screen.wait("document.getElementById('headline').dataset.tone === 'fault'")
    assert "stopped without closing" in screen.text("#say")
    assert "stopped" in screen.text("#aloud")
    served.stop()
    screen.wait("document.getElementById('say').textContent.includes('no word')")
    assert "what it had last" in screen.text("#advice")
    assert screen.text("#link [data-key=recorder]") == "not known now"
    # Nobody tells the age any more; it counts on all the same.
    before = screen.text("#link [data-key=age]")
    screen.wait(f"document.querySelector('#link [data-key=age]').textContent !== '{before}'")
    screen.complaints.clear()  # the browser itself complains of refused connections


@pytest.mark.slow
def test_six_tabs_of_one_browser_all_live(opened, served, state):
    """Browsers open six connections to a host: streams must leave some for everything else."""
    screen = opened()
    screen.live()
    others = []
    for _ in range(5):
        page = screen.page.context.new_page()
        page.goto(served.server.address)
        others.append(page)
    for page in others:
        end = 0
        while not page.evaluate("!!(window.livesense && livesense.live && livesense.live.frames > 1)"):
            page.wait_for_timeout(50)
            end += 1
            assert end < 400
    assert served.server.page.streams.open <= 4
    for page in others:
        page.close()
    waited = 0
    while served.server.page.streams.open > 1:
        screen.page.wait_for_timeout(50)
        waited += 1
        assert waited < 200
    screen.wait(f"livesense.live.frames > {screen.page.evaluate('livesense.live.frames')} + 3")


@pytest.mark.slow
def test_leaving_the_screen_gives_the_stream_back(opened, served):
    screen = opened()
    screen.live()
    screen.page.get_by_role("link", name="Runs").click()
    screen.wait("!!document.querySelector('.settled .ag-row')")
    waited = 0
    while served.server.page.streams.open:
        screen.page.wait_for_timeout(50)
        waited += 1
        assert waited < 200
    assert screen.page.evaluate("livesense.live") is None


@pytest.mark.slow
def test_limits_and_clipped_parts_are_drawn(opened, state):
    state.amplitude_a = 18.0
    screen = opened()
    screen.live()
    screen.wait("livesense.live.plot._fullLayout.annotations.length === 2")
    assert screen.page.evaluate("livesense.live.plot._fullLayout.annotations[0].text") == "limit 12 A"
    assert "clipped" in screen.text("#phases")
    assert screen.page.evaluate("livesense.live.shown.clipped.some((mark) => mark === 1)")


@pytest.mark.slow
def test_dark_follows_the_system_and_the_toggle_and_recolours_the_figure(opened):
    screen = opened(scheme="dark")
    screen.live()
    assert screen.page.evaluate("livesense.dark()")
    dark = screen.page.evaluate("livesense.live.plot._fullLayout.xaxis.gridcolor")
    ink = screen.page.evaluate("livesense.live.scope.colours[0]")
    screen.page.get_by_role("button", name="Light or dark page").click()
    screen.wait("!livesense.dark()")
    screen.wait(f"livesense.live.plot._fullLayout.xaxis.gridcolor !== '{dark}'")
    assert screen.page.evaluate("livesense.live.scope.colours[0]") != ink
