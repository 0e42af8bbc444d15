"""Phasors and the path of the current vector."""

from types import SimpleNamespace

import numpy as np
import pytest

from dashboard.vectors import clarke, locus, phasors, vectors

CHANNELS = [
    {"name": n, "phase": p, "look": k} for k, (n, p) in enumerate([("iu", "U"), ("iv", "V"), ("iw", "W")])
]


def currents(peak=6.0, hz=50.0, rate_hz=10_000.0, seconds=0.1):
    t = np.arange(int(seconds * rate_hz)) / rate_hz
    return {
        phase: peak * np.cos(2 * np.pi * (hz * t - k / 3)) for k, phase in enumerate(("U", "V", "W"))
    }  # fmt: skip


def test_the_vector_is_as_long_as_a_phase_is_high():
    # By hand (Clarke, amplitude form): (10, −5, −5) → (10, 0); (10, 0, −10) → (10, 10/√3).
    alpha, beta = clarke(*(np.array(v) for v in ([10.0, 10.0], [-5.0, 0.0], [-5.0, -10.0])))
    assert alpha == pytest.approx([10.0, 10.0])
    assert beta == pytest.approx([0.0, 5.773503], abs=1e-6)


def test_a_balanced_machine_draws_a_circle_of_two_turns():
    path = locus(currents(), 10_000.0, 50.0, 0.01)
    length = np.hypot(path["alpha"], path["beta"])
    assert length == pytest.approx(6.0, abs=1e-3)
    assert path["text"] == "6.000 A long"
    assert len(path["alpha"]) <= 240
    turns = np.unwrap(np.arctan2(path["beta"], path["alpha"]))
    assert (turns[-1] - turns[0]) / (2 * np.pi) == pytest.approx(2.0, abs=0.02)


def test_an_uneven_path_tells_its_shortest_and_longest():
    wave = currents()
    wave["V"] = wave["V"] * 0.8
    path = locus(wave, 10_000.0, 50.0, 0.01)
    assert path["text"].endswith(" A long") and " to " in path["text"]


def test_lost_scans_are_left_out_and_two_phases_are_not_enough():
    wave = currents()
    wave["U"][::2] = np.nan
    assert np.isfinite(locus(wave, 10_000.0, 50.0, None)["alpha"]).all()
    del wave["W"]
    assert "each of the phases" in locus(wave, 10_000.0, 50.0, None)["why"]
    assert locus({p: np.full(5, np.nan) for p in "UVW"}, 1e4, None, None)["why"] == "no scans"


def figures(**changed):
    rms = {"value": 4.2, "u": 0.02, "unit": "A"}
    angles = {"U": (0.0, 0.0), "V": (-120.31, 0.02), "W": (119.98, 0.02)}
    return {
        "channels": {c["name"]: {"fundamental_rms": rms} for c in CHANNELS},
        "three_phase": {"angles_deg": {p: {"value": v, "u": u, "unit": "°"} for p, (v, u) in angles.items()}},
    } | changed


def test_phasors_carry_length_and_angle_with_its_uncertainty():
    told = phasors(CHANNELS, figures())
    assert [(row["phase"], row["rms"], row["angle_deg"]) for row in told["rows"]] == [
        ("U", 4.2, 0.0), ("V", 4.2, -120.31), ("W", 4.2, 119.98),
    ]  # fmt: skip
    assert told["text"] == "U 0°, V −120.31 ± 0.04°, W 119.98 ± 0.04°"


def test_phasors_that_cannot_be_stood_by_say_why():
    assert "each of the phases" in phasors(CHANNELS[:2], figures())["why"]
    reasons = {"channels.iv.fundamental_rms": "no line", "three_phase.angles_deg": "too small"}
    channels = figures()["channels"] | {"iv": {"fundamental_rms": None}}
    assert phasors(CHANNELS, figures(channels=channels, withheld=reasons))["why"] == "iv: no line"
    assert phasors(CHANNELS, figures(three_phase={}, withheld=reasons))["why"] == "too small"


def test_both_are_taken_from_a_run(fake, state):
    analysis = fake.FakeAnalysis(state)
    channels = [c | {"name": n} for c, n in zip(CHANNELS, state.names, strict=True)]
    told = vectors(analysis, channels, analysis.measure(10.0, 10.5), 10.5)
    assert [row["phase"] for row in told["phasors"]["rows"]] == ["U", "V", "W"]
    assert np.hypot(told["locus"]["alpha"], told["locus"]["beta"]) == pytest.approx(6.0, abs=1e-3)
    assert told["locus"]["text"] == "6.00 A long"


def test_the_path_ends_where_the_currents_do_though_a_slower_group_goes_on():
    asked = []

    def window(from_s, to_s, names):
        asked.append((from_s, to_s))
        return []

    axis = SimpleNamespace(end_s=lambda scan: (scan + 1) / 1000)
    run = SimpleNamespace(extent=lambda group: (0, 5000), time_axis=lambda group: axis)
    named = [SimpleNamespace(name=c["name"], group=0) for c in CHANNELS]
    analysis = SimpleNamespace(channels=named, run=run, window=window)
    found = vectors(analysis, CHANNELS, figures(), 5.3)["locus"]
    assert asked[0][1] == 5.0
    assert found["why"] == "no scans"
