"""The chart that ``size`` writes: its file, and that it shows what the table says."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

Command = Callable[..., Any]

ASKED = (
    "size",
    "--current",
    "8.5A",
    "--rms",
    "6A",
    "--trip",
    "12A",
    "--gain",
    "20,50",
    "--small-current",
    "0.5A",
)
SVG = "{http://www.w3.org/2000/svg}"


def labels(path: str) -> list[str]:
    root = ElementTree.fromstring(Path(path).read_text(encoding="utf-8"))
    return [t.text or "" for t in root.iter(f"{SVG}text") if " × " in (t.text or "")]


def test_one_curve_for_each_candidate_and_what_it_misses(livesense: Command) -> None:
    answer = livesense(*ASKED, "--chart", "size.svg")
    assert answer.code == 0 and answer.err == ""
    assert set(labels("size.svg")) == {
        "Error against current: 5 mΩ × 20 is best",
        "4 mΩ × 20 (error)",
        "5 mΩ × 20 (best)",
        "10 mΩ × 20 (range)",
        "1 mΩ × 50 (error)",
        "2 mΩ × 50 (error)",
        "3 mΩ × 50 (range, error)",
    }
    assert len(labels("size.svg")) == 1 + len(livesense(*ASKED, "--json").json["options"])


def test_measured_points_are_laid_on_it(livesense: Command) -> None:
    Path("points.csv").write_text("current_A,error_percent,u_percent\n0.2,9,2\n8,-1,0.3\n", encoding="utf-8")
    assert livesense(*ASKED, "--chart", "size.svg", "--points", "points.csv").code == 0
    assert Path("size.svg").read_text(encoding="utf-8").count("<circle") == 2


def test_nothing_fits(livesense: Command) -> None:
    answer = livesense(*ASKED, "--error", "1 %", "--chart", "size.svg", "--json")
    assert answer.code == 1 and answer.json["best"] is None
    assert "Error against current: none fits" in Path("size.svg").read_text(encoding="utf-8")
    assert not any("best" in label for label in labels("size.svg"))


def test_a_page_holds_chart_and_text(livesense: Command) -> None:
    answer = livesense(*ASKED, "--chart", "size.HTML")
    text = Path("size.HTML").read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>") and "<svg " in text
    assert answer.out.strip() in text
    assert not re.search(r"<script|href=|src=", text)


def test_an_earlier_chart_is_replaced_with_force_only(livesense: Command) -> None:
    for name in ("size.svg", "size.html"):
        assert livesense(*ASKED, "--chart", name).code == 0
        before = Path(name).read_bytes()
        again = livesense(*ASKED, "--error", "50 %", "--chart", name)
        assert (again.code, again.out) == (2, "") and "--force" in again.err
        assert Path(name).read_bytes() == before
        assert livesense(*ASKED, "--error", "50 %", "--chart", name, "--force").code == 0
        assert Path(name).read_bytes() != before


def test_force_replaces_nothing_but_a_chart(livesense: Command) -> None:
    Path("logo.svg").write_text("<svg/>", encoding="utf-8")
    answer = livesense(*ASKED, "--chart", "logo.svg", "--force")
    assert (answer.code, answer.out) == (2, "") and "expected an earlier chart to replace" in answer.err
    assert Path("logo.svg").read_text(encoding="utf-8") == "<svg/>"
    Path("folder.svg").mkdir()
    folder = livesense(*ASKED, "--chart", "folder.svg", "--force")
    assert (folder.code, folder.out) == (2, "") and "cannot replace folder.svg" in folder.err


def test_a_folder_that_is_not_there(livesense: Command) -> None:
    answer = livesense(*ASKED, "--chart", "none/size.svg")
    assert (answer.code, answer.out) == (2, "") and "cannot write" in answer.err


def test_nothing_to_draw_is_said(livesense: Command) -> None:
    answer = livesense(*ASKED, "--reference", "ground", "--chart", "size.svg")
    assert answer.code == 1 and "no candidate reads a current that could be drawn" in answer.err
    assert not Path("size.svg").exists()


@pytest.mark.parametrize("reference", ["ground", "mid-supply"])
def test_a_bus_current(livesense: Command, reference: str) -> None:
    answer = livesense("size", "--current", "8.5A", "--bus", "--reference", reference, "--chart", "bus.svg")
    assert answer.code == 0 and any("(best)" in label for label in labels("bus.svg"))
