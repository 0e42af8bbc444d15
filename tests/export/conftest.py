"""The run that is exported in every format."""

from __future__ import annotations

from pathlib import Path

import pytest
from export_run import write_export_run


@pytest.fixture
def run_to_export(livesense: object, tmp_path: Path) -> Path:
    """A logbook in the working directory of the command; hands back that directory."""
    write_export_run(tmp_path / "livesense.db")
    return tmp_path
