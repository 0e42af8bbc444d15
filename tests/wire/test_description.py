"""Descriptions that are believed."""

from __future__ import annotations

import json
from typing import Any

import pytest

from livesense.samples import CodeType, GroupInfo
from livesense.wire.description import MAX_CHANNELS, MAX_GROUPS, parse_description
from livesense.wire.encode import description_text


def parsed(framed: bool = True, **content: Any) -> Any:
    return parse_description(json.dumps(content), framed=framed)


def channels(*names: str) -> Any:
    return parsed(livesense=1, groups=[{"rate_hz": 1, "code": "u16", "channels": names}])


def test_the_whole_of_it() -> None:
    text = json.dumps(
        {
            "livesense": 1, "device": "pump-bench", "boot": 3141592653, "colour": ["ignored"],
            "groups": [
                {"rate_hz": 20000, "code": "u12", "bits": 12, "channels": ["iu", "iv"], "burst": 2000},
                {"x": 1, "rate_hz": 0.5, "code": "i32", "channels": ["t_sink"]},
            ],
        }
    )  # fmt: skip
    found = parse_description(text)
    assert found is not None
    assert found.device == "pump-bench"
    assert found.boot == "3141592653"
    assert found.text == text
    assert found.shown_names == ()
    assert found.groups == (
        GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv"), burst=2000),
        GroupInfo(0.5, CodeType.I32, None, ("t_sink",)),
    )


@pytest.mark.parametrize("code", ["u16", "i16", "i32", "u12"])
def test_code_types(code: str) -> None:
    found = parsed(groups=[{"rate_hz": 1, "code": code, "channels": ["a"]}])
    assert found.groups[0].code == code


def test_what_may_be_missing() -> None:
    found = parsed(groups=[{"code": "u16", "channels": ["a"], "rate_hz": None, "bits": None}], boot=None)
    assert found.groups == (GroupInfo(None, CodeType.U16, None, ("a",)),)
    assert (found.boot, found.device) == (None, "")


@pytest.mark.parametrize(
    ("boot", "text"),
    [(0, "0"), (-5, "-5"), (7.0, "7"), (0.25, "0.25"), (2**64 - 1, "18446744073709551615"), ("3f9a", "3f9a")],
)
def test_boot_numbers(boot: float, text: str) -> None:
    assert parsed(boot=boot, groups=[{"code": "u16", "channels": ["a"]}]).boot == text


def test_numbers_that_are_whole_may_be_written_with_a_point() -> None:
    found = parsed(livesense=1.0, groups=[{"code": "u16", "bits": 12.0, "burst": 2e3, "channels": ["a"]}])
    assert (found.groups[0].bits, found.groups[0].burst) == (12, 2000)


@pytest.mark.parametrize("name", ["a", "iu", "t_sink", "V-bus.1", "Z" * 32])
def test_names_that_stand(name: str) -> None:
    found = channels(name)
    assert found.groups[0].channels == (name,)
    assert found.shown_names == ()


@pytest.mark.parametrize("name", ["", "1u", "_x", "Z" * 33, "i u", "iu\n", "µ", "<b>", "i\0u", "näme"])
def test_names_that_are_replaced(name: str) -> None:
    found = channels("ok", name)
    assert found.groups[0].channels == ("ok", "g0_c1")
    assert found.shown_names == (("g0_c1", name),)


def test_a_replaced_name_counts_by_group() -> None:
    group = {"code": "u16", "channels": ["!"]}
    assert parsed(groups=[group, group]).groups[1].channels == ("g1_c0",)


def test_a_name_given_twice_is_replaced() -> None:
    assert channels("iu", "iu").groups[0].channels == ("iu", "g0_c1")


def test_names_cannot_pose_as_replaced_ones() -> None:
    found = channels("g0_c1", "!")
    assert found.groups[0].channels == ("g0_c0", "g0_c1")
    assert found.shown_names == (("g0_c0", "g0_c1"), ("g0_c1", "!"))
    assert channels("g0_c0").groups[0].channels == ("g0_c0",)


def test_half_a_surrogate_pair_does_not_come_through() -> None:
    found = parse_description('{"device":"\\ud800x","groups":[{"code":"u16","channels":["\\udc00"]}]}')
    assert found is not None
    assert found.device == "?x"
    assert found.shown_names == (("g0_c0", "?"),)


def test_as_many_as_may_be() -> None:
    one = {"code": "u16", "channels": ["a"]}
    assert len(parsed(groups=[one] * MAX_GROUPS).groups) == MAX_GROUPS
    assert parsed(groups=[one] * (MAX_GROUPS + 1)) is None
    names = [f"c{k}" for k in range(MAX_CHANNELS + 1)]
    assert len(channels(*names[:-1]).groups[0].channels) == MAX_CHANNELS
    assert channels(*names) is None


def test_on_the_text_wire_groups_and_code_types_may_be_missing() -> None:
    assert parsed(framed=False, boot=4).groups == ()
    found = parsed(framed=False, groups=[{"rate_hz": 100, "bits": 10}])
    assert found.groups == (GroupInfo(100.0, CodeType.TEXT, 10, ()),)
    assert parsed(framed=False, groups=[{}, {}]) is None
    assert parsed(framed=False, groups=3) is None


def test_encoder_and_decoder_agree() -> None:
    groups = (
        GroupInfo(20000.0, CodeType.U12, 12, ("iu", "iv"), burst=500),
        GroupInfo(None, CodeType.I16, None, ("t",)),
    )
    found = parse_description(description_text(groups, device="prüfstand", boot=9))
    assert found is not None
    assert (found.groups, found.device, found.boot) == (groups, "prüfstand", "9")
    text = description_text([GroupInfo(50.0, CodeType.TEXT, None, ("a",))])
    found = parse_description(text, framed=False)
    assert found is not None
    assert found.groups[0].rate_hz == 50.0
