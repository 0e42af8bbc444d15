"""Random and spoilt bytes for every decoder, for as long as wanted.

Run ``python benchmarks/fuzz.py --seconds 60``. Shows cases a second, and each finding with the
number that makes it again: ``--case decoder:123``. What must hold stands in tests/support/wire_fuzz.py;
the tests run a few hundred of the same cases.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from tests.support.wire_fuzz import CHECKS

MOST_FINDINGS = 20


def finding(name: str, number: int) -> bool:
    """Run one case; show what it finds."""
    try:
        CHECKS[name](number)
    except Exception:
        print(f"\nfinding: --case {name}:{number}\n{traceback.format_exc()[-3000:]}", flush=True)
        return True
    return False


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--begin", type=int, default=0, help="number of the first case")
    parser.add_argument("--only", choices=CHECKS)
    parser.add_argument("--case", help="one case again, such as decoder:123")
    options = parser.parse_args()
    if options.case:
        name, _, number = options.case.partition(":")
        return int(finding(name, int(number)))
    cases = dict.fromkeys([options.only] if options.only else CHECKS, 0)
    spent = dict.fromkeys(cases, 0.0)
    findings = 0
    end_s = time.monotonic() + options.seconds
    while time.monotonic() < end_s and findings < MOST_FINDINGS:
        # Each gets the same time, for some cases take much longer than others.
        name = min(spent, key=lambda one: spent[one])
        began_s = time.monotonic()
        findings += finding(name, options.begin + cases[name])
        spent[name] += time.monotonic() - began_s
        cases[name] += 1
    for name, count in cases.items():
        print(f"{name:>10}: {count} cases, {count / max(spent[name], 1e-9):.0f} a second")
    print(f"findings: {findings}")
    return int(findings > 0)


if __name__ == "__main__":
    sys.exit(main())
