"""COMTRADE files written here by hand, field by field, for what the public records do not have."""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_run import RESTART, amperes, write_export_run

Command = Callable[..., Any]

ANALOG = [
    "1,IA,A,pump,A,0.01,0.5,0,-32767,32767,1,1,P",
    "2,IB,B,pump,kA,0.001,0,2.5,-32767,32767,1,1,P",
]


def configuration(
    *,
    revision: str = ",1999",
    analog: Sequence[str] = ANALOG,
    status: Sequence[str] = (),
    rates: str = "1\n1000,{n}",
    kind: str = "BINARY",
    count: int = 10,
    begins: str = "24/12/2025,10:00:00.250000",
    tail: str = "1\n",
) -> str:
    counts = f"{len(analog) + len(status)},{len(analog)}A,{len(status)}D"
    lines = [
        f"bench,box{revision}",
        counts,
        *analog,
        *status,
        "50",
        rates.format(n=count),
        begins,
        begins,
        kind,
    ]
    return "\n".join(lines) + "\n" + tail


def binary(
    values: np.ndarray, *, form: str = "h", numbers: Sequence[int] | None = None, words: bytes = b""
) -> bytes:
    out = b""
    for row, codes in enumerate(values.tolist()):
        number = row + 1 if numbers is None else numbers[row]
        out += struct.pack("<II", number, row * 1000) + struct.pack(f"<{len(codes)}{form}", *codes) + words
    return out


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    def call(text: str, data: bytes | str, name: str = "x") -> Path:
        (tmp_path / f"{name}.cfg").write_text(text, encoding="utf-8")
        (tmp_path / f"{name}.dat").write_bytes(data if isinstance(data, bytes) else data.encode())
        return tmp_path / f"{name}.cfg"

    return call


CODES = np.arange(20).reshape(10, 2) * 100 - 700


def test_codes_are_kept_and_scaled(livesense: Command, write: Any, exported: Any) -> None:
    done = livesense("import", write(configuration(), binary(CODES)), "--json").json
    assert [(c["name"], c["phase"], c["unit"]) for c in done["channels"]] == [
        ("IA", "U", "A"),
        ("IB", "V", "A"),
    ]
    rows = exported()
    assert [float(r["IA_A"]) for r in rows] == pytest.approx((CODES[:, 0] * 0.01 + 0.5).tolist())
    # kA become A; a skew is a delay.
    assert [float(r["IB_A"]) for r in rows] == pytest.approx(CODES[:, 1].tolist())
    assert [int(r["IA_code"]) for r in exported("--codes")] == CODES[:, 0].tolist()
    shown = livesense("show", "last", "--json").json
    assert 'delay = "2.5 us"' in shown["bench"]
    # Rounding of one code: 0.01 A / √12.
    assert shown["chain"][0]["per_code"] == 0.01


def test_upper_case_names_and_either_file_will_do(livesense: Command, tmp_path: Path) -> None:
    (tmp_path / "X.CFG").write_text(configuration())
    (tmp_path / "X.DAT").write_bytes(binary(CODES))
    assert livesense("import", "X.CFG").code == 0
    assert livesense("import", "X.DAT").code == 0


def test_revision_1991_has_no_year_and_writes_the_month_first(livesense: Command, write: Any) -> None:
    short = ["1,IA,A,pump,A,0.01,0.5,0,-32767,32767"]
    text = configuration(
        revision="", analog=short, status=["1,trip,0"], begins="12/24/98,10:00:00.250000", tail=""
    )
    done = livesense("import", write(text, binary(CODES[:, :1], words=b"\1\0")), "--json").json
    assert done["about"]["revision"] == "1991"
    assert done["started"].startswith("1998-12-24T10:00:00.250")
    assert [c["state"] for c in done["channels"]] == [False, True]


@pytest.mark.parametrize(
    ("code", "wall"),
    [("0", "10:00:00.250+00:00"), ("-4", "14:00:00.250+00:00"), ("+5h30", "04:30:00.250+00:00")],
)
def test_revision_2013_states_its_zone(livesense: Command, write: Any, code: str, wall: str) -> None:
    from datetime import UTC, datetime

    text = configuration(revision=",2013", tail=f"1\n{code},0\nF,3\n")
    done = livesense("import", write(text, binary(CODES)), "--json").json
    began = datetime.fromisoformat(done["started"]).astimezone(UTC)
    assert began.isoformat(timespec="milliseconds").endswith(wall)
    assert done["about"]["zone"]


def test_missing_sample_numbers_are_a_gap(livesense: Command, write: Any) -> None:
    numbers = [1, 2, 3, 7, 8, 9, 10, 11, 12, 13]
    done = livesense("import", write(configuration(count=13), binary(CODES, numbers=numbers)), "--json").json
    assert (done["scans_stored"], done["scans_lost"], done["gaps"]) == (10, 3, 1)
    assert any("declares 13 samples, the data file has 10" in note for note in done["notes"])
    assert livesense("show", "last", "--json").json["gaps"] == [
        {"group": 0, "first": 3, "count": 3, "cause": "wire"}
    ]


def test_two_rates_are_two_segments(livesense: Command, write: Any) -> None:
    done = livesense("import", write(configuration(rates="2\n1000,4\n500,{n}"), binary(CODES)), "--json").json
    assert done["rates_hz"] == [500, 1000]
    shown = livesense("show", "last", "--json").json
    assert [(s["first"], s["start_s"], s["rate_hz"]) for s in shown["segments"]] == [
        (0, 0, 1000),
        (4, 0.004, 500),
    ]
    assert done["seconds"] == pytest.approx(4 / 1000 + 6 / 500)


def test_without_a_rate_the_stamps_tell(livesense: Command, write: Any) -> None:
    done = livesense("import", write(configuration(rates="0\n0,{n}"), binary(CODES)), "--json").json
    assert done["rates_hz"] == [1000]


@pytest.mark.parametrize(
    ("kind", "form", "mark"),
    [("BINARY", "h", -(1 << 15)), ("BINARY32", "i", -(1 << 31)), ("FLOAT32", "f", np.nan)],
)
def test_a_missing_value_is_no_number(
    livesense: Command, write: Any, exported: Any, kind: str, form: str, mark: float
) -> None:
    codes = CODES.astype(float if form == "f" else int)
    codes[4, 0] = mark
    done = livesense("import", write(configuration(kind=kind), binary(codes, form=form)), "--json").json
    assert any("1 values are missing" in note for note in done["notes"])
    rows = exported()
    assert [row["IA_A"] == "" for row in rows] == [at == 4 for at in range(10)]
    assert float(rows[4]["IB_A"]) == pytest.approx(CODES[4, 1])


def test_ascii_with_an_empty_and_a_marked_value(livesense: Command, write: Any, exported: Any) -> None:
    lines = [f"{row + 1}, {row * 1000}, {a}, {b}" for row, (a, b) in enumerate(CODES.tolist())]
    lines[2] = "3,2000,,7"
    lines[3] = "4,3000,99999,7"
    done = livesense(
        "import", write(configuration(kind="ASCII"), "\r\n".join([*lines, "\x1a"])), "--json"
    ).json
    assert any("2 values are missing" in note for note in done["notes"])
    assert [row["IA_A"] == "" for row in exported()] == [at in (2, 3) for at in range(10)]


def test_sets_without_a_circuit_are_told_apart_by_order(livesense: Command, write: Any) -> None:
    analog = [
        f"{n},I{p}{s},{p},,A,1,0,0,-9,9,1,1,P"
        for n, (s, p) in enumerate(((s, p) for s in "12" for p in "ABC"), 1)
    ]
    codes = np.tile(CODES[:, :1], (1, 6))
    done = livesense("import", write(configuration(analog=analog), binary(codes)), "--json").json
    assert [c["circuit"] for c in done["channels"]] == ["set 1"] * 3 + ["set 2"] * 3


BROKEN: dict[str, tuple[str, bytes, str]] = {
    "empty": ("", b"", "line 1"),
    "other text": ("hello\nworld\n", b"", "line 2: expected the number of channels"),
    "counts": (configuration().replace("2,2A,0D", "3,2A,0D"), b"", "line 2: expected a total"),
    "cut": ("\n".join(configuration().splitlines()[:3]), b"", "expected an analog channel in line 4"),
    "no number": (
        configuration().replace("0.01", "x"),
        b"",
        "line 3: expected a number as the multiplier a, found 'x'",
    ),
    "kind": (configuration(kind="TEXT"), b"", "expected one of ASCII, BINARY, BINARY32, FLOAT32"),
    "revision": (configuration(revision=",new"), b"", "line 1: expected a year"),
    "rates": (configuration(rates="many\n1000,10"), b"", "expected the number of sampling rates"),
    "no samples": (configuration(), b"", "expected samples of 12 bytes"),
    "odd size": (configuration(), binary(CODES) + b"12345", "5 too many"),
    "numbers go back": (
        configuration(),
        binary(CODES, numbers=[1, 2, 3, 2, 3, 4, 5, 6, 7, 8]),
        "found 2 in row 4",
    ),
    "uneven": (
        configuration(rates="0\n0,{n}"),
        b"".join(struct.pack("<IIhh", n + 1, n * n * 1000 + n, 0, 0) for n in range(10)),
        "expected evenly spaced samples",
    ),
    "ragged": (configuration(kind="ASCII"), b"1,0,1,2\n2,1000,1\n", "line 2: expected 4 fields, found 3"),
}


@pytest.mark.parametrize("case", BROKEN)
def test_broken_records_are_refused_in_words(
    livesense: Command, write: Any, tmp_path: Path, case: str
) -> None:
    text, data, words = BROKEN[case]
    answer = livesense("import", write(text, data))
    assert (answer.code, answer.out) == (2, ""), answer
    assert words in answer.err
    assert not (tmp_path / "livesense.db").exists()


def test_a_record_cut_short_is_taken_as_far_as_it_goes(livesense: Command, write: Any) -> None:
    done = livesense("import", write(configuration(), binary(CODES)[:-5]), "--json").json
    assert done["scans_stored"] == 9
    assert any("ends amid a sample" in note for note in done["notes"])


def test_random_damage_is_never_a_traceback(livesense: Command, write: Any) -> None:
    random = np.random.default_rng(3)
    text = configuration().encode()
    for _ in range(60):
        spoilt = bytearray(text)
        for at in random.integers(0, len(spoilt), 3):
            spoilt[at] = random.integers(32, 127)
        answer = livesense("import", write(spoilt.decode("latin-1"), binary(CODES)), "--json")
        assert answer.code in (0, 2)
        assert "went wrong inside" not in answer.err


def test_our_own_export_comes_back(livesense: Command, tmp_path: Path, exported: Any) -> None:
    write_export_run(tmp_path / "first.db")
    livesense("export", "last", "--logbook", "first.db", "--format", "comtrade", "--out", "pump.cfg")
    done = livesense("import", "pump-s3.cfg", "--json").json
    assert [(c["name"], c["phase"]) for c in done["channels"]] == [("iu", "U"), ("iv", "V"), ("iw", "W")]
    found = np.array([[float(row[f"{n}_A"]) for n in ("iu", "iv", "iw")] for row in exported()])
    assert np.allclose(found, amperes()[RESTART:], rtol=2e-7, atol=1e-6)


def test_notes_of_the_import_lie_at_the_run_s_beginning(livesense: Command, write: Any) -> None:
    livesense("import", write(configuration(begins="24/12/2005,10:00:00.0"), binary(CODES)))
    shown = livesense("show", "last", "--json").json
    assert [note["at"] for note in shown["notes"]] == [shown["started"]]


def test_a_bus_is_known_by_its_name(livesense: Command, write: Any) -> None:
    analog = ["1,vbus,,pump,V,0.01,0,0,-9,9,1,1,P", "2,ibus,,pump,A,0.01,0,0,-9,9,1,1,P"]
    done = livesense("import", write(configuration(analog=analog), binary(CODES)), "--json").json
    assert [(c["phase"], c["assumed"]) for c in done["channels"]] == [("bus", ["phase"])] * 2
    assert livesense("measure", "last", "--json").json["power"]["input_power"]["unit"] == "W"
