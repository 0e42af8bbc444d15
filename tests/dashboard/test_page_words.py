"""The one sentence on top: the weightiest thing first."""

import pytest

from dashboard.situation import Situation, Tone, is_old
from dashboard.words import sentence

MEASURED = {
    "channels": {
        n: {"rms": {"value": 4.2, "u": 0.02, "unit": "A"}, "clipped_scans": 0} for n in ("iu", "iv", "iw")
    },
    "three_phase": {"sequence": "UVW", "unbalance_percent": {"value": 0.4, "u": 0.1, "unit": "%"}},
    "speed": {"rpm": {"value": 1432.4, "u": 0.2, "unit": "rpm"}},
}
RANGES = {"iu": 16.5, "iv": 16.5, "iw": 16.5}


def situation(**changes):
    usual = {
        "state": "recording", "run": 3, "age_s": 0.05, "scans": 1000, "newest_s": 100.0,
        "phases": ("iu", "iv", "iw"), "ranges": RANGES, "measured": MEASURED,
    }  # fmt: skip
    return Situation(**(usual | changes))


def event(**changes):
    usual = {
        "kind": "overcurrent", "channel": "iv", "start_s": 99.0, "end_s": None,
        "peak": {"value": 14.23, "u": 0.04, "unit": "A"}, "limit": {"value": 12.0, "u": 0.0, "unit": "A"},
    }  # fmt: skip
    return usual | changes


def test_running_is_calm_and_says_how_fast():
    said = sentence(situation())
    assert said.tone is Tone.CALM
    assert said.text == "Running at 1\u202f432 rpm, order UVW; currents balanced within 0.6 %."
    assert said.advice == "Nothing is beyond its limit."


def test_unbalance_is_told_as_what_it_is_at_most():
    def text(value, u):
        three = MEASURED["three_phase"] | {"unbalance_percent": {"value": value, "u": u, "unit": "%"}}
        return sentence(situation(measured=MEASURED | {"three_phase": three})).text

    assert text(0.8, 0.25).endswith("; currents balanced within 1.3 %.")
    assert text(2.31, 0.285).endswith("; currents balanced within 2.9 %.")
    assert text(0.4, None).endswith(", order UVW.")
    assert text(None, None).endswith(", order UVW.")


def test_which_way_is_forward_is_known_from_the_bench_file():
    assert sentence(situation(forward="UVW")).text.startswith("Running forward at 1\u202f432 rpm; ")
    assert sentence(situation(forward="UWV")).text.startswith("Running in reverse at 1\u202f432 rpm; ")


def test_a_phase_that_is_off_its_place_is_named():
    angles = {"V": {"value": -120.31, "u": 0.02, "unit": "°"}, "W": {"value": 120.1, "u": 0.02, "unit": "°"}}
    three = MEASURED["three_phase"] | {"angles_deg": angles}
    said = sentence(situation(measured=MEASURED | {"three_phase": three}, forward="UVW"))
    assert said.text == "Running forward at 1\u202f432 rpm; currents balanced within 0.6 %; V is 0.3° late."


@pytest.mark.parametrize(
    ("kind", "hz", "text"),
    [
        ("start", 120.4, "Starting, near 120 Hz electrical"),
        ("braking", 0.2, "Stopping"),
        ("align", 0.0, "Held in place with 4.0 A, not turning"),
        ("changing", 1500.0, "Current flows, at a speed that changes, near 1\u202f500 Hz electrical"),
    ],
)
def test_while_no_speed_can_be_stated_it_is_said_what_the_machine_does(kind, hz, text):
    stretch = {"kind": kind, "frequency_hz": hz, "current_peak_a": 4.02}
    said = sentence(situation(measured=MEASURED | {"speed": {"rpm": None}}, stretch=stretch)).text
    assert said.startswith(text)
    plain = sentence(situation(measured=MEASURED | {"speed": {"rpm": None}})).text
    assert plain.startswith("Current flows, at a speed that cannot be stated, order UVW")


def test_nothing_is_beyond_a_limit_only_where_there_is_one():
    assert "no limit" in sentence(situation(watched=False)).advice


def test_open_overcurrent_outweighs_everything_that_is_merely_odd():
    said = sentence(situation(events=[event()], lost_lately=5, faults_lately={"crc": 3}))
    assert said.tone is Tone.FAULT
    assert said.text == "Overcurrent: iv beyond 12 A for 1 s so far, peak 14.23 A."
    assert "does not protect" in said.advice


def test_rules_that_integrate_are_named_in_words():
    for kind, said in (("inverse-time", "Inverse time: "), ("thermal", "Thermal image: "), ("i2t", "I²t: ")):
        assert sentence(situation(events=[event(kind=kind)])).text.startswith(said + "iv beyond 12 A")
    bound = {"value": 50.0, "u": 0.0, "unit": "A²s"}
    over = event(kind="i2t", limit=bound, end_s=99.5)
    assert sentence(situation(events=[over])).text == (
        "I²t ended 0.50 s ago: iv beyond 50 A²s, peak 14.23 A."
    )


def test_phases_that_trip_in_turn_are_all_named():
    first = event(channel="iv", start_s=98.0)
    events = [
        event(channel="iw", start_s=98.2, peak={"value": -15.1, "u": 0.04, "unit": "A"}),
        first,
        event(channel="iu", start_s=97.0, end_s=99.5),
    ]
    said = sentence(situation(events=events))
    assert said.text == "Overcurrent: iu, iv and iw beyond 12 A for 2 s so far, peak \u221215.10 A."
    over = [e | {"end_s": 99.5} for e in events]
    assert sentence(situation(events=over)).text == (
        "Overcurrent ended 0.50 s ago: iu, iv and iw beyond 12 A, peak \u221215.10 A."
    )


def test_events_long_before_or_of_another_limit_are_told_apart():
    events = [
        event(channel="iv"),
        event(channel="iu", start_s=50.0, end_s=51.0),
        event(channel="iw", limit={"value": 14.0, "u": 0.0, "unit": "A"}),
    ]
    assert "Overcurrent: iv beyond 12 A" in sentence(situation(events=events)).text


def test_a_clipped_peak_is_at_least():
    clipped = event(peak={"value": 16.5, "u": 0.05, "unit": "A", "at_least": True})
    assert "peak at least 16.50 A" in sentence(situation(events=[clipped])).text


def test_an_event_that_is_over_is_said_for_half_a_minute():
    assert sentence(situation(events=[event(end_s=90.0)])).tone is Tone.WARNING
    assert sentence(situation(events=[event(end_s=60.0)])).tone is Tone.CALM


def test_silence_outweighs_an_open_event():
    said = sentence(situation(age_s=4.0, events=[event()]))
    assert said.tone is Tone.FAULT
    assert said.text == "No data for 4 s."


@pytest.mark.parametrize(
    ("state", "tone", "part"),
    [
        ("recovered", Tone.FAULT, "stopped without closing"),
        ("failed", Tone.FAULT, "ended with an error"),
        ("complete", Tone.NOTE, "Nothing is recorded now"),
    ],
)
def test_what_is_not_recording_says_so(state, tone, part):
    said = sentence(situation(state=state, ended="time", ended_ago_s=4.0))
    assert (said.tone, part in said.text, "4 s ago" in said.text) == (tone, True, True)


@pytest.mark.parametrize("state", ["recovered", "failed", "complete"])
def test_a_newer_run_without_scans_is_told(state):
    told = sentence(situation(state=state, run=3, newer=5))
    assert "run 3" in told.text.lower() and "Run 5, begun later, holds no scans." in told.advice
    assert "holds no scans" not in sentence(situation(state=state)).advice


def test_without_a_run_it_says_how_to_begin():
    advice = sentence(Situation()).advice
    assert advice.index("[Record]") < advice.index("`livesense record BENCH.toml`")


@pytest.mark.parametrize("state", ["recovered", "failed", "complete"])
def test_what_is_not_recording_says_how_to_go_on(state):
    advice = sentence(situation(state=state)).advice
    assert "on [Record], or in a terminal: `livesense record" in advice


def test_port_gone():
    assert "port is gone" in sentence(situation(outage=True)).text


def test_waiting_for_the_first_scan_names_the_port():
    assert "COM5" in sentence(situation(scans=0, port="COM5")).text


def test_clipping_says_that_the_peak_is_higher():
    channels = MEASURED["channels"] | {"iv": MEASURED["channels"]["iv"] | {"clipped_scans": 40}}
    said = sentence(situation(measured=MEASURED | {"channels": channels}))
    assert said.text.startswith("iv reaches the end")
    assert said.tone is Tone.WARNING


def test_losses_and_damage_are_warnings():
    assert "1\u202f200 in the last 10 s" in sentence(situation(lost_lately=1200)).text
    assert "3 × crc" in sentence(situation(faults_lately={"crc": 3})).text


def test_rest_is_not_called_safe():
    still = {n: {"rms": {"value": 0.01, "u": 0.02, "unit": "A"}} for n in RANGES}
    said = sentence(situation(measured={"channels": still}))
    assert said.text.startswith("At rest")
    assert "does not prove a circuit dead" in said.advice


def test_unequal_phases_are_a_warning():
    uneven = MEASURED["three_phase"] | {"unbalance_percent": {"value": 12.3, "u": 0.1, "unit": "%"}}
    assert "12.3 % out of balance" in sentence(situation(measured=MEASURED | {"three_phase": uneven})).text


def test_nothing_measured_is_said():
    assert "no phase current can be stated" in sentence(situation(measured={})).text


def test_a_silent_device_and_a_recorder_without_a_sign_are_told_apart():
    alive = {"age_s": 4.0, "sign_age_s": 0.4, "port": "COM5"}
    silent = sentence(situation(**alive, bytes_age_s=4.0))
    assert silent.text == "No data from COM5 for 4 s."
    assert "recorder is alive" in silent.advice
    talking = sentence(situation(**alive, bytes_age_s=0.3))
    assert talking.text == "Bytes come, but no scan for 4 s."
    hanging = sentence(situation(**alive | {"sign_age_s": 4.0}, bytes_age_s=4.0))
    assert hanging.text == "The recorder has given no sign for 4 s."
    assert hanging.tone is Tone.FAULT
    behind = sentence(situation(**alive, bytes_age_s=0.3, waiting_bytes=1 << 20))
    assert (behind.tone, "too busy" in behind.text) == (Tone.WARNING, True)


def test_bytes_without_a_first_scan_are_said():
    said = sentence(situation(scans=0, port="COM5", bytes_age_s=0.2))
    assert said.text == "Bytes come from COM5, but no scan yet."
    assert "Waiting" in sentence(situation(scans=0, port="COM5", bytes_age_s=None)).text


def test_other_recorders_are_named_whatever_is_said():
    assert sentence(situation(others=(7,))).advice.endswith("This is run 3; run 7 is being recorded too.")
    several = sentence(situation(others=(7, 5), scans=0)).advice
    assert several.endswith("This is run 3; runs 5 and 7 are being recorded too.")
    dead = sentence(situation(state="recovered", others=(7,))).advice
    assert dead.endswith("Run 7 is being recorded too.")
    assert "Nothing is watched" not in dead


def test_the_death_of_another_recorder_outweighs_how_the_machine_runs():
    said = sentence(situation(died=[(2, 8.0)]))
    assert (said.tone, said.text) == (Tone.WARNING, "The recorder of run 2 stopped 8 s ago; this is run 3.")
    assert "stopped too" not in said.advice
    tripped = sentence(situation(died=[(2, 8.0)], events=[event()]))
    assert tripped.tone is Tone.FAULT
    assert "The recorder of run 2 stopped too, 8 s ago." in tripped.advice


def test_every_recorder_that_died_is_named():
    said = sentence(situation(died=[(2, 8.0), (1, 20.0)]))
    assert "run 2 stopped 8 s ago" in said.text
    assert "The recorder of run 1 stopped too, 20 s ago." in said.advice
    shown_too = sentence(situation(state="recovered", run=2, ended_ago_s=15.0, died=[(1, 2.2)]))
    assert shown_too.text.startswith("The recorder of run 2 stopped without closing it")
    assert "Nothing is watched now." in shown_too.advice
    assert "The recorder of run 1 stopped too, 2.2 s ago." in shown_too.advice


def test_a_port_that_is_gone_beside_the_run_shown_is_named():
    said = sentence(situation(others=(1,), others_away=(1,)))
    assert (said.tone, said.text) == (Tone.WARNING, "The port of run 1 is gone; this is run 3.")
    assert "recorded too" not in said.advice
    dead = sentence(situation(state="recovered", others=(1, 2), others_away=(1,))).advice
    assert dead.endswith("The port of run 1 is gone. Run 2 is being recorded too.")
    assert (
        "The ports of runs 1 and 2 are gone."
        in sentence(situation(state="recovered", others=(2, 1), others_away=(2, 1))).advice
    )


@pytest.mark.parametrize(
    ("changes", "old"),
    [
        ({}, False),
        ({"state": "complete"}, True),
        ({"outage": True}, True),
        ({"age_s": 2.0}, True),
        ({"sign_age_s": 4.0}, True),
        ({"sign_age_s": 1.2}, False),
    ],
)
def test_what_is_shown_is_old_when_nothing_comes(changes, old):
    assert is_old(situation(**changes)) is old
