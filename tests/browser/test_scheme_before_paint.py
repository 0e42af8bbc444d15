"""The scheme holds from the first painted frame on, whatever the system prefers."""

import pytest
from seen import pixels_at

PAPER = {"light": (248, 247, 243), "dark": (17, 21, 26)}
"""--paper of page.css in both schemes."""

WATCH = """
window.backgrounds = [];
(function look() {
  if (document.body) window.backgrounds.push(getComputedStyle(document.body).backgroundColor);
  requestAnimationFrame(look);
})();
"""


def as_css(colour):
    return "rgb({}, {}, {})".format(*colour)


@pytest.mark.parametrize("chosen", ["light", "dark", None])
@pytest.mark.parametrize("system", ["light", "dark"])
def test_it_holds_before_a_script_of_the_page_has_run(opened, system, chosen):
    screen = opened(scheme=system)
    other = {"light": "dark", "dark": "light"}[system]
    if chosen == other:
        screen.page.get_by_role("button", name="Light or dark page").click()
        screen.wait(f"document.documentElement.dataset.mantineColorScheme === '{chosen}'")
    elif chosen is not None:
        # There and back: kept as a choice, though it is the system's.
        for scheme in (other, chosen):
            screen.page.get_by_role("button", name="Light or dark page").click()
            screen.wait(f"document.documentElement.dataset.mantineColorScheme === '{scheme}'")
    held = []
    screen.page.route("**/_dash-component-suites/**", lambda route: held.append(route))
    screen.page.add_init_script(WATCH)
    screen.page.goto(screen.page.url, wait_until="commit")
    screen.wait("window.backgrounds?.length > 3")
    assert held, "no script was held back: this looks too late"
    first = screen.page.screenshot()
    paper = PAPER[chosen or system]
    assert set(pixels_at(screen.page, first, [(2, 2), (700, 450), (1430, 890)])) == {paper}
    # What is held goes on with it.
    screen.page.unroute("**/_dash-component-suites/**")
    screen.live()
    assert set(screen.page.evaluate("window.backgrounds")) == {as_css(paper)}
