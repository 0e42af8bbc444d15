"""The Python API against what was recorded, and against the commands."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_run import LOST, amperes, stored, temperatures, times, write_export_run

import livesense as package
from livesense.api import Events, Figures, Logbook
from livesense.errors import LogbookError, UsageError

Command = Callable[..., Any]


@pytest.fixture
def book(livesense: Command, tmp_path: Path) -> Iterator[Logbook]:
    write_export_run(tmp_path / "livesense.db")
    with package.open(tmp_path / "livesense.db") as opened:
        yield opened


def test_arrays_are_what_was_recorded(book: Logbook) -> None:
    arrays = book.last.arrays()
    assert list(arrays) == ["iu", "iv", "iw"]
    assert np.array_equal(arrays.scan, stored())
    assert np.allclose(arrays.time_s, times(), rtol=0, atol=1e-9)
    for position, name in enumerate(arrays):
        assert np.allclose(arrays[name].values, amperes()[stored(), position], rtol=1e-12, atol=1e-12)
        assert np.asarray(arrays[name]).shape == (len(stored()),)
    # A gap shows in the indices, and nowhere else.
    assert np.flatnonzero(np.diff(arrays.scan) > 1).tolist() == [LOST.start - 1]


def test_a_window_is_half_open(book: Logbook) -> None:
    iu = book[1].signal("iu", 0.01, 0.02)
    assert (iu.scan[0], iu.scan[-1], len(iu)) == (200, 399, 200)
    assert np.array_equal(book[1]["iu"].values[200:400], iu.values)


def test_uncertainty_of_single_values(book: Logbook) -> None:
    iu = book.last.signal("iu", 0, 0.05)
    rounding = 0.008056640625 / np.sqrt(12)
    chain = book.last.show()["chain"][0]
    expected = np.sqrt(chain["u_offset"] ** 2 + (0.01 / np.sqrt(3) * iu.values) ** 2 + rounding**2)
    assert np.allclose(iu.u, expected, rtol=1e-6)


def test_floats_that_are_none_are_nan(book: Logbook) -> None:
    assert np.allclose(book.last["t_sink"].values, temperatures(), equal_nan=True)


def test_figures_and_events_are_those_of_the_commands(book: Logbook, livesense: Command) -> None:
    figures, events = book.last.measure(0, 0.1), book.last.events()
    assert isinstance(figures, Figures)
    assert isinstance(events, Events)
    printed = livesense("measure", "last", "--from", "0", "--to", "0.1", "--json").json
    assert figures["channels"]["iu"]["rms"]["value"] == pytest.approx(
        printed["channels"]["iu"]["rms"]["value"], rel=1e-11
    )
    assert list(events) == livesense("events", "last", "--json").json["events"]


def test_pandas(book: Logbook) -> None:
    frame = book.last.arrays(["iv", "iu"], 0, 0.01).to_pandas()
    assert (list(frame.columns), frame.index.name, len(frame)) == (["scan", "iv", "iu"], "time_s", 200)


def test_without_pandas_it_says_so(book: Logbook, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(UsageError, match="pip install pandas"):
        book.last.arrays(["iu"]).to_pandas()


@pytest.mark.parametrize(
    ("names", "words"),
    [(["iq"], "got 'iq'"), (["iu", "t_sink"], "of another group"), ([], "at least one")],
)
def test_channels_that_cannot_be_read_together(book: Logbook, names: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        book.last.arrays(names)


def test_an_empty_window_is_empty(book: Logbook) -> None:
    arrays = book.last.arrays(["iu"], 100, 101)
    assert (len(arrays), len(arrays["iu"].u)) == (0, 0)
    assert repr(arrays["iu"]) == "<Signal iu: no scans>"


def test_it_shows_itself(book: Logbook) -> None:
    assert repr(book) == "<Logbook livesense.db: 1 run>"
    assert repr(book.last) == "<Run 1 'exported' of 'coolant pump, 24 V': 0.6 s, complete, 0 events>"
    assert "<td>exported</td>" in book._repr_html_()
    assert "<td>iu</td><td>A</td><td>U</td><td>-16 to 16</td>" in book.last._repr_html_()
    figures = book.last.measure(0, 0.1)
    assert "fundamental_rms" in repr(figures)
    assert "<td>fundamental_rms</td>" in figures._repr_html_()


def test_text_of_a_logbook_is_data_in_a_notebook() -> None:
    event = {"kind": "x", "channel": "<b>", "start_s": 0.0, "end_s": None, "text": "<script>",
             "peak": {"value": 1.0, "u": 0.1, "unit": "A"}}  # fmt: skip
    page = Events([event])._repr_html_()
    assert "<script>" not in page
    assert "&lt;script&gt;" in page
    assert "still open" in repr(Events([event]))


def test_runs_in_order(book: Logbook) -> None:
    assert (len(book), [run.number for run in book]) == (1, [1])
    assert book.runs()[0]["state"] == book.last.state == "complete"


def test_export(book: Logbook, tmp_path: Path) -> None:
    assert book.last.export(tmp_path / "x.csv", names=["iu"]) == [tmp_path / "x.csv"]
    with pytest.raises(UsageError, match="expected a format"):
        book.last.export(tmp_path / "x.xyz")


def test_no_logbook_is_an_error_in_words(tmp_path: Path) -> None:
    with pytest.raises(LogbookError):
        package.open(tmp_path / "none.db")


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ("numpy", "pandas", "sqlite3", "serial", "dash")
    code = f"import sys, livesense; print([m for m in {heavy} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
