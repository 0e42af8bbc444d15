"""What a drive's own states make of stretches, and the marks of an outline."""

import pytest

from livesense.stretch_words import fault_of, marks, meaning, sharpened


@pytest.mark.parametrize(
    ("word", "means"),
    [
        ("start", "start"),
        ("RAMP UP", "start"),
        ("stopping", "braking"),
        ("Brake", "braking"),
        ("align", "align"),
        ("running", "run"),
        ("blocked", "fault"),
        ("over-current trip", "fault"),
        ("off", None),
        ("3", None),
    ],
)
def test_words_of_states(word, means):
    assert meaning(word) == means


@pytest.mark.parametrize(
    ("kind", "states", "sharp"),
    [
        ("changing", None, "changing"),
        ("changing", {"state": ["run"]}, "changing"),
        ("changing", {"state": ["start", "run"]}, "start"),
        ("changing", {"state": ["run", "stop"]}, "braking"),
        # Both may be: nothing is decided.
        ("changing", {"state": ["stop", "off", "start"]}, "changing"),
        ("align", {"state": ["align"]}, "align"),
        ("align", {"state": ["run"]}, "held"),
        ("align", {"state": ["align", "run"]}, "align"),
        ("steady", {"state": ["start"]}, "steady"),
    ],
)
def test_states_sharpen_what_the_currents_leave_open(kind, states, sharp):
    assert sharpened(kind, states) == sharp


def test_a_fault_is_named_by_its_first_word():
    assert fault_of({"pin": ["ok"], "state": ["run", "blocked", "off"]}) == "blocked"
    assert fault_of({"state": ["run"]}) is None and fault_of(None) is None


def test_marks_are_short_words_with_a_title():
    row = {"from_s": 1.0, "to_s": 3.5, "seconds": 2.5, "kind": "load change", "text": "from 2 A to 4 A"}
    assert marks([row, row | {"kind": "other", "fault": "blocked"}]) == [
        {
            "from_s": 1.0,
            "to_s": 3.5,
            "kind": "load change",
            "word": "load",
            "title": "load change, 2.5 s: from 2 A to 4 A",
            "fault": None,
        },
        {
            "from_s": 1.0,
            "to_s": 3.5,
            "kind": "other",
            "word": "other",
            "title": "other, 2.5 s: from 2 A to 4 A; the drive says blocked",
            "fault": "blocked",
        },
    ]
