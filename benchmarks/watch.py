"""What a rule costs, beside an instant overcurrent rule on the same currents in the same run.

Run ``python benchmarks/watch.py``. Three phase currents at 133 Hz pass in blocks as a live recording has
them, once below every limit and once with every rule tripped. Nanoseconds a value are processor time,
the best of several passes; the scaling of codes to amperes, which every rule needs, stands beside.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import numpy as np
from pump import BENCH

from livesense.bench import Bench, parse
from livesense.chain import Chain
from livesense.samples import CodeType, GroupInfo
from livesense.watch.rules import watch_for
from livesense.watching import GroupWatches

RATE_HZ = 20_000.0
NAMES = ("iu", "iv", "iw")
RULES = {
    "overcurrent, instant": 'kind = "overcurrent"\nlimit = "12 A"',
    "overcurrent, vector": 'kind = "overcurrent"\nlimit = "12 A"\nquantity = "vector"',
    "overcurrent, cycle-rms": 'kind = "overcurrent"\nlimit = "8 A"\nquantity = "cycle-rms"',
    "inverse-time": 'kind = "inverse-time"\npickup = "8 A"\ncurve = "A"\ntms = 0.01',
    "thermal": 'kind = "thermal"\npickup = "8 A"\ntau = "1 s"',
    "i2t with a pick-up": 'kind = "i2t"\npickup = "8 A"\ni2t = "10 A²s"',
    "i2t": 'kind = "i2t"\ni2t = "1000000 A²s"',
    "clipping": 'kind = "clipping"',
    "overload": 'kind = "overload"\nlimit = "9 A"\nhold = "1 s"',
    "phase-loss": 'kind = "phase-loss"\nabove = "0.6 A"',
    "unbalance": 'kind = "unbalance"\nabove = "1.2 A"',
    "reversed": 'kind = "reversed"\nabove = "0.6 A"',
    "stall": 'kind = "stall"\nlimit = "6 A"',
}


def best_ns(work: Callable[[], object], passes: int, values: int) -> float:
    times = []
    for _ in range(passes):
        began = time.process_time()
        work()
        times.append(time.process_time() - began)
    return 1e9 * min(times) / values


def currents(peak: float, seconds: float) -> np.ndarray:
    angle = 2 * np.pi * 133 * np.arange(round(seconds * RATE_HZ))[:, None] / RATE_HZ
    noise = np.random.default_rng(1).normal(0, 0.02, (angle.size, 3))
    return peak * np.sin(angle - 2 * np.pi / 3 * np.arange(3)) + noise


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=20.0, help="length of the currents")
    parser.add_argument("--block", type=int, default=1000, help="scans in a block")
    parser.add_argument("--passes", type=int, default=5)
    args = parser.parse_args()
    rules = "".join(f'\n[[watch]]\nchannels = ["iu", "iv", "iw"]\n{text}\n' for text in RULES.values())
    bench = parse(BENCH.replace("[motor]", '[motor]\nsequence = "UWV"', 1) + rules)
    watches = dict(zip(RULES, bench.watches[-len(RULES) :], strict=True))
    chain = Chain(bench, [GroupInfo(RATE_HZ, CodeType.U16, 12, (*NAMES, "vbus"))])
    codes = np.full((args.block, 4), 2500, dtype=np.uint16)
    scaling = best_ns(
        lambda: [(chain.value(n, codes), chain.clipped(n, codes)) for n in NAMES], 50, 3 * args.block
    )
    print(f"scaling of codes and clipping: {scaling:.1f} ns a value")
    courses = {"below": currents(8.5, args.seconds), "beyond": currents(15.0, args.seconds)}
    clipped = np.zeros((args.block, 3), dtype=bool)
    basis: dict[str, float] = {}
    for name, rule in watches.items():
        row = []
        for state, values in courses.items():

            def work(values: np.ndarray = values, rule: object = rule) -> None:
                watch = watch_for(rule, 0, NAMES, RATE_HZ, 0)
                for at in range(0, len(values), args.block):
                    block = values[at : at + args.block]
                    watch.feed(at, block, clipped[: len(block)])

            took = best_ns(work, args.passes, values.size)
            basis.setdefault(state, took)
            row.append(f"{state} {took:6.1f} ns a value ({took / basis[state]:4.1f} ×)")
        print(f"{name:24} {'   '.join(row)}")
    print(whole(args.block, args.passes))


def whole(block: int, passes: int) -> str:
    """What all default rules of a bench cost a scan, with scaling, beside one overcurrent rule alone."""
    rated = BENCH.replace("[motor]", '[motor]\nsequence = "UVW"', 1)
    rated = rated.replace("[bench]", '[bench]\nbus_voltage = "24 V"', 1)
    took = {}
    volts = np.full((40_000, 1), 3.0 * 4096 / 3.3 / 1.4)
    codes = np.concatenate([2048 + currents(8.5, 2.0) / 8.06e-3, volts], axis=1).astype(np.uint16)
    groups = [GroupInfo(RATE_HZ, CodeType.U16, 12, (*NAMES, "vbus"))]
    for name, text in (("one", BENCH.replace("[bench]", "[bench]\ndefault_watches = false")), ("all", rated)):
        bench = parse(text)

        def work(bench: Bench = bench) -> None:
            watches = GroupWatches(bench, Chain(bench, groups), 0, RATE_HZ)
            for at in range(0, len(codes), block):
                watches.feed(at, codes[at : at + block])

        took[name] = best_ns(work, passes, len(codes)), len(bench.rules)
    (one, few), (all_of, many) = took["one"], took["all"]
    return (
        f"scaling and all {many} rules: {all_of:.0f} ns a scan, {all_of * RATE_HZ / 1e7:.1f} % of a core "
        f"at 20 kS/s; scaling and the {few} stated: {one:.0f} ns a scan"
    )


if __name__ == "__main__":
    main()
