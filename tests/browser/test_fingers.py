"""Fingers on pictures of a phone: sideways moves, two change the length, up and down scrolls the page."""

import pytest
from fingers import Hand

ZOOMED = "!!(window.livesense?.run?.zoomed && document.querySelector('#run-figures td'))"
RANGE = "[livesense.run.from, livesense.run.to]"


@pytest.fixture
def touched(served, window):
    """Open a path as a phone does; give the screen, its fingers, and the box of a graph in the window."""

    def touched(path, graph, ready=ZOOMED):
        screen = window(width=390, has_touch=True, is_mobile=True)
        screen.page.goto(served.server.url)
        screen.page.goto(served.server.address + path)
        screen.wait(ready)
        place = screen.page.locator(graph).first
        place.evaluate("(e) => e.scrollIntoView({ block: 'center', behavior: 'instant' })")
        return screen, Hand(screen), place.bounding_box()

    return touched


def time_at(screen, x):
    from_s, to_s = screen.page.evaluate(RANGE)
    left, width = screen.page.evaluate(
        """(() => {
          const { plot } = livesense.run, { _offset, _length } = plot._fullLayout.xaxis;
          return [plot.getBoundingClientRect().left + _offset, _length];
        })()"""
    )
    return from_s + (x - left) / width * (to_s - from_s)


GRAPH = "#run-graph"


def test_a_finger_sideways_moves_the_picture_and_not_the_page(touched):
    screen, hand, box = touched("runs/1?from=100&to=200", GRAPH)
    before, middle = screen.page.evaluate("scrollY"), box["y"] + box["height"] / 2
    begin, end = box["x"] + 0.7 * box["width"], box["x"] + 0.3 * box["width"]
    below = time_at(screen, begin)
    hand.drag([(begin, middle)], [(end, middle)])
    # What was touched stays below the finger, but for what the browser takes to tell a drag from a tap.
    screen.wait("livesense.run.from > 130")
    screen.wait("Math.abs(livesense.run.plot._fullLayout.xaxis.range[0] - livesense.run.from) < 1e-9")
    from_s, to_s = screen.page.evaluate(RANGE)
    assert to_s - from_s == pytest.approx(100.0)
    assert time_at(screen, end) == pytest.approx(below, abs=100 * 16 / box["width"])
    assert screen.page.evaluate("scrollY") == before
    screen.wait("livesense.run.held.times[0].at(-1) > livesense.run.to - 1")


def test_a_finger_up_and_down_scrolls_the_page_and_leaves_the_picture(touched):
    for graph in (GRAPH, "#strip"):
        screen, hand, box = touched("runs/1?from=100&to=200", graph)
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        before = screen.page.evaluate("scrollY")
        hand.drag([(x, y)], [(x + 3, y - 200)])
        screen.wait(f"scrollY > {before} + 120")
        assert screen.page.evaluate(RANGE) == [100, 200]


def test_two_fingers_zoom_about_what_lies_between_them(touched):
    screen, hand, box = touched("runs/1?from=100&to=200", GRAPH)
    y, at = box["y"] + 80, [box["x"] + part * box["width"] for part in (0.2, 0.4, 0.6, 0.8)]
    between = time_at(screen, (at[1] + at[2]) / 2)
    hand.drag([(at[1], y), (at[2], y + 40)], [(at[0], y), (at[3], y + 40)])
    screen.wait("livesense.run.to - livesense.run.from < 45")
    assert time_at(screen, (at[0] + at[3]) / 2) == pytest.approx(between, abs=1.0)
    # The samples of what is shown now come with it: more of them to the second than before.
    screen.wait("livesense.run.zoomed >= 2 && livesense.run.plot._fullLayout.xaxis.range[0] > 120")
    hand.drag([(at[0], y), (at[3], y)], [(at[1], y), (at[2], y)])
    screen.wait("livesense.run.to - livesense.run.from > 80")
    assert screen.page.evaluate("visualViewport.scale") == 1


def test_the_picture_follows_while_fingers_are_down(touched):
    screen, hand, box = touched("runs/1?from=100&to=200", GRAPH)
    y = box["y"] + 80
    hand.drag([(box["x"] + 200, y)], [(box["x"] + 80, y)], lift=False)
    screen.wait("livesense.run.plot._fullLayout.xaxis.range[0] > 120")
    hand.tell("touchEnd", [])


def test_a_tap_still_tells_the_values(touched):
    screen, _, box = touched("runs/1?from=150&to=150.05", GRAPH)
    screen.page.touchscreen.tap(box["x"] + 100, box["y"] + 30)
    screen.wait("!!document.querySelector('#run-graph .hoverlayer :is(.legend, .hovertext)')")


def test_the_live_picture_scrolls_with_the_page_and_zooms_when_it_is_paused(touched):
    screen, hand, box = touched("", "#live-graph .nsewdrag", "(window.livesense?.live?.frames ?? 0) > 3")
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    before = screen.page.evaluate("scrollY")
    hand.drag([(x, y)], [(x, y - 200)])
    screen.wait(f"scrollY > {before} + 120")
    screen.page.get_by_role("button", name="Pause").tap()
    screen.wait("livesense.live.plot.data.length === 3")
    screen.page.locator("#live-graph").evaluate("(e) => e.scrollIntoView({ block: 'center' })")
    box = screen.page.locator("#live-graph .nsewdrag").bounding_box()
    length = "Number(livesense.live.plot.layout.xaxis.range[1] - livesense.live.plot.layout.xaxis.range[0])"
    whole = screen.page.evaluate(length)
    y = box["y"] + 100
    hand.drag([(x - 40, y), (x + 40, y)], [(x - 100, y), (x + 100, y)])
    screen.wait(f"{length} < {0.6 * whole}")
