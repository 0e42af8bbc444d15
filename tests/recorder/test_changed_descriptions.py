"""What stands behind a description that changes the channels, in the same read, is the next run's."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest
from plain_device import Sender, bench_text, description_frame, group, note_frame, scans_frame

BAD = b"\x05\x06\0"


def described(channels: Sequence[str]) -> bytes:
    return description_frame([group(channels)])


def test_faults_notes_and_codes_behind_a_changed_description(runs_of: Any) -> None:
    three, four = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = described(three.channels) + three.packet(10) + BAD + note_frame("one")
    stream += described(four.channels) + BAD * 3 + note_frame("two") + four.packet(20)
    stream += scans_frame(0, 20, [(4096, 4096, 1, 1)])
    assert runs_of(stream, bench_text()) == [
        (10, {"stuffing": 1}, ["one"]),
        (21, {"stuffing": 3, "code_range": 2}, ["two"]),
    ]


def test_a_device_that_changes_back(runs_of: Any) -> None:
    three, four = Sender(), Sender(channels=("iu", "iv", "iw", "vbus"))
    stream = described(four.channels) + four.packet(5) + described(three.channels) + BAD + three.packet(10)
    stream += described(four.channels) + BAD * 2 + four.packet(20)
    assert runs_of(stream, bench_text()) == [
        (5, {}, []),
        (10, {"stuffing": 1}, []),
        (20, {"stuffing": 2}, []),
    ]


@pytest.mark.parametrize("channels", [("iu", "iv", "iw", "vbus"), ("iw", "iv", "iu")])
def test_scans_in_front_of_the_first_description_are_of_the_declared_groups(
    runs_of: Any, channels: Sequence[str]
) -> None:
    declared, told = Sender(), Sender(channels=channels)
    groups = '[[group]]\nrate = "20 kHz"\ncode = "u16"\nchannels = ["iu", "iv", "iw"]'
    stream = b"\0" + declared.packet(10) + described(told.channels) + BAD + told.packet(20)
    assert runs_of(stream, bench_text(groups=groups)) == [(10, {}, []), (20, {"stuffing": 1}, [])]
