"""Framed packets, lines of text and what is neither, told from bytes that begin anywhere."""

from __future__ import annotations

import itertools
import math
import tomllib

import numpy as np
import pytest
from pump_streams import DESCRIPTION, frames, lines

from livesense.identify.finding import identify


class TestFramed:
    def test_a_described_device(self):
        found = identify(frames()[7:] + frames(), 0.08)
        assert (found.wire, found.channels) == ("framed", ("iu", "iv", "iw", "vbus", "t_sink"))
        assert found.rate_hz == 20000
        assert found.confidence >= 0.9
        assert any("the device describes itself: pump-bench, 5 channels" in text for text in found.evidence)
        bench = tomllib.loads(found.bench)
        assert bench["link"] == {"wire": "framed"}
        assert [one["name"] for one in bench["channel"]] == list(found.channels)

    def test_without_a_description_the_file_says_what_is_missing(self):
        found = identify(frames(described=False, scans=64), None)
        assert found.wire == "framed"
        assert found.channels == ()
        assert any("no description came" in text for text in found.evidence)
        assert "# channels = " in found.bench

    def test_only_descriptions(self):
        found = identify(DESCRIPTION * 3, 3.0)
        assert found.wire == "framed"
        assert "only descriptions came: sampling has not started" in found.evidence

    def test_what_came_is_counted_against_the_clock(self):
        found = identify(frames(scans=1600), 0.08)
        assert any("group 0: about 20000 scans/s came" in text for text in found.evidence)


class TestText:
    @pytest.mark.parametrize("separator", [",", ";", "\t", " ", ", "])
    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    def test_separators_and_line_ends(self, separator, end):
        found = identify(lines(separator.join(["{a}", "{b}", "{c}"]), end=end), 4.0)
        assert (found.wire, found.channels) == ("text", ("a1", "a2", "a3"))
        assert found.rate_hz == pytest.approx(100, rel=0.01)
        assert tomllib.loads(found.bench)["link"]["columns"] == ["a1", "a2", "a3"]

    def test_names_of_a_header_anywhere_in_the_stream(self):
        data = lines("{n},{us},{a},{b},{c}", header="n,t_us,iu,iv,iw")
        # The device was reset while listening: the header comes in the middle.
        found = identify(data[600:] + data, None)
        assert found.channels == ("iu", "iv", "iw")
        assert found.rate_hz == pytest.approx(1e6 / 50, rel=0.01)
        assert "columns" not in tomllib.loads(found.bench)["link"]

    @pytest.mark.parametrize(
        ("first", "field", "bits"), [(0, "{n}", 32), (200, "{n8}", 8), (2**32 - 100, "{n}", 32)]
    )
    def test_a_counter_that_nobody_named(self, first, field, bits):
        found = identify(lines(field + ",{a},{b},{c}", first=first), None)
        assert found.channels == ("a1", "a2", "a3")
        bench = tomllib.loads(found.bench)
        assert bench["link"]["columns"] == ["n", "a1", "a2", "a3"]
        assert bench["link"].get("counter_bits", 32) == bits

    def test_a_clock_that_nobody_named_is_no_channel_and_no_certainty(self):
        found = identify(lines("{a},{b},{c},{us}"), None)
        assert found.channels == ("a1", "a2", "a3")
        assert found.rate_hz == pytest.approx(20000, rel=0.01)
        assert found.confidence < 0.9
        assert any("a clock, taken as t_us" in text for text in found.evidence)

    def test_nothing_tells_the_rate(self):
        found = identify(lines("{a},{b},{c}"), None)
        assert found.rate_hz is None
        assert '# rate = "20 kHz"' in found.bench
        assert any("nothing tells the scan rate" in text for text in found.evidence)

    def test_checksums_are_named(self):
        plain = lines("{a},{b},{c}").decode().splitlines()
        checked = []
        for line in plain:
            # NMEA 0183: exclusive or of the bytes before the asterisk.
            value = 0
            for byte in line.encode():
                value ^= byte
            checked.append(f"{line}*{value:02X}\n")
        found = identify("".join(checked).encode(), None)
        assert any("checksum *hh that is right" in text for text in found.evidence)
        assert found.channels == ("a1", "a2", "a3")

    def test_decimals_need_no_adc(self):
        rows = [f"{6 * math.sin(n / 9):.3f},{6 * math.cos(n / 9):.3f}\n" for n in range(200)]
        bench = tomllib.loads(identify("".join(rows).encode(), None).bench)
        assert "adc" not in bench

    def test_bits_of_the_codes(self):
        assert tomllib.loads(identify(lines("{a},{b},{c}"), None).bench)["adc"]["bits"] == 12


class TestNeither:
    @pytest.mark.parametrize(
        "data",
        [
            b"",
            b"1,2,3\n" * 5,
            b"\0" * 4000,
            b"the pump says hello, and nothing else\r\n" * 100,
            np.random.default_rng(1).integers(0, 256, 20000, dtype=np.uint8).tobytes(),
        ],
    )
    def test_nothing_is_claimed(self, data):
        found = identify(data, 1.0)
        assert found.wire is None
        assert (found.confidence, found.bench) == (0.0, "")
        assert found.evidence

    def test_a_silent_line_is_told_as_such(self):
        assert identify(b"", 1.0).evidence[0].startswith("nothing came: is the device powered")

    def test_lengths_that_vary_are_no_records(self):
        rng = np.random.default_rng(2)
        sizes = itertools.cycle([5, 9, 14, 7, 22])
        data = b"".join(
            b"\xc0" + rng.integers(0, 256, next(sizes), dtype=np.uint8).tobytes() for _ in range(500)
        )
        found = identify(data, 1.0)
        assert found.wire is None or found.confidence < 0.7


def test_a_header_torn_in_the_name_of_the_clock():
    rows = (f"{5000 + 1000 * n + n % 2},{2000 + n % 7},{2100 - n % 5}" for n in range(600))
    found = identify(("s,iu,iv\n" + "\n".join(rows) + "\n").encode(), None)
    assert found.channels == ("iu", "iv")
    assert found.rate_hz == pytest.approx(1000, rel=0.01)
    assert "s" not in found.channels
