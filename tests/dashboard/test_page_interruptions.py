"""What interrupted a run: in words, and where on the run's own time axis."""

from dataclasses import dataclass, field
from types import SimpleNamespace

import pytest

from dashboard.interruptions import MOST_GAPS, interruptions
from livesense.logbook.rows import GapRow, OutageRow, RestartRow
from livesense.samples import SegmentStart, TimeAxis

BEGAN = 1_000_000.0


@dataclass
class Run:
    """A reader of one group at 100 scans/s whose second segment begins late, as after an outage."""

    held: list = field(default_factory=list)
    away: list = field(default_factory=list)
    anew: list = field(default_factory=list)
    segments: tuple = (SegmentStart(0, 0, 0.0, 100.0),)
    groups: tuple = (None,)
    state: str = "complete"
    stored: tuple = (3000,)

    @property
    def row(self):
        return SimpleNamespace(started_wall_s=BEGAN, state=self.state)

    def extent(self, group):
        return 0, self.stored[group]

    def time_axis(self, group):
        return TimeAxis(self.segments)

    def gaps(self, most):
        return self.held[:most]

    def dropped(self, group=None):
        return []

    def gap_count(self):
        return len(self.held)

    def outages(self):
        return self.away

    def restarts(self):
        return self.anew


CHANNELS = tuple(SimpleNamespace(name=name, group=group) for name, group in (("iu", 0), ("iv", 0), ("t", 1)))


def told(run):
    return interruptions(SimpleNamespace(run=run, extent_s=lambda: (0.0, 30.0), channels=CHANNELS))


def test_where_a_recorder_died_the_last_scan_is_told_and_not_that_all_is_stored():
    found = told(Run(state="recovered"))
    assert found["rows"] == [
        {
            "kind": "died", "from_s": pytest.approx(30.0), "to_s": pytest.approx(30.0), "group": 0,
            "text": "last scan that is kept; the recorder died, "
                    "and what the device sent afterwards is not known",
        }
    ]  # fmt: skip
    assert found["text"] == "Its recorder died: nothing is known of what came after the last scan."


def test_each_group_has_a_last_scan_of_its_own_and_one_without_scans_has_none():
    gap = [GapRow(0, 200, 25, "wire", None)]
    found = told(Run(gap, state="recovered", groups=(None, None), stored=(3000, 2990)))
    assert [(row["kind"], round(row["from_s"], 3)) for row in found["rows"]] == [
        ("gap", 2.0), ("died", 29.9), ("died", 30.0),
    ]  # fmt: skip
    assert "last scan of t that" in found["rows"][1]["text"]
    assert "last scan of iu, iv that" in found["rows"][2]["text"]
    assert found["text"].startswith("1 gap. Its recorder died")
    none = told(Run(state="recovered", groups=(None, None), stored=(3000, 0)))
    assert [row["group"] for row in none["rows"]] == [0]


def test_nothing_happened():
    assert told(Run()) == {"rows": [], "text": "None: every scan that was counted is stored.", "more": 0}


@pytest.mark.parametrize(
    ("count", "cause", "to_s", "text"),
    [
        (25, "wire", 2.25, "25 scans lost on the way"),
        (1, "host", 2.01, "1 scan lost because this computer was too slow"),
        (None, "wire", 2.0, "an unknown number of scans lost on the way"),
        (50, "burst", 2.5, "50 scans not sent: the device pauses between bursts"),
        (5, "moths", 2.05, "5 scans not stored, cause: moths"),
    ],
)
def test_a_gap(count, cause, to_s, text):
    found = told(Run([GapRow(0, 200, count, cause, None)]))
    assert found["rows"] == [{"kind": "gap", "from_s": 2.0, "to_s": pytest.approx(to_s), "text": text}]
    assert found["text"] == "1 gap."


def test_an_outage_with_a_restart_lies_in_the_hole_between_the_segments():
    run = Run(
        away=[OutageRow(BEGAN + 9.8, BEGAN + 14.9, "the other side closed the connection", None, "restart")],
        anew=[RestartRow(0, 1000, 999, 0, None)],
        segments=(SegmentStart(0, 0, 0.0, 100.0), SegmentStart(0, 1000, 15.0, 100.0)),
    )
    found = told(run)
    outage, restart = found["rows"]
    assert (outage["kind"], outage["from_s"], outage["to_s"]) == ("outage", pytest.approx(10.0), 15.0)
    assert outage["text"] == (
        "port away 5.1 s, loss cannot be counted (the device restarted): the other side closed the connection"
    )
    assert (restart["kind"], restart["from_s"]) == ("restart", 15.0)
    assert "its counter went from 999 to 0" in restart["text"]
    assert found["text"] == "1 outage of the port, 1 restart of the device."


def test_an_outage_that_was_counted_lies_where_its_scans_are_missing():
    run = Run(
        held=[GapRow(0, 1000, 500, "outage", None), GapRow(0, 2500, 2, "wire", None)],
        away=[OutageRow(BEGAN + 10.2, BEGAN + 15.1, "unplugged", 500, None)],
    )
    rows = told(run)["rows"]
    assert [(row["kind"], row["from_s"]) for row in rows] == [("outage", 10.0), ("gap", 25.0)]
    assert rows[0]["to_s"] == 15.0 and "500 scans lost" in rows[0]["text"]


def test_an_outage_without_a_trace_among_the_scans_stands_by_the_clock():
    (row,) = told(Run(away=[OutageRow(BEGAN + 3.0, BEGAN + 4.0, "unplugged", 0, None)]))["rows"]
    assert (row["from_s"], row["to_s"]) == (3.0, 4.0)


def test_an_outage_that_never_ended_lasts_to_the_end_of_the_run():
    (row,) = told(Run(away=[OutageRow(BEGAN + 29.0, None, "unplugged", None, "nothing-after")]))["rows"]
    assert (row["from_s"], row["to_s"]) == (29.0, 30.0)
    assert "no scan came after it" in row["text"]


def test_of_very_many_gaps_the_first_are_listed_and_the_rest_counted():
    found = told(Run([GapRow(0, 10 * n, 2, "wire", None) for n in range(MOST_GAPS + 7)]))
    assert len(found["rows"]) == MOST_GAPS
    assert (found["more"], found["text"]) == (7, "507 gaps.")
