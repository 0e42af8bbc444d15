"""The [keep] table: what is kept of a long run."""

from collections.abc import Callable

import pytest

from livesense.bench import Bench, Keep
from livesense.errors import BenchError

Changed = Callable[..., Bench]


def test_without_the_table_everything_is_kept(changed: Changed) -> None:
    assert changed().keep == Keep(None, None, None, 0.1, 60.0)
    assert not changed().keep.drops


def test_times_and_sizes_are_read_as_engineers_write_them(changed: Changed) -> None:
    more = '[keep]\nraw = "1.5 h"\nsize = "20 GB"\nfree = "500 MB"\naround = "50 ms"\nevent = "2 min"\n'
    keep = changed(more=more).keep
    assert keep == Keep(5400.0, 20_000_000_000, 500_000_000, 0.05, 120.0)
    assert keep.drops
    assert changed(more='[keep]\nraw = "3 d"\n').keep.raw_s == 259_200.0
    # A floor by itself drops nothing.
    assert not changed(more='[keep]\nfree = "1 GiB"\n').keep.drops
    assert changed(more='[keep]\nfree = "1 GiB"\n').keep.free_bytes == 1 << 30


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ('raw = "5 s"', 'keep: raw: expected a time from 10 s to 10000 d, got "5 s"'),
        ('raw = "10001 d"', 'keep: raw: expected a time from 10 s to 10000 d, got "10001 d"'),
        ("raw = 6", 'keep: raw: expected a time such as "6 h", got 6'),
        ('raw = "6 GB"', 'keep: raw: expected a time such as "6 h", got "6 GB"'),
        ('size = "6 h"', 'keep: size: expected a size such as "20 GB", got "6 h"'),
        ('size = "1 MB"', 'keep: size: expected a size from 64 MB to 30 TB, got "1 MB"'),
        ('free = "1 MB"', 'keep: free: expected a size from 4 MB to 30 TB, got "1 MB"'),
        ('around = "1 s"', "keep: around: expected raw or size beside it: without them nothing is dropped"),
        ('event = "1 s"', "keep: event: expected raw or size beside it: without them nothing is dropped"),
        ('raw = "6 h"\naround = "2 min"', 'keep: around: expected a time from 0 s to 1 min, got "2 min"'),
        ('raw = "6 h"\nevent = "2 h"', 'keep: event: expected a time from 100 ms to 1 h, got "2 h"'),
        ('rwa = "6 h"', 'keep: rwa: expected a known key (nearest: "raw"), got "rwa"'),
    ],
)
def test_refused(changed: Changed, table: str, message: str) -> None:
    with pytest.raises(BenchError) as caught:
        changed(more=f"[keep]\n{table}\n")
    assert str(caught.value).startswith("pump.toml: " + message)


def test_raw_is_kept_long_enough_for_what_lies_before_an_event(changed: Changed) -> None:
    rule = ('limit = "12 A"', 'limit = "12 A"\nhold = "1 s"\npre = "9 s"')
    with pytest.raises(BenchError, match=r"keep: raw: expected at least 20 s, twice what lies before"):
        changed(*rule, more='[keep]\nraw = "19 s"\n')
    assert changed(*rule, more='[keep]\nraw = "20 s"\n').keep.raw_s == 20.0
