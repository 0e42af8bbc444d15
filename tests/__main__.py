"""Everything that must be green, in one command: ``python -m tests``.

Formatting, lint, types, import contracts, then the tests. By default the long
tests and the check of branch coverage are left out; ``--all`` (or the environment
variable CI) runs them too.
Further arguments go to pytest.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

COVERED = [
    f"tests/{room}" for room in ("wire", "timebase", "chain", "bench", "measures", "watch", "reference")
]
"""Tests of the rooms whose every branch must be taken (pyproject.toml says which)."""

WORKERS = str(max(2, min(4, os.cpu_count() or 2)))
"""Tests at a time: each takes up to a gigabyte."""

ROOT = Path(__file__).resolve().parent.parent


def main() -> int:
    arguments = sys.argv[1:]
    everything = "--all" in arguments or bool(os.environ.get("CI"))
    selection = [] if everything else ["-m", "not slow"]
    passed_on = [argument for argument in arguments if argument != "--all"]
    python = sys.executable
    bin_dir = Path(python).parent
    steps = [
        ("format", [python, "-m", "ruff", "format", "--check", "."]),
        ("lint", [python, "-m", "ruff", "check", "."]),
        ("types", [python, "-m", "mypy"]),
        ("imports", [str(bin_dir / "lint-imports")]),
        *(
            [("coverage", [python, "-m", "pytest", "-n", WORKERS, "-q", "-m", "not slow", *COVERED, "--cov"])]
            * everything
        ),
        ("tests", [python, "-m", "pytest", "-n", WORKERS, "--dist", "loadfile", *selection, *passed_on]),
    ]
    failed = []
    for name, command in steps:
        print(f"── {name}", flush=True)
        begun_s = time.monotonic()
        if subprocess.run(command, cwd=ROOT, check=False).returncode:
            failed.append(name)
        print(f"   {time.monotonic() - begun_s:.0f} s", flush=True)
    print("All green." if not failed else f"Failed: {', '.join(failed)}", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    raise SystemExit(main())
