"""Rules on levels, sequences and loads against slow twins; streaming against batch over any block borders."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from fault_twins import (
    slow_faults,
    slow_levels,
    slow_onset,
    slow_open,
    slow_rise,
    slow_standing,
    slow_turns,
    slow_windows,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from livesense.bench import Watch
from livesense.watch.rules import rule_events, watch_for

RATE_HZ = 1000.0
NAMES = ["iu", "iv", "iw"]


def rule(kind, **changes):
    plain = {
        "kind": kind,
        "quantity": "sequence",
        "channels": tuple(NAMES),
        "limit": 1.0,
        "unit": "A",
        "hold_s": 0.0,
        "release": 0.95,
        "release_hold_s": 0.02,
        "pre_s": 0.0,
        "post_s": 0.0,
    }
    return Watch(**(plain | changes))


RULES = {
    "phase-loss": rule(
        "phase-loss", limit=50.0, release=40.0, unit="%", above=0.5, cycles=3, longest_cycle_s=0.06
    ),
    "unbalance": rule(
        "unbalance", limit=10.0, note=5.0, release=4.0, unit="%", above=0.5, hold_s=0.2, release_hold_s=0.25
    ),
    "reversed": rule("reversed", limit=0.5, release=0.475, above=0.5, cycles=2, sequence="UVW"),
    "overload": rule("overload", limit=0.5, release=0.4, hold_s=0.3, release_hold_s=0.3),
    "stall": rule("stall", limit=0.8, release=0.7, hold_s=0.1, release_hold_s=0.05),
    "standing": rule("standing", limit=0.3, release=0.25, hold_s=0.1, release_hold_s=0.05),
    "overvoltage": rule("overvoltage", limit=2.0, release=1.5, unit="V", hold_s=0.003, release_hold_s=0.005),
    "undervoltage": rule(
        "undervoltage", limit=1.0, release=1.5, unit="V", hold_s=0.002, release_hold_s=0.004
    ),
    "overtemperature": rule(
        "overtemperature", limit=2.0, release=0.5, unit="°C", hold_s=0.002, release_hold_s=0.004
    ),
    "clipping": rule("clipping", limit=1.0, release=0.95, hold_scans=2, release_hold_s=0.004),
}
TRIPLES = ("phase-loss", "unbalance", "reversed", "overload", "stall", "standing")
LEVELS = ("overvoltage", "undervoltage", "overtemperature", "clipping")

PIECE = st.fixed_dictionaries(
    {
        "what": st.sampled_from(["turn", "back", "open", "line", "unlike", "direct", "none"]),
        "size": st.sampled_from([1.5, 0.9, 0.2, 2.5]),
        "hz": st.sampled_from([6.0, 23.7, 61.3, 118.0]),
        "scans": st.integers(5, 700).map(lambda n: 705 - n),
        "lost": st.sampled_from([0, 0, 0, 0, 3, 40, 300]),
    }
)
PIECES = st.lists(PIECE, min_size=2, max_size=6)


def currents(pieces, seed):
    """Three currents, noise included, as stretches ``(first, (n, 3))``; what was lost lies between them."""
    random = np.random.default_rng(seed)
    stretches, first, angle = [], 7, 0.4
    for piece in pieces:
        count, size = piece["scans"], piece["size"]
        turn = angle + 2 * math.pi * piece["hz"] / RATE_HZ * np.arange(count)
        steps = 2 * math.pi / 3 * np.arange(3)
        match piece["what"]:
            case "turn":
                values = size * np.sin(turn[:, None] - steps)
            case "back":
                values = size * np.sin(turn[:, None] + steps)
            case "open":
                values = size * np.sin(turn)[:, None] * np.array([1.0, 0.0, -1.0])
            case "line":
                # By the piece's speed: beside each of an open phase's lines, and on one.
                tilt = math.radians({6.0: 0.0, 23.7: 83.0, 61.3: 32.0, 118.0: 150.0}[piece["hz"]])
                values = size * np.sin(turn)[:, None] * np.cos(tilt - steps)
            case "unlike":
                values = size * (np.sin(turn[:, None] - steps) + 0.12 * np.sin(turn[:, None] + steps + 1))
            case "direct":
                values = np.tile(size * np.cos(angle - steps), (count, 1))
            case _:
                values = np.zeros((count, 3))
        angle = float(turn[-1])
        first += piece["lost"]
        values = values + random.normal(0, 0.01, (count, 3))
        if stretches and not piece["lost"]:
            begin, before = stretches[-1]
            stretches[-1] = begin, np.concatenate([before, values])
        else:
            stretches.append((first, values))
        first += count
    return stretches


def batch(found, stretches, clipped=None):
    given = [(f, v, np.zeros(v.shape, bool) if clipped is None else c) for (f, v), c in
             zip(stretches, clipped or [None] * len(stretches), strict=True)]  # fmt: skip
    return rule_events(found, 0, NAMES[: given[0][1].shape[1]], RATE_HZ, 0, given)


def shape(event):
    return (
        event.start_scan,
        event.end_scan,
        pytest.approx(event.peak, rel=1e-6, abs=1e-7),
        event.peak_scan,
        event.details["severity"] == "alarm",
        event.lost_scans,
        event.cut_short,
    )


def gaps_of(stretches):
    """Where scans are missing: (first scan after it, how many, are the counts started anew)."""
    out = []
    for (first, values), (after, _) in itertools.pairwise(stretches):
        lost = after - first - len(values)
        out.append((after, lost, lost > 0.1 * RATE_HZ))
    return out


def twin(kind, stretches):
    found = RULES[kind]
    gaps, last = gaps_of(stretches), stretches[-1][0] + len(stretches[-1][1]) - 1
    rows = []
    if found.quantity == "sequence" and kind in ("phase-loss", "unbalance", "reversed"):
        span = 200 if kind == "unbalance" else 1
        turns = [
            t
            for stretch in stretches
            for t in slow_turns(
                stretch, 0.3 * math.sqrt(2) * found.above, round(found.longest_cycle_s * RATE_HZ), span
            )
        ]
        values_at = {first + n: row for first, rows in stretches for n, row in enumerate(rows.tolist())}
        for number, (start, stop, forward, backward) in enumerate(turns):
            ratio = 100 * min(forward, backward) / max(forward, backward)
            rms = math.sqrt((forward**2 + backward**2) / 2)
            flows, stays = rms > found.above, rms > 0.9 * found.above
            if kind == "phase-loss":
                beyond = flows and ratio > 50 and slow_open(turns[number], values_at)
                onset = slow_onset(turns, number, values_at) if beyond else start
                rows.append((start, stop, ratio, beyond, stays and ratio > 40, True, onset))
            elif kind == "unbalance":
                rows.append((start, stop, ratio, flows and 5 < ratio <= 50, stays and ratio > 4, ratio > 10))
            else:
                wrong = backward >= forward and ratio < 50
                rows.append((start, stop, rms, wrong and rms > 0.5, wrong and rms > 0.475, True))
    else:
        windows = slow_windows(stretches, 200 if kind == "overload" else 20)
        align = 3 * RATE_HZ if kind == "stall" else 0
        stands = [True] * len(windows)
        if kind != "overload":
            stands = slow_standing(windows, found.limit, align)
        for number, ((start, stop, values), standing) in enumerate(zip(windows, stands, strict=True)):
            rms = math.sqrt(np.mean(np.sum(values**2, axis=1)) / 3)
            over, held = rms > found.limit, rms > found.release
            onset = slow_rise(windows, number, found.limit, stretches) if kind == "overload" else start
            rows.append((start, stop, rms, standing and over, standing and held, True, onset))
    need = max(1, math.ceil(found.hold_s * RATE_HZ - 1e-9))
    calm = math.ceil(found.release_hold_s * RATE_HZ - 1e-9)
    told = slow_faults(rows, gaps, max(1, found.cycles), need, calm, last)
    alarms = kind == "unbalance"
    return [(*t[:4], t[4] if alarms else found.severity == "alarm", *t[5:]) for t in told]


@pytest.mark.parametrize("kind", TRIPLES)
@settings(max_examples=50, deadline=None)
@given(pieces=PIECES, seed=st.integers(0, 5))
def test_every_event_of_three_currents_is_that_of_the_slow_twin(kind, pieces, seed):
    stretches = currents(pieces, seed)
    assert [shape(e) for e in batch(RULES[kind], stretches)] == twin(kind, stretches)


VALUE = st.sampled_from([-300.0, -1.0, 0.0, 0.4, 0.6, 1.0, 1.2, 1.5, 1.7, 2.0, 2.5, 9.0, math.nan])
RUNS = st.lists(st.tuples(VALUE, st.integers(1, 6), st.booleans()), min_size=1, max_size=14)
STRETCHES = st.lists(st.tuples(st.integers(1, 9), RUNS), min_size=1, max_size=4)


def laid_out(drawn):
    first, stretches, marks = 0, [], []
    for lost, runs in drawn:
        first += lost
        values = [v for v, count, _ in runs for _ in range(count)]
        clipped = [c for _, count, c in runs for _ in range(count)]
        stretches.append((first, np.array(values)[:, None]))
        marks.append(np.array(clipped)[:, None])
        first += len(values)
    return stretches, marks


@pytest.mark.parametrize("kind", LEVELS)
@settings(max_examples=60, deadline=None)
@given(drawn=STRETCHES)
def test_every_event_of_a_level_is_that_of_the_slow_twin(kind, drawn):
    stretches, marks = laid_out(drawn)
    armed = False

    def there(value):
        # A bus that has not been there yet does not sag.
        nonlocal armed
        armed = armed or value >= 1.5
        return armed

    plain = [(first, values[:, 0].tolist()) for first, values in stretches]
    match kind:
        case "overvoltage":
            told = slow_levels(plain, lambda v: v > 2.0, lambda v: v > 1.5, 3, 5)
        case "overtemperature":
            told = slow_levels(plain, lambda v: v > 2.0, lambda v: v > 0.5, 2, 4)
        case "undervoltage":
            plain = [(f, [v if there(v) else math.nan for v in values]) for f, values in plain]
            told = slow_levels(plain, lambda v: v < 1.0, lambda v: v < 1.5, 2, 4)
        case _:
            plain = [
                (f, [abs(v) if c else 0.0 for v, c in zip(values, m[:, 0], strict=True)])
                for (f, values), m in zip(plain, marks, strict=True)
            ]
            told = slow_levels(plain, lambda v: v > 0.5, lambda v: v > 0.5, 2, 4)
    events = batch(RULES[kind], stretches, marks)
    assert [(e.start_scan, e.end_scan, e.lost_scans, e.cut_short) for e in events] == told
    for event in events:
        values = {first + n: v for first, row in stretches for n, v in enumerate(row[:, 0])}
        inside = [values[s] for s in range(event.start_scan, event.end_scan + 1) if s in values]
        inside = [v for v in inside if not math.isnan(v)]
        if kind == "undervoltage":
            assert event.peak == pytest.approx(min(v for v in inside), abs=1e-9)
        elif kind != "clipping":
            assert event.peak == pytest.approx(max(inside), abs=1e-9)
        assert values[event.peak_scan] == pytest.approx(event.peak, abs=1e-9)


PAIRS = st.lists(
    st.tuples(
        st.sampled_from([0.0, 0.4, 1.0, 1.2, 1.5, 2.0, math.nan]),
        st.sampled_from([0.0, 0.0, 0.2, -0.2, 0.3, -2.0, math.nan]),
        st.one_of(st.integers(1, 6), st.sampled_from([99, 499, 500, 501, 600])),
    ),
    min_size=2,
    max_size=12,
)


@settings(max_examples=150, deadline=None)
@given(pairs=PAIRS, lost=st.sampled_from([0, 0, 3, 300]), data=st.data())
def test_an_undervoltage_in_use_is_that_of_the_slow_twin_for_any_blocks(pairs, lost, data):
    # Of one current beside the voltage: above 0.25 A, or within the last 500 scans.
    found = dataclasses.replace(RULES["undervoltage"], above=0.25, currents=("iv",))
    rows = [(v, a) for v, a, count in pairs for _ in range(count)]
    half = len(rows) // 2
    first = [0] * half + [lost] * (len(rows) - half)
    scans = [n + skipped for n, skipped in enumerate(first)]
    armed, last, seen = False, None, []
    for scan, (volts, amperes) in zip(scans, rows, strict=True):
        armed = armed or volts >= 1.5
        last = scan if abs(amperes) > 0.25 else last
        seen.append(volts if armed and last is not None and scan - last <= 500 else math.nan)
    parts = [(0, seen[:half]), (half + lost, seen[half:])] if lost else [(0, seen)]
    told = slow_levels(parts, lambda v: v < 1.0, lambda v: v < 1.5, 2, 4)
    watch = watch_for(found, 0, ["iu"], RATE_HZ, 0)
    values = np.array(rows)
    cuts = sorted({half, *data.draw(st.sets(st.integers(1, len(rows) - 1), max_size=6))} - {0})
    ended = {}
    for begin, stop in zip([0, *cuts], [*cuts, len(rows)], strict=True):
        no = np.zeros((stop - begin, 2), dtype=bool)
        for event in watch.feed(scans[begin], values[begin:stop], no):
            ended[event.details["key"]] = event
    for event in watch.close():
        ended[event.details["key"]] = event
    events = sorted(ended.values(), key=lambda e: e.start_scan)
    assert [(e.start_scan, e.end_scan, e.lost_scans, e.cut_short) for e in events] == told


@pytest.mark.parametrize("kind", RULES)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_block_borders_change_nothing(kind, data):
    if kind in TRIPLES:
        stretches = currents(data.draw(PIECES), data.draw(st.integers(0, 5)))
        marks = [np.random.default_rng(1).random(v.shape) < 0.001 for _, v in stretches]
    else:
        stretches, marks = laid_out(data.draw(STRETCHES))
    whole = batch(RULES[kind], stretches, marks)
    watch = watch_for(RULES[kind], 0, NAMES[: stretches[0][1].shape[1]], RATE_HZ, 0)
    tell_gaps = data.draw(st.booleans())
    seen, expected = {}, None
    for (first, values), clipped in zip(stretches, marks, strict=True):
        if tell_gaps and expected is not None:
            watch.gap(first - expected)
        cuts = sorted(data.draw(st.sets(st.integers(1, max(1, len(values) - 1)), max_size=8)))
        cuts = [cut for cut in cuts if cut < len(values)]
        for begin, stop in zip([0, *cuts], [*cuts, len(values)], strict=True):
            for event in watch.feed(first + begin, values[begin:stop], clipped[begin:stop]):
                earlier = seen.get(event.details["key"])
                assert earlier is None or earlier.end_scan is None, "an ended event came again"
                seen[event.details["key"]] = event
        expected = first + len(values)
    for event in watch.close():
        seen[event.details["key"]] = event
    assert sorted(seen.values(), key=lambda e: e.start_scan) == whole
