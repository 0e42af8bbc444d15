"""`report` on recorded runs of the simulated pump."""

from __future__ import annotations

import csv
import hashlib
import io
import re
import shlex
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group
from pypdf import PdfReader
from scripting_page import in_examples, keys, sections

import simulator

Command = Callable[..., Any]
BENCH = Path(simulator.__file__).parent / "benches" / "coolant-pump.toml"

LIMITS = """
[limits]
current_rms = "6.5 A"
unbalance = "3 %"
speed = ["2300 rpm", "2500 rpm"]
current_peak = "12 A"
start_time = "1.7 s"
events = 0
"""


@pytest.fixture
def pump(livesense: Command, tmp_path: Path) -> Callable[..., None]:
    """Record a scenario with limits."""

    def made(scenario: str = "overload", limits: str = LIMITS, name: str = "first start") -> None:
        out = f"file:{scenario}.bin"
        words = ("--scenario", scenario, "--speed", "max", "--rate", "5000", "--outlet", out)
        assert livesense("simulate", *words).code == 0
        (tmp_path / "pump.toml").write_text(BENCH.read_text(encoding="utf-8") + limits, encoding="utf-8")
        words = ("--port", out, "--until-closed", "--quiet", "--name", name)
        assert livesense("record", "pump.toml", *words).code == 0

    return made


def tags(page: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page))


@pytest.mark.slow
def test_a_run_from_its_limits_to_its_bench_file(pump: Any, livesense: Command, tmp_path: Path) -> None:
    pump()
    answer = livesense("report", "last", "--json", "--purpose", "does it start", "--by", "the bench")
    assert answer.code == 1, answer.err
    facts = answer.json
    section = sections()["report"]
    assert set(keys(facts)) - {"value", "u", "unit", "channel", "at_least"} <= in_examples(section)
    verdicts = {
        row["limit"]: {r["verdict"] for r in facts["verdicts"] if r["limit"] == row["limit"]}
        for row in facts["verdicts"]
    }
    assert verdicts["current_rms"] == {"passed"}
    assert verdicts["speed"] == {"passed"}
    # 14.8 A of a limit of 12 A; 1.73 s of 1.7 s, told in steps of 20 ms.
    assert verdicts["current_peak"] == {"passed", "failed"}
    assert verdicts["events"] == {"failed"}
    page = Path(facts["file"]).read_text(encoding="utf-8")
    said = tags(page)
    for text in (
        "Not within the limits", "does it start", "the bench", "Prove" if False else "prove dead", "200 Hz",
        "Uncertainty budget", "resistance of the shunt", "What could not be proven", "Gaps and link",
        "load change", "overcurrent", facts["sha256"], 'rated_current = &quot;6 A&quot;',
    ):  # fmt: skip
        assert text in said, text
    assert page.count("<svg") >= 8
    # One file, nothing from elsewhere, nothing that runs.
    assert not re.search(r"<script|<link|<img|<iframe|@import|url\(|src=|href=", page)
    # The command in it makes the same bytes.
    command = shlex.split(
        re.search(r"<pre>(livesense report .*?)</pre>", page).group(1).replace("&quot;", '"')
    )  # type: ignore[union-attr]
    again = livesense(*command[1:], "--out", "again.html")
    assert again.code == 1
    assert (tmp_path / "again.html").read_bytes() == Path(facts["file"]).read_bytes()


@pytest.mark.slow
def test_the_pdf_says_the_same(pump: Any, livesense: Command, tmp_path: Path) -> None:
    pump("bring-up", limits="")
    for out in ("a.pdf", "b.pdf", "a.html"):
        assert livesense("report", "last", "--out", out).code == 0
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()
    pages = PdfReader(tmp_path / "a.pdf").pages
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in pages))
    html = (tmp_path / "a.html").read_text(encoding="utf-8")
    headings = re.findall(r"<h[23]>(.*?)</h[23]>", html)
    assert len(headings) > 12
    assert [h for h in headings if h.replace("&quot;", '"') not in text] == []
    assert "No limits are stated" in text


@pytest.mark.slow
def test_two_runs(pump: Any, livesense: Command) -> None:
    pump("bring-up", limits="")
    pump("bring-up", limits="", name="again")
    answer = livesense("report", "1", "--against", "2", "--json")
    assert answer.code == 0, answer.err
    assert set(keys(answer.json)) <= in_examples(sections()["report"])
    said = tags(Path(answer.json["file"]).read_text(encoding="utf-8"))
    assert "comparison of run 1 and run 2" in said
    assert "noise in the band" in said
    assert all(choice["take"] is None for choice in answer.json["choices"])


def short(recorded: Any, **bench: Any) -> None:
    sender = Sender(channels=("iu", "iv", "iw"))
    stream = description_frame([group(sender.channels)], boot="one") + sender.packet(300)
    sender.skip(7)
    recorded(stream + sender.packet(300), bench_text(**bench))


def test_the_hash_is_that_of_the_exported_codes(recorded: Any, livesense: Command) -> None:
    """Made anew from `export --codes`, as docs/report.md tells it."""
    short(recorded)
    digest = livesense("report", "last", "--json").json["sha256"]
    rows = list(csv.DictReader(io.StringIO(livesense("export", "last", "--codes", "--out", "-").out)))
    found = hashlib.sha256()
    columns = [name for name in rows[0] if name.endswith("_code")]
    begin = count = 0
    for row in rows:
        scan = int(row["scan"])
        if not count or scan != begin + count:
            if count:
                found.update(struct.pack("<q", count))
            begin, count = scan, 0
            found.update(struct.pack("<q", begin))
        found.update(b"".join(struct.pack("<q", int(row[name])) for name in columns))
        count += 1
    found.update(struct.pack("<q", count))
    assert digest == found.hexdigest()


def test_a_short_run_without_three_phases(recorded: Any, livesense: Command) -> None:
    short(recorded)
    answer = livesense("report")
    assert answer.code == 0, answer.err
    said = tags(Path("report-1.html").read_text(encoding="utf-8"))
    assert "7 lost" in said
    assert "No limits are stated" in said


def test_hostile_texts_are_texts(recorded: Any, livesense: Command) -> None:
    short(recorded)
    word = "<script>alert(1)</script>\x1b[2J"
    assert livesense("report", "last", "--purpose", word, "--out", "x.html").code == 0
    page = Path("x.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "\x1b" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;?[2J" in page


def test_what_is_refused(recorded: Any, livesense: Command, tmp_path: Path) -> None:
    short(recorded)
    for words, text in (
        (("--out", "x.txt"), "expected --out to end in .html or .pdf"),
        (("--against", "1", "--chains", "iu:iv"), "expected --against RUN or --chains A:B, not both"),
        (("--one-shunt",), "--one-shunt says something of two chains"),
        (("--out", str(tmp_path / "none" / "x.html")), "cannot write"),
    ):
        answer = livesense("report", "last", *words)
        assert answer.code == 2, words
        assert text in answer.err
    (tmp_path / "mine.html").write_text("my notes", encoding="utf-8")
    assert "is there already" in livesense("report", "last", "--out", "mine.html").err
    answer = livesense("report", "last", "--out", "mine.html", "--force")
    assert answer.code == 2
    assert "expected an earlier report to replace" in answer.err
    assert (tmp_path / "mine.html").read_text(encoding="utf-8") == "my notes"
    assert livesense("report", "last", "--out", "r.html").code == 0
    assert livesense("report", "last", "--out", "r.html", "--force").code == 0
    assert sorted(p.name for p in tmp_path.iterdir() if p.name.startswith(".")) == []
