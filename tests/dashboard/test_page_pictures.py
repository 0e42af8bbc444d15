"""Pictures of a run through the page's routes."""

import pytest
from page_client import HOME, Web
from picture_bytes import png

from livesense.logbook.pictures import LARGEST_BYTES
from livesense.logbook.writer import LogbookWriter


@pytest.fixture
def web(tmp_path):
    path = tmp_path / "pump.db"
    with LogbookWriter(path) as writer:
        run = writer.start_run(
            name="one", bench_name="pump", bench_text="[bench]\n", bench_path="p.toml", version="0",
            port="p", wire="framed", started_wall_s=1.0,
        )  # fmt: skip
        run.finish("time", 2.0, {})
    web = Web(path)
    yield web
    web.page.close()


def send(web, data, name="bench.png", run=1, **headers):
    return web.client.post(f"/api/runs/{run}/pictures?name={name}", base_url=HOME, data=data, headers=headers)


def test_a_picture_comes_back_as_what_it_is_and_nothing_else(web):
    made = send(web, png(), **{"Content-Type": "text/html"})
    assert made.status_code == 200
    (row,) = web.get("/api/runs/1/pictures").json["pictures"]
    assert (row["name"], row["bytes"]) == ("bench.png", len(png()))
    shown = web.get(f"/api/runs/1/pictures/{row['number']}")
    assert shown.data == png() and shown.mimetype == "image/png"
    assert shown.headers["X-Content-Type-Options"] == "nosniff"
    assert shown.headers["Content-Disposition"] == f'inline; filename="run-1-picture-{row["number"]}.png"'
    assert web.post(f"/api/runs/1/pictures/{row['number']}/remove", {}).status_code == 200
    assert web.get("/api/runs/1/pictures").json["pictures"] == []
    assert web.get(f"/api/runs/1/pictures/{row['number']}").status_code == 404


def test_what_is_no_picture_or_too_large_is_refused(web):
    assert send(web, b"<svg/>").status_code == 409
    assert send(web, png(), run=7).status_code == 404
    assert send(web, bytes(LARGEST_BYTES + 1)).status_code == 413
    # More than other requests may hold, and still a picture's size: judged by its bytes.
    assert send(web, bytes(LARGEST_BYTES - 10)).status_code == 409
    assert web.get("/api/runs/1/pictures").json["pictures"] == []


def test_other_requests_are_bounded_as_before(web):
    large = b"x" * (300 * 1024)
    for path in ("/api/runs/1/notes", "/api/runs/1/pictures/1/remove", "/api/runs/1/picturesx"):
        assert web.client.post(path, base_url=HOME, data=large).status_code == 413


def test_strangers_add_nothing(web):
    stranger = web.page.dash.server.test_client()
    assert stranger.post("/api/runs/1/pictures", base_url=HOME, data=png()).status_code == 401
    foreign = send(web, png(), Origin="http://example.org")
    assert foreign.status_code == 403
    assert web.get("/api/runs/1/pictures").json["pictures"] == []
