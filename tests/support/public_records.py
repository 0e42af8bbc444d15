"""Recordings that nobody here made: source distributions with sample files, fetched once a session."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest


def fetched(folder: Path, requirement: str) -> Path:
    """Download a source distribution and unpack it; hands back its folder. Skips where no registry answers.

    The licences of some of them do not fit ours: they are fetched, never kept here.
    """
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps",
               "--no-binary", ":all:", "--dest", str(folder), requirement]  # fmt: skip
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    archives = [path for path in folder.iterdir() if path.suffix in (".zip", ".gz")]
    if done.returncode or not archives:
        reason = f"pip download {requirement}: {done.stderr.strip()[-300:]}"
        if os.environ.get("CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    for archive in archives:
        if archive.suffix == ".zip":
            with zipfile.ZipFile(archive) as packed:
                packed.extractall(folder)
        else:
            with tarfile.open(archive) as packed:
                packed.extractall(folder, filter="data")
    return next(path for path in folder.iterdir() if path.is_dir())
