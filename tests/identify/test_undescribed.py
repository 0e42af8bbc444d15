"""Framed scans of a device that describes nothing: type and channels from the packets themselves."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from plain_device import scans_frame

from livesense.bench import parse
from livesense.identify.finding import identify

Command = Callable[..., Any]


def stream(
    code: str, channels: int, *, scans: int, packets: int = 60, lose: float = 0.0, varied: bool = False
) -> bytes:
    """Three sines 120° apart, further channels steady; ``i16`` and ``i32`` around zero."""
    rng = np.random.default_rng(channels + scans)
    sizes = [scans + (int(rng.integers(0, scans)) if varied else 0) for _ in range(packets)]
    angle = 2 * np.pi * 77 * np.arange(sum(sizes))[:, None] / 10_000 - 2 * np.pi / 3 * np.arange(channels)
    wave = np.where(np.arange(channels) < 3, 700 * np.sin(angle), 300.0) + rng.normal(0, 2, angle.shape)
    gain = 40 if code == "i32" else 1
    codes = np.round(gain * (wave if code in ("i16", "i32") else wave + 2048)).astype(int)
    out, first = [], 0
    for size in sizes:
        part = [tuple(scan) for scan in codes[first : first + size].tolist()]
        if rng.random() >= lose:
            out.append(scans_frame(0, 5000 + first, part, code))
        first += size
    return b"".join(out)


@pytest.mark.parametrize("code", ["u16", "i16", "i32", "u12"])
@pytest.mark.parametrize(("channels", "scans"), [(1, 8), (2, 10), (3, 4), (4, 5), (6, 2)])
def test_type_and_channels_are_told(code: str, channels: int, scans: int) -> None:
    found = identify(stream(code, channels, scans=scans), None)
    assert (found.wire, len(found.channels)) == ("framed", channels)
    bench = parse(found.bench)
    assert (str(bench.groups[0].code), bench.groups[0].channels) == (code, found.channels)
    assert found.rate_hz is None


def test_packets_of_many_sizes_and_lost_ones() -> None:
    found = identify(stream("u16", 3, scans=9, packets=120, lose=0.1, varied=True), 2.0)
    assert len(found.channels) == 3
    assert parse(found.bench).groups[0].code == "u16"
    # 120 packets of 9 to 17 scans in two seconds, lost ones counted by the counter.
    assert found.rate_hz is not None
    assert 600 < found.rate_hz < 900
    assert any("read from the packets" in text for text in found.evidence)


def test_few_packets_tell_nothing() -> None:
    found = identify(stream("u16", 3, scans=9, packets=6), None)
    assert (found.wire, found.channels) == ("framed", ())
    assert any("must stand in the bench file" in text for text in found.evidence)


def test_the_bench_file_records(livesense: Command, tmp_path: Any) -> None:
    data = stream("i16", 3, scans=9)
    (tmp_path / "line.bin").write_bytes(data)
    answer = livesense("identify", "file:line.bin", "--json").json
    text = answer["bench"].replace('# rate = "20 kHz" ', 'rate = "10 kHz" ')
    (tmp_path / "found.toml").write_text(text, encoding="utf-8")
    recorded = livesense("record", "found.toml", "--port", "file:line.bin", "--until-closed", "--json")
    assert recorded.code == 0, recorded.err
    assert recorded.json["groups"][0]["scans_stored"] == 60 * 9


def test_a_motor_that_stands_at_first_shows_its_signs_later() -> None:
    out = []
    for packet in range(3000):
        angle = 2 * np.pi * packet / 50 - 2 * np.pi / 3 * np.arange(3)
        codes = np.round(30 + 800 * np.sin(angle)) if packet > 1000 else np.array([31, 32, 33]) + packet % 3
        out.append(scans_frame(0, packet, [tuple(codes.astype(int).tolist())], "i16"))
    bench = parse(identify(b"".join(out), None).bench)
    assert str(bench.groups[0].code) == "i16"
