"""Every route there is and will be: nobody gets past the door, and no path leads to a file."""

import io

import pytest
from page_client import HOME, Web

from dashboard.app import Page, Settings
from simulator.main import BENCH

ODD = (
    "../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e%2f%2e%2e%2fetc%2fpasswd", "....//etc/passwd",
    "/etc/passwd",
    "..\\..\\windows\\win.ini", "C:\\windows\\win.ini", "file:///etc/passwd", "%00", "a%00b", "-1", "1e9",
    "999999999999999999999999", "\u202e1", "1;DROP TABLE run", "${1}", "{{7*7}}",
)  # fmt: skip


def filled(rule, value):
    """A path of a rule with one value for all of its arguments."""
    path = rule.rule
    for name in rule.arguments:
        begin = path.index("<")
        end = path.index(">", begin)
        path = path[:begin] + str(value) + path[end + 1 :]
        assert name
    return path


def methods(rule):
    return sorted(rule.methods - {"HEAD", "OPTIONS"})


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page")
    (folder / "pump.toml").write_text(BENCH.read_text(encoding="utf-8"), encoding="utf-8")
    (folder / "secret.txt").write_text("the secret", encoding="utf-8")
    web = Web(folder / "livesense.db", [folder / "pump.toml"])
    yield web
    web.page.close()


@pytest.fixture(scope="module")
def rules(web):
    return list(web.page.dash.server.url_map.iter_rules())


def asked(client, rule, value=1, **more):
    for method in methods(rule):
        yield method, client.open(filled(rule, value), method=method, base_url=HOME, **more)


def test_there_are_routes_of_our_own(rules):
    own = [rule.rule for rule in rules if rule.rule.startswith(("/api/", "/live/", "/bench-card/"))]
    assert len(own) > 30


def test_none_answers_without_the_cookie(web, rules):
    stranger = web.page.dash.server.test_client()
    for rule in rules:
        for method, answer in asked(stranger, rule):
            assert answer.status_code == 401, (method, rule.rule)


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://evil.example"}, {"Origin": "null"}, {"Sec-Fetch-Site": "cross-site"},
     {"Sec-Fetch-Site": "same-site"}, {"Host": "evil.example"}, {"Host": "127.0.0.1:1"}],
)  # fmt: skip
def test_none_answers_another_site(web, rules, headers):
    for rule in rules:
        for method, answer in asked(web.client, rule, headers=headers):
            assert answer.status_code == 403, (method, rule.rule)


def test_all_carry_the_headers(web, rules):
    stranger = web.page.dash.server.test_client()
    for rule in rules:
        for _, answer in asked(stranger, rule):
            assert "script-src 'self'" in answer.headers["Content-Security-Policy"], rule.rule
            assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_no_argument_leads_to_a_file_or_to_a_traceback(web, rules):
    folder = web.page.reading.path.parent
    before = sorted(folder.iterdir())
    for rule in rules:
        if not rule.arguments:
            continue
        for odd in ODD:
            for method in methods(rule):
                if "stop" in rule.rule:
                    continue
                answer = web.client.open(filled(rule, odd), method=method, base_url=HOME, json={"x": odd})
                body = answer.get_data()
                assert b"root:" not in body and b"the secret" not in body and b"[fonts]" not in body
                assert answer.status_code < 500 and b"Traceback" not in body, (method, rule.rule, odd)
    assert sorted(folder.iterdir()) == before


@pytest.mark.parametrize(
    "body", [b"", b"{", b"[]", b"null", b'"x"', b"[" * 5000, b'{"a":' * 3000, b"\xff\xfe"]
)
def test_no_body_makes_a_traceback(web, rules, body):
    for rule in rules:
        if rule.rule.startswith("/_dash"):
            continue
        for method in methods(rule):
            if method == "GET":
                continue
            said = {"data": io.BytesIO(body), "content_type": "application/json"}
            answer = web.client.open(filled(rule, 1), method=method, base_url=HOME, **said)
            assert answer.status_code < 500, (method, rule.rule, body[:20])


def test_too_much_is_refused_before_it_is_read(web, rules):
    for rule in rules:
        for method in methods(rule):
            # A picture of the bench may be larger, by this one path.
            if method == "GET" or rule.rule.endswith("/pictures"):
                continue
            answer = web.client.open(filled(rule, 1), method=method, base_url=HOME, data=b"x" * 300_000)
            assert answer.status_code == 413, rule.rule


def test_the_token_is_not_in_the_page(tmp_path):
    page = Page(Settings(tmp_path / "x.db", port=8050))
    client = page.dash.server.test_client()
    client.get(f"/?token={page.settings.token}", base_url=HOME)
    for path in ("/", "/_dash-layout", "/_dash-dependencies"):
        assert page.settings.token not in client.get(path, base_url=HOME).get_data(as_text=True)
    assert page.settings.token not in repr(page.settings)
    page.close()
