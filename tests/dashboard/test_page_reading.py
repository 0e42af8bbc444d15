"""What a desk tells of the runs of a logbook."""

import time

import numpy as np
import pytest

from dashboard.follow import Recording
from dashboard.reading import Desk
from livesense.logbook.writer import LogbookWriter
from livesense.samples import CodeType, GroupInfo, ScanBlock


@pytest.fixture
def writer(tmp_path):
    with LogbookWriter(tmp_path / "pump.db") as writer:
        yield writer


@pytest.fixture
def start(writer):
    def start(started_wall_s):
        run = writer.start_run(
            name="", bench_name="coolant pump, 24 V", bench_text="[bench]\n", bench_path="pump.toml",
            version="0", port="socket://localhost:1", wire="framed", started_wall_s=started_wall_s,
        )  # fmt: skip
        run.add_groups([GroupInfo(20_000.0, CodeType.U16, 12, ("iu", "iv"))], counted=True)
        return run

    return start


def test_a_desk_tells_which_recordings_hold_scans_and_give_signs(writer, start, tmp_path):
    with_scans = start(1000.0)
    with_scans.append(ScanBlock(0, 0, np.zeros((10, 2), "<u2")))
    with_scans.health(link="open")
    with_scans.commit()
    without = start(1500.0)
    over = start(1600.0)
    over.finish("error", 1700.0)
    desk = Desk(tmp_path / "pump.db")
    try:
        second, first = desk.recording()
        assert (first.number, first.holds_scans) == (1, True)
        assert abs(first.sign_wall_s - time.time()) < 600, "its recorder's last sign"
        # Its recorder gave none yet: the run's begin stands for it.
        assert second == Recording(2, False, 1500.0)
        assert desk.newest() == 3
        assert (desk.state(2), desk.state(3)) == ("recording", "failed")
        without.finish("asked", 1800.0)
        assert [r.number for r in desk.recording()] == [1]
    finally:
        desk.close()
