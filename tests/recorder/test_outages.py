"""What each outage cost, as far as anybody can know."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from livesense.logbook.reader import Logbook
from livesense.logbook.rows import OutageRow
from livesense.logbook.writer import LogbookWriter, RunWriter
from livesense.outages import Outages, away_of, outage_facts
from livesense.samples import Gap, GapCause


@pytest.fixture
def run(tmp_path: Path) -> Iterator[RunWriter]:
    writer = LogbookWriter(tmp_path / "l.db")
    yield writer.start_run(
        name="", bench_name="", bench_text="", bench_path="", version="", port="", wire="", started_wall_s=1.0
    )
    writer.close()


def lost(group: int, count: int | None) -> Gap:
    return Gap(group, 100, count, GapCause.OUTAGE)


def kept(run: RunWriter, folder: Path) -> list[tuple[float | None, int | None, str | None]]:
    run.commit()
    with Logbook(folder / "l.db") as book:
        return [(o.ended_wall_s, o.scans_lost, o.uncounted) for o in book.run(1).outages()]


def test_each_groups_first_news_tell_what_was_lost(run: RunWriter, tmp_path: Path) -> None:
    outages = Outages(run.outage)
    outages.begins(10.0, "gone", [0, 1])
    assert kept(run, tmp_path) == [(None, None, "nothing-after")]
    outages.ends(3.2)
    outages.gap(lost(0, 500))
    outages.scans(0)
    # Loss afterwards is no business of the outage.
    outages.gap(lost(0, 7))
    outages.scans(0)
    outages.gap(lost(1, 2))
    outages.scans(1)
    outages.restart()
    assert kept(run, tmp_path) == [(13.2, 502, None)]
    assert outages.away.text == "away 3.2 s, 502 scans lost"
    assert outages.away.as_json() == {
        "count": 1, "seconds": 3.2, "scans_lost": 502, "uncounted": 0, "text": "away 3.2 s, 502 scans lost"
    }  # fmt: skip


def test_a_device_that_counted_straight_on_lost_nothing(run: RunWriter, tmp_path: Path) -> None:
    outages = Outages(run.outage)
    outages.begins(10.0, "gone", [0])
    outages.ends(1.0)
    outages.scans(0)
    assert kept(run, tmp_path) == [(11.0, 0, None)]


def test_a_restart_leaves_nothing_to_count(run: RunWriter, tmp_path: Path) -> None:
    outages = Outages(run.outage)
    outages.begins(10.0, "gone", [0, 1])
    outages.ends(3.21)
    outages.restart()
    outages.scans(0)
    outages.scans(1)
    assert kept(run, tmp_path) == [(pytest.approx(13.21), None, "restart")]
    assert outages.away.text == "away 3.2 s, loss cannot be counted (the device restarted)"


def test_a_wire_without_a_counter(run: RunWriter, tmp_path: Path) -> None:
    outages = Outages(run.outage)
    outages.begins(10.0, "gone", [0])
    outages.gap(lost(0, None))
    outages.ends(1.0)
    outages.scans(0)
    assert kept(run, tmp_path) == [(11.0, None, "no-counter")]


def test_an_outage_before_the_first_scan(run: RunWriter, tmp_path: Path) -> None:
    outages = Outages(run.outage)
    outages.begins(10.0, "gone", [])
    outages.ends(1.0)
    outages.restart()
    outages.scans(0)
    assert kept(run, tmp_path) == [(11.0, None, "nothing-before")]


def test_several_outages_are_summed_up(run: RunWriter, tmp_path: Path) -> None:
    outages = Outages(run.outage)
    outages.begins(10.0, "gone", [0])
    outages.ends(2.0)
    outages.gap(lost(0, 1))
    outages.begins(20.0, "gone", [0])
    outages.ends(1.5)
    outages.restart()
    outages.begins(30.0, "gone", [0])
    text = (
        "away 3 times, 3.5 s in all, 1 scan lost; "
        "the loss in 2 of them cannot be counted (the device restarted, no scan came after it)"
    )
    assert outages.away.text == text
    run.commit()
    with Logbook(tmp_path / "l.db") as book:
        assert away_of(book.outages()[1]) == outages.away


def test_what_show_tells_of_one() -> None:
    facts = outage_facts(OutageRow(10.0, None, "gone", None, "nothing-after"))
    assert (facts["ended"], facts["seconds"], facts["scans_lost"]) == (None, None, None)
    assert facts["text"] == "away and not seen to come back, loss cannot be counted (no scan came after it)"
    # As a logbook of the first schema holds it.
    assert outage_facts(OutageRow(10.0, 12.5, "gone"))["text"] == "away 2.5 s, loss cannot be counted"
