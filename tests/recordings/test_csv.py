"""CSV recordings: what is understood, what is refused, and what becomes of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_run import amperes, stored, write_export_run

from livesense.logbook.reader import Logbook

Command = Callable[..., Any]

RATE_HZ = 20_000
PEAK_A = 6.0


def wave(count: int = 4000, frequency_hz: float = 83.37) -> np.ndarray:
    angle = 2 * np.pi * frequency_hz * np.arange(count) / RATE_HZ
    return PEAK_A * np.cos(angle[:, None] - np.arange(3) * 2 * np.pi / 3)


def table(
    header: str, *, separator: str = ",", time: str = "{:.6f}", scale: float = 1.0, keep: Any = None
) -> str:
    lines = [header]
    for row, values in enumerate(wave()):
        if keep is None or keep(row):
            fields = [time.format(row / RATE_HZ * scale), *(f"{value:.5f}" for value in values)]
            lines.append(separator.join(fields))
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("text", "names"),
    [
        (table("time_s,iu_A,iv_A,iw_A"), ["iu", "iv", "iw"]),
        (table("t,IA,IB,IC"), ["IA", "IB", "IC"]),
        (table("t_ms\tiu [A]\tiv [A]\tiw [A]", separator="\t", scale=1e3), ["iu", "iv", "iw"]),
        ("# a scope\n\n" + table("time,i1,i2,i3\nus,A,A,A", scale=1e6), ["i1", "i2", "i3"]),
        (table("time_s;iu_A;iv_A;iw_A", separator=";").replace(".", ","), ["iu", "iv", "iw"]),
    ],
    ids=["our own", "letters", "tabs and ms", "units below", "decimal comma"],
)
def test_ways_to_write_it(livesense: Command, tmp_path: Path, text: str, names: list[str]) -> None:
    (tmp_path / "scope.csv").write_text(text, encoding="utf-8")
    done = livesense("import", "scope.csv", "--json").json
    assert [c["name"] for c in done["channels"]] == names
    assert [c["phase"] for c in done["channels"]] == ["U", "V", "W"]
    assert (done["rates_hz"], done["scans_stored"]) == ([RATE_HZ], 4000)
    found = livesense("measure", "last", "--json").json
    assert found["three_phase"]["sequence"] == "UVW"
    assert found["channels"][names[0]]["u_excludes"] == ["sender_error"]
    assert found["speed"]["electrical_hz"]["value"] == pytest.approx(83.37, rel=1e-6)
    assert found["three_phase"]["positive_rms"]["value"] == pytest.approx(PEAK_A / np.sqrt(2), rel=1e-5)


def test_what_only_the_name_tells_is_said(livesense: Command, tmp_path: Path) -> None:
    (tmp_path / "scope.csv").write_text(table("t,iu,iv,other"), encoding="utf-8")
    done = livesense("import", "scope.csv", "--json").json
    assert [c["unit"] for c in done["channels"]] == ["A", "A", None]
    assert [c["assumed"] for c in done["channels"]] == [["unit", "phase"], ["unit", "phase"], []]
    assert any("unit taken from the name" in note for note in done["notes"])


def test_milliamperes_become_amperes(livesense: Command, tmp_path: Path, exported: Any) -> None:
    (tmp_path / "scope.csv").write_text("t,iu_mA\n0,1500\n0.001,-250\n0.002,0\n", encoding="utf-8")
    livesense("import", "scope.csv", "--json")
    assert [float(row["iu_A"]) for row in exported()] == [1.5, -0.25, 0.0]


def test_an_import_has_a_trend(livesense: Command, tmp_path: Path) -> None:
    # 20 s, of which a tenth of a second is missing; then what nobody can count, and a second more.
    at = np.concatenate([np.arange(24_000), np.arange(24_200, 40_000), 41_000.5 + np.arange(2000)]) / 2000
    current = PEAK_A * np.cos(2 * np.pi * 17.3 * at[:, None] - np.arange(3) * 2 * np.pi / 3)
    rows = [f"{t:.6f}," + ",".join(f"{v:.5f}" for v in row) for t, row in zip(at, current, strict=True)]
    (tmp_path / "scope.csv").write_text("\n".join(["time_s,iu_A,iv_A,iw_A", *rows]), encoding="utf-8")
    done = livesense("import", "scope.csv", "--json").json
    assert (done["scans_lost"], done["scans_stored"]) == (200, 41_800)
    assert len(livesense("show", "last", "--json").json["restarts"]) == 1
    with Logbook(tmp_path / "livesense.db") as logbook:
        run = logbook.run(1)
        assert run.has_trends(0)
        rows_of = {level: run.trends(0, level, 0, 43_000) for level in range(4)}
    for level in range(4):
        # Lost scans may lie within the longer rows.
        assert rows_of[level].first[0] == 0 and rows_of[level].stop[-1] == 42_000, level
        assert sum(rows_of[level].scans) in ((41_800, 42_000) if level else (41_800,)), level
    (group,) = livesense("measure", "last", "--trend", "3s", "--json").json["groups"]
    assert max(hz for hz in group["electrical_hz"] if hz) == pytest.approx(17.3, rel=1e-3)
    assert group["channels"]["iu"]["rms"] == pytest.approx(
        [PEAK_A / np.sqrt(2)] * len(group["channels"]["iu"]["rms"]), rel=2e-3
    )


def test_values_of_no_known_range_have_stretches(livesense: Command, tmp_path: Path) -> None:
    # Floats reach to 3.4e38, and half a per cent of that is no threshold for a current.
    still = np.random.default_rng(1).normal(0, 0.004, (4000, 3))
    current = np.concatenate([still, wave(20_000) + np.tile(still, (5, 1))])
    rows = [f"{n / RATE_HZ:.6f}," + ",".join(f"{v:.5f}" for v in row) for n, row in enumerate(current)]
    (tmp_path / "scope.csv").write_text("\n".join(["time_s,iu_A,iv_A,iw_A", *rows]), encoding="utf-8")
    livesense("import", "scope.csv", "--json")
    told = livesense("stretches", "last", "--json").json
    assert told["no_current_below"]["value"] == pytest.approx(0.005 * PEAK_A, rel=0.01)
    assert [row["kind"] for row in told["stretches"]] == ["standstill", "steady"]
    assert livesense("measure", "last", "--json").json["window"] == "steady"
    (channel, *_) = livesense("show", "last", "--json").json["chain"]
    assert channel["range"] == [None, None]
    # A bench file with a rated current tells it better.
    (tmp_path / "pump.toml").write_text(
        '[motor]\nrated_current = "4 A"\n'
        + "".join(
            f'[[channel]]\nname = "i{p.lower()}"\nphase = "{p}"\nsensor = "direct"\nunit = "A"\n'
            for p in "UVW"
        ),
        encoding="utf-8",
    )
    livesense("import", "scope.csv", "--bench", "pump.toml", "--json")
    told = livesense("stretches", "last", "--json").json
    assert told["no_current_below"]["value"] == pytest.approx(0.04 * np.sqrt(2))


def test_missing_rows_are_a_gap(livesense: Command, tmp_path: Path) -> None:
    (tmp_path / "scope.csv").write_text(
        table("time_s,iu_A,iv_A,iw_A", keep=lambda row: not 1000 <= row < 1007), encoding="utf-8"
    )
    done = livesense("import", "scope.csv", "--json").json
    assert (done["scans_lost"], done["gaps"]) == (7, 1)
    assert livesense("show", "last", "--json").json["gaps"] == [
        {"group": 0, "first": 1000, "count": 7, "cause": "wire"}
    ]


def test_an_odd_jump_begins_a_segment(livesense: Command, tmp_path: Path) -> None:
    rows = [(row / 1000 + (0.1004 if row >= 500 else 0), row) for row in range(1000)]
    (tmp_path / "scope.csv").write_text(
        "t,x\n" + "".join(f"{t:.6f},{x}\n" for t, x in rows), encoding="utf-8"
    )
    done = livesense("import", "scope.csv", "--json").json
    assert (done["scans_lost"], done["gaps"], done["scans_stored"]) == (0, 0, 1000)
    shown = livesense("show", "last", "--json").json
    assert [(s["first"], s["start_s"]) for s in shown["segments"]] == [(0, 0.0), (500, 0.6004)]
    assert len(shown["restarts"]) == 1


def test_a_value_that_is_missing_withholds_its_figures(livesense: Command, tmp_path: Path) -> None:
    text = table("time_s,iu_A,iv_A,iw_A").splitlines()
    text[50] = text[50].rsplit(",", 1)[0] + ","
    (tmp_path / "scope.csv").write_text("\n".join(text), encoding="utf-8")
    done = livesense("import", "scope.csv", "--json").json
    assert any("1 values are missing" in note for note in done["notes"])
    found = livesense("measure", "last", "--json").json
    assert found["channels"]["iw"]["rms"] is None
    assert found["channels"]["iu"]["rms"]["value"] == pytest.approx(PEAK_A / np.sqrt(2), rel=1e-3)


def test_our_own_export_comes_back(livesense: Command, tmp_path: Path, exported: Any) -> None:
    write_export_run(tmp_path / "first.db")
    assert livesense("export", "last", "--logbook", "first.db", "--out", "pump.csv").code == 0
    done = livesense("import", "pump.csv", "--json").json
    assert [c["name"] for c in done["channels"]] == ["iu", "iv", "iw"]
    assert (done["scans_stored"], done["scans_lost"]) == (len(stored()), 40)
    rows = exported()
    found = np.array([[float(row[f"{name}_A"]) for name in ("iu", "iv", "iw")] for row in rows])
    assert np.allclose(found, amperes()[stored()], rtol=1e-8, atol=1e-9)


def odd_names(livesense: Command, tmp_path: Path) -> dict[str, Any]:
    """Export a part of a run whose channels' names do not tell what they are."""
    (tmp_path / "scope.csv").write_text(table("t,iu,left,right"), encoding="utf-8")
    (tmp_path / "odd.toml").write_text(
        '[bench]\nname = "pump"\n'
        + "".join(
            f'[[channel]]\nname = "{name}"\ncolumn = "{column}"\n'
            f'sensor = "direct"\nunit = "{unit}"\n{phase}\n'
            for name, column, unit, phase in (
                ("first", "iu", "A", 'phase = "W"'),
                ("iv", "left", "rpm", ""),
                ("third", "right", "A", 'phase = "U"'),
            )
        ),
        encoding="utf-8",
    )
    assert livesense("import", "scope.csv", "--bench", "odd.toml", "--logbook", "a.db").code == 0
    assert livesense("export", "last", "--logbook", "a.db", "--from", "0.1", "--out", "odd.csv").code == 0
    return dict(livesense("show", "last", "--logbook", "a.db", "--json").json)


def test_what_stands_beside_our_own_export_is_taken(livesense: Command, tmp_path: Path) -> None:
    shown = odd_names(livesense, tmp_path)
    done = livesense("import", "odd.csv", "--json").json
    assert [(c["name"], c["unit"], c["phase"], c["assumed"]) for c in done["channels"]] == [
        ("first", "A", "W", []), ("iv", "rpm", None, []), ("third", "A", "U", []),
    ]  # fmt: skip
    ends = [datetime.fromisoformat(at).timestamp() for at in (shown["started"], done["started"])]
    assert ends[1] - ends[0] == pytest.approx(0.1, abs=2e-3)
    assert not any("file does not tell when" in note or "no zone" in note for note in done["notes"])


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", '{"notes": []}', '{"notes": [{"run": {"started": 3}, "table": {"columns": [1]}}]}'],
)
def test_of_other_metadata_nothing_is_taken(livesense: Command, tmp_path: Path, text: str) -> None:
    odd_names(livesense, tmp_path)
    (tmp_path / "odd.csv-metadata.json").write_text(text, encoding="utf-8")
    done = livesense("import", "odd.csv", "--json").json
    assert [(c["name"], c["phase"]) for c in done["channels"]] == [
        ("first", None), ("iv", None), ("third", None),
    ]  # fmt: skip
    assert any("file does not tell when" in note for note in done["notes"])


def test_rules_names_and_motor_of_a_bench_file(livesense: Command, tmp_path: Path) -> None:
    assert livesense("init", "pump.toml").code == 0
    (tmp_path / "scope.csv").write_text(table("t,iu,iv,iw"), encoding="utf-8")
    text = (tmp_path / "pump.toml").read_text(encoding="utf-8")
    (tmp_path / "pump.toml").write_text(text.replace('limit = "12 A" ', 'limit = "5.5 A" '), encoding="utf-8")
    done = livesense("import", "scope.csv", "--bench", "pump.toml", "--json").json
    assert [(c["unit"], c["phase"], c["assumed"]) for c in done["channels"]] == [
        ("A", "U", []), ("A", "V", []), ("A", "W", []),
    ]  # fmt: skip
    assert done["events"] == 3
    events = livesense("events", "last", "--json").json["events"]
    values = wave()
    for event, name in zip(sorted(events, key=lambda e: e["channel"]), ("iu", "iv", "iw"), strict=True):
        beyond = np.abs(values[:, ("iu", "iv", "iw").index(name)]) > 5.5
        # Two scans in a row: 100 µs at 20 kHz.
        first = np.flatnonzero(beyond[:-1] & beyond[1:])[0]
        assert (event["channel"], event["start_scan"]) == (name, first)
    assert livesense("measure", "last", "--json").json["speed"]["rpm"]["value"] == pytest.approx(
        83.37 * 12, rel=1e-5
    )


def test_a_rule_about_a_channel_that_is_not_there_is_refused(livesense: Command, tmp_path: Path) -> None:
    assert livesense("init", "pump.toml").code == 0
    (tmp_path / "scope.csv").write_text(table("t,iu,iv,x"), encoding="utf-8")
    answer = livesense("import", "scope.csv", "--bench", "pump.toml")
    assert (answer.code, answer.out) == (2, "")
    assert "found iw" in answer.err
    assert not (tmp_path / "livesense.db").exists()


REFUSED = {
    "no header": ("0,1\n1,2\n2,3\n", "expected a header"),
    "no time": ("a,b\n1,2\n2,3\n", "expected a column of times"),
    "no values": ("time_s,scan\n0,1\n1,2\n", "expected columns of values"),
    "no rows": ("time_s,a\n", "expected rows of numbers"),
    "one row": ("time_s,a\n0,1\n", "at least two samples"),
    "time goes back": ("t,a\n0,1\n1,1\n0.5,1\n", "expected times that grow"),
    "time too coarse": ("t,a\n0,1\n0,1\n0.001,1\n", "--rate"),
    "uneven": ("t,a\n0,1\n1,1\n2.3,1\n3.1,1\n4.2,1\n", "expected evenly spaced samples"),
    "ragged": ("t,a\n0,1\n1,1,1\n2,1\n", "line 3: expected 2 fields, found 3"),
    "words": ("t,a\n0,1\n1,high\n2,1\n", "line 3, field 2: expected a number, found 'high'"),
    "time missing": ("t,a\n0,1\n,1\n2,1\n", "sample 2 has no time"),
    "binary": ("t,a\n\0\0", "expected text"),
    "nameless": ("t,a,\n0,1,1\n", "expected a name for each column"),
    "unit of time": ("t,a\nfortnights,A\n0,1\n1,1\n", "expected times in s, ms, us or ns"),
    "empty": ("", "expected a header"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_words(livesense: Command, tmp_path: Path, case: str) -> None:
    text, words = REFUSED[case]
    (tmp_path / "scope.csv").write_text(text, encoding="utf-8")
    answer = livesense("import", "scope.csv")
    assert (answer.code, answer.out) == (2, ""), answer
    assert words in answer.err
    assert not (tmp_path / "livesense.db").exists()


def test_a_given_rate_stands_for_the_times(livesense: Command, tmp_path: Path) -> None:
    (tmp_path / "scope.csv").write_text("t,iu_A\n0,1\n0,2\n0,3\n0.001,4\n", encoding="utf-8")
    done = livesense("import", "scope.csv", "--rate", "20 kHz", "--json").json
    assert (done["rates_hz"], done["scans_stored"]) == ([RATE_HZ], 4)
    assert any("the rate was given" in note for note in done["notes"])
    assert livesense("import", "scope.csv", "--rate", "fast").code == 2


def test_the_simplest_rate_that_the_times_allow(livesense: Command, tmp_path: Path) -> None:
    rows = "".join(f"{row / 30_000:.6f},1\n" for row in range(900))
    (tmp_path / "scope.csv").write_text("t,a\n" + rows, encoding="utf-8")
    assert livesense("import", "scope.csv", "--json").json["rates_hz"] == [30_000]


def test_a_broken_off_import_leaves_no_run(
    livesense: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from livesense.logbook.writer import RunWriter

    (tmp_path / "scope.csv").write_text(table("t,iu,iv,iw"), encoding="utf-8")
    assert livesense("import", "scope.csv").code == 0

    def stop(self: Any, *given: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(RunWriter, "finish", stop)
    assert livesense("import", "scope.csv").code == 130
    assert [run["run"] for run in livesense("runs", "--json").json["runs"]] == [1]
    assert livesense("verify", "--json").json["ok"]


def test_nothing_there_is_said(livesense: Command, tmp_path: Path) -> None:
    for name in ("gone.csv", "gone.cfg", "."):
        answer = livesense("import", name)
        assert (answer.code, answer.out) == (2, "")
        assert "expected a recording" in answer.err
