"""The zoom pyramid against a plain twin that looks at every code."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from livesense.errors import DamagedBlockError
from livesense.logbook import pyramid
from livesense.logbook.envelope import Envelope, edges_of
from livesense.logbook.reader import Logbook
from livesense.logbook.run_reader import RunReader
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock

Pieces = list[tuple[int, np.ndarray]]


def assert_like_twin(found: Envelope, pieces: Pieces, first: int, stop: int) -> None:
    """Every bucket against all stored codes of its span."""
    index = np.concatenate([np.arange(at, at + len(codes)) for at, codes in pieces])
    codes = np.concatenate([codes for _, codes in pieces])
    assert (found.scan[0], found.scan[-1]) == (first, stop)
    assert (np.diff(found.scan) > 0).all()
    bounds = np.searchsorted(index, found.scan)
    for bucket, (low, high) in enumerate(itertools.pairwise(bounds)):
        held = codes[low:high].astype(np.float64)
        assert found.n[bucket] == len(held)
        if len(held):
            assert found.low[bucket] == held.min()
            assert found.high[bucket] == held.max()
            assert found.mean[bucket] == pytest.approx(held.mean(), rel=1e-12, abs=1e-12)
        else:
            assert np.isnan([found.low[bucket], found.high[bucket], found.mean[bucket]]).all()


def record(
    path: Path, pieces: Pieces, *, code: CodeType = CodeType.U16, merge_at: set[int] = frozenset(), end: bool
) -> LogbookWriter:
    writer = LogbookWriter(path)
    run = writer.start_run(
        name="", bench_name="", bench_text="", bench_path="", version="", port="", wire="", started_wall_s=0.0
    )
    run.add_groups([GroupInfo(1000.0, code, None, ("other", "iu"))])
    for number, (first, codes) in enumerate(pieces):
        run.append(ScanBlock(0, first, np.column_stack([codes[::-1], codes])))
        run.merge(force=True) if number in merge_at else run.commit()
    if end:
        run.finish("time", 1.0)
    return writer


def check(path: Path, windows: list[tuple[int, int, int]], pieces: Pieces) -> None:
    with Logbook(path) as book:
        run = book.run(1)
        for first, stop, buckets in windows:
            assert_like_twin(run.envelope(0, "iu", first, stop, buckets), pieces, first, stop)


@st.composite
def recordings(draw: st.DrawFn) -> tuple[Pieces, set[int], list[tuple[int, int, int]]]:
    rng = np.random.default_rng(draw(st.integers(0, 1 << 30)))
    pieces: Pieces = []
    at = draw(st.sampled_from([0, 5, 64, 40_000]))
    for _ in range(draw(st.integers(1, 6))):
        count = draw(st.sampled_from([1, 3, 63, 64, 65, 1024, 3000, 20_000, 33_333]))
        pieces.append((at, rng.integers(0, 65536, count).astype("<u2")))
        at += count + draw(st.sampled_from([0, 0, 1, 63, 64, 1000, 70_000]))
    merge_at = draw(st.sets(st.integers(0, len(pieces) - 1)))
    windows = []
    for _ in range(4):
        first = draw(st.integers(0, at))
        stop = draw(st.integers(first + 1, at + 100))
        windows.append((first, stop, draw(st.sampled_from([1, 2, 7, 100, 2000]))))
    windows.append((0, at, 20))
    return pieces, merge_at, windows


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(recordings(), st.booleans(), st.integers(0, 10**9))
def test_any_window_of_any_recording(
    tmp_path: Path, recording: tuple[Pieces, set[int], list[tuple[int, int, int]]], end: bool, name: int
) -> None:
    pieces, merge_at, windows = recording
    path = tmp_path / f"{name}-{len(list(tmp_path.iterdir()))}.db"
    with record(path, pieces, merge_at=merge_at, end=end):
        check(path, windows, pieces)


@pytest.mark.parametrize("end", [False, True])
def test_upper_levels_over_gaps(tmp_path: Path, end: bool) -> None:
    rng = np.random.default_rng(7)
    pieces: Pieces = []
    at = 12_345
    for number in range(40):
        pieces.append((at, rng.integers(0, 4096, 30_000).astype("<u2") + np.uint16(number)))
        at += 30_000 + [0, 17, 0, 3_000_000][number % 4]
    path = tmp_path / "long.db"
    with record(path, pieces, merge_at=set(range(0, 38)), end=end):
        windows = [(0, at, n) for n in (1, 3, 50, 2000)]
        windows += [(13_001, at - 777, n) for n in (1, 3, 50, 2000)]
        windows += [(at // 2, at // 2 + span, 100) for span in (10, 1000, 100_000, 10_000_000)]
        windows += [(at - 45_000, at + 5, 300), (at + 10, at + 5000, 7)]
        check(path, windows, pieces)
        with Logbook(path) as book:
            levels = {level for (level,) in book.select("SELECT DISTINCT level FROM pyramid")}
        assert levels == (set(range(1, pyramid.LEVELS + 1)) if end else {1, 2, 3})


@pytest.mark.parametrize(
    ("code", "low", "high"),
    [
        (CodeType.I16, -32768, 32767),
        (CodeType.I32, -(1 << 31), (1 << 31) - 1),
        (CodeType.TEXT, -(10**12), 10**12),
    ],
)
def test_signed_and_wide_codes(tmp_path: Path, code: CodeType, low: int, high: int) -> None:
    codes = np.random.default_rng(2).integers(low, high, 50_000, endpoint=True).astype(code.dtype)
    path = tmp_path / "wide.db"
    with record(path, [(0, codes)], code=code, merge_at={0}, end=True):
        check(path, [(0, 50_000, 10), (1, 49_999, 500), (100, 200, 2000)], [(0, codes)])


def test_a_window_with_fewer_scans_than_buckets_gives_one_a_scan(
    start: Callable[..., Any], read: Callable[[], Logbook], pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start()
    codes = pump_codes(500)
    run.append(ScanBlock(0, 0, codes))
    run.commit()
    found = read().run(1).envelope(0, "iv", 100, 120, 2000)
    assert np.array_equal(found.scan, np.arange(100, 121))
    assert np.array_equal(found.low, codes[100:120, 1])
    assert np.array_equal(found.mean, found.high)
    assert (found.n == 1).all()


def test_few_rows_are_read_whatever_the_length(
    monkeypatch: pytest.MonkeyPatch, start: Callable[..., Any], read: Callable[[], Logbook]
) -> None:
    run = start([GroupInfo(20000.0, CodeType.U16, 16, ("iu",))])
    for at in range(0, 1 << 21, 1 << 16):
        run.append(ScanBlock(0, at, np.arange(1 << 16, dtype="<u2")[:, None]))
        run.commit()
    book = read()
    rows = 0
    plain = book.select

    def counting(text: str, values: Any = ()) -> list[tuple[Any, ...]]:
        nonlocal rows
        found = plain(text, values)
        rows += len(found)
        return found

    monkeypatch.setattr(book, "select", counting)
    reader = book.run(1)
    for first, stop in [(0, 1 << 21), (333, (1 << 21) - 333), (100_000, 900_000), (1000, 60_000)]:
        rows = 0
        reader.envelope(0, "iu", first, stop, 1000)
        assert rows < 120


def test_a_level_more_is_one_statement_more(
    start: Callable[..., Any], read: Callable[[], Logbook], pump_codes: Callable[..., Any]
) -> None:
    run = start()
    scans = 1_200_000
    for first in range(0, scans, 200_000):
        run.append(ScanBlock(0, first, pump_codes(200_000, first)))
        run.merge(force=True)
    run.finish("time", 1.0)
    book = read()
    looked = book.run(1)
    assert looked.groups

    def statements(first: int, stop: int, buckets: int) -> int:
        seen: list[str] = []
        book._connection.set_trace_callback(seen.append)
        looked.envelope(0, "iu", first, stop, buckets)
        book._connection.set_trace_callback(None)
        return len(seen)

    # Odd ends: what whole sums of a level leave over at both comes from those below, and at last from codes.
    level_1, level_2, level_3 = (statements(77, stop, 50) for stop in (10_000, 200_001, scans - 55))
    assert [edges_of(77, stop, 50)[1] for stop in (10_000, 200_001, scans - 55)] == [1, 2, 3]
    assert (level_2 - level_1, level_3 - level_2) == (1, 1)


def test_edges_are_nearly_even() -> None:
    for first, stop, buckets in [(0, 10**9, 2000), (17, 10**7 + 3, 2000), (5, 5 + 128_000, 1000)]:
        edges, level = edges_of(first, stop, buckets)
        widths = np.diff(edges)
        assert (edges[0], edges[-1], len(edges)) == (first, stop, buckets + 1)
        assert level >= 1
        assert widths[1:-1].max() - widths[1:-1].min() <= pyramid.factor(level)
        assert (edges[1:-1] % pyramid.factor(level) == 0).all()


@pytest.mark.parametrize(("first", "stop", "buckets"), [(-1, 5, 10), (5, 5, 10), (6, 5, 10), (0, 5, 0)])
def test_an_empty_window_is_refused(first: int, stop: int, buckets: int) -> None:
    with pytest.raises(ValueError, match="expected"):
        edges_of(first, stop, buckets)


def test_an_unknown_channel_is_named(start: Callable[..., Any], read: Callable[[], Logbook]) -> None:
    start().commit()
    run: RunReader = read().run(1)
    with pytest.raises(ValueError, match="expected one of iu, iv, iw, vbus, got 'ix'"):
        run.envelope(0, "ix", 0, 10, 10)
    with pytest.raises(ValueError, match="expected a group from 0 to 0, got 1"):
        run.envelope(1, "iu", 0, 10, 10)


def test_numbers_that_are_not_finite_count_as_absent() -> None:
    codes = np.array([1.0, np.nan, 3.0, np.inf, np.nan, np.nan], "<f4")
    found = pyramid.sums_of(0, codes, np.array([2, 4]))
    assert found.n.tolist() == [1, 1, 0]
    assert (found.low[:2].tolist(), found.high[:2].tolist()) == ([1.0, 3.0], [1.0, 3.0])
    page = pyramid.unpack([(0, 3, pyramid.pack(found, 0, 2))], 2)
    assert page.n.tolist() == [1, 1, 0]
    assert page.sum.tolist() == [1.0, 3.0, 0.0]


def entries(count: int, seed: int = 0) -> pyramid.Entries:
    rng = np.random.default_rng(seed)
    low = rng.integers(0, 2000, count)
    high = low + rng.integers(0, 2000, count)
    n = rng.integers(1, 65, count)
    return pyramid.Entries(np.sort(rng.permutation(512)[:count]) * 64 + 32768, n, low, high, n * low + n // 2)


@pytest.mark.parametrize("count", [1, 2, 100, 512])
def test_a_page_comes_back(count: int) -> None:
    before = entries(count)
    after = pyramid.unpack([(32768, count, pyramid.pack(before, 32768, 64))], 64)
    for name in ("start", "n", "low", "high", "sum"):
        assert np.array_equal(getattr(after, name), getattr(before, name)), name


def test_a_damaged_page_is_refused() -> None:
    data = pyramid.pack(entries(200), 32768, 64)
    for place in range(4, len(data), 37):
        broken = bytearray(data)
        broken[place] ^= 0x40
        with pytest.raises(DamagedBlockError):
            pyramid.unpack([(32768, 200, bytes(broken))], 64)
    for count in (0, -1, 513, 1 << 40):
        with pytest.raises(DamagedBlockError, match="expected 1 to 512 entries"):
            pyramid.unpack([(32768, count, data)], 64)
    body = bytes(9) + b"\0\0\0\0"
    for wrong in (b"", b"short", body, body + b"\3" + bytes(3), body + b"\1\7\7"):
        with pytest.raises(DamagedBlockError):
            pyramid.unpack([(0, 1, pyramid.compress(wrong))], 64)
    assert len(pyramid.unpack([(0, 1, pyramid.compress(body + b"\1\7"))], 64)) == 1


def test_pages_of_different_layout_are_read_together() -> None:
    pages = [entries(512), entries(100, 1), entries(512, 2), entries(3, 3)]
    rows = [(number * 65536, len(page), pyramid.pack(page, 32768, 64)) for number, page in enumerate(pages)]
    found = pyramid.unpack(rows, 64)
    order = np.argsort(found.start, kind="stable")
    expected = np.concatenate([page.start - 32768 + number * 65536 for number, page in enumerate(pages)])
    assert np.array_equal(found.start[order], expected)
    assert np.array_equal(found.sum[order], np.concatenate([page.sum for page in pages]))


def test_the_pyramid_is_small(
    start: Callable[..., Any], read: Callable[[], Logbook], pump_codes: Callable[..., np.ndarray]
) -> None:
    run = start()
    run.append(ScanBlock(0, 0, pump_codes(400_000)))
    run.finish("time", 1.0)
    ((size,),) = read().select("SELECT sum(length(data)) FROM pyramid")
    assert size / (4 * 400_000) < 0.08
