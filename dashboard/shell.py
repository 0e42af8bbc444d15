"""The frame around every screen: name, screens, colour scheme, the caution, and what goes where."""

from __future__ import annotations

import re
from typing import Any

import dash_mantine_components as dmc
from dash import dcc, html

from dashboard.ways import SCREENS

CAUTION = "A measurement aid, not a protective device."
CAUTIONS = (
    "What is shown here is evidence, not protection: it can be late, wrong or missing. "
    "A reading of zero does not prove a circuit dead; a supply that is switched off is not yet discharged. "
    "Prove it with a rated meter, keep a hardware stop in reach, and follow your local codes and the "
    "judgement of qualified people."
)

# Ten shades of the page's own ink; DMC takes its accents from them.
INK = [
    "#f3f4f5", "#e2e5e8", "#c8cdd3", "#aab2bb", "#8b96a2",
    "#6d7986", "#525e6b", "#3b4651", "#27313b", "#171e26",
]  # fmt: skip

THEME: dict[str, Any] = {
    "primaryColor": "ink",
    "colors": {"ink": INK},
    "primaryShade": {"light": 8, "dark": 2},
    "autoContrast": True,
    "defaultRadius": 3,
}


def wild(**attributes: str) -> dict[str, Any]:
    """Attributes with a hyphen, written with an underscore: ``aria_label``, ``data_screen``."""
    return {name.replace("_", "-"): value for name, value in attributes.items()}


def worded(text: str) -> list[Any]:
    """Parts of a text of livesense's own: `commands` become code, and [Record] a way to that screen."""
    parts = re.split(rf"`([^`]+)`|\[({'|'.join(SCREENS)})\]", text)
    words: list[Any] = []
    for at in range(0, len(parts), 3):
        words.append(parts[at])
        code, screen = parts[at + 1 : at + 3] or (None, None)
        if code:
            words.append(html.Code(code))
        elif screen:
            words.append(dcc.Link(screen, href=SCREENS[screen]))
    return words


def band(title: str, *children: Any, ident: str, heading: bool = True) -> html.Section:
    """One band of a screen: its name stands in the margin, its matter beside it."""
    label = html.H2(title, className="margin-name", id=f"{ident}-name") if heading else None
    return html.Section(
        [html.Div(label, className="margin"), html.Div(list(children), className="matter")],
        className="band",
        id=ident,
        **wild(aria_labelledby=f"{ident}-name") if heading else wild(aria_label=title),
    )


def shell() -> dmc.MantineProvider:
    """Return the whole page; the screen itself is put into ``#screen``."""
    return dmc.MantineProvider(
        defaultColorScheme="auto",
        theme=THEME,
        children=[
            dcc.Location(id="where", refresh="callback-nav"),
            html.A("Skip to the screen", href="#screen", className="skip"),
            html.Header(
                [
                    html.Div(
                        [html.Span(className="mark", **wild(aria_hidden="true")), "livesense"],
                        className="name",
                    ),
                    html.Nav(
                        [
                            dcc.Link(name, href=path, className="tab", id=f"tab-{path[1:] or 'live'}")
                            for name, path in SCREENS.items()
                        ],
                        **wild(aria_label="Screens"),
                    ),
                    html.P(CAUTION, className="caution"),
                    dmc.ColorSchemeToggle(
                        lightIcon=html.Span(className="icon icon-light"),
                        darkIcon=html.Span(className="icon icon-dark"),
                        variant="subtle",
                        id="scheme",
                        **wild(aria_label="Light or dark page"),
                    ),
                ],
                className="top",
            ),
            html.Main(id="screen", tabIndex="-1"),
            html.Footer(
                [html.Div(className="margin"), html.P(CAUTIONS, className="matter")], className="band foot"
            ),
            html.Div(id="aloud", className="aloud", role="status", **wild(aria_live="polite")),
        ],
    )


def nothing_here(text: str, do: str = "Go to [Runs] for all that is recorded.") -> html.Div:
    """Return a screen that only says why it is empty and where to go."""
    return html.Div(
        [
            html.H1("Nothing here", className="aloud"),
            band(
                "Now",
                html.P(worded(text), className="say"),
                html.P(worded(do), className="advice"),
                ident="now",
            ),
        ]
    )
