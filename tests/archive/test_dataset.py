"""`export --format dataset`: whole, partitioned, incremental, and the same when it is done again."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_run import BENCH, amperes, codes, stored, write_export_run
from outside_reader import outside_reader

from livesense.archive.writing import write_dataset
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter

Command = Callable[..., Any]


def files(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        str(path.relative_to(folder)): (path.stat().st_mtime_ns, path.stat().st_size)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.mark.slow
def test_a_folder_a_bench_a_day_a_run(dataset: Path) -> None:
    folders = sorted({str(Path(name).parent) for name in files(dataset)})
    parts = [folder.split("/") for folder in folders]
    assert [(bench.rsplit("-", 1)[0], date) for bench, date, _ in parts] == [
        ("bench=coolant_pump_24_V", "date=2026-03-01"),
        ("bench=coolant_pump_24_V", "date=2026-03-04"),
        ("bench=spare", "date=2026-03-02"),
    ]
    assert all(len(run) == len("run=") + 16 for *_, run in parts)
    for folder in folders:
        kinds = sorted(path.name.split("-")[0] for path in (dataset / folder).iterdir())
        assert kinds == ["_facts", "_run.json", "group", "group"]


@pytest.mark.slow
def test_an_outside_reader_sees_all_of_it(dataset: Path) -> None:
    duckdb = outside_reader("duckdb")
    with duckdb.connect() as book:
        query = (
            "SELECT bench, count(*), min(iu_A), max(iu_code) FROM read_parquet(?, hive_partitioning = true)"
        )
        found = book.execute(f"{query} GROUP BY 1 ORDER BY 1", [f"{dataset}/**/group-0-*.parquet"]).fetchall()
    assert [row[1] for row in found] == [2 * len(stored()), len(stored())]
    assert found[0][2] == pytest.approx(amperes()[stored(), 0].min())
    assert found[0][3] == codes()[stored(), 0].max() + 5


def test_again_writes_nothing(dataset: Path, livesense: Command) -> None:
    before = files(dataset)
    done = livesense("export", "--format", "dataset", dataset, "--json").json
    assert (done["written"], done["unchanged"], done["rows"]) == ([], [1, 2, 3], 0)
    assert files(dataset) == before


@pytest.mark.slow
def test_only_what_is_new_or_has_changed_is_written(
    dataset: Path, three_runs: Path, livesense: Command, tmp_path: Path
) -> None:
    before = files(dataset)
    write_export_run(three_runs, started_s=1_772_900_000.0)
    (tmp_path / "corrected.toml").write_text(BENCH.replace("5 mΩ", "4 mΩ"), encoding="utf-8")
    assert livesense("rescale", 1, "--bench", "corrected.toml", "--reason", "4 mΩ were fitted").code == 0
    done = livesense("export", "--format", "dataset", dataset, "--json").json
    assert [run["run"] for run in done["written"]] == [1, 4]
    assert done["unchanged"] == [2, 3]
    after = files(dataset)
    changed = {name for name in after if after[name] != before.get(name)}
    folders = {run["folder"] for run in done["written"]}
    assert {str(Path(name).parent) for name in changed} == folders
    # What the corrected run had before is gone: its folder holds one state of it.
    assert len(list((dataset / done["written"][0]["folder"]).iterdir())) == 4


@pytest.mark.slow
def test_one_run(three_runs: Path, livesense: Command, tmp_path: Path) -> None:
    done = livesense("export", "2", "--format", "dataset", "--out", "one", "--json").json
    assert [run["run"] for run in done["written"]] == [2]
    assert len(list((tmp_path / "one").glob("bench=*"))) == 1


@pytest.mark.slow
def test_a_copied_run_has_the_same_place(three_runs: Path, livesense: Command, dataset: Path) -> None:
    assert livesense("copy", "2", "--to", "mailed.db").code == 0
    done = livesense("export", "--format", "dataset", dataset, "--logbook", "mailed.db", "--json").json
    assert (done["written"], done["unchanged"]) == ([], [2])


@pytest.mark.slow
def test_what_a_broken_export_left_is_neither_seen_nor_kept(
    dataset: Path, livesense: Command, three_runs: Path
) -> None:
    entry = next(dataset.rglob("_run.json"))
    entry.unlink()
    (entry.parent / "group-0-00000000.parquet.77.part").write_bytes(b"half")
    assert livesense("archive", "summary", dataset, "--workers", "0", "--json").json["runs"] == 2
    done = livesense("export", "--format", "dataset", dataset, "--json").json
    assert len(done["written"]) == 1
    assert not list(dataset.rglob("*.part"))
    assert livesense("archive", "summary", dataset, "--workers", "0", "--json").json["runs"] == 3


@pytest.mark.slow
def test_a_run_broken_off_is_not_there(three_runs: Path, tmp_path: Path) -> None:
    def tell(what: str, done: int, total: int) -> None:
        if what == "run 2" and total > 10:
            raise KeyboardInterrupt

    with Logbook(three_runs) as book, pytest.raises(KeyboardInterrupt):
        write_dataset(book, None, str(tmp_path / "ds"), tell)
    assert len(list((tmp_path / "ds").rglob("_run.json"))) == 1


@pytest.mark.parametrize("url", ["memory://archive/of/{name}", "file://{folder}/by-url"])
@pytest.mark.slow
def test_any_place_that_fsspec_knows(
    three_runs: Path, livesense: Command, tmp_path: Path, url: str, request: pytest.FixtureRequest
) -> None:
    place = url.format(folder=tmp_path, name=request.node.name.replace("[", "").replace("]", ""))
    done = livesense("export", "--format", "dataset", place, "--json").json
    assert len(done["written"]) == 3
    assert livesense("export", "--format", "dataset", place, "--json").json["unchanged"] == [1, 2, 3]
    found = livesense("archive", "summary", place, "--workers", "0", "--json").json
    assert found["runs"] == 3


@pytest.mark.slow
def test_runs_without_scans_and_runs_being_recorded_are_left_out(
    three_runs: Path, livesense: Command, tmp_path: Path
) -> None:
    with LogbookWriter(three_runs) as writer:
        run = writer.start_run(
            name="", bench_name="x", bench_text="[bench]\n", bench_path="", version="0", port="", wire="text",
            started_wall_s=1.7e9,
        )  # fmt: skip
        answer = livesense("export", "--format", "dataset", tmp_path / "ds", "--json")
        assert answer.json["left_out"] == [{"run": 4, "reason": "it is being recorded"}]
        assert "run 4 was left out" in answer.err
        run.finish("closed", 1.7e9)
    answer = livesense("export", "--format", "dataset", tmp_path / "ds", "--json")
    assert answer.json["left_out"] == [{"run": 4, "reason": "it holds no scans"}]


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--format", "dataset"), "expected a folder or URL"),
        (("3", "--format", "dataset"), "expected a folder or URL"),
        (("--format", "dataset", "ds", "--codes"), "leave out --codes"),
        (("--format", "dataset", "ds", "--out", "other"), "got 'ds' too"),
        (("--format", "dataset", "nowhere://x"), "a URL of a kind that fsspec knows"),
    ],
)
@pytest.mark.slow
def test_wrong_use(three_runs: Path, livesense: Command, options: tuple[str, ...], words: str) -> None:
    answer = livesense("export", *options)
    assert (answer.code, answer.out) == (2, "")
    assert words in answer.err


@pytest.mark.parametrize("library", ["fsspec.core", "pyarrow"])
@pytest.mark.slow
def test_a_missing_library_is_named(
    three_runs: Path, livesense: Command, monkeypatch: pytest.MonkeyPatch, library: str
) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    answer = livesense("export", "--format", "dataset", "ds")
    assert (answer.code, answer.out) == (2, "")
    assert f"expected the library {library}" in answer.err
    assert "pip install 'livesense[archive]'" in answer.err


@pytest.mark.slow
def test_codes_and_values_side_by_side(dataset: Path) -> None:
    parquet = outside_reader("pyarrow.parquet")
    path = next(dataset.glob("bench=spare/**/group-0-*.parquet"))
    table = parquet.read_table(path, partitioning=None)
    assert table.column_names == ["scan", "time_s", "iu_code", "iv_code", "iu_A", "iv_A", "iw_A"]
    found = table.column("iu_code").to_numpy()
    assert np.array_equal(found, codes()[stored(), 0] + 3)
    # 4 mΩ: q = Vref / (2^n · G · R).
    assert np.allclose(
        table.column("iu_A").to_numpy(), (found.astype(float) - 2048) * 3.3 / (4096 * 20 * 0.004)
    )
