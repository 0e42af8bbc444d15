"""What becomes of files: whole or not there, never over something else; and what is said of the rest."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from export_run import BENCH, RATE_HZ

from livesense.analysis import RunAnalysis
from livesense.errors import UsageError
from livesense.export.run_export import Format, export_run
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, Gap, GapCause, GroupInfo, ScanBlock, SegmentStart

Command = Callable[..., Any]


def left(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("livesense.db"))


@pytest.mark.parametrize("form", list(Format))
def test_an_export_broken_off_leaves_nothing(run_to_export: Path, form: Format) -> None:
    told: list[str] = []

    def tell(what: str, done: int, total: int) -> None:
        told.append(what)
        if done > 3000:
            raise KeyboardInterrupt

    with Logbook(run_to_export / "livesense.db") as book, pytest.raises(KeyboardInterrupt):
        export_run(RunAnalysis(book, 1), run_to_export / f"x{form.suffix}", form, tell=tell)
    assert told
    assert left(run_to_export) == []


def test_no_file_appears_before_all_are_whole(run_to_export: Path) -> None:
    def tell(what: str, done: int, total: int) -> None:
        assert not [name for name in left(run_to_export) if not name.startswith(".")]

    with Logbook(run_to_export / "livesense.db") as book:
        export_run(RunAnalysis(book, 1), run_to_export / "x.csv", tell=tell)
    assert left(run_to_export) == [
        "x-g1.csv", "x-g1.csv-metadata.json", "x.csv", "x.csv-metadata.json",
    ]  # fmt: skip


@pytest.mark.parametrize(("form", "library"), [("parquet", "pyarrow"), ("mdf4", "asammdf")])
def test_a_missing_library_is_named(
    run_to_export: Path, livesense: Command, monkeypatch: pytest.MonkeyPatch, form: str, library: str
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    answer = livesense("export", "last", "--format", form)
    assert (answer.code, answer.out) == (2, "")
    assert f"expected the library {library} of the extra 'export'" in answer.err
    assert "pip install 'livesense[export]'" in answer.err
    assert left(run_to_export) == []


@pytest.mark.parametrize("form", list(Format))
def test_an_earlier_export_is_replaced_only_when_asked(
    run_to_export: Path, livesense: Command, form: Format
) -> None:
    assert livesense("export", "last", "--format", form).code == 0
    before = left(run_to_export)
    refused = livesense("export", "last", "--format", form)
    assert (refused.code, refused.out) == (2, "")
    assert "--force" in refused.err
    assert livesense("export", "last", "--format", form, "--force").code == 0
    assert left(run_to_export) == before


@pytest.mark.parametrize("form", list(Format))
def test_something_else_is_never_replaced(run_to_export: Path, livesense: Command, form: Format) -> None:
    if form is Format.PARQUET:
        import pyarrow as pa
        from pyarrow import parquet

        parquet.write_table(pa.table({"scan": [1]}), run_to_export / "run-1.parquet")
    else:
        (run_to_export / f"run-1{form.suffix}").write_bytes(b"MDF     4.10    something else, 1999")
    held = (run_to_export / f"run-1{form.suffix}").read_bytes()
    answer = livesense("export", "last", "--format", form, "--force")
    assert (answer.code, answer.out) == (2, "")
    assert "is there already and is no export" in answer.err
    assert (run_to_export / f"run-1{form.suffix}").read_bytes() == held
    assert left(run_to_export) == [f"run-1{form.suffix}"]


def test_samples_of_another_record_are_not_replaced(run_to_export: Path, livesense: Command) -> None:
    (run_to_export / "run-1.dat").write_bytes(b"\0" * 100)
    answer = livesense("export", "last", "--format", "comtrade", "--force")
    assert answer.code == 2
    assert left(run_to_export) == ["run-1.dat"]


def test_only_csv_goes_to_standard_output(run_to_export: Path, livesense: Command) -> None:
    answer = livesense("export", "last", "--format", "parquet", "--out", "-", "--channels", "iu")
    assert (answer.code, answer.out) == (2, "")
    assert "--format parquet" in answer.err


def test_a_folder_that_is_not_there_is_named(run_to_export: Path, livesense: Command) -> None:
    for form in Format:
        answer = livesense("export", "last", "--format", form, "--out", f"nowhere/x{form.suffix}")
        assert (answer.code, answer.out) == (2, "")
        assert "nowhere" in answer.err
        assert "Traceback" not in answer.err


def _run(path: Path, code: CodeType, codes: Any, *, holes: int = 0, rate_hz: float | None = RATE_HZ) -> None:

    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="", bench_name="x", bench_text=BENCH, bench_path="", version="0", port="", wire="text",
            started_wall_s=1.7e9,
        )  # fmt: skip
        run.add_groups([GroupInfo(rate_hz, code, 12, ("iu", "iv", "t_sink"))])
        run.segment(SegmentStart(0, 0, 0.0, rate_hz))
        for hole in range(holes + 1):
            run.append(ScanBlock(0, hole * (len(codes) + 1), codes))
            if hole < holes:
                run.gap(Gap(0, hole * (len(codes) + 1) + len(codes), 1, GapCause.WIRE), 1.7e9)
        run.finish("closed", 1.7e9)


@pytest.mark.slow
def test_more_stretches_than_anyone_opens_are_refused(livesense: Command, tmp_path: Path) -> None:
    import numpy as np

    _run(tmp_path / "livesense.db", CodeType.I16, np.zeros((2, 3), "<i2"), holes=1000)
    answer = livesense("export", "last", "--format", "comtrade")
    assert (answer.code, answer.out) == (2, "")
    assert "expected at most 999, found 1001" in answer.err
    assert left(tmp_path) == []
    assert livesense("export", "last", "--format", "comtrade", "--to", "0.05").code == 0


def test_codes_beyond_32_bits_do_not_fit_comtrade(livesense: Command, tmp_path: Path) -> None:
    import numpy as np

    _run(tmp_path / "livesense.db", CodeType.I64, np.full((5, 3), 1 << 40, "<i8"))
    answer = livesense("export", "last", "--format", "comtrade", "--codes")
    assert (answer.code, answer.out) == (2, "")
    assert "found 1099511627776" in answer.err
    assert left(tmp_path) == []


def test_comtrade_without_a_rate_is_refused(tmp_path: Path) -> None:
    import numpy as np

    _run(tmp_path / "livesense.db", CodeType.I16, np.zeros((5, 3), "<i2"), rate_hz=None)
    with Logbook(tmp_path / "livesense.db") as book, pytest.raises(UsageError, match="needs a scan rate"):
        export_run(RunAnalysis(book, 1), tmp_path / "x.cfg", Format.COMTRADE)
    assert left(tmp_path) == []
