"""The `calibrate` command: points, fits, and what runs make of them."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from plain_device import bench_text

Command = Callable[..., Any]

CODE_A = 3.3 / 4096 / (20 * 0.005)
OFF = {"iu": 2053.3, "iv": 2041.6, "iw": 2048.9}
TRUE_A = {"iu": 1.012 * CODE_A, "iv": 0.991 * CODE_A, "iw": 1.004 * CODE_A}
"""What a code is worth in truth: gains that the bench file's 1 % and 0.3 % allow."""


def carrying(amperes: dict[str, Any] | float) -> dict[str, Any]:
    """Mean codes of channels that carry so much."""
    given = amperes if isinstance(amperes, dict) else dict.fromkeys(OFF, amperes)
    return {name: OFF[name] + np.asarray(given.get(name, 0.0)) / TRUE_A[name] for name in OFF}


@pytest.fixture
def point(bench: Any, sent: Any, livesense: Command) -> Callable[..., Any]:
    """Take a point from a port."""
    seeds = iter(range(100, 1000))

    def take(
        channels: str, true: float, *options: object, says: float | None = None, path: Any = None
    ) -> Any:
        told = true if says is None else says
        signs = {n.strip(" -"): -1 if "-" in n else 1 for n in channels.split(",")}
        amperes = {name: sign * true for name, sign in signs.items()}
        return livesense(
            *("calibrate", path or bench(), f"--channel={channels}", "--at", f"{told:.6f} A"),
            *("--port", sent(carrying(amperes), seed=next(seeds)), "--json"),
            *(options or ("--reference-error", "0.05 %")),
        )

    return take


def test_points_make_a_scale_that_recovers_the_gain(
    point: Any, bench: Any, sent: Any, livesense: Command
) -> None:
    path = bench()
    for true in (-10.0, -3.0, 4.0, 11.0):
        answer = point("iu", true, path=path)
        assert answer.code == 0, answer.err
        assert answer.json["added"][0]["value"]["u"] == pytest.approx(5e-4 * abs(true) / math.sqrt(3))
    assert len(answer.json["waiting"]) == 4
    fitted = livesense("calibrate", path, "--fit", "--json")
    assert fitted.code == 0, fitted.err
    assert fitted.json["waiting"] == []
    fit = fitted.json["fits"]["iu"]
    for key, true in (("per_code", TRUE_A["iu"]), ("zero_code", OFF["iu"]), ("gain_percent", 1.2)):
        assert abs(fit[key]["value"] - true) <= 2 * fit[key]["u"], key
    assert fit["u_scale_percent"] == pytest.approx(0.05 / math.sqrt(3), rel=0.1)
    assert fit["u_scale_percent_before"] > 0.5
    assert max(abs(p["residual"]) for p in fit["points"]) == pytest.approx(fit["linearity"]["value"])
    assert fit["linearity_percent"] < 0.1
    assert fit["replaces"] == ["shunt_tolerance", "gain_error"]
    livesense("record", path, "--port", sent(carrying(8.0)), "--json")
    measured = livesense("measure", "last", "--json").json["channels"]
    mean = measured["iu"]["mean"]
    assert abs(mean["value"] - 8.0) <= 2 * mean["u"]
    assert mean["u"] < 0.005
    assert not {"shunt_tolerance", "gain_error", "offset", "reference_tolerance"} & set(
        measured["iu"]["u_excludes"]
    )
    # The others are as they were.
    assert measured["iv"]["mean"]["u"] > 0.04
    shown = livesense("show", "last", "--json").json["calibration"]["channels"]
    assert set(shown) == {"iu"}
    assert shown["iu"]["scale"]["meters"] == ["reference meter"]
    assert "a code, zero at" in livesense("show", "last").out


def test_one_point_and_a_zero_make_a_scale(point: Any, bench: Any, sent: Any, livesense: Command) -> None:
    path = bench()
    point("iu", 10.0, path=path)
    alone = livesense("calibrate", path, "--fit", "--json")
    assert (alone.code, alone.out) == (2, "")
    assert "at least two points, or one and a zero" in alone.err
    livesense("zero", path, "--port", sent(OFF), "--json")
    fit = livesense("calibrate", path, "--fit", "--json").json["fits"]["iu"]
    assert [p["meter"] for p in fit["points"]] == [None, "reference meter"]
    assert abs(fit["per_code"]["value"] - TRUE_A["iu"]) <= 2 * fit["per_code"]["u"]
    used = livesense("record", path, "--port", sent(OFF), "--json").json["calibration"]["used"]
    # The scale of iu, the zeros of the others.
    assert used == [4, 2, 3]


def test_a_zero_after_the_scale_goes_before_its_zero(
    point: Any, bench: Any, sent: Any, livesense: Command
) -> None:
    path = bench()
    for true in (-8.0, 8.0):
        point("iu", true, path=path)
    livesense("calibrate", path, "--fit", "--json")
    moved = {name: code + 3 for name, code in OFF.items()}
    livesense("zero", path, "--port", sent(moved), "--json")
    livesense("record", path, "--port", sent({n: c + 3 for n, c in carrying(5.0).items()}), "--json")
    mean = livesense("measure", "last", "--json").json["channels"]["iu"]["mean"]
    assert abs(mean["value"] - 5.0) <= 2 * mean["u"]
    kinds = livesense("show", "last", "--json").json["calibration"]["channels"]["iu"]
    assert set(kinds) == {"zero", "scale"}


def test_one_current_through_several_channels(point: Any, bench: Any, livesense: Command) -> None:
    path = bench()
    for true in (2.0, 12.0):
        assert len(point("iu,-iv", true, path=path).json["added"]) == 2
    fits = livesense("calibrate", path, "--fit", "--channel", "iu,iv", "--json").json["fits"]
    for name in ("iu", "iv"):
        fit = fits[name]["per_code"]
        assert abs(fit["value"] - TRUE_A[name]) <= 2 * fit["u"]
    assert [p["value"] for p in fits["iv"]["points"]] == [-2.0, -12.0]


def test_points_of_stored_runs(bench: Any, sent: Any, livesense: Command) -> None:
    path = bench()
    steps = np.where(np.arange(4000) < 2000, 3.0, 9.0)
    livesense("record", path, "--port", sent(carrying({"iu": steps})), "--json")
    answer = livesense(
        *("calibrate", path, "--channel", "iu", "--point", "3 A@1:0.1-0.9", "--point", "9 A@last:1.1-1.9"),
        *("--reference-error", "0.05 %", "--fit", "--json"),
    )
    assert answer.code == 0, answer.err
    fit = answer.json["fits"]["iu"]
    assert abs(fit["per_code"]["value"] - TRUE_A["iu"]) <= 2 * fit["per_code"]["u"]
    for text in ("3 A", "3 A@1", "3 A@1:0.9-0.1", "3 A@x:0-1"):
        wrong = livesense("calibrate", path, "--channel", "iu", "--point", text, "--reference-error", "1 %")
        assert (wrong.code, "expected VALUE@RUN:FROM-TO" in wrong.err) == (2, True)
    far = livesense(
        "calibrate", path, "--channel", "iu", "--point", "3 A@1:50-60", "--reference-error", "1 %"
    )
    assert "expected at least 16 scans in a row, got 0" in far.err


def test_points_of_a_file_with_the_check_values(bench: Any, livesense: Command, tmp_path: Path) -> None:
    # C: two points 0 A at 2050, 50 A at 3290 are 0.0403225806 A a code.
    text = bench_text(channels=("iu",)).replace('shunt = "5 mΩ"', 'shunt = "1 mΩ"')
    path = bench(text)
    file = tmp_path / "points.csv"
    file.write_text("value,code,u_code\n0 A,2050,0.05\n50 A,3290,0.05\n", encoding="utf-8")
    answer = livesense(
        *(
            "calibrate",
            path,
            "--channel",
            "iu",
            "--points",
            file,
            "--reference-error",
            "0.1 %",
            "--fit",
            "--json",
        )
    )
    assert answer.code == 0, answer.err
    fit = answer.json["fits"]["iu"]
    assert fit["per_code"]["value"] == pytest.approx(0.0403225806, abs=5e-11)
    assert fit["zero_code"]["value"] == pytest.approx(2050)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("code\n2050\n", "not there: value"),
        ("value,code\n1 V,2050\n", "expected a value in A such as \"1.000 A\", got '1 V'"),
        ("value,code\n1 A,many\n", "line 2: code: expected a number, got 'many'"),
        ("value,code,u_code\n1 A,2050,-1\n", "line 2: u_code: expected a number"),
        ("value,code,channel\n1 A,2050,ix\n", "line 2: expected a channel out of iu, got 'ix'"),
        ("value,code\n", "expected rows of points, got none"),
    ],
)
def test_files_that_hold_no_points(
    bench: Any, livesense: Command, tmp_path: Path, text: str, said: str
) -> None:
    (tmp_path / "points.csv").write_text(text, encoding="utf-8")
    options = ("--channel", "iu", "--points", tmp_path / "points.csv", "--reference-error", "1 %")
    answer = livesense("calibrate", bench(), *options, "--json")
    assert (answer.code, answer.out) == (2, "")
    assert said in answer.err
    assert not (tmp_path / "livesense.db").exists()


def test_a_gain_that_the_bench_file_does_not_allow_needs_a_reason(
    point: Any, bench: Any, livesense: Command
) -> None:
    path = bench()
    for true in (-10.0, 10.0):
        point("iu", true, path=path, says=true * 1.25)
    refused = livesense("calibrate", path, "--fit", "--json")
    assert (refused.code, refused.out) == (1, "")
    assert "its gain is +26.5 % from the bench file's" in refused.err
    kept = livesense("calibrate", path, "--fit", "--force", "4 mΩ were fitted", "--json")
    assert kept.json["fits"]["iu"]["reason"] == "4 mΩ were fitted"


def test_a_reversed_channel_is_named(point: Any, bench: Any, livesense: Command) -> None:
    path = bench()
    for true in (-10.0, 10.0):
        point("iu", true, path=path, says=-true)
    assert "the channel is reversed" in livesense("calibrate", path, "--fit", "--json").err


@pytest.mark.parametrize(
    ("amperes", "said"),
    [
        (np.linspace(5.0, 5.5, 4000), "drifts by"),
        (5 * np.sin(np.arange(4000) / 7), "points are taken with direct current"),
        (40.0, "end of its range"),
    ],
)
def test_what_makes_no_point(bench: Any, sent: Any, livesense: Command, amperes: Any, said: str) -> None:
    options = ("--channel", "iu", "--at", "5 A", "--reference-error", "0.1 %", "--json")
    answer = livesense("calibrate", bench(), *options, "--port", sent(carrying({"iu": amperes})))
    assert (answer.code, answer.out) == (1, "")
    assert said in answer.err
    assert "no point was kept" in answer.err


def test_points_may_be_thrown_away(point: Any, bench: Any, livesense: Command) -> None:
    path = bench()
    point("iu", 5.0, path=path)
    point("iv", 5.0, path=path)
    answer = livesense("calibrate", path, "--discard", "--channel", "iu", "--json").json
    assert (answer["discarded"], answer["waiting"]) == (1, [])
    assert [p["channel"] for p in livesense("calibrate", path, "--json").json["waiting"]] == ["iv"]
    assert "1 point thrown away" in livesense("calibrate", path, "--discard").out
    assert "No points wait" in livesense("calibrate", path).out


def test_errors_of_the_meter(point: Any, bench: Any, livesense: Command) -> None:
    path = bench()
    both = ("--reference-error", "0.05 % (k=2)", "--reference-error", "2 mA", "--repeatability", "1 mA (k=1)")
    answer = point("iu", 10.0, *both, path=path)
    u = math.hypot(0.00025 * 10, 0.002 / math.sqrt(3), 0.001)
    assert answer.json["added"][0]["value"]["u"] == pytest.approx(u)
    for option, text in (
        ("--reference-error", "5 V"),
        ("--reference-error", "much"),
        ("--repeatability", "1 %"),
    ):
        wrong = point("iu", 1.0, "--reference-error", "1 %", option, text, path=path)
        assert (wrong.code, f"{option}: expected a limit of error" in wrong.err) == (2, True)


def test_wrong_use_creates_nothing(bench: Any, sent: Any, livesense: Command, tmp_path: Path) -> None:
    path, port = bench(), sent(OFF)
    for options, said in (
        (("--at", "1 A", "--port", port), "expected --channel"),
        (("--channel", "iu", "--at", "1 A", "--port", port), "expected --reference-error"),
        (("--channel", "ix", "--at", "1 A", "--reference-error", "1 %"), "expected names out of iu, iv, iw"),
        (
            ("--channel", "iu", "--at", "1 V", "--reference-error", "1 %", "--port", port),
            "expected a value in A",
        ),
        (("--channel", "iu", "--at", "1 A", "--reference-error", "1 %"), "no port"),
        (("--channel", "iu", "--at", "1 A", "--reference-error", "1 %", "--discard"), "--discard alone"),
        (("--force", "x"), "together with --fit"),
    ):
        answer = livesense("calibrate", path, *options)
        assert (answer.code, answer.out) == (2, "")
        assert said in answer.err
    assert not (tmp_path / "livesense.db").exists()
    assert livesense("calibrate", path, "--fit").code == 1


def test_people_are_told_of_the_fit(point: Any, bench: Any, sent: Any, livesense: Command) -> None:
    path = bench()
    point("iu", -6.0, path=path)
    said = livesense(
        *("calibrate", path, "--channel", "iu", "--at", "6 A", "--reference-error", "0.05 %"),
        *("--port", sent(carrying({"iu": 6.0}))),
    )
    assert said.code == 0, said.err
    assert "prove the DC link dead with a rated meter" in said.err
    assert "Points that wait for --fit" in said.out
    fitted = livesense("calibrate", path, "--fit").out
    assert "% from the bench file's" in fitted
    assert "Largest residual" in fitted
    assert "runs recorded from now on use it" in fitted
    assert "no points wait for a fit of this bench" in livesense("calibrate", path, "--fit").err


def test_channels_that_one_meter_calibrated_share_its_error(
    point: Any, bench: Any, sent: Any, livesense: Command
) -> None:
    path = bench()
    for true in (-10.0, 10.0):
        point("iu,iv,iw", true, "--reference-error", "1 %", path=path)
    livesense("calibrate", path, "--fit", "--json")

    def turning(peak: float) -> dict[str, np.ndarray]:
        angle = 2 * np.pi * 50 * np.arange(4000) / 2000
        return carrying({n: peak * np.sin(angle - k * 2 * np.pi / 3) for k, n in enumerate(OFF)})

    livesense("record", path, "--port", sent(turning(8.0)), "--json")
    facts = livesense("measure", "last", "--json").json
    assert facts["channels"]["iu"]["fundamental_rms"]["u"] == pytest.approx(
        8 / 2**0.5 * 0.01 / 3**0.5, rel=0.05
    )
    # What all three have in common cannot unbalance.
    assert facts["three_phase"]["unbalance_percent"]["u"] < 0.1


@pytest.mark.slow
def test_two_hundred_calibrations_hold_the_truth(livesense: Command, bench: Any, tmp_path: Path) -> None:
    """Drawn benches, meters and codes by way of a file of points: ± 2 u holds the true gain and zero."""
    random = np.random.default_rng(7)
    path = bench(bench_text(channels=("iu",)))
    gains, zeros = [], []
    for n in range(200):
        per_code = CODE_A * random.uniform(0.99, 1.01)
        zero = 2048 + random.uniform(-6, 6)
        meter, shift = random.uniform(-5e-4, 5e-4), random.uniform(-2e-3, 2e-3)
        rows = ["value,code,u_code"]
        for true in (-12.0, -5.0, 6.0, 13.0):
            says = true * (1 + meter) + shift + random.normal(0, 5e-4)
            rows.append(f"{says:.9f} A,{zero + true / per_code + random.normal(0, 0.03):.9f},0.03")
        (tmp_path / "points.csv").write_text("\n".join(rows), encoding="utf-8")
        fit = livesense(
            *("calibrate", path, "--channel", "iu", "--points", tmp_path / "points.csv", "--fit", "--json"),
            *("--reference-error", "0.05 %", "--reference-error", "2 mA", "--repeatability", "0.5 mA (k=1)"),
            *("--logbook", tmp_path / f"{n}.db"),
        ).json["fits"]["iu"]
        gains.append(abs(fit["per_code"]["value"] - per_code) <= 2 * fit["per_code"]["u"])
        zeros.append(abs(fit["zero_code"]["value"] - zero) <= 2 * fit["zero_code"]["u"])
    assert np.mean(gains) >= 0.95
    assert np.mean(zeros) >= 0.95
