"""The report of a run, taken from the page."""

from __future__ import annotations

import pytest
from page_client import Web
from plain_device import Sender, bench_text, description_frame, group


@pytest.fixture
def web(recorded, tmp_path):
    sender = Sender(channels=("iu", "iv", "iw"))
    told = recorded(description_frame([group(sender.channels)]) + sender.packet(300), bench_text())
    web = Web(tmp_path / told["logbook"])
    yield web
    web.page.close()


def test_it_is_the_file_that_the_command_writes(web, livesense, tmp_path):
    answer = web.get("/api/runs/1/report.html")
    assert answer.status_code == 200
    assert answer.headers["Content-Disposition"] == 'attachment; filename="report-1.html"'
    assert livesense("report", "1", "--out", "r.html").code == 0
    assert answer.data == (tmp_path / "r.html").read_bytes()


def test_as_pdf(web):
    answer = web.get("/api/runs/1/report.pdf")
    assert (answer.status_code, answer.mimetype) == (200, "application/pdf")
    assert answer.data.startswith(b"%PDF-")


def test_what_is_not_there(web):
    refused = web.get("/api/runs/9/report.html")
    assert refused.status_code == 409
    assert b"expected one of its runs" in refused.data
    assert web.get("/api/runs/1/report.exe").status_code == 404


def test_strangers_get_none(web):
    stranger = web.page.dash.server.test_client()
    assert stranger.get("/api/runs/1/report.html", base_url="http://127.0.0.1:8050").status_code in (401, 403)
