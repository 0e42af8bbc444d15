"""Codes beyond what the ADC can give are stored, and counted where they are stored: nowhere else."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from plain_device import Sender, bench_text, description_frame, group, scans_frame

from livesense.bench import parse
from livesense.decoding import group_limits
from livesense.samples import CodeType, GroupInfo
from livesense.wire.packing import count_beyond

TEXT_BENCH = bench_text("text", groups='[[group]]\nrate = "1 kHz"')


@pytest.mark.parametrize(
    ("code", "bits", "codes", "beyond"),
    [
        (CodeType.U16, 12, [0, 4095, 4096, 65535], 2),
        (CodeType.U16, 16, [0, 65535], 0),
        (CodeType.U16, None, [0, 65535], 0),
        (CodeType.U16, 24, [0, 65535], 0),
        (CodeType.U12, 10, [1023, 1024, 4095, 0], 2),
        (CodeType.U12, 12, [4095, 0], 0),
        (CodeType.I16, 12, [-2048, 4095, -2049, 4096, 32767, -32768], 4),
        (CodeType.I16, 16, [-32768, 32767], 0),
        (CodeType.I32, 24, [-(1 << 23), (1 << 24) - 1, -(1 << 23) - 1, 1 << 24], 2),
        (CodeType.I32, 32, [-(1 << 31), (1 << 31) - 1], 0),
        (CodeType.U16, 1, [0, 1, 2, 3], 2),
    ],
)
def test_the_width_that_a_device_states(
    code: CodeType, bits: int | None, codes: list[int], beyond: int
) -> None:
    limits = group_limits(parse(bench_text()), GroupInfo(1000.0, code, bits, ("a", "b")))
    assert len(limits) == 2
    assert count_beyond(np.array(codes, dtype=code.dtype).reshape(-1, 2), limits) == beyond


def test_printed_codes_have_the_limits_of_the_bench_file_or_of_the_description() -> None:
    more = '[[channel]]\nname = "p"\nsensor = "direct"\nunit = "bar"\ndecimals = 1\n'
    more += '[[channel]]\nname = "state"\nsensor = "state"\n[[channel]]\nname = "off"\nplace = "in-line"\n'
    more += 'sensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\nreference = "1.65 V"\ncode_offset = 2048\n'
    more += '[[channel]]\nname = "ir"\nfrom = ["iu", "iv"]\nsensor = "computed"\n'
    bench = parse(bench_text("text", groups='[[group]]\nrate = "1 kHz"', more=more))
    names = ("iu", "off", "p", "state")
    stated = [(0, 4095), (-2048, 2047)]
    silent = GroupInfo(1000.0, CodeType.TEXT, None, names)
    assert group_limits(bench, silent) == (*stated, None, None)
    told = GroupInfo(1000.0, CodeType.TEXT, 8, names, decimals=(0, 0, 1, 0))
    assert group_limits(bench, told) == (*stated, None, (-128, 255))


def test_a_packet_that_came_twice_counts_once(runs_of: Any) -> None:
    sender = Sender()
    wide = scans_frame(0, 10, [(4096, 1, 65535)])
    stream = description_frame([group(sender.channels)]) + sender.packet(10) + wide * 3
    stream += scans_frame(0, 11, [(1, 2, 3)])
    assert runs_of(stream, bench_text()) == [(12, {"code_range": 2, "repeated": 2}, [])]


def test_a_held_packet_counts_once_it_is_stored(runs_of: Any) -> None:
    sender = Sender()
    stream = description_frame([group(sender.channels)]) + sender.packet(10)
    # Two that lie behind and follow on: the device restarted.
    stream += scans_frame(0, 0, [(4096, 1, 1)]) + scans_frame(0, 1, [(1, 4096, 4096)])
    assert runs_of(stream, bench_text()) == [(12, {"code_range": 3}, [])]


def test_another_width_counts_from_the_description_that_tells_it(runs_of: Any) -> None:
    scan = [(1023, 1024, 4096)]
    stream = b"".join(
        description_frame([group(("iu", "iv", "iw"), bits=bits)]) + scans_frame(0, at, scan)
        for at, bits in enumerate((10, 12, 16))
    )
    assert runs_of(stream, bench_text()) == [(3, {"code_range": 3}, [])]


def test_printed_codes(runs_of: Any) -> None:
    stream = b"n,iu,iv,iw\n1,4095,0,0\n2,4096,-1,9\n2,4096,-1,9\n3,1,1,1\n"
    assert runs_of(stream, TEXT_BENCH) == [(3, {"code_range": 2, "repeated": 1}, [])]


def test_what_is_no_number_is_in_no_range() -> None:
    values = np.array([[1.0, np.nan], [np.inf, -np.inf]], dtype=np.float32)
    assert count_beyond(values, [(-8, 8)] * 2) == 3
    assert count_beyond(values, [(-8, 8), None]) == 1
