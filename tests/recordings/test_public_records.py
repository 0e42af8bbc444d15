"""Recordings made elsewhere, all the way through the product: import, measure, events."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from public_records import fetched

Command = Callable[..., Any]

pytestmark = pytest.mark.slow


@pytest.fixture(scope="session")
def generators(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """pyComtrade 0.2.0 (GPLv3, from PyPI), test3: COMTRADE 1999, BINARY, 5760 S/s, 50 Hz generators."""
    return fetched(tmp_path_factory.mktemp("pycomtrade"), "pyComtrade==0.2.0") / "examples"


@pytest.fixture(scope="session")
def samples(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample files of comtrade 0.2.0 (MIT, from PyPI)."""
    return fetched(tmp_path_factory.mktemp("comtrade"), "comtrade==0.2.0") / "tests" / "sample_files"


def test_four_generators(generators: Path, livesense: Command) -> None:
    done = livesense("import", generators / "test_data3" / "test3.cfg", "--json").json
    assert (done["scans_stored"], done["rates_hz"], done["scans_lost"]) == (24768, [5760.0], 0)
    assert len([c for c in done["channels"] if c["state"]]) == 32
    assert {c["circuit"] for c in done["channels"] if not c["state"]} >= {"GER 1", "GER 4", "BARRA 69", "TF7"}
    assert livesense("runs", "--json").json["runs"][0]["state"] == "complete"
    found = livesense("measure", "last", "--to", "0.2", "--json").json
    # Independent fits of the first 0.2 s of this file; tolerances: the joint frequency of all currents
    # differs from IA's own within its uncertainty.
    ia = found["channels"]["IA_G1"]
    assert ia["frequency_hz"]["value"] == pytest.approx(49.9889, abs=0.002)
    for name, rms in (("IA_G1", 1348.184), ("IB_G1", 1361.385), ("IC_G1", 1363.807)):
        assert found["channels"][name]["fundamental_rms"]["value"] == pytest.approx(rms, rel=2e-5)
    first = found["three_phase_by_place"]["GER 1"]
    assert first["sequence"] == "UVW"
    assert first["zero_rms"]["value"] == pytest.approx(15.1, abs=0.05)
    assert first["positive_rms"]["value"] == pytest.approx(1357.6, abs=0.05)
    assert first["negative_rms"]["value"] == pytest.approx(16.5, abs=0.05)
    assert first["unbalance_percent"]["value"] == pytest.approx(1.215, rel=5e-3)
    assert found["three_phase"] == first
    power = found["power"]["phase_power"]
    assert power["unit"] == "W"
    assert power["value"] == pytest.approx(13375.0e3, rel=5e-4)
    assert found["power"]["power_factor"]["value"] == pytest.approx(0.94279, abs=3e-4)


def test_rules_of_a_bench_file_find_events_in_it(
    generators: Path, livesense: Command, tmp_path: Path
) -> None:
    (tmp_path / "generator.toml").write_text(
        '[bench]\nname = "generator"\n[motor]\npole_pairs = 12\n'
        '[[channel]]\nname = "iu"\ncolumn = "IA_G1"\nsensor = "direct"\nunit = "A"\nphase = "U"\n'
        '[[watch]]\nkind = "overcurrent"\nchannels = ["iu"]\nlimit = "1900 A"\nhold = "100 us"\n'
        'release_hold = "1 s"\n',
        encoding="utf-8",
    )
    record = generators / "test_data3" / "test3.cfg"
    done = livesense(
        "import", record, "--bench", "generator.toml", "--channels", "iu,IB_G1,IC_G1", "--json"
    ).json
    assert [c["name"] for c in done["channels"]] == ["iu", "IB_G1", "IC_G1"]
    events = livesense("events", "last", "--json").json["events"]
    assert len(events) == done["events"] > 0
    # By the file's own numbers: a = 2.4582099915, b = 0; the first scan beyond 1900 A.
    row = np.dtype([("n", "<u4"), ("t", "<u4"), ("analog", "<i2", (31,)), ("status", "<u2", (2,))])
    ia = np.fromfile(record.with_suffix(".dat"), row)["analog"][:, 0] * 2.4582099915
    assert events[0]["start_scan"] == int(np.flatnonzero(np.abs(ia) > 1900)[0])
    assert abs(events[0]["peak"]["value"]) == pytest.approx(np.abs(ia).max())
    rpm = livesense("measure", "last", "--to", "0.2", "--json").json["speed"]["rpm"]
    assert rpm["value"] == pytest.approx(49.9889 * 60 / 12, rel=1e-4)


def test_every_public_record_is_taken_or_refused_in_words(
    generators: Path, samples: Path, livesense: Command
) -> None:
    records = [*generators.rglob("*.cfg"), *samples.glob("*.cfg"), *samples.glob("*.cff")]
    taken = 0
    for record in records:
        answer = livesense("import", record, "--json")
        if answer.code == 0:
            taken += 1
            assert answer.json["scans_stored"] > 0
        else:
            # Some of the samples are configurations without data.
            assert answer.code == 2
            assert "beside it" in answer.err
            assert not record.with_suffix(".dat").exists()
    assert taken >= 8


@pytest.mark.parametrize("name", ["sample_ascii.cfg", "sample_ascii.cff"])
def test_an_ascii_sample(samples: Path, livesense: Command, exported: Any, name: str) -> None:
    done = livesense("import", samples / name, "--json").json
    assert (done["about"]["revision"], done["about"]["data"]) == ("2013", "ASCII")
    rows = exported()
    # Stated by the samples' own library: the first value of IA.
    assert float(rows[0]["IA_A"]) == pytest.approx(-9.3961, abs=5e-5)


@pytest.mark.parametrize(
    "name", ["sample_ascii.cfg", "sample_bin.cfg", "sample_iso8859-1_bin.cfg", "sample_float32.cff"]
)
def test_values_are_those_of_another_reader(
    samples: Path, livesense: Command, exported: Any, name: str
) -> None:
    import comtrade

    record = comtrade.Comtrade(ignore_warnings=True)
    path = samples / name
    encoding = "iso-8859-1" if "iso" in name else "utf-8"
    files = [str(path)] if path.suffix == ".cff" else [str(path), str(path.with_suffix(".dat"))]
    record.load(*files, encoding=encoding)
    done = livesense("import", path, "--json").json
    analog = [c for c in done["channels"] if not c["state"]]
    rows = exported()
    assert len(rows) == record.total_samples
    for channel, values, stated in zip(analog, record.analog, record.cfg.analog_channels, strict=True):
        factor = 1000.0 if stated.uu in ("kV", "kA") else 1.0
        header = f"{channel['name']}_{channel['unit']}" if channel["unit"] else channel["name"]
        found = np.array([float(row[header]) for row in rows])
        assert np.allclose(found, np.array(values) * factor, rtol=3e-7, atol=1e-6)
    for channel, bits in zip((c for c in done["channels"] if c["state"]), record.status, strict=True):
        assert [int(float(row[channel["name"]])) for row in rows] == list(bits)
