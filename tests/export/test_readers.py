"""Each format, read by a library that did not write it."""

from __future__ import annotations

import csv
import json
import warnings
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_run import (
    LOST,
    RATE_HZ,
    RESTART,
    SCANS,
    SLOW,
    STARTED_S,
    amperes,
    codes,
    stored,
    temperatures,
    times,
)
from outside_reader import outside_reader

Command = Callable[..., Any]

SINGLE = 1.2e-7
"""Half a unit in the last place of a 32-bit float, relative (IEEE 754)."""


def test_csv_by_pythons_own_reader(run_to_export: Path, livesense: Command) -> None:
    done = livesense("export", "last", "--json").json
    assert done["files"] == ["run-1.csv", "run-1-g1.csv"]
    raw = (run_to_export / "run-1.csv").read_bytes()
    # RFC 4180, 2.1: records end with CR LF; no other line break stands in it.
    assert raw.count(b"\n") == raw.count(b"\r\n") == len(stored()) + 1
    with (run_to_export / "run-1.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.reader(file, strict=True))
    assert rows[0] == ["scan", "time_s", "iu_A", "iv_A", "iw_A"]
    found = np.array(rows[1:], float)
    assert np.array_equal(found[:, 0], stored())
    assert np.allclose(found[:, 1], times(), rtol=0, atol=1e-9)
    assert np.allclose(found[:, 2:], amperes()[stored()], rtol=1e-8, atol=1e-12)
    with (run_to_export / "run-1-g1.csv").open(newline="", encoding="utf-8") as file:
        assert [row["t_sink_°C"] for row in csv.DictReader(file)][7] == ""


def test_csv_has_its_units_and_uncertainties_beside_it(run_to_export: Path, livesense: Command) -> None:
    done = livesense("export", "last", "--json").json
    assert done["metadata"] == ["run-1.csv-metadata.json", "run-1-g1.csv-metadata.json"]
    facts = json.loads((run_to_export / "run-1.csv-metadata.json").read_text(encoding="utf-8"))
    # W3C, Metadata Vocabulary for Tabular Data (2015): the names a reader of such files looks for.
    assert facts["@context"] == "http://www.w3.org/ns/csvw"
    assert facts["url"] == "run-1.csv"
    assert [column["titles"] for column in facts["tableSchema"]["columns"]] == [
        "scan", "time_s", "iu_A", "iv_A", "iw_A",
    ]  # fmt: skip
    note = facts["notes"][0]
    assert note["table"]["gaps"] == [{"first": LOST.start, "count": len(LOST), "cause": "wire"}]
    iu = note["table"]["columns"][0]
    assert (iu["unit"], iu["phase"], iu["zero_code"]) == ("A", "U", 2048)
    assert iu["per_code"] == pytest.approx(0.008056640625)
    # 1 % as a limit is 1 % / √3 (JCGM 100:2008, 4.3.7); the reference's assumed 2 % is not counted.
    assert iu["u_scale_percent"] == pytest.approx(1 / np.sqrt(3))
    assert "shunt_tolerance" in note["table"]["columns"][1]["u_excludes"]


def test_parquet_by_duckdb(run_to_export: Path, livesense: Command) -> None:
    duckdb = outside_reader("duckdb")
    done = livesense("export", "last", "--format", "parquet", "--json").json
    assert (done["files"], done["metadata"]) == (["run-1.parquet", "run-1-g1.parquet"], [])
    assert done["rows"] == len(stored()) + SLOW
    with duckdb.connect() as book:
        table = book.execute("SELECT * FROM read_parquet(?)", [str(run_to_export / "run-1.parquet")])
        assert [column[0] for column in table.description] == ["scan", "time_s", "iu_A", "iv_A", "iw_A"]
        found = table.fetchnumpy()
        assert np.array_equal(found["scan"], stored())
        assert np.allclose(found["time_s"], times(), rtol=0, atol=1e-9)
        values = np.column_stack([found[name] for name in ("iu_A", "iv_A", "iw_A")])
        assert np.allclose(values, amperes()[stored()], rtol=1e-12, atol=1e-12)
        slow = str(run_to_export / "run-1-g1.parquet")
        missing = book.execute(
            'SELECT scan FROM read_parquet(?) WHERE "t_sink_°C" IS NULL', [slow]
        ).fetchall()
        assert missing == [(7,)]
        kept = book.execute(
            "SELECT decode(value) FROM parquet_kv_metadata(?) WHERE decode(key) = 'livesense'", [slow]
        ).fetchone()
    facts = json.loads(kept[0])
    assert facts["run"]["bench"].startswith("\n[bench]")
    assert facts["table"]["columns"][0]["unit"] == "°C"


def test_parquet_of_codes_has_whole_numbers(run_to_export: Path, livesense: Command) -> None:
    duckdb = outside_reader("duckdb")
    livesense("export", "last", "--format", "parquet", "--codes", "--channels", "iv", "--json")
    with duckdb.connect() as book:
        table = book.execute("SELECT * FROM read_parquet(?)", [str(run_to_export / "run-1.parquet")])
        assert str(table.description[2][1]) in ("NUMBER", "USMALLINT")
        assert np.array_equal(table.fetchnumpy()["iv_code"], codes()[stored(), 1])


def test_comtrade_by_a_library(run_to_export: Path, livesense: Command) -> None:
    comtrade = outside_reader("comtrade")
    done = livesense("export", "last", "--format", "comtrade", "--json").json
    configurations = [name for name in done["files"] if name.endswith(".cfg")]
    # A record a whole stretch: cut by the lost scans and by the restart; the slow group has one.
    assert configurations == ["run-1.cfg", "run-1-s2.cfg", "run-1-s3.cfg", "run-1-g1.cfg"]
    assert done["metadata"] == [name.replace(".cfg", ".hdr") for name in configurations]
    stretches = [(0, LOST.start), (LOST.stop, RESTART), (RESTART, SCANS)]
    for name, (first, stop) in zip(configurations, stretches, strict=False):
        record = comtrade.load(str(run_to_export / name), str(run_to_export / name.replace(".cfg", ".dat")))
        assert record.rev_year == "2013"
        assert record.cfg.sample_rates == [[RATE_HZ, stop - first]]
        assert (record.analog_channel_ids, record.analog_phases) == (["iu", "iv", "iw"], ["A", "B", "C"])
        assert [channel.uu for channel in record.cfg.analog_channels] == ["A", "A", "A"]
        assert [channel.skew for channel in record.cfg.analog_channels][1] == 0.5
        found = np.array(record.analog).T
        assert np.allclose(found, amperes()[first:stop], rtol=SINGLE, atol=1e-6)
        begin_s = times()[np.flatnonzero(stored() == first)[0]]
        begins = record.start_timestamp.replace(tzinfo=UTC)
        assert begins == datetime.fromtimestamp(STARTED_S + begin_s, UTC)
    slow = comtrade.load(str(run_to_export / "run-1-g1.cfg"), str(run_to_export / "run-1-g1.dat"))
    assert np.allclose(slow.analog[0], temperatures(), equal_nan=True)
    header = (run_to_export / "run-1.hdr").read_text(encoding="utf-8")
    assert "0.577 % of the value" in header


def test_comtrade_of_codes_is_whole(run_to_export: Path, livesense: Command) -> None:
    comtrade = outside_reader("comtrade")
    livesense("export", "last", "--format", "comtrade", "--codes", "--channels", "iu,iv", "--out", "c.dat")
    record = comtrade.load(str(run_to_export / "c.cfg"), str(run_to_export / "c.dat"))
    assert record.cfg.ft == "BINARY32"
    assert np.array_equal(np.array(record.analog).T, codes()[: LOST.start])


@pytest.mark.slow
def test_mdf_by_another_reader(run_to_export: Path, livesense: Command) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        mdfreader = outside_reader("mdfreader")
        done = livesense("export", "last", "--format", "mdf4", "--json").json
        assert done["files"] == ["run-1.mf4"]
        read = mdfreader.Mdf(str(run_to_export / "run-1.mf4"))
    assert np.array_equal(read.get_channel_data("scan"), stored())
    assert np.allclose(read.get_channel_data(read.get_channel_master("iu")), times(), rtol=0, atol=1e-9)
    for position, name in enumerate(("iu", "iv", "iw")):
        assert read.get_channel_unit(name) == "A"
        assert np.allclose(read.get_channel_data(name), amperes()[stored(), position], rtol=1e-12, atol=1e-12)
    assert np.allclose(read.get_channel_data("t_sink"), temperatures(), equal_nan=True)


def test_mdf_keeps_codes_and_what_they_mean(run_to_export: Path, livesense: Command) -> None:
    asammdf = outside_reader("asammdf")
    livesense("export", "last", "--format", "mdf4", "--out", "pump", "--json")
    with asammdf.MDF(run_to_export / "pump.mf4") as read:
        raw = read.get("iu", raw=True)
        assert np.array_equal(raw.samples, codes()[stored(), 0])
        assert raw.samples.dtype == np.dtype("<u2")
        assert "u_scale_percent" in read.get("iu").comment or "u_scale_percent" in str(raw.comment)
        assert read.header.start_time.timestamp() == pytest.approx(STARTED_S, abs=1e-6)
        assert "shunt_tolerance" in read.header.comment
        assert read.get("t_sink").unit == "°C"
