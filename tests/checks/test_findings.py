"""Every kind of finding on the simulated pump: there where the fault is made, and not on the healthy twin."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from pump_check import BENCH, IBUS, NAMES, RATE_HZ, VBUS, U, V, W, alarms, checked, pump, sibling

from livesense.checks.report import Report

Codes = np.ndarray
ZERO, LOW, HIGH = 2048, 62, 4033
"""Codes of no current, and of the output's swing at both ends."""
RANDOM = np.random.default_rng(7)


def amperes(codes: Codes, column: int) -> Codes:
    return codes[:, column].astype(float) - ZERO


def put(codes: Codes, column: int, values: Codes) -> Codes:
    """Values in codes around the zero, through an output that swings from rail to rail."""
    codes[:, column] = np.clip(np.rint(values + ZERO), LOW, HIGH)
    return codes


def only(report: Report, kind: str, channel: str | None) -> None:
    """That finding is the only alarm, and tells a number."""
    assert alarms(report) == {(kind, channel)}
    text = next(f.text for f in report.findings if f.alarm)
    assert any(letter.isdigit() for letter in text)
    assert not report.ok


def fix(report: Report) -> str:
    return next(f.as_json()["fix"] for f in report.findings if f.alarm)


@pytest.mark.parametrize("kind", ["field-oriented", "six-step"])
@pytest.mark.parametrize("state", ["rest", "align", "light", "rated"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_bench_raises_nothing(kind: str, state: str, seed: int) -> None:
    report = checked(pump(kind, seed)[state])
    assert alarms(report) == set()
    assert report.ok
    assert report.unproven


@pytest.mark.parametrize("state", ["light", "rated"])
class TestPhases:
    @pytest.mark.parametrize("cross_talk", [0.0, 0.02])
    def test_no_signal(self, state: str, cross_talk: float) -> None:
        codes = pump()[state]
        put(codes, V, cross_talk * amperes(codes, W) + RANDOM.normal(0, 1.2, len(codes)))
        only(checked(codes), "no-signal", "iv")

    def test_stuck(self, state: str) -> None:
        codes = pump()[state]
        codes[:, V] = 1234
        only(checked(codes), "stuck", "iv")

    def test_stuck_from_some_time_on(self, state: str) -> None:
        codes = pump()[state]
        codes[len(codes) // 3 :, W] = codes[len(codes) // 3, W]
        only(checked(codes), "stuck", "iw")

    def test_floating(self, state: str) -> None:
        codes = pump()[state]
        put(codes, V, 0.95 * amperes(codes, U) + 30 + RANDOM.normal(0, 1, len(codes)))
        only(checked(codes), "floating", "iv")

    def test_floating_first_column_repeats_another(self, state: str) -> None:
        codes = pump()[state]
        put(codes, U, 0.97 * amperes(codes, W) + RANDOM.normal(0, 1, len(codes)))
        only(checked(codes), "floating", "iu")
        # Without a stated order it is the one sampled after the other: of three columns the first.
        bench = BENCH.replace('sequence = "UVW"', "").partition('[[channel]]\nname = "vbus"')[0]
        only(checked(codes[:, :3], bench, NAMES[:3]), "floating", "iu")

    def test_missing_phase(self, state: str) -> None:
        codes = pump()[state]
        put(codes, U, RANDOM.normal(0, 1.2, len(codes)))
        # One scan, 4° here, between the two that carry one current.
        put(codes, W, -np.roll(amperes(codes, V), 1))
        only(checked(codes), "missing-phase", "iu")

    def test_reversed(self, state: str) -> None:
        codes = pump()[state]
        put(codes, V, -amperes(codes, V))
        report = checked(codes)
        only(report, "reversed", "iv")
        assert fix(report) == 'plus_input = "motor"'

    def test_swapped(self, state: str) -> None:
        codes = pump()[state]
        codes[:, [V, W]] = codes[:, [W, V]]
        only(checked(codes), "swapped", None)

    @pytest.mark.parametrize(("factor", "line"), [(0.5, "gain = 10"), (1.25, "gain = 25")])
    def test_scale(self, state: str, factor: float, line: str) -> None:
        codes = pump()[state]
        put(codes, W, factor * amperes(codes, W))
        report = checked(codes)
        only(report, "scale", "iw")
        assert fix(report) == line

    def test_zero_off(self, state: str) -> None:
        codes = pump()[state]
        codes[:, U] += 90
        report = checked(codes)
        only(report, "zero-off", "iu")
        # 90 codes of 0.806 mV above half of 3.3 V.
        assert fix(report).startswith('reference = "1.72')

    def test_reference_setup(self, state: str) -> None:
        codes = pump()[state]
        put(codes, U, amperes(codes, U) - ZERO)
        found = alarms(checked(codes))
        assert ("reference-setup", "iu") in found
        assert found <= {("reference-setup", "iu"), ("zero-off", "iu"), ("clipped", "iu")}

    def test_noisy(self, state: str) -> None:
        codes = pump()[state]
        put(codes, V, amperes(codes, V) + RANDOM.normal(0, 45, len(codes)))
        only(checked(codes), "noisy", "iv")

    def test_drift(self, state: str) -> None:
        codes = pump()[state]
        put(codes, W, amperes(codes, W) + np.linspace(0, 110, len(codes)))
        only(checked(codes), "drift", "iw")

    def test_skew(self, state: str) -> None:
        codes = pump()[state]
        # Sampled 0.1 ms late: two scans.
        codes = np.column_stack([codes[:-2, :V], codes[2:, V], codes[:-2, W:]])
        report = checked(codes)
        only(report, "skew", "iv")
        delay_us = float(fix(report).split('"')[1].split()[0])
        assert delay_us == pytest.approx(100.2, abs=4)

    def test_bandwidth(self, state: str) -> None:
        codes = pump()[state]
        values = amperes(codes, V)
        spectrum = np.fft.rfft(np.concatenate([values[::-1], values]))
        spectrum /= 1 + 1j * np.fft.rfftfreq(2 * len(values), 1 / RATE_HZ) / 500
        put(codes, V, np.fft.irfft(spectrum)[len(values) :])
        report = checked(codes)
        only(report, "bandwidth", "iv")
        assert float(fix(report).split('"')[1].split()[0]) == pytest.approx(500, rel=0.05)

    def test_sampled_one_after_the_other(self, state: str) -> None:
        codes = pump()[state]
        # 20 and 40 µs late: between the scans, by their spectrum.
        for column, late in ((V, 0.4), (W, 0.8)):
            values = amperes(codes, column)
            spectrum = np.fft.rfft(np.concatenate([values, values[::-1]]))
            turned = spectrum * np.exp(2j * np.pi * late * np.fft.rfftfreq(2 * len(values)))
            put(codes, column, np.fft.irfft(turned)[: len(values)])
        report = checked(codes)
        assert alarms(report) == {("skew", "iv"), ("skew", "iw")}
        found = {f.channel: f.numbers["delay_us"] for f in report.findings if f.alarm}
        assert found["iv"] == pytest.approx(20, abs=3)
        assert found["iw"] == pytest.approx(40, abs=6)

    def test_a_bit_that_never_changes(self, state: str) -> None:
        codes = pump()[state]
        codes[:, U] &= ~np.uint16(0x20)
        only(checked(codes), "stuck", "iu")

    def test_aliasing(self, state: str) -> None:
        codes = pump()[state]
        size = 0.1 * np.sqrt(2) * amperes(codes, U).std()
        angle = 2 * np.pi * 1650.7 * np.arange(len(codes)) / RATE_HZ
        for k in (U, V, W):
            put(codes, k, amperes(codes, k) + size * np.cos(angle - 2 * np.pi / 3 * k))
        only(checked(codes), "aliasing", None)


def test_bus_current_reversed() -> None:
    codes = pump()["rated"]
    put(codes, IBUS, -amperes(codes, IBUS))
    report = checked(codes)
    only(report, "reversed", "ibus")
    assert fix(report) == 'plus_input = "bridge"'


def test_bus_current_larger_than_the_phases_can_take() -> None:
    codes = pump()["rated"]
    put(codes, IBUS, 2.9 * amperes(codes, IBUS))
    assert ("bus", "ibus") in alarms(checked(codes))


def test_bus_power_below_the_copper_loss() -> None:
    codes = pump()["rated"]
    put(codes, IBUS, 0.0 * amperes(codes, IBUS) + RANDOM.normal(0, 1, len(codes)))
    # 20 mΩ in each line: 6 A rms warm 2 W, and the bus is said to deliver none.
    assert ("bus", "ibus") in alarms(
        checked(codes, BENCH.replace('"5 mΩ"', '"20 mΩ"').replace("20\ng", "5\ng"))
    )


def test_bus_power_below_the_loss_of_the_winding_that_is_stated() -> None:
    codes = pump()["rated"]
    # A tenth of what the bus delivers is still more than the shunts lose, and less than the copper does.
    put(codes, IBUS, 0.1 * amperes(codes, IBUS) + RANDOM.normal(0, 1, len(codes)))
    assert ("bus", "ibus") not in alarms(checked(codes))
    stated = BENCH.replace("[motor]", '[motor]\nresistance = "200 mΩ"')
    assert ("bus", "ibus") in alarms(checked(codes, stated))
    assert (
        alarms(checked(pump()["rated"], BENCH.replace("[motor]", '[motor]\nresistance = "50 mΩ"'))) == set()
    )


def test_divider_by_the_nominal_bus_voltage() -> None:
    codes = pump()["rated"]
    assert 'bus_voltage = "24 V"' in BENCH
    assert alarms(checked(codes)) == set()
    codes[:, VBUS] //= 2
    report = checked(codes)
    only(report, "scale", "vbus")
    assert fix(report).startswith("ratio = 2")


def test_clipped() -> None:
    codes = pump()["rated"]
    for k in (U, V, W):
        put(codes, k, 2.4 * amperes(codes, k))
    assert alarms(checked(codes)) == {("clipped", n) for n in ("iu", "iv", "iw")}


def test_clipped_before_the_stated_end() -> None:
    codes = pump()["rated"]
    top = 0.75 * amperes(codes, V).max()
    put(codes, V, np.minimum(amperes(codes, V), top) + RANDOM.normal(0, 1, len(codes)))
    only(checked(codes), "clipped", "iv")


def test_pair() -> None:
    codes = pump()["rated"]
    names = (*NAMES, "iu2")
    second = ZERO + amperes(codes, U)
    bench = BENCH + sibling("iu2", "U", sampled_at='"low-on"')
    assert alarms(checked(np.column_stack([codes, second]), bench, names)) == set()
    off = ZERO + 1.12 * amperes(codes, U)
    only(checked(np.column_stack([codes, off]), bench, names), "pair", "iu2")
    shifted = second + 70
    assert ("pair", "iu2") in alarms(checked(np.column_stack([codes, shifted]), bench, names))


def test_a_second_chain_that_is_reversed_or_dead() -> None:
    codes = pump()["rated"]
    names = (*NAMES, "iu2")
    # Beside the first one in the same line, and at the low side.
    for place in ('"low-side"', '"in-line"'):
        bench = BENCH + sibling(
            "iu2", "U", place=place, plus_input='"ground"' if "low" in place else '"bridge"'
        )
        healthy = np.column_stack([codes, ZERO + amperes(codes, U)])
        assert alarms(checked(healthy, bench, names)) == set()
        turned = np.column_stack([codes, ZERO - amperes(codes, U)])
        assert alarms(checked(turned, bench, names)) == {("reversed", "iu2"), ("pair", "iu2")}
        silent = np.column_stack([codes, ZERO + np.rint(RANDOM.normal(0, 1.3, len(codes)))])
        assert alarms(checked(silent, bench, names)) == {("no-signal", "iu2")}


def test_chains_that_see_other_instants_are_not_compared() -> None:
    codes = pump()["rated"]
    off = ZERO + 1.12 * amperes(codes, U)
    bench = BENCH.replace('name = "iu"', 'name = "iu"\nsampled_at = "high-on"')
    bench += sibling("iu2", "U", sampled_at='"low-on"')
    assert alarms(checked(np.column_stack([codes, off]), bench, (*NAMES, "iu2"))) == set()


def test_places_that_disagree_on_the_order_tell_the_pair() -> None:
    codes = pump()["rated"]
    second = np.column_stack([ZERO + amperes(codes, k) for k in (V, U, W)])
    names = (*NAMES, "iu2", "iv2", "iw2")
    bench = BENCH + sibling("iu2", "U") + sibling("iv2", "V") + sibling("iw2", "W")
    report = checked(np.column_stack([codes, second]), bench, names)
    swapped = {f.channel: f.as_json()["fix"] for f in report.findings if f.kind == "swapped"}
    assert swapped == {"iu2": 'phase = "V"', "iv2": 'phase = "U"'}
    unstated = checked(np.column_stack([codes, second]), bench.replace('sequence = "UVW"', ""), names)
    assert {f.channel for f in unstated.findings if f.kind == "swapped"} == {"iu2", "iv2"}


def test_reversed_in_a_whole_second_set() -> None:
    codes = pump()["rated"]
    second = np.column_stack([ZERO + amperes(codes, U), ZERO - amperes(codes, V), ZERO + amperes(codes, W)])
    names = (*NAMES, "iu2", "iv2", "iw2")
    bench = BENCH + sibling("iu2", "U") + sibling("iv2", "V") + sibling("iw2", "W")
    found = alarms(checked(np.column_stack([codes, second]), bench, names))
    assert found == {("reversed", "iv2"), ("pair", "iv2")}


class TestChanges:
    """What begins within a stretch, and stretches without any steady part."""

    def test_a_phase_that_opens(self) -> None:
        codes = pump()["rated"]
        at = len(codes) // 2
        late = codes[at:].copy()
        put(late, U, RANDOM.normal(0, 1.2, len(late)))
        put(late, W, -amperes(late, V))
        codes[at:] = late
        only(checked(codes), "missing-phase", "iu")

    @pytest.mark.parametrize("reversed_one", [None, U, W])
    @pytest.mark.slow
    def test_a_run_up(self, reversed_one: int | None) -> None:
        n = RATE_HZ
        angle = 2 * np.pi * 60 * (np.arange(n) / RATE_HZ) ** 2
        codes = np.full((n, 5), ZERO)
        for k in range(3):
            put(codes, k, 700 * np.cos(angle - 2 * np.pi / 3 * k) + RANDOM.normal(0, 1, n))
        if reversed_one is not None:
            put(codes, reversed_one, -amperes(codes, reversed_one))
        expected = set() if reversed_one is None else {("reversed", NAMES[reversed_one])}
        assert alarms(checked(codes)) == expected


class TestAtRest:
    def test_zero_off(self) -> None:
        codes = pump()["rest"]
        codes[:, V] += 60
        only(checked(codes), "zero-off", "iv")

    def test_zero_off_that_the_others_errors_hide_in_the_sum(self) -> None:
        codes = np.full((RATE_HZ, 5), ZERO) + np.rint(RANDOM.normal(0, 1.2, (RATE_HZ, 5))).astype(int)
        # A zero may be off by 7 codes; a direct current of 15 would come back through the others.
        codes[:, :3] += np.array([-15, 2, 4])
        codes[:, VBUS] = 2700
        assert alarms(checked(codes, BENCH.replace('"6 A"', '"0.5 A"'))) == {("zero-off", "iu")}
        codes[:, :3] += np.array([0, 5, 4])
        assert alarms(checked(codes, BENCH.replace('"6 A"', '"0.5 A"'))) == set()

    def test_two_zeros_off(self) -> None:
        codes = pump()["rest"]
        codes[:, V] += 60
        codes[:, U] -= 80
        assert alarms(checked(codes)) == {("zero-off", "iv"), ("zero-off", "iu")}

    @pytest.mark.parametrize(("stated", "line"), [("ground", "mid-supply"), ("supply", "mid-supply")])
    def test_half_the_supply_where_an_end_was_stated(self, stated: str, line: str) -> None:
        codes = pump()["rest"]
        head, mark, tail = BENCH.partition('name = "iu"')
        bench = head + mark + tail.replace('reference = "mid-supply"', f'reference = "{stated}"', 1)
        found = [f for f in checked(codes, bench).findings if f.kind == "reference-setup" and f.edit]
        assert [(f.channel, f.as_json()["fix"]) for f in found] == [("iu", f'reference = "{line}"')]

    @pytest.mark.parametrize(("code", "line"), [(63, "ground"), (4030, "supply")])
    def test_an_end_where_half_the_supply_was_stated(self, code: int, line: str) -> None:
        codes = pump()["rest"]
        codes[:, W] = code + RANDOM.integers(-2, 2, len(codes))
        found = alarms(report := checked(codes))
        assert ("reference-setup", "iw") in found
        assert found <= {("reference-setup", "iw"), ("zero-off", "iw"), ("clipped", "iw")}
        assert fix(report) == f'reference = "{line}"'

    def test_another_outside_voltage(self) -> None:
        codes = pump()["rest"]
        codes[:, U] -= 186
        report = checked(codes)
        only(report, "zero-off", "iu")
        assert float(fix(report).split('"')[1].split()[0]) == pytest.approx(1.5, abs=0.003)

    def test_stuck_among_noise(self) -> None:
        codes = pump()["rest"]
        codes[:, V] = 2049
        only(checked(codes), "stuck", "iv")

    def test_bus_current_without_any_in_the_phases(self) -> None:
        codes = pump()["rest"]
        codes[:, IBUS] -= 60
        only(checked(codes), "zero-off", "ibus")


class TestDirectCurrent:
    @pytest.mark.parametrize(
        ("codes_of", "expected"),
        [
            ((400, -150, -250), set()),
            ((400, 150, -250), {("reversed", "iv")}),
            ((-400, -150, -250), {("reversed", "iu")}),
            ((400, 400, 0), {("reversed", None)}),
        ],
    )
    def test_steady(self, codes_of: tuple[int, ...], expected: set[tuple[str, str | None]]) -> None:
        codes = pump()["rest"]
        codes[:, :3] = codes[:, :3].astype(int) + np.array(codes_of)
        assert alarms(checked(codes)) == expected

    def test_reversed(self) -> None:
        codes = pump()["align"]
        put(codes, V, -amperes(codes, V))
        found = alarms(checked(codes))
        assert found in ({("reversed", "iv")}, {("reversed", None)})

    def test_one_zero_off(self) -> None:
        codes = pump()["align"]
        codes[:, V] += 60
        found = alarms(checked(codes))
        assert {kind for kind, _ in found} == {"zero-off"}


def with_computed(bench: str = BENCH) -> str:
    """The third phase from the other two."""
    head, tail = bench.split('[[channel]]\nname = "iw"')
    _, mark, rest = tail.partition("[[channel]]")
    made = '[[channel]]\nname = "iw"\nphase = "W"\nsensor = "computed"\nfrom = ["iu", "iv"]\n\n'
    return head + made + mark + rest


class TestTwoSensors:
    def test_healthy(self) -> None:
        report = checked(pump()["rated"], with_computed())
        assert alarms(report) == set()
        assert any("not measured" in text for text in report.unproven)

    def test_one_of_two_reversed(self) -> None:
        codes = pump()["rated"]
        put(codes, U, -amperes(codes, U))
        only(checked(codes, with_computed()), "reversed", None)

    def test_scale_between_two(self) -> None:
        codes = pump()["rated"]
        put(codes, U, 0.5 * amperes(codes, U))
        only(checked(codes, with_computed()), "scale", None)


def test_a_loop_hides_balance_but_not_the_sum() -> None:
    """A loop on three sensors makes what they read round: their sum alone shows a scale that is wrong."""
    n = RATE_HZ
    angle = 2 * np.pi * 120.3 * np.arange(n) / RATE_HZ
    wanted = np.stack([800 * np.cos(angle - 2 * np.pi / 3 * k) for k in range(3)], axis=1)
    scale = np.array([1.0, 1.3, 1.0])
    # The true currents m / scale add up to nothing; the loop leaves the zero sequence alone.
    shared = -(wanted / scale).sum(axis=1) / (1 / scale).sum()
    codes = np.full((n, 5), ZERO)
    codes[:, :3] = np.rint(ZERO + wanted + shared[:, None] + RANDOM.normal(0, 1, (n, 3)))
    bench = BENCH.replace('sensor = "shunt"\n', 'sensor = "shunt"\nin_loop = true\n')
    report = checked(codes, bench)
    assert ("scale", "iv") in alarms(report)
    found = next(f for f in report.findings if f.kind == "scale")
    assert found.numbers["factor"] == pytest.approx(1.3, abs=0.03)
    assert any("loop" in text for text in report.unproven)


PAIRS: list[tuple[str, Callable[[Codes], Codes], set[tuple[str, str | None]]]] = [
    (
        "reversed and scale",
        lambda c: put(put(c, U, -amperes(c, U)), W, 0.5 * amperes(c, W)),
        {("reversed", "iu"), ("scale", "iw")},
    ),
    (
        "swapped and reversed",
        lambda c: put(c[:, [V, U, W, VBUS, IBUS]], W, -amperes(c, W)),
        {("swapped", None), ("reversed", "iw")},
    ),
    (
        "two scales",
        lambda c: put(put(c, U, 0.5 * amperes(c, U)), V, 1.25 * amperes(c, V)),
        {("scale", "iu"), ("scale", "iv")},
    ),
    (
        "zero and noise",
        lambda c: put(put(c, U, amperes(c, U) + 90), V, amperes(c, V) + RANDOM.normal(0, 45, len(c))),
        {("zero-off", "iu"), ("noisy", "iv")},
    ),
    (
        "a scale, and noise as large as the current",
        lambda c: put(put(c, U, 0.5 * amperes(c, U)), V, amperes(c, V) + RANDOM.normal(0, 700, len(c))),
        {("scale", "iu"), ("noisy", "iv"), ("clipped", "iv")},
    ),
    (
        "no signal and noise",
        lambda c: put(
            put(c, U, RANDOM.normal(0, 1, len(c))), V, amperes(c, V) + RANDOM.normal(0, 45, len(c))
        ),
        {("no-signal", "iu"), ("noisy", "iv")},
    ),
]


@pytest.mark.parametrize(("change", "expected"), [p[1:] for p in PAIRS], ids=[p[0] for p in PAIRS])
def test_two_faults_at_once(change: Callable[[Codes], Codes], expected: set[tuple[str, str | None]]) -> None:
    assert alarms(checked(change(pump()["rated"]))) == expected


def test_pole_pairs_and_an_unstated_bus_voltage_are_not_proven() -> None:
    codes = pump()["rated"]
    told = checked(codes).unproven
    assert any("5 pole pairs" in text for text in told)
    assert not any("every power" in text for text in told)
    told = checked(codes, BENCH.replace('bus_voltage = "24 V"', "")).unproven
    assert any("scale of vbus, and so every power" in text for text in told)
