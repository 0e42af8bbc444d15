"""The card on paper: one sheet, readable, self-contained, escaped, the same bytes each time."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest

from livesense.bench import Bench, parse
from livesense.bench.template import starter
from livesense.card.as_html import html
from livesense.card.as_pdf import pdf
from livesense.card.build import card_of
from livesense.card.content import Card
from livesense.card.fit import PAPERS, html_size, stacks
from livesense.card.points import numbers
from livesense.errors import UsageError

CHROMIUM = next(
    (p for n in ("chromium", "chromium-browser", "google-chrome") if (p := shutil.which(n))), None
)
HOSTILE = '<script>alert(1)</script>&amp; "Ω → 日本" </style>'

EIGHT = """
[[channel]]
name = "ibus"
phase = "bus"
sensor = "shunt"
shunt = "2 mΩ"
gain = 50
reference = "ground"
supply = "5 V"

[[channel]]
name = "t_sink"
sensor = "ntc"
r25 = "10 kΩ"
beta = "3950 K"
pull_up = "10 kΩ"

[[channel]]
name = "state"
sensor = "state"
labels = { 0 = "off", 1 = "run", 2 = "fault" }

[[channel]]
name = "hall"
sensor = "linear"
scale = "25 A/V"
zero = "1.65 V"
"""
SHUNTS = "".join(
    f'[[channel]]\nname = "i{n}"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = {20 + n}\n'
    'reference = "mid-supply"\n'
    for n in range(9)
)


def card(text: str) -> Card:
    bench = parse(text, "pump.toml")
    return card_of(bench, numbers(bench))


def written(text: str, paper: str = "a4") -> str:
    made = card(text)
    return html(made, PAPERS[paper], html_size(made, PAPERS[paper])[0])


def pages(data: bytes) -> list[str]:
    return [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages]


@pytest.fixture
def printed(tmp_path: Path) -> Callable[[str], list[str]]:
    """Print a page as a browser does; the text of each sheet."""
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("CI prints cards: install chromium")
        pytest.skip("no Chromium here: install chromium to print cards")

    def make(page: str) -> list[str]:
        source, out = tmp_path / "card.html", tmp_path / "printed.pdf"
        source.write_text(page, encoding="utf-8")
        subprocess.run(
            [
                str(CHROMIUM), "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
                f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={out}", source.as_uri(),
            ],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        return pages(out.read_bytes())

    return make


# ── one sheet ────────────────────────────────────────────────────────────────────────────────────


@pytest.mark.slow
@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("more", ["", EIGHT], ids=["pump", "eight channels"])
def test_a_browser_prints_one_sheet(printed: Callable[[str], list[str]], paper: str, more: str) -> None:
    (sheet,) = printed(written(starter() + more, paper))
    assert "coolant pump, 24 V" in sheet and "1.750" in sheet and "2172" in sheet
    assert "Prove dead." in sheet and "Local codes" in sheet


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("more", ["", EIGHT], ids=["pump", "eight channels"])
def test_the_pdf_is_one_sheet_that_lies_on_its_side(paper: str, more: str) -> None:
    data, count = pdf(card(starter() + more), PAPERS[paper])
    (sheet,) = pages(data)
    assert count == 1
    box = pypdf.PdfReader(io.BytesIO(data)).pages[0].mediabox
    width, height = float(box.width) * 25.4 / 72, float(box.height) * 25.4 / 72
    assert (width, height) == pytest.approx((PAPERS[paper].width_mm, PAPERS[paper].height_mm), abs=0.1)
    for text in ("coolant pump, 24 V", "1.750", "2172", "3538", "33.3 %", "5 mΩ", "√2 × 6 A", "Prove dead."):
        assert text in sheet.replace("\xa0", " "), text


def test_too_many_different_blocks_take_more_sheets_and_lose_nothing() -> None:
    made = card(f'[adc]\nbits = 12\nreference = "3.3 V"\n{SHUNTS}')
    assert not html_size(made, PAPERS["a4"])[1]
    data, count = pdf(made, PAPERS["a4"])
    sheets = pages(data)
    assert count == len(sheets) > 1
    assert all(any(f"i{n}" in sheet for sheet in sheets) for n in range(9))
    assert f"page 2 of {count}" in sheets[1]
    assert "Prove dead." in sheets[-1]


def test_stacks_are_about_alike_and_keep_the_order(pump: Bench) -> None:
    blocks = card(starter() + EIGHT).small()
    heights = [(block, height) for block, height in zip(blocks, (30.0, 40.0, 10.0, 50.0), strict=True)]
    left, right = stacks(heights)
    # 50 | 40, then 30 beside 40, then 10 beside 50: 60 and 70.
    assert [blocks.index(b) for b in left] == [2, 3] and [blocks.index(b) for b in right] == [0, 1]


# ── what is in the files ─────────────────────────────────────────────────────────────────────────


class Tags(HTMLParser):
    """Tags and attributes of a page, and its text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: list[tuple[str, str]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        self.attributes += [(key, value or "") for key, value in attrs]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_html_needs_nothing_from_outside() -> None:
    page = written(starter() + EIGHT)
    found = Tags(page)
    assert not found.tags & {"script", "link", "img", "iframe", "object"}
    assert not [key for key, _ in found.attributes if key in ("src", "href") or key.startswith("on")]
    assert "url(" not in page and "@import" not in page and "http" not in page
    assert "prefers-color-scheme" not in page


def test_hostile_names_are_text_and_nothing_else() -> None:
    text = starter().replace('"coolant pump, 24 V"', f"'{HOSTILE}'") + EIGHT.replace('"off"', f"'{HOSTILE}'")
    plain = Tags(written(starter() + EIGHT))
    found = Tags(written(text))
    assert found.tags == plain.tags and len(found.attributes) == len(plain.attributes)
    assert found.text.count("<script>alert(1)</script>&amp;") >= 3
    (sheet,) = pages(pdf(card(text), PAPERS["a4"])[0])
    # The fonts have neither the arrow nor the last two signs.
    assert '<script>alert(1)</script>&amp; "Ω ? ??"' in sheet.replace("\n", " ")


def test_blanks_are_lines() -> None:
    page = written(starter())
    assert page.count('class="blank"') > 10 and "____" not in page
    assert "____" in pages(pdf(card(starter()), PAPERS["a4"])[0])[0]


def test_fonts_are_embedded() -> None:
    reader = pypdf.PdfReader(io.BytesIO(pdf(card(starter()), PAPERS["a4"])[0]))
    fonts = [font.get_object() for font in reader.pages[0]["/Resources"]["/Font"].values()]  # type: ignore[index]
    used = [font for font in fonts if "Vera" in font["/BaseFont"]]
    assert used and all("/FontFile2" in font["/FontDescriptor"] for font in used)


# ── the same each time ───────────────────────────────────────────────────────────────────────────

_AGAIN = """
import hashlib, sys
from livesense.bench import load
from livesense.card.as_html import html
from livesense.card.as_pdf import pdf
from livesense.card.build import card_of
from livesense.card.fit import PAPERS
from livesense.card.points import numbers
bench = load(sys.argv[1])
card = card_of(bench, numbers(bench))
for data in (html(card, PAPERS["a4"], 8.0).encode(), pdf(card, PAPERS["a4"])[0]):
    print(hashlib.sha256(data).hexdigest())
"""


def test_another_process_makes_the_same_bytes(tmp_path: Path) -> None:
    path = tmp_path / "pump.toml"
    path.write_text(starter(), encoding="utf-8")
    said = [
        subprocess.run(
            [sys.executable, "-c", _AGAIN, str(path)],
            check=True,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    ]
    assert said[0] == said[1] and len(said[0].split()) == 2


def test_without_reportlab_the_pdf_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in sys.modules if name.split(".")[0] == "reportlab"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "reportlab", None)
    with pytest.raises(UsageError, match=re.escape("pip install reportlab")) as caught:
        pdf(card(starter()), PAPERS["a4"])
    assert "\n" not in str(caught.value)
    assert "<!doctype html>" in written(starter())
