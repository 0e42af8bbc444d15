"""docs/scripting.md holds every key that `import` and `export` print."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from export_run import write_export_run
from scripting_page import in_examples, keys, sections


def test_import(livesense: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "scope.csv").write_text("t,iu\n0,1\n1,2\n2,3\n", encoding="utf-8")
    found = set(keys(livesense("import", "scope.csv", "--json").json))
    assert found | {"name", "file_name", "phase", "circuit", "unit", "state", "assumed", "revision", "data",
                    "zone"} == in_examples(sections()["import"])  # fmt: skip


def test_export(livesense: Callable[..., Any], tmp_path: Path) -> None:
    write_export_run(tmp_path / "livesense.db")
    assert set(keys(livesense("export", "last", "--json").json)) == in_examples(sections()["export"])
