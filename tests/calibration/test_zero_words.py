"""Zeros are asked for in the same words at the terminal and on the page."""

from __future__ import annotations

import argparse
import io
import sys

import pytest

from dashboard.calibration import zero_form
from livesense.cli.zero import _agreed
from livesense.zero_words import ASK_SURE, CAUTION, NOT_SURE, SURE


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(("answer", "agreed"), [("\n", False), ("n\n", False), ("y\n", True)])
def test_a_terminal_asks_what_the_page_asks(
    monkeypatch: pytest.MonkeyPatch, answer: str, agreed: bool
) -> None:
    said = Terminal()
    monkeypatch.setattr(sys, "stdin", Terminal(answer))
    monkeypatch.setattr(sys, "stderr", said)
    assert _agreed(argparse.Namespace(json=False, yes=False)) is agreed
    lines = " ".join(said.getvalue().split())
    assert CAUTION in lines and ASK_SURE in lines
    assert (NOT_SURE in lines) is not agreed
    page = str(zero_form())
    assert CAUTION in page and SURE in page
    assert NOT_SURE[1:] in page
    assert ASK_SURE.removeprefix("Is the ").removesuffix("?") == SURE.removeprefix("The ").replace(
        " is ", " "
    )
