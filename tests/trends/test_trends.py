"""Trends: rows made while recording, read again at any resolution, through any chain."""

from __future__ import annotations

import itertools
import math
import sqlite3
from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from livesense import bench
from livesense.analysis import RunAnalysis
from livesense.chain import Chain
from livesense.errors import DamagedBlockError, UsageError
from livesense.logbook.reader import Logbook
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo
from livesense.trend_rows import TrendRows, joined, no_rows
from livesense.trending import TrendBuilder, rows_between
from livesense.wire.encode import description_packet, encode_frame
from livesense.wire.encode import frames as scan_frames

RATE_HZ = 5000.0
HZ = 83.0
NAMES = ("iu", "iv", "iw", "vbus", "ibus")
FAST = GroupInfo(RATE_HZ, CodeType.U16, 12, NAMES)
SLOW = GroupInfo(10.0, CodeType.U16, 12, ("t_sink",))
A_PER_CODE = 3.3 / 4096 / (20 * 0.005)


def bench_text(gain: float = 20, more: str = "") -> str:
    current = f'sensor = "shunt"\nshunt = "5 mΩ"\ngain = {gain}\nreference = "mid-supply"\n'
    phases = "".join(f'[[channel]]\nname = "i{p.lower()}"\nphase = "{p}"\n{current}' for p in "UVW")
    return (
        '[bench]\nname = "coolant pump"\n[link]\nwire = "framed"\n[adc]\nbits = 12\nreference = "3.3 V"\n'
        f"[motor]\npole_pairs = 5\n{phases}"
        '[[channel]]\nname = "vbus"\nphase = "bus"\nsensor = "divider"\nratio = 11\n'
        '[[channel]]\nname = "ibus"\nphase = "bus"\nsensor = "shunt"\nshunt = "5 mΩ"\ngain = 20\n'
        'reference = "mid-supply"\n'
        '[[channel]]\nname = "t_sink"\nsensor = "ntc"\nr25 = "10 kΩ"\nbeta = "3950 K"\npull_up = "10 kΩ"\n'
        + more
    )


def pump(seconds: float, *, still_s: float = 1.0, amplitude: float = 700, seed: int = 3) -> np.ndarray:
    """Codes ``(n, 5)``: no current, then a steady line with a little negative sequence; bus beside it."""
    n = round(seconds * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    angle = 2 * np.pi * HZ * t[:, None] - 2 * np.pi / 3 * np.arange(3)
    back = 2 * np.pi * HZ * t[:, None] + 2 * np.pi / 3 * np.arange(3) + 0.7
    wave = amplitude * np.cos(angle) + 0.02 * amplitude * np.cos(back)
    wave[t < still_s] = 0
    bus = np.stack((2700 + 5 * np.sin(2 * np.pi * 300 * t), 2048 + 120 * (t >= still_s)), axis=1)
    noise = np.random.default_rng(seed).normal(0, 1.5, (n, 5))
    return np.rint(np.concatenate((2048 + wave, bus), axis=1) + noise).astype(np.uint16)


def stream(codes: np.ndarray, lost: Sequence[tuple[int, int]] = ()) -> bytes:
    """Frames of 50 scans with a slow group beside; those of ``lost`` scans are left out."""
    out = encode_frame(description_packet([FAST, SLOW], device="pump-bench"))
    begins = [0, *(b for _, b in lost)]
    ends = [*(a for a, _ in lost), len(codes)]
    for begin, end in zip(begins, ends, strict=True):
        out += scan_frames(0, begin, codes[begin:end], 50, CodeType.U16)
    seconds = len(codes) / RATE_HZ
    slow = np.full((round(10 * seconds), 1), 2048, dtype=np.uint16)
    return out + scan_frames(1, 0, slow, 5, CodeType.U16)


@pytest.fixture(scope="module")
def chain() -> Chain:
    return Chain(bench.parse(bench_text()), [FAST, SLOW])


def built(chain: Chain, codes: np.ndarray, cuts: Sequence[int]) -> dict[int, TrendRows]:
    builder = TrendBuilder(chain, 0, len(NAMES), RATE_HZ)
    found: dict[int, list[TrendRows]] = {level: [no_rows(len(NAMES))] for level in range(4)}
    edges = [0, *sorted(set(cuts)), len(codes)]
    for begin, end in itertools.pairwise(edges):
        for level, rows in builder.feed(begin, codes[begin:end]):
            found[level].append(rows)
    for level, rows in builder.close():
        found[level].append(rows)
    return {level: joined(rows) for level, rows in found.items()}


def same(one: TrendRows, other: TrendRows) -> None:
    assert np.array_equal(one.first, other.first)
    for name in ("scans", "used", "cycles", "turning", "lined", "low", "high"):
        assert np.array_equal(getattr(one, name), getattr(other, name)), name
    assert one.mean == pytest.approx(other.mean, rel=1e-12)
    assert one.square == pytest.approx(other.square, rel=1e-9, abs=1e-9)
    assert one.cross == pytest.approx(other.cross, rel=1e-9, abs=1e-9)


CODES = pump(4.03)


@hypothesis_settings(max_examples=30)
@given(st.lists(st.integers(1, len(CODES) - 1), max_size=12))
def test_rows_do_not_depend_on_how_scans_come(cuts: list[int]) -> None:
    chain = Chain(bench.parse(bench_text()), [FAST, SLOW])
    whole, apart = built(chain, CODES, []), built(chain, CODES, cuts)
    for level in range(4):
        same(whole[level], apart[level])


def test_every_scan_is_in_a_row_and_levels_sum_up_those_below(chain: Chain) -> None:
    rows = built(chain, CODES, range(37, len(CODES), 37))
    for level in range(4):
        found = rows[level]
        assert found.first[0] == 0
        assert np.array_equal(found.first[1:], found.stop[:-1])
        assert found.stop[-1] == len(CODES)
        assert np.array_equal(found.low.min(axis=0), CODES.min(axis=0))
        assert np.array_equal(found.high.max(axis=0), CODES.max(axis=0))
    ten = rows[3]
    assert len(ten) == 1
    whole = CODES[: int(ten.used[0])].astype(float)
    # All but what is left of the last cycle.
    assert len(CODES) - len(whole) < RATE_HZ / HZ + 1
    assert ten.mean[0] == pytest.approx(whole.mean(axis=0), rel=1e-12)
    assert ten.square[0] == pytest.approx(np.cov(whole.T, bias=True), rel=1e-9, abs=1e-9)
    assert ten.cycles[0] == pytest.approx(round(3.03 * HZ), abs=1)


def test_a_gap_breaks_a_cycle_and_what_is_left_of_it_is_in_no_mean(chain: Chain) -> None:
    builder = TrendBuilder(chain, 0, len(NAMES), RATE_HZ)
    codes = pump(0.75, still_s=0)
    rows = joined([r for level, r in builder.feed(0, codes) + builder.cut() if level == 0])
    assert int(rows.scans.sum()) == len(codes)
    assert rows.used[-1] == 0
    assert rows.cycles[-1] == 0
    assert rows.cycles[:-1].min() >= 10
    # A block that does not follow on is a gap too.
    rows = joined([r for level, r in builder.feed(len(codes) + 100, codes) if level == 0])
    assert rows.first[0] == len(codes) + 100
    late = builder.feed(10 * len(codes), codes[:10])
    assert late[0][1].stop[-1] == 2 * len(codes) + 100


def test_channels_without_phases_are_cut_every_200_ms() -> None:
    text = bench_text().replace('phase = "V"', 'phase = "none"').replace('phase = "W"', 'phase = "none"')
    plain = Chain(bench.parse(text), [FAST, SLOW])
    rows = built(plain, CODES, [])[0]
    assert set(rows.scans[:-1].tolist()) == {1000}
    assert not rows.cycles.any()


def test_two_currents_are_enough_to_tell_how_they_turn() -> None:
    plain = Chain(bench.parse(bench_text().replace('phase = "W"', 'phase = "none"')), [FAST, SLOW])
    rows = built(plain, CODES, [])[0]
    assert rows.cycles[6:-2].tolist() == [17.0] * (len(rows) - 8)


@pytest.fixture
def trended(recorded: Callable[..., Any]) -> Callable[..., None]:
    def record(codes: np.ndarray = CODES, lost: Sequence[tuple[int, int]] = ()) -> None:
        recorded(stream(codes, lost), bench_text())

    return record


def plain(values: Sequence[float | None]) -> list[float]:
    return [math.nan if value is None else value for value in values]


def facts(**options: Any) -> dict[str, Any]:
    with Logbook(Path("livesense.db")) as book:
        return RunAnalysis(book, "last").trends(**options)


def test_figures_are_those_of_the_codes(trended: Callable[..., None]) -> None:
    trended()
    fast, slow = facts(resolution="200ms")["groups"]
    steady = [at for at, cycles in enumerate(fast["cycles"]) if cycles == 17][1:]
    assert len(steady) == 13
    for at in steady:
        peak = 700 * A_PER_CODE
        assert fast["electrical_hz"][at] == pytest.approx(HZ, rel=1e-3)
        assert fast["rpm"][at] == pytest.approx(60 * HZ / 5, rel=1e-3)
        assert fast["three_phase"]["positive_rms"][at] == pytest.approx(peak / math.sqrt(2), rel=1e-3)
        assert fast["three_phase"]["unbalance_percent"][at] == pytest.approx(2, abs=0.1)
        assert fast["three_phase"]["sequence"][at] == "UVW"
        # The phase that the negative sequence meets at this angle.
        size = abs(np.exp(0j) + 0.02 * np.exp(0.7j)) * peak / math.sqrt(2)
        assert fast["channels"]["iu"]["fundamental_rms"][at] == pytest.approx(size, rel=2e-3)
        assert fast["channels"]["iu"]["rms"][at] == pytest.approx(size, rel=2e-3)
        volts = 2700 * 3.3 / 4096 * 11
        assert fast["channels"]["vbus"]["mean"][at] == pytest.approx(volts, rel=1e-3)
        assert fast["power"]["input_power"][at] == pytest.approx(volts * 120 * A_PER_CODE, rel=2e-3)
    assert fast["electrical_hz"][0] is None
    assert fast["channels"]["iu"]["fundamental_rms"][0] is None
    assert fast["three_phase"]["unbalance_percent"][0] is None
    assert "phase_power" not in fast["power"]
    assert slow["channels"]["t_sink"]["mean"][0] == pytest.approx(25.0, abs=0.1)
    assert "rms" not in slow["channels"]["t_sink"]
    # Ten scans a second are not kept five times a second.
    assert slow["scans"][0] == 30


def test_root_mean_square_over_time(trended: Callable[..., None]) -> None:
    """IEC 61000-4-30 (from memory): 3 of 100 and 12 of 90 are 92.086915, and not 92."""
    quiet = pump(3.0, still_s=0, amplitude=900)
    loud = pump(3.0, still_s=0, amplitude=1000)
    at = round(0.6 * RATE_HZ)
    trended(np.concatenate((loud[:at], quiet[at:])))
    three = facts(resolution="3s")["groups"][0]
    mean = three["channels"]["iv"]["ac_rms"][0]
    rows = facts(resolution="200ms")["groups"][0]["channels"]["iv"]["ac_rms"]
    assert rows[1] / rows[8] == pytest.approx(100 / 90, rel=2e-3)
    assert mean / rows[1] == pytest.approx(0.92086915, rel=2e-3)


def test_a_corrected_chain_applies_to_rows_that_are_there(
    trended: Callable[..., None], livesense: Callable[..., Any]
) -> None:
    trended()
    before = facts(resolution="3s")["groups"][0]
    Path("better.toml").write_text(bench_text(gain=25), encoding="utf-8")
    assert livesense("rescale", "last", "--bench", "better.toml", "--reason", "gain 25").code == 0
    after = facts(resolution="3s")["groups"][0]
    for key in ("rms", "fundamental_rms", "max"):
        one, other = before["channels"]["iu"][key][0], after["channels"]["iu"][key][0]
        assert other == pytest.approx(one * 20 / 25, rel=1e-6)


def test_rows_are_those_made_again_from_codes(trended: Callable[..., None]) -> None:
    """A run without rows (an older recorder's) tells the same."""
    trended(lost=[(9000, 9100)])
    kept = {name: facts(resolution=name) for name in ("200ms", "3s", "10min")}
    with closing(sqlite3.connect("livesense.db")) as db:
        db.execute("DELETE FROM trend")
        db.commit()
    for name, before in kept.items():
        again = facts(resolution=name)
        for one, other in zip(before["groups"][:1], again["groups"][:1], strict=True):
            for key in ("from_s", "seconds", "scans", "used", "cycles"):
                assert one[key] == pytest.approx(other[key]), (name, key)
            for key in ("mean", "rms", "fundamental_rms", "min"):
                assert plain(one["channels"]["iw"][key]) == pytest.approx(
                    plain(other["channels"]["iw"][key]), rel=1e-5, nan_ok=True
                )


def test_what_higher_rows_do_not_reach_is_put_together_from_lower_ones(
    trended: Callable[..., None],
) -> None:
    """As after a kill, or while it records."""
    trended()
    before = facts(resolution="10min")["groups"][0]
    with closing(sqlite3.connect("livesense.db")) as db:
        db.execute("DELETE FROM trend WHERE level > 1 OR (level = 1 AND first > 0)")
        db.commit()
    after = facts(resolution="10min")["groups"][0]
    assert after["scans"] == before["scans"]
    assert after["channels"]["iu"]["rms"] == pytest.approx(before["channels"]["iu"]["rms"], rel=1e-6)


def test_a_window_holds_the_rows_that_reach_into_it(trended: Callable[..., None]) -> None:
    trended()
    part = facts(from_s=2.05, to_s=2.55, resolution="200ms")["groups"][0]
    assert part["from_s"][0] <= 2.05 < part["from_s"][0] + part["seconds"][0]
    assert part["from_s"][-1] < 2.55 <= part["from_s"][-1] + part["seconds"][-1] + 1e-9
    assert facts()["resolution"] == "200ms"
    assert facts(to_s=20000.0)["resolution"] == "1min"
    assert facts(to_s=2e7)["resolution"] == "10min"
    with pytest.raises(UsageError, match="expected a trend of auto, 200ms, 3s, 1min, 10min, got '5s'"):
        facts(resolution="5s")


def test_a_computed_phase_and_a_state_channel(recorded: Callable[..., Any]) -> None:
    text = bench_text()
    begin = text.index('[[channel]]\nname = "iw"')
    computed = '[[channel]]\nname = "iw"\nphase = "W"\nsensor = "computed"\nfrom = ["iu", "iv"]\n'
    text = text[:begin] + computed + text[text.index('[[channel]]\nname = "vbus"') :]
    text += '[[channel]]\nname = "state"\ncolumn = "iw"\nsensor = "state"\n'
    recorded(stream(CODES), text)
    fast = facts(resolution="3s")["groups"][0]
    assert "min" not in fast["channels"]["iw"]
    assert "state" not in fast["channels"]
    iu, iw = fast["channels"]["iu"]["rms"], fast["channels"]["iw"]["rms"]
    assert iw == pytest.approx(iu, rel=0.05)


def test_the_command_prints_rows(trended: Callable[..., None], livesense: Callable[..., Any]) -> None:
    trended()
    text = livesense("measure", "--trend", "3s").out
    assert "each 3s" in text
    assert "iu rms A" in text
    assert "input W" in text
    told = livesense("measure", "--trend", "3s", "--json").json
    assert told["resolution_s"] == 3.0
    assert livesense("measure", "--trend", "4s").code == 2


def test_damaged_rows_are_told(trended: Callable[..., None], livesense: Callable[..., Any]) -> None:
    trended()
    with closing(sqlite3.connect("livesense.db")) as db:
        db.execute("UPDATE trend SET data = 'text' WHERE level = 1")
        db.commit()
    with pytest.raises(DamagedBlockError, match="expected trend rows of"):
        facts(resolution="3s")
    assert livesense("measure", "--trend", "3s").code == 1
    told = livesense("verify", "--json")
    assert told.code == 1
    assert {f["kind"] for f in told.json["findings"]} == {"trend"}


def test_a_logbook_of_an_older_schema_is_read_and_brought_up_to_date(
    trended: Callable[..., None], livesense: Callable[..., Any]
) -> None:
    trended()
    before = facts(resolution="3s")["groups"][0]["channels"]["iu"]["rms"]
    with closing(sqlite3.connect("livesense.db")) as db:
        db.execute("DROP TABLE trend")
        db.execute("PRAGMA user_version = 4")
        db.commit()
    assert facts(resolution="3s")["groups"][0]["channels"]["iu"]["rms"] == pytest.approx(before, rel=1e-6)
    assert livesense("verify").code == 0
    assert livesense("copy", "1", "--to", "other.db").code == 0
    with closing(sqlite3.connect("other.db")) as db:
        assert db.execute("SELECT count(*) FROM trend").fetchone() == (0,)


def test_rows_go_with_their_run(trended: Callable[..., None], livesense: Callable[..., Any]) -> None:
    trended()
    assert livesense("copy", "1", "--to", "other.db").code == 0
    counts = []
    assert livesense("delete", "1", "--yes").code == 0
    for name in ("other.db", "livesense.db"):
        with closing(sqlite3.connect(name)) as db:
            counts.append(db.execute("SELECT count(*) FROM trend").fetchone()[0])
    assert counts[0] > 20
    assert counts[1] == 0


def test_wild_floats_are_no_numbers_and_stop_nothing(tmp_path: Path) -> None:
    info = GroupInfo(RATE_HZ, CodeType.F32, None, ("x",))
    text = '[link]\nwire = "framed"\n[[channel]]\nname = "x"\nsensor = "direct"\nunit = "A"\n'
    values = np.full((2000, 1), 1e30, dtype="<f4")
    values[100] = np.nan
    values[1500:] *= -1
    builder = TrendBuilder(Chain(bench.parse(text), [info]), 0, 1, RATE_HZ)
    with LogbookWriter(tmp_path / "wild.db") as writer:
        run = writer.start_run(
            name="", bench_name="", bench_text=text, bench_path="", version="0", port="-", wire="framed",
            started_wall_s=0.0,
        )  # fmt: skip
        run.add_groups([info])
        for level, rows in [*builder.feed(0, values), *builder.close()]:
            run.trend(0, level, rows)
        run.finish("closed", 1.0)
        with Logbook(tmp_path / "wild.db") as book:
            found = book.run(1).trends(0, 0, 0, 2000)
    assert np.isnan(found.mean[0, 0])
    assert found.low[1, 0] == pytest.approx(-1e30, rel=1e-6)
    assert not np.isfinite(found.square[1, 0, 0])


def test_rows_of_no_scans(trended: Callable[..., None]) -> None:
    trended()
    with Logbook(Path("livesense.db")) as book:
        analysis = RunAnalysis(book, "last")
        assert len(rows_between(analysis.run, analysis.chain, 0, 100, 100, 2)) == 0
