"""The scheme holds from the first painted frame on, whatever the system prefers."""

import base64

import pytest

PAPER = {"light": (248, 247, 243), "dark": (17, 21, 26)}
"""--paper of page.css in both schemes."""

PIXELS = """async ([base64, places]) => {
  const bytes = Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
  const picture = await createImageBitmap(new Blob([bytes], { type: "image/png" }));
  const canvas = new OffscreenCanvas(picture.width, picture.height);
  const context = canvas.getContext("2d", { willReadFrequently: true });
  context.drawImage(picture, 0, 0);
  return places.map(([x, y]) => [...context.getImageData(x, y, 1, 1).data].slice(0, 3));
}"""
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
    first = base64.b64encode(screen.page.screenshot()).decode()
    paper = PAPER[chosen or system]
    seen = screen.page.evaluate(PIXELS, [first, [(2, 2), (700, 450), (1430, 890)]])
    assert set(map(tuple, seen)) == {paper}
    # What is held goes on with it.
    screen.page.unroute("**/_dash-component-suites/**")
    screen.live()
    assert set(screen.page.evaluate("window.backgrounds")) == {as_css(paper)}
