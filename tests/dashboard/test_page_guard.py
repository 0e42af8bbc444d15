"""Who may ask. Each refusal is tried on the page, a route of our own, and a callback of Dash's."""

import pytest

from dashboard.guard import Guard

PATHS = ["/", "/live/now", "/api/runs/1", "/_dash-layout", "/assets/page.css"]
HOME = "http://127.0.0.1:8050"


@pytest.mark.parametrize("path", PATHS)
def test_nothing_without_the_token(stranger, path):
    answer = stranger.get(path, base_url=HOME)
    assert answer.status_code == 401
    assert b"token" in answer.data


@pytest.mark.parametrize("path", PATHS)
def test_with_the_cookie_everything_is_there(client, path):
    assert client.get(path, buffered=True).status_code == 200


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "host", ["evil.example:8050", "127.0.0.1:9999", "127.0.0.1", "127.0.0.1.evil.example:8050"]
)
def test_a_name_bound_to_this_machine_does_not_serve(client, path, host):
    assert client.get(path, headers={"Host": host}).status_code == 403


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://127.0.0.1:8050", "http://127.0.0.1:1"]
)
def test_foreign_origins_are_refused(client, path, origin):
    assert client.get(path, headers={"Origin": origin}).status_code == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_requests_that_another_page_made_are_refused(client, site):
    assert client.get("/", headers={"Sec-Fetch-Site": site}).status_code == 403


def test_own_requests_pass(client):
    headers = {"Origin": HOME, "Sec-Fetch-Site": "same-origin"}
    assert client.get("/live/now", headers=headers).status_code == 200


def test_the_token_becomes_a_strict_cookie_and_leaves_the_address(stranger):
    answer = stranger.get("/runs?token=of-a-test&x=1", base_url=HOME)
    assert answer.status_code == 303
    assert answer.headers["Location"] == "/runs?x=1"
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie and "SameSite=Strict" in cookie and "livesense_8050=" in cookie
    assert "of-a-test" not in cookie


def test_the_redirect_cannot_leave_the_page(stranger):
    answer = stranger.get("//evil.example/?token=of-a-test", base_url=HOME)
    assert not answer.headers.get("Location", "/").startswith("//")


def test_a_wrong_token_is_refused(stranger):
    answer = stranger.get("/?token=of-another", base_url=HOME)
    assert answer.status_code == 401
    assert "Set-Cookie" not in answer.headers


def test_a_wrong_cookie_is_refused(stranger):
    stranger.set_cookie("livesense_8050", "guess", domain="127.0.0.1")
    assert stranger.get("/", base_url=HOME).status_code == 401


def test_large_bodies_are_refused(client):
    assert client.post("/api/runs/1/notes", data=b"x" * 300_000).status_code == 413


def test_headers_hold_the_browser_to_this_page(client):
    headers = client.get("/").headers
    policy = headers["Content-Security-Policy"]
    assert "script-src 'self' 'sha256-" in policy
    assert "'unsafe-inline'" not in policy.split("style-src")[0]
    assert "frame-ancestors 'none'" in policy
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"


def test_refusals_carry_the_headers_too(stranger):
    assert "Content-Security-Policy" in stranger.get("/", base_url=HOME).headers


def test_the_page_names_no_other_place(client):
    html = client.get("/").get_data(as_text=True)
    assert "http://" not in html and "https://" not in html and "//cdn" not in html


def test_the_usual_port_of_http_may_be_left_out():
    assert {"localhost", "localhost:80"} <= set(Guard("t", 80).hosts())
    assert "localhost" not in Guard("t", 8050).hosts()
