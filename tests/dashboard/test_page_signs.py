"""Ages of what a recorder writes, as seen from here."""

import time
from types import SimpleNamespace

from dashboard.signs import Ages, Signs
from livesense.logbook.rows import HealthRow


def run(state="recording", health=None, started_ago_s=100.0, seconds=100.0, ended_ago_s=None):
    now = time.time()
    row = SimpleNamespace(
        state=state,
        started_wall_s=now - started_ago_s,
        seconds=seconds,
        ended_wall_s=None if ended_ago_s is None else now - ended_ago_s,
    )
    return SimpleNamespace(row=row, health=lambda: health)


def health(wall_ago_s=0.0, arrived_ago_s=0.0, **more):
    now = time.time()
    return HealthRow(now - wall_ago_s, {"last_arrival_wall_s": now - arrived_ago_s, **more})


def test_ages_grow_until_something_changes():
    signs, first = Signs(), health()
    assert signs.ages(10.0, run(health=first), 5) == Ages(0.0, 0.0, 0.0, 0)
    assert signs.ages(14.0, run(health=first), 5) == Ages(4.0, 4.0, 4.0, 0)
    # The recorder lives, the device is silent.
    alive = HealthRow(first.wall_s + 1, first.figures)
    assert signs.ages(14.5, run(health=alive), 5) == Ages(4.5, 4.5, 0.0, 0)
    assert signs.ages(15.0, run(health=alive), 6).data_s == 0.0


def test_a_clock_that_was_set_back_is_a_change_like_any_other():
    signs = Signs()
    signs.ages(10.0, run(health=health()), 5)
    assert signs.ages(11.0, run(health=health(wall_ago_s=3600.0)), 6).recorder_s == 0.0


def test_the_first_look_believes_large_ages_only():
    ages = Signs().ages(10.0, run(health=health(wall_ago_s=30.0, arrived_ago_s=60.0)), 5)
    assert 59 < ages.data_s < 70 and 59 < ages.bytes_s < 70 and 29 < ages.recorder_s < 40
    assert Signs().ages(10.0, run(health=health(arrived_ago_s=3.0)), 5).data_s == 0.0


def test_without_health_the_scans_tell():
    ages = Signs().ages(10.0, run(seconds=40.0), 5)
    assert 59 < ages.data_s < 70
    assert (ages.bytes_s, ages.recorder_s) == (None, None)


def test_after_its_end_a_run_is_as_old_as_its_end():
    assert 11 < Signs().ages(10.0, run("complete", ended_ago_s=12.0), 5).data_s < 20
    assert 29 < Signs().ages(10.0, run("recovered", health=health(wall_ago_s=30.0)), 5).data_s < 40
    assert Signs().ages(10.0, run("recovered"), 5).data_s is None


def test_what_waits_to_be_decoded_is_handed_on():
    assert Signs().ages(10.0, run(health=health(waiting_bytes=300)), 5).waiting_bytes == 300
