"""Figures of a stretch in which they change."""

from types import SimpleNamespace

import numpy as np
import pytest

from dashboard.changing import changes, mean_halves, rms_halves, told

RATE_HZ = 10_000.0
TIME_S = np.arange(5000) / RATE_HZ


def three_phase(amplitude, frequency_hz=50.0):
    turn = 2 * np.pi * frequency_hz * TIME_S
    shifts = {"iu": 0.0, "iv": 2 * np.pi / 3, "iw": 4 * np.pi / 3}
    return {name: amplitude * np.sin(turn - shift) for name, shift in shifts.items()}


def found(values, u=0.02, bus=None):
    names = ("iu", "iv", "iw")
    shown = [{"name": name, "phase": phase} for name, phase in zip(names, "UVW", strict=True)]
    everything = values if bus is None else values | {"ibus": bus}
    analysis = SimpleNamespace(
        channels=[SimpleNamespace(name="ibus", phase="bus", quantity="current")] if bus is not None else [],
        window=lambda from_s, to_s, chosen: [SimpleNamespace(values={n: everything[n] for n in chosen})],
    )
    measured = {
        "channels": {n: {"rms": {"value": float(np.sqrt(np.mean(values[n] ** 2))), "u": u}} for n in names},
        "power": {
            "bus_current": None if bus is None else {"value": float(np.mean(bus)), "u": u},
            "input_power": {"value": 24.0, "u": 0.5},
        },
    }
    return changes(analysis, shown, measured)


@pytest.mark.parametrize("frequency_hz", [0.0, 0.3, 1.7, 50.0, 245.0])
def test_a_machine_that_turns_evenly_changes_nothing_however_slowly(frequency_hz):
    assert found(three_phase(6.0, frequency_hz)) == {}


def test_a_current_that_falls_is_told_for_each_phase():
    told_of = found(three_phase(8.0 - 8.0 * TIME_S))
    assert set(told_of) == {"rms:iu", "rms:iv", "rms:iw"}
    # By hand: the rms of a falling amplitude a(t) is sqrt(mean(a^2) / 2): from 8 to 6 A, then from 6 to 4 A.
    before, after = np.sqrt((64 + 48 + 36) / 3 / 2), np.sqrt((36 + 24 + 16) / 3 / 2)
    first, last = (float(part) for part in told_of["rms:iu"].split(" → "))
    assert (first, last) == (pytest.approx(before, abs=0.1), pytest.approx(after, abs=0.1))


def test_a_change_within_the_uncertainty_is_none():
    assert found(three_phase(8.0 - 8.0 * TIME_S), u=1.0) == {}


def test_a_change_of_a_few_percent_is_none():
    assert found(three_phase(8.0 + 0.4 * TIME_S), u=0.001) == {}


def test_bus_current_and_power_change_together():
    told_of = found(three_phase(6.0), bus=1.0 + 4.0 * TIME_S)
    assert told_of == {"power.bus_current": "1.5 → 2.5", "power.input_power": ""}


def test_samples_that_cannot_be_compared_tell_nothing():
    assert mean_halves(np.array([1.0])) is None
    assert rms_halves([np.array([1.0, np.nan])]) is None
    assert told(None, {"value": 1.0, "u": 0.1}) is None
    assert told((1.0, 2.0), {"value": 1.0, "u": None}) is None
    assert told((1.0, 2.0), {"value": None, "u": 0.1}) is None
