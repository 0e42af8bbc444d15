"""What rules on three currents and on levels say of plain cases; no chatter; numbers from outside."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from played import BENCH_TEXT

from livesense.bench import parse
from livesense.chain import Chain
from livesense.errors import DescriptionError
from livesense.samples import CodeType, GroupInfo
from livesense.watch.levels import LevelWatch
from livesense.watch.loads import LoadWatch
from livesense.watch.rules import rule_events, watch_for
from livesense.watch.sequence import SequenceWatch
from livesense.watch.turns import TurnCutter, _turning, turns_of, vector
from livesense.watching import GroupWatches

RATE_HZ = 20_000.0
NAMES = ["iu", "iv", "iw"]
MORE = '[[watch]]\nkind = "stall"\n[[watch]]\nkind = "standing"\nhold = "2 s"\n'
STATED = BENCH_TEXT[BENCH_TEXT.index("[[watch]]") :]
RULES = {rule.kind: rule for rule in parse(BENCH_TEXT.replace(STATED, MORE)).rules}
IN_USE = RULES["undervoltage"]
"""The default rule: it looks at the currents beside the bus."""
RULES["undervoltage"] = dataclasses.replace(IN_USE, above=0.0, currents=())

SPEEDS = [133.3, *(pytest.param(hz, marks=pytest.mark.slow) for hz in (1.0, 7.0, 500.0))]
"""Electrical frequencies of overloads that last for minutes."""


def turning(hz, amperes, seconds, *, negative=0.0, order=1, rate_hz=RATE_HZ):
    """Three currents, peak ``amperes``, with a share that turns backwards."""
    turn = 2 * np.pi * hz * np.arange(round(seconds * rate_hz))[:, None] / rate_hz
    steps = order * 2 * np.pi / 3 * np.arange(3)
    return amperes * (np.sin(turn - steps) + negative * np.sin(turn + steps + 0.7))


def open_phase(which, hz, amperes, seconds):
    """One line open: the other two carry one current (common practice, no source)."""
    values = turning(hz, amperes, seconds)
    one, other = (n for n in range(3) if n != which)
    values[:, one] = (values[:, one] - values[:, other]) / 2
    values[:, other], values[:, which] = -values[:, one], 0.0
    return values


def noisy(*parts, seed=1):
    values = np.concatenate(parts)
    return values + np.random.default_rng(seed).normal(0, 0.01, values.shape)


def events(kind, values, *, rule=None, clipped=None, rate_hz=RATE_HZ):
    marks = np.zeros(values.shape, dtype=bool) if clipped is None else clipped
    blocks = [(at, values[at : at + 5000], marks[at : at + 5000]) for at in range(0, len(values), 5000)]
    return rule_events(rule or RULES[kind], 0, NAMES[: values.shape[1]], rate_hz, 0, blocks)


@pytest.mark.parametrize("which", [0, 1, 2])
@pytest.mark.parametrize("hz", [2.0, 20.0, 133.3, 500.0])
def test_an_open_phase_is_one_event_from_its_cycle_on(which, hz):
    before = 1.5
    lost = max(1.0, 6 / hz)
    values = noisy(turning(hz, 6, before), open_phase(which, hz, 6, lost), turning(hz, 6, 2.5))
    (event,) = events("phase-loss", values)
    # Negative over positive sequence of an open line: 100 % (textbook classic, from memory).
    assert event.peak == pytest.approx(100.0, abs=0.2) and (event.unit, event.limit) == ("%", 50.0)
    # From the scan on at which it opened; a sine is below 8 % for 1.3 % of a cycle before its zero.
    assert -0.014 / hz - 1 / RATE_HZ <= event.start_scan / RATE_HZ - before <= 1 / RATE_HZ
    assert abs(event.end_scan / RATE_HZ - before - lost) <= 1.1 / hz
    assert f"least current in {NAMES[which]}" in event.text
    assert event.details["severity"] == "alarm"


@pytest.mark.parametrize("at", [0.0, 0.13, 0.31, 0.5, 0.66, 0.87])
def test_a_phase_that_opens_anywhere_in_a_cycle(at):
    before = 1.0 + at / 100
    values = np.concatenate([turning(100, 6, before), np.empty((0, 3))])
    whole, hole = turning(100, 6, 2.0), open_phase(1, 100, 6, 2.0)
    begin = len(values)
    (event,) = events("phase-loss", noisy(whole[:begin], hole[begin:]))
    assert begin - 4 <= event.start_scan <= begin + 1


def test_two_cycles_of_an_open_phase_are_none():
    values = noisy(turning(100, 6, 1.0), open_phase(0, 100, 6, 0.02), turning(100, 6, 1.0))
    assert events("phase-loss", values) == []


def along_a_line(degrees, hz, amperes, seconds):
    """Currents whose vector swings along one line, at so many degrees from U's axis."""
    turn = 2 * np.pi * hz * np.arange(round(seconds * RATE_HZ))[:, None] / RATE_HZ
    return amperes * np.sin(turn) * np.cos(np.radians(degrees) - 2 * np.pi / 3 * np.arange(3))


@pytest.mark.parametrize("hz", [3.0, 133.3, 500.0])
def test_a_current_that_swings_along_one_line_is_no_open_phase(hz):
    # A drive that feeds an alternating current at rest to find its rotor: both sequences are alike (100 %),
    # and nothing is lost. An open phase leaves a line at 90° to that phase's axis: 90°, 30° (V) and 150° (W).
    for degrees in (0.0, 15.0, 24.0, 36.0, 60.0, 84.0, 96.0, 120.0, 144.0, 156.0):
        held = along_a_line(degrees, hz, 6, max(0.6, 8 / hz))
        assert events("phase-loss", noisy(held)) == [], degrees
    # Nor is it where the rotor swings about the place in which a direct current holds it.
    assert events("phase-loss", noisy(held + np.array([3.0, -1.5, -1.5]))) == []


@pytest.mark.parametrize("hz", [1.0, 20.0, 133.3, 500.0])
@pytest.mark.parametrize("which", [0, 1, 2])
def test_a_phase_that_was_open_from_the_beginning_is_found(which, hz):
    (event,) = events("phase-loss", noisy(open_phase(which, hz, 6, max(1.0, 6 / hz))))
    assert event.peak == pytest.approx(100.0, abs=0.5) and f"least current in {NAMES[which]}" in event.text


@pytest.mark.parametrize("share", [0.0, 0.04, 0.08, 0.09, 0.2, 0.3])
def test_a_joint_that_passes_some_current_is_told_as_well(share):
    # A share of W's own current passes: the vector draws an ellipse that turns, and no line.
    healthy, hole = turning(50, 6, 1.0), open_phase(2, 50, 6, 1.0)
    values = noisy(turning(50, 6, 1.0), share * healthy + (1 - share) * hole)
    (event,) = events("phase-loss", values)
    assert event.start_scan / RATE_HZ == pytest.approx(1.0, abs=1.1 / 50)
    assert "least current in iw" in event.text


def test_below_a_tenth_of_the_rated_current_nothing_is_told():
    values = noisy(turning(100, 0.8, 1.0), open_phase(0, 100, 0.8, 1.0))
    assert events("phase-loss", values) == []


@pytest.mark.parametrize(
    ("phasors", "percent"),
    [
        # Magnitudes 10, 9, 11 at 120°: u2 5.773503 % (Fortescue; from the definition, and by a library).
        ([(10, 0), (9, -120), (11, 120)], 5.773503),
        # 8∠0, 6∠−90, 16∠143.1: 4.3047 over 9.8049.
        ([(8, 0), (6, -90), (16, 143.1)], 100 * 4.3047 / 9.8049),
    ],
)
def test_unbalance_of_textbook_phasors(phasors, percent):
    turn = 2 * np.pi * 50 * np.arange(60_000) / RATE_HZ
    values = np.stack([0.5 * a * np.cos(turn + np.radians(d)) for a, d in phasors], axis=1)
    (event,) = events("unbalance", values)
    assert event.peak == pytest.approx(percent, rel=1e-4)
    assert event.details["severity"] == ("alarm" if percent > 10 else "note")


@pytest.mark.parametrize("hz", [10.0, 97.3, 477.7])
def test_a_healthy_machine_is_not_unbalanced(hz):
    # 3.2 % are within the floor of 1 % shunts and real windings.
    assert events("unbalance", noisy(turning(hz, 6, 6.0, negative=0.032))) == []


@pytest.mark.parametrize("hz", [10.0, 97.3, 477.7])
def test_an_unbalance_that_grows_is_one_event_and_becomes_an_alarm(hz):
    parts = [turning(hz, 6, s, negative=n) for s, n in ((2, 0), (3, 0.06), (3, 0.12), (2, 0.045), (2, 0.0))]
    (event,) = events("unbalance", noisy(*parts))
    assert event.details["severity"] == "alarm" and event.peak == pytest.approx(12.0, abs=0.1)
    assert event.start_scan / RATE_HZ == pytest.approx(2.0, abs=0.35)
    # 4.5 % is above the release level of 4 %.
    assert event.end_scan / RATE_HZ == pytest.approx(10.0, abs=0.35)
    (note,) = events("unbalance", noisy(*parts[:2], *parts[4:]))
    assert note.details["severity"] == "note" and "note above 5 %" in note.text
    assert (event.limit, note.limit) == (10.0, 5.0)


def test_an_unbalance_of_less_than_a_second_is_none():
    values = noisy(turning(100, 6, 2), turning(100, 6, 0.7, negative=0.3), turning(100, 6, 2))
    assert events("unbalance", values) == []


@pytest.mark.parametrize("expected", ["UVW", "UWV"])
def test_the_wrong_way_round(expected):
    rule = dataclasses.replace(RULES["reversed"], sequence=expected)
    order = 1 if expected == "UVW" else -1
    values = noisy(
        turning(80, 6, 1, order=order), turning(80, 5, 1, order=-order), turning(80, 6, 1, order=order)
    )
    (event,) = events("reversed", values, rule=rule)
    assert event.start_scan / RATE_HZ == pytest.approx(1.0, abs=1.5 / 80)
    assert event.end_scan / RATE_HZ == pytest.approx(2.0, abs=1.5 / 80)
    assert event.peak == pytest.approx(5 / math.sqrt(2), rel=0.01)
    assert f"{expected} is expected" in event.text and event.details["severity"] == "note"


def test_an_open_phase_has_no_direction():
    assert events("reversed", noisy(turning(80, 6, 1), open_phase(1, 80, 6, 1))) == []


@pytest.mark.parametrize("hz", SPEEDS)
def test_minutes_of_overload_are_one_event_of_each_rule(hz):
    # No chatter, at 1 to 500 Hz: two minutes at 15 A peak (10.6 A rms), then calm.
    rate_hz = 2000.0 if hz < 200 else 10_000.0
    values = noisy(
        turning(hz, 5, 2, rate_hz=rate_hz),
        turning(hz, 15, 120, rate_hz=rate_hz),
        turning(hz, 5, 3, rate_hz=rate_hz),
    )
    (load,) = events("overload", values, rate_hz=rate_hz)
    assert load.peak == pytest.approx(15 / math.sqrt(2), rel=0.01)
    assert load.start_scan == pytest.approx(2.0 * rate_hz, abs=1)
    assert load.end_scan / rate_hz == pytest.approx(122.0, abs=0.2)
    over = events("overcurrent", values, rate_hz=rate_hz)
    assert sorted(e.channel for e in over) == NAMES
    for kind in ("phase-loss", "unbalance", "reversed", "stall", "standing"):
        assert events(kind, values, rate_hz=rate_hz) == [], kind


@pytest.mark.parametrize("hz", SPEEDS)
def test_minutes_at_the_limit_do_not_chatter(hz):
    # Within noise of the limit of every rule that has one here.
    rate_hz = 2000.0 if hz < 200 else 10_000.0
    values = noisy(turning(hz, 9 * math.sqrt(2), 90, rate_hz=rate_hz, negative=0.0))
    assert len(events("overload", values, rate_hz=rate_hz)) <= 1
    values = noisy(turning(hz, 12.8, 60, rate_hz=rate_hz))
    assert len(events("overcurrent", values, rate_hz=rate_hz)) <= 3
    values = noisy(turning(hz, 6, 60, rate_hz=rate_hz, negative=0.05))
    assert len(events("unbalance", values, rate_hz=rate_hz)) <= 1
    values = noisy(turning(hz, 6, 60, rate_hz=rate_hz, negative=0.5))
    assert len(events("phase-loss", values, rate_hz=rate_hz)) <= 1


@pytest.mark.parametrize("hz", [4.9, *(pytest.param(hz, marks=pytest.mark.slow) for hz in (1.0, 1.7, 61.0))])
def test_ripple_about_the_zeros_of_a_slow_current_is_no_cycle(hz):
    # Noise of 0.3 A rms, 7 % of the current, and levels within it: an ellipse between line and open phase,
    # a ratio at the limit, currents at those below which nothing is told.
    def played(amperes, negative, noise):
        values = turning(hz, amperes, 40, negative=negative, rate_hz=2000.0)
        return values + np.random.default_rng(3).normal(0, noise, values.shape)

    for amperes, negative, noise in ((6, 0.9, 0.3), (6, 0.5, 0.3), (0.6 * math.sqrt(2), 0.6, 0.1)):
        assert len(events("phase-loss", played(amperes, negative, noise), rate_hz=2000.0)) <= 1
    for amperes, negative, noise in ((6, 0.05, 0.3), (6, 0.1, 0.3), (1.2 * math.sqrt(2), 0.07, 0.1)):
        assert len(events("unbalance", played(amperes, negative, noise), rate_hz=2000.0)) <= 1
    # Six amperes and nothing wrong: nothing to tell.
    for kind in ("phase-loss", "unbalance", "reversed"):
        assert events(kind, played(6, 0.0, 0.3), rate_hz=2000.0) == []


def test_a_current_that_falls_far_is_looked_at_again():
    # From 15 A to 2 A, and a phase opens there: 0.3 of the last peak is more than all that is left.
    values = noisy(turning(50, 15, 1), turning(50, 2, 1), open_phase(1, 50, 2, 1))
    (event,) = events("phase-loss", values)
    assert event.start_scan / RATE_HZ == pytest.approx(2.0, abs=0.002)
    straight = noisy(turning(50, 15, 1), open_phase(1, 50, 2, 1))
    (event,) = events("phase-loss", straight)
    assert event.start_scan / RATE_HZ == pytest.approx(1.0, abs=3.1 / 50)


def test_a_stall_is_told_when_the_vector_stood_after_turning():
    stands = np.tile([9.0, -4.5, -4.5], (20_000, 1))
    align = np.tile([9.0, -4.5, -4.5], (12_000, 1))
    none = np.zeros((6000, 3))
    (event,) = events("stall", noisy(none, align, turning(30, 9, 1), stands, none))
    assert event.start_scan / RATE_HZ == pytest.approx(0.3 + 0.6 + 1.0, abs=0.045)
    assert event.end_scan / RATE_HZ == pytest.approx(0.3 + 0.6 + 2.0, abs=0.021)
    assert event.peak == pytest.approx(9 / math.sqrt(2), rel=0.01) and "without turning" in event.text


def test_an_alignment_is_no_stall_until_it_lasts():
    none, stands = np.zeros((6000, 3)), np.tile([9.0, -4.5, -4.5], (50_000, 1))
    assert events("stall", noisy(none, stands, turning(30, 9, 1))) == []
    (event,) = events("stall", noisy(none, stands, stands, none))
    assert event.start_scan / RATE_HZ == pytest.approx(0.3 + 3.0, abs=0.05)


def stalls(*pieces):
    """Stalls of a rule that knows the drive's state: (peak in U or none, hz, seconds, code)."""
    rule = dataclasses.replace(RULES["stall"], state="mode", says=((1, "align"), (2, "start"), (3, "run")))
    parts = []
    for amperes, hz, seconds, code in pieces:
        count = round(seconds * RATE_HZ)
        values = (
            turning(hz, amperes, seconds) if hz else np.tile(amperes * np.array([1, -0.5, -0.5]), (count, 1))
        )
        parts.append(np.column_stack([noisy(values), np.full(count, code)]))
    values = np.concatenate(parts)
    no = np.zeros(values.shape, dtype=bool)
    blocks = [(at, values[at : at + 777], no[at : at + 777]) for at in range(0, len(values), 777)]
    return rule_events(rule, 0, NAMES, RATE_HZ, 0, blocks)


def test_a_stall_is_told_at_once_while_the_drive_says_that_it_runs():
    # It never turned: without the state it would be an alignment for 3 s.
    (event,) = stalls((0, 0, 0.3, 0), (9, 0, 0.5, 1), (9, 0, 1.0, 3), (0, 0, 0.3, 0))
    assert event.start_scan / RATE_HZ == pytest.approx(0.8, abs=0.021)
    assert event.end_scan / RATE_HZ == pytest.approx(1.8, abs=0.021)


def test_what_stands_while_the_drive_aligns_is_no_stall():
    # However long, and though it turned before.
    assert stalls((0, 0, 0.3, 0), (9, 0, 5.0, 1), (9, 30, 1.0, 3), (9, 0, 5.0, 1)) == []
    # A word that is not known, and one that is no number, leave it to the currents.
    (event,) = stalls((0, 0, 0.3, 0), (9, 0, 3.5, 7), (0, 0, 0.3, 0))
    assert event.start_scan / RATE_HZ == pytest.approx(0.3 + 3.0, abs=0.05)
    (event,) = stalls((0, 0, 0.3, math.nan), (9, 0, 3.5, math.nan), (0, 0, 0.3, math.nan))
    assert event.start_scan / RATE_HZ == pytest.approx(0.3 + 3.0, abs=0.05)


def test_a_state_of_another_group_is_told_when_the_device_sends_it_there():
    text = BENCH_TEXT.replace(STATED, '[[watch]]\nkind = "stall"\nstate = "state"\n')
    fast, slow = ("iu", "iv", "iw", "vbus", "ibus"), ("t_sink", "state")
    bench = parse(text)
    apart = [GroupInfo(RATE_HZ, CodeType.U16, 12, fast), GroupInfo(100.0, CodeType.U16, 12, slow)]
    with pytest.raises(
        DescriptionError, match=r"rule 1 .*stall.*: expected the state channel state in group 0"
    ):
        GroupWatches(bench, Chain(bench, apart), 0, RATE_HZ)
    together = [GroupInfo(RATE_HZ, CodeType.U16, 12, (*fast, *slow))]
    watches = GroupWatches(bench, Chain(bench, together), 0, RATE_HZ)
    assert watches.feed(0, np.full((4000, 7), 2048, dtype=np.uint16)) == []


def test_a_bus_that_is_sampled_apart_counts_without_looking_at_currents():
    bench = parse(BENCH_TEXT)
    (number,) = (n for n, rule in enumerate(bench.rules) if rule.kind == "undervoltage")
    assert bench.rules[number].currents
    apart = [
        GroupInfo(RATE_HZ, CodeType.U16, 12, ("iu", "iv", "iw", "ibus")),
        GroupInfo(1000.0, CodeType.U16, 12, ("t_sink", "state", "vbus")),
    ]
    chain = Chain(bench, apart)
    codes = np.full((100, 3), round(float(chain.channels["vbus"].codes([24.0])[0])), dtype=np.uint16)
    watches = GroupWatches(bench, chain, 1, 1000.0)
    assert watches.feed(0, codes) == []
    (event,) = watches.feed(100, codes // 2)
    assert (event.kind, event.start_scan) == ("undervoltage", 100)


def test_standing_current_is_a_note():
    stands = np.tile([1.0, -0.5, -0.5], (60_000, 1))
    (event,) = events("standing", noisy(np.zeros((4000, 3)), stands, np.zeros((30_000, 3))))
    assert event.details["severity"] == "note" and event.peak == pytest.approx(1 / math.sqrt(2), rel=0.01)
    assert event.start_scan == pytest.approx(4000, abs=800)
    assert events("standing", noisy(turning(1.0, 1.0, 10))) == []


def bus(*pieces):
    return np.concatenate([np.full(round(seconds * RATE_HZ), volts) for volts, seconds in pieces])[:, None]


def test_a_sag_of_the_bus_is_exact_to_the_scan():
    # Definite time: 5 ms at 20 kS/s are 100 scans.
    (event,) = events("undervoltage", bus((24.0, 0.1), (18.0, 0.005), (24.0, 0.2)))
    assert (event.start_scan, event.end_scan, event.peak) == (2000, 2099, pytest.approx(18.0))
    assert events("undervoltage", bus((24.0, 0.1), (18.0, 99 / RATE_HZ), (24.0, 0.2))) == []
    (high,) = events("overvoltage", bus((24.0, 0.1), (29.0, 0.02), (24.0, 0.2)))
    assert (high.start_scan, high.end_scan, high.peak) == (2000, 2399, 29.0)
    assert "voltage up to 29 V, limit 28.8 V, over 20 ms" in high.text
    (long,) = events("undervoltage", bus((24.0, 0.1), (18.0, 1.0), (24.0, 0.2)))
    assert (long.start_scan, long.end_scan) == (2000, 21_999)


def test_a_bus_that_is_off_from_the_beginning_does_not_sag():
    assert events("undervoltage", bus((0.0, 1.0), (24.0, 1.0))) == []
    (event,) = events("undervoltage", bus((0.0, 1.0), (24.0, 1.0), (0.0, 1.0)))
    assert event.start_scan == 40_000 and event.cut_short
    watch = watch_for(RULES["undervoltage"], 0, ["vbus"], RATE_HZ, 0)
    no = np.zeros((1000, 1), dtype=bool)
    watch.feed(0, bus((24.0, 0.05)), no)
    watch.close()
    assert watch.feed(1000, bus((0.0, 0.05)), no) == [] and watch.close() == []


def in_use(*pieces):
    """A bus with the phase currents beside it: (volts, amperes of a turning current, seconds)."""
    volts = bus(*((v, s) for v, _, s in pieces))
    currents = np.concatenate([turning(50, a, s) for _, a, s in pieces])
    return np.concatenate([volts, noisy(currents)], axis=1)


def sags(*pieces):
    assert (IN_USE.above, IN_USE.currents) == (pytest.approx(0.3), tuple(NAMES))
    values = in_use(*pieces)
    no = np.zeros(values.shape, dtype=bool)
    blocks = [(at, values[at : at + 777], no[at : at + 777]) for at in range(0, len(values), 777)]
    return rule_events(IN_USE, 0, ["vbus"], RATE_HZ, 0, blocks)


def test_a_supply_that_is_switched_off_at_rest_is_no_undervoltage():
    down = [(v, 0, 0.05) for v in (20.0, 18.0, 12.0, 5.0, 1.0)]
    day = [(24.0, 0, 0.2), (24.0, 6, 0.5), (24.0, 0, 0.6), *down, (0.0, 0, 1.0)]
    assert sags(*day, *day, *day) == []


def test_a_sag_under_load_is_exact_to_the_scan():
    (event,) = sags((24.0, 6, 0.6), (18.0, 6, 0.005), (24.0, 6, 0.3))
    assert (event.start_scan, event.end_scan, event.channel) == (12_000, 12_099, "vbus")
    assert event.peak == pytest.approx(18.0)


def test_a_supply_that_fails_under_load_is_one_event_until_the_current_is_gone():
    (event,) = sags((24.0, 6, 0.6), (0.0, 6, 0.1), (0.0, 0, 3.0), (24.0, 0, 0.2))
    assert event.start_scan == 12_000 and not event.cut_short
    # 500 ms after the last current.
    assert event.end_scan == pytest.approx(12_000 + 0.6 * RATE_HZ, abs=20)


def test_a_drive_that_trips_before_the_limit_is_passed_was_in_use():
    (event,) = sags((24.0, 6, 0.6), (20.5, 6, 0.05), (20.0, 0, 0.2), (17.0, 0, 0.1), (24.0, 0, 0.3))
    assert event.start_scan == round(0.85 * RATE_HZ)
    assert sags((24.0, 6, 0.6), (20.0, 0, 0.6), (17.0, 0, 0.1), (24.0, 0, 0.3)) == []


def test_a_start_on_a_bus_below_its_limit_counts_from_its_first_current():
    (event,) = sags((24.0, 0, 0.1), (18.0, 0, 1.0), (18.0, 6, 0.5), (24.0, 6, 0.3))
    assert event.start_scan == pytest.approx(1.1 * RATE_HZ, abs=20)
    assert event.end_scan == round(1.6 * RATE_HZ) - 1


def test_after_a_restart_nothing_is_in_use():
    watch = watch_for(IN_USE, 0, ["vbus"], RATE_HZ, 0)
    values = in_use((24.0, 6, 0.3), (24.0, 0, 0.01), (0.0, 0, 0.2))
    no = np.zeros(values.shape, dtype=bool)
    assert watch.feed(0, values[:6100], no[:6100]) == []
    watch.close()
    assert watch.feed(6100, values[6100:], no[6100:]) == [] and watch.close() == []


def test_each_voltage_is_waited_for_by_itself():
    one, other = bus((24.0, 0.6), (18.0, 0.1)), bus((0.0, 0.3), (24.0, 0.3), (24.0, 0.1))
    (event,) = events("undervoltage", np.concatenate([one, other], axis=1))
    assert (event.channel, event.start_scan) == ("iu", 12_000)


def test_a_temperature_below_zero_is_not_above_a_limit():
    rule = dataclasses.replace(
        RULES["undervoltage"], kind="overtemperature", unit="°C", limit=20.0, release=17.0, hold_s=0.0
    )
    (event,) = events("", bus((-40.0, 0.1), (21.0, 0.1), (10.0, 0.1)), rule=rule)
    assert (event.start_scan, event.end_scan) == (2000, 3999) and event.peak == pytest.approx(21.0)
    assert "temperature up to 21 °C, limit 20 °C" in event.text


def test_the_end_of_the_range_is_told_and_at_least():
    values = np.full((4000, 1), 0.5)
    values[1000:1003], values[2999] = 16.0, 16.0
    clipped = values > 15.9
    clipped[0] = True  # a one-way amplifier rests at its lower end
    rule = dataclasses.replace(RULES["clipping"], limit=8.0, release=7.6, release_hold_s=0.01)
    (event,) = events("clipping", values, rule=rule, clipped=clipped)
    assert (event.start_scan, event.end_scan, event.peak_at_least) == (1000, 1002, True)
    assert "16 A or more" in event.text


def test_an_event_is_told_while_it_lasts():
    watch = watch_for(RULES["phase-loss"], 0, NAMES, RATE_HZ, 0)
    values = noisy(turning(100, 6, 0.4), open_phase(0, 100, 6, 1.0))
    no = np.zeros(values.shape, dtype=bool)
    told = [
        e for at in range(0, len(values), 1000) for e in watch.feed(at, values[at : at + 1000], no[:1000])
    ]
    assert told and all(e.end_scan is None and "so far" in e.text for e in told)
    assert told[0].details["keep_first"] == told[0].start_scan - 2000 and told[0].details["keep_last"] is None
    # A peak that hardly grows is no news.
    assert len(told) <= 2
    (ended,) = watch.close(last_scan=30_000)
    assert (ended.end_scan, ended.cut_short, ended.details["keep_last"]) == (30_000, True, 38_000)
    # After a restart nothing of it is left.
    assert watch.feed(40_000, values[:4000], no[:4000]) == [] and watch.close() == []


def test_what_nobody_counted_starts_the_counts_anew_and_is_told():
    watch = watch_for(RULES["overload"], 0, NAMES, RATE_HZ, 0)
    no = np.zeros((100_000, 3), dtype=bool)
    hot = turning(100, 15, 5)
    watch.gap(5)
    found = []
    for number in range(13):
        found += watch.feed(number * 100_000, hot, no)
    assert found and found[-1].end_scan is None
    watch.gap(None)
    watch.gap(40)
    watch.feed(1_300_040, hot, no)
    (event,) = watch.close()
    assert (event.start_scan, event.lost_scans) == (0, 40)
    assert event.details["lost_uncounted"] and "nobody could count" in event.text
    apart = watch_for(RULES["overload"], 0, NAMES, RATE_HZ, 0)
    for number in range(26):
        # Ten seconds at a time, and half a second without scans between them.
        assert apart.feed(number * 110_000, hot, no) == []
    assert apart.close() == []


def test_what_is_no_number_is_no_current():
    values = noisy(turning(100, 6, 2))
    values[7_777, 1] = np.nan
    assert events("phase-loss", values) == [] and events("unbalance", values) == []
    assert vector(np.array([[np.nan, 0.0, 0.0]])).tolist() == [[0.0], [0.0]]
    values[:, :] = np.nan
    assert events("overload", values) == []


def test_turns_without_current_have_no_ratio():
    scan, none = np.array([0]), np.zeros(1, dtype=np.complex128)
    turns = turns_of(scan, scan + 1, none, none, np.array([False]), 0, none)
    assert (turns.ratio.tolist(), turns.rms.tolist()) == ([0.0], [0.0])


@pytest.mark.parametrize("count", [133, 20_000])
def test_a_turning_is_that_of_the_circle_however_long_it_is(count):
    turn = np.exp(-2j * np.pi * 7 / count * np.arange(count))
    made = _turning(count, 7)
    assert np.allclose(made[:, 0] + 1j * made[:, 1], turn, rtol=0, atol=1e-12)


def test_a_slow_cycle_between_others_is_left_out_and_they_are_told_all_the_same():
    time_s = np.arange(int(RATE_HZ)) / RATE_HZ
    # In the middle one cycle takes longer than any may.
    angle = 2 * np.pi * np.concatenate((50 * time_s, 50 + 4 * time_s[: len(time_s) // 4], 51 + 50 * time_s))
    values = 5 * np.cos(angle[:, None] - 2 * np.pi / 3 * np.arange(3))
    turns = TurnCutter(1.0, int(RATE_HZ / 20), 1).feed(0, values, np.zeros(len(values), dtype=np.bool_))
    assert turns is not None and 90 < len(turns) < 101
    assert np.count_nonzero(turns.start[1:] != turns.stop[:-1]) == 1
    # Where the frequency jumps a cycle is none of a sine.
    assert np.median(turns.forward) == pytest.approx(5.0, abs=1e-3)
    assert np.count_nonzero(np.abs(turns.forward - 5.0) > 0.01) <= 3


@pytest.mark.parametrize("made", [LevelWatch, LoadWatch, SequenceWatch])
def test_a_rule_of_another_kind_is_refused(made):
    with pytest.raises(ValueError, match=r"kind: expected .*, got 'overcurrent'"):
        made(RULES["overcurrent"], 0, NAMES, RATE_HZ, 0)


def test_rules_that_cannot_be_watched():
    with pytest.raises(ValueError, match="channels: expected three phase currents, got 2"):
        watch_for(RULES["stall"], 0, NAMES[:2], RATE_HZ, 0)
    with pytest.raises(ValueError, match=r"kind: expected overcurrent, inverse-time, .*, got 'other'"):
        watch_for(dataclasses.replace(RULES["stall"], kind="other"), 0, NAMES, RATE_HZ, 0)


LASTING = {
    "cycle-rms": {
        "kind": "overcurrent",
        "quantity": "cycle-rms",
        "limit": 8.0,
        "release": 7.6,
        "hold_s": 0.1,
    },
    "vector": {"kind": "overcurrent", "quantity": "vector", "limit": 12.0, "release": 11.4, "hold_s": 0.001},
    "inverse-time": {"kind": "inverse-time", "limit": 8.0, "release": 7.6, "curve": "A", "tms": 0.05},
    "thermal": {"kind": "thermal", "limit": 8.0, "release": 7.6, "tau_s": 5.0},
    "i2t": {"kind": "i2t", "limit": 8.0, "release": 7.6, "i2t": 100.0},
}


@pytest.mark.parametrize("name", LASTING)
@pytest.mark.parametrize("hz", SPEEDS)
def test_a_minute_beyond_is_one_event_of_rules_on_cycles_too(name, hz):
    # longest_cycle is above the period of the slowest current, as bench-file.md asks.
    rate_hz = 2000.0 if hz < 200 else 10_000.0
    rule = dataclasses.replace(
        RULES["overcurrent"],
        **{"quantity": "cycle-rms", "hold_scans": 0, "longest_cycle_s": 2.0} | LASTING[name],
    )
    values = noisy(*(turning(hz, a, s, rate_hz=rate_hz) for a, s in ((5, 4), (15, 60), (5, 4))))
    if name != "vector":
        values = values[:, :1]
    (event,) = events("", values, rule=rule, rate_hz=rate_hz)
    assert not event.cut_short
    # A step counts from its first scan beyond half the limit or at the cycle it falls into.
    assert event.start_scan / rate_hz == pytest.approx(4.0, abs=1.01 / hz + 0.002)
    assert event.end_scan / rate_hz == pytest.approx(64.0, abs=1.01 / hz + 0.06)
