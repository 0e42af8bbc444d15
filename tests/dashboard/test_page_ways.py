"""Texts of the page's own: commands as code, names of screens as ways there."""

import json

import pytest

from dashboard.shell import worded
from dashboard.ways import SCREENS, START


def made(text):
    parts = worded(text)
    return [
        part
        if isinstance(part, str)
        else tuple(json.loads(json.dumps(part.to_plotly_json()["props"])).items())
        for part in parts
        if part
    ]


def test_commands_become_code_and_screens_links():
    assert made("Go to [Record], or type `livesense record`.") == [
        "Go to ",
        (("children", "Record"), ("href", "/record")),
        ", or type ",
        (("children", "livesense record"),),
        ".",
    ]


@pytest.mark.parametrize("text", ["", "plain", "[link] of the bench file", "[record]", "a [ b ` c"])
def test_what_names_no_screen_stays_text(text):
    assert "".join(made(text)) == text


@pytest.mark.parametrize("name", list(SCREENS))
def test_every_screen_can_be_led_to(name):
    assert made(f"[{name}]") == [(("children", name), ("href", SCREENS[name]))]


def test_the_page_s_own_way_comes_first():
    parts = made(START)
    assert dict(parts[1])["href"] == "/record" and "livesense record" in dict(parts[3])["children"]
