"""Pictures of runs: only whole PNGs and JPEGs, bounded, copied and removed with their run."""

import sqlite3
from contextlib import closing

import pytest
from picture_bytes import jpeg, png

from livesense.errors import LogbookError, RunNotFoundError, UsageError
from livesense.logbook import pictures
from livesense.logbook.copying import copy_run
from livesense.logbook.pictures import add_picture, media_type_of, picture_data, pictures_of, remove_picture
from livesense.logbook.reader import Logbook
from livesense.logbook.removal import delete_runs
from livesense.logbook.writer import LogbookWriter


@pytest.fixture
def book(tmp_path):
    path = tmp_path / "pump.db"
    with LogbookWriter(path) as writer:
        for name in ("one", "two"):
            run = writer.start_run(
                name=name, bench_name="pump", bench_text="[bench]\n", bench_path="p.toml", version="0",
                port="p", wire="framed", started_wall_s=1.0,
            )  # fmt: skip
            run.finish("time", 2.0, {})
    return path


def test_what_is_a_picture_is_told_by_its_bytes():
    assert media_type_of(png()) == "image/png"
    assert media_type_of(jpeg()) == "image/jpeg"
    assert media_type_of(jpeg(kind=0xC2)) == "image/jpeg"


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "PNG or a JPEG"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "PNG or a JPEG"),
        (b"GIF89a" + bytes(50), "PNG or a JPEG"),
        (png()[:-1], "PNG or a JPEG"),
        (png() + b"<script>", "PNG or a JPEG"),
        (jpeg()[:-2] + b"\0\0", "PNG or a JPEG"),
        (jpeg(kind=0xC4), "PNG or a JPEG"),
        (b"\xff\xd8\xff\xe0\0\0\xff\xd9", "PNG or a JPEG"),
        (b"\xff\xd8\xff\xe0\0\x01" + bytes(20) + b"\xff\xd9", "PNG or a JPEG"),
        (png(9000, 1), "8192 pixels"),
        (jpeg(0, 5), "pixels"),
        (png() + bytes(pictures.LARGEST_BYTES), "KiB"),
    ],
)
def test_what_is_none_is_refused(book, data, why):
    with pytest.raises(UsageError, match=why):
        add_picture(book, 1, "x.png", data)
    with Logbook(book) as logbook:
        assert pictures_of(logbook.select, 1) == []


def test_a_picture_is_kept_listed_and_removed(book):
    data = png()
    first = add_picture(book, 1, "bench\n<b>\u202e.png", data)
    second = add_picture(book, 1, "x" * 500, jpeg())
    with Logbook(book) as logbook:
        rows = pictures_of(logbook.select, 1)
        assert [(r.number, r.media_type, r.size) for r in rows] == [
            (first, "image/png", len(data)), (second, "image/jpeg", len(jpeg())),
        ]  # fmt: skip
        assert rows[0].name == "bench <b> .png" and len(rows[1].name) == 120
        assert picture_data(logbook.select, 1, first) == ("image/png", data)
        assert picture_data(logbook.select, 2, first) is None
        assert pictures_of(logbook.select, 2) == []
    remove_picture(book, 2, first)
    remove_picture(book, 1, first)
    remove_picture(book, 1, first)
    with Logbook(book) as logbook:
        assert [r.number for r in pictures_of(logbook.select, 1)] == [second]


def test_a_run_has_only_so_many_and_a_run_that_is_not_there_none(book):
    for _ in range(pictures.MOST_A_RUN):
        add_picture(book, 1, "x", png())
    with pytest.raises(UsageError, match="as many as a run may have"):
        add_picture(book, 1, "x", png())
    with pytest.raises(RunNotFoundError):
        add_picture(book, 9, "x", png())
    with pytest.raises(LogbookError, match="no such logbook"):
        add_picture(book.with_name("other.db"), 1, "x", png())
    assert not book.with_name("other.db").exists()


def test_they_go_with_their_run_into_a_copy_and_away(book, tmp_path):
    number = add_picture(book, 2, "bench.png", png())
    with Logbook(book) as logbook:
        copied = copy_run(logbook, 2, tmp_path / "copy.db", lambda *_: None)
    with Logbook(tmp_path / "copy.db") as copy:
        (row,) = pictures_of(copy.select, copied.run)
        assert picture_data(copy.select, copied.run, row.number) == ("image/png", png())
    delete_runs(book, [2], lambda *_: None)
    with closing(sqlite3.connect(book)) as db:
        assert db.execute("SELECT count(*) FROM picture WHERE id = ?", (number,)).fetchone() == (0,)


def test_what_another_program_put_there_is_not_shown_as_a_picture(book):
    number = add_picture(book, 1, "x", png())
    with closing(sqlite3.connect(book)) as db, db:
        db.execute("UPDATE picture SET data = ?, media_type = 'text/html'", (b"<script>alert(1)</script>",))
    with Logbook(book) as logbook:
        assert picture_data(logbook.select, 1, number) is None
