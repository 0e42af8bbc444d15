"""Other computers: by one name only, encrypted, and the checks at the door hold there as well."""

import datetime
import http.client
import ipaddress
import json
import ssl
import threading

import pytest
from page_client import Web

from dashboard.app import Server, Settings
from dashboard.share import Share, host_name
from livesense.errors import UsageError

x509 = pytest.importorskip("cryptography.x509")


def made(folder, key_password=None):
    """A certificate of this computer for an hour, and its key."""
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.UTC)
    others = [x509.DNSName("localhost"), x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(hours=1))
        .not_valid_after(now + datetime.timedelta(hours=1))
        .add_extension(x509.SubjectAlternativeName(others), critical=False)
        .sign(key, hashes.SHA256())
    )
    lock = (
        serialization.BestAvailableEncryption(key_password) if key_password else serialization.NoEncryption()
    )
    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock)
    (folder / "key.pem").write_bytes(key.private_bytes(*form))
    (folder / "certificate.pem").write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    return folder / "certificate.pem", folder / "key.pem"


@pytest.fixture
def serving(tmp_path):
    running = []

    def serve(share, **more):
        server = Server(Settings(tmp_path / "x.db", token="t", share=share, **more))
        thread = threading.Thread(target=server.run)
        thread.start()
        running.append((server, thread))
        return server

    yield serve
    for server, thread in running:
        server.close()
        thread.join(20)
        assert not thread.is_alive()


def get(server, path, tls=None, headers=None):
    kind = http.client.HTTPSConnection if tls else http.client.HTTPConnection
    more = {"context": tls} if tls else {}
    line = kind("127.0.0.1", server.port, timeout=20, **more)
    line.request("GET", path, headers={"Host": f"127.0.0.1:{server.port}", **(headers or {})})
    answer = line.getresponse()
    body = answer.read()
    line.close()
    return answer, body


@pytest.mark.slow
def test_encrypted_with_the_same_door(serving, tmp_path):
    certificate, key = made(tmp_path)
    server = serving(Share("localhost", certificate, key))
    assert server.url == f"https://localhost:{server.port}/?token=t"
    tls = ssl.create_default_context(cafile=certificate)
    answer, _ = get(server, "/", tls)
    assert answer.status == 401
    answer, _ = get(server, "/?token=t", tls)
    cookie = answer.getheader("Set-Cookie")
    assert (
        answer.status == 303 and "Secure" in cookie and "HttpOnly" in cookie and "SameSite=Strict" in cookie
    )
    own = {"Cookie": cookie.split(";")[0]}
    answer, body = get(server, "/api/record", tls, own)
    assert answer.status == 200 and json.loads(body)["recordings"] == []
    origin = f"https://127.0.0.1:{server.port}"
    assert get(server, "/api/record", tls, own | {"Origin": origin})[0].status == 200
    assert get(server, "/api/record", tls, own | {"Origin": origin.replace("https", "http")})[0].status == 403
    assert get(server, "/api/record", tls, own | {"Host": "evil.example"})[0].status == 403
    old = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    old.load_verify_locations(certificate)
    old.maximum_version = ssl.TLSVersion.TLSv1_2
    assert get(server, "/api/record", old, own)[0].status == 200
    with pytest.raises((http.client.HTTPException, OSError)):
        get(server, "/?token=t")


@pytest.mark.slow
def test_the_live_stream_comes_piece_by_piece_through_it(serving, tmp_path):
    certificate, key = made(tmp_path)
    server = serving(Share("localhost", certificate, key))
    tls = ssl.create_default_context(cafile=certificate)
    cookie = get(server, "/?token=t", tls)[0].getheader("Set-Cookie").split(";")[0]
    line = http.client.HTTPSConnection("127.0.0.1", server.port, timeout=20, context=tls)
    line.request("GET", "/live/stream", headers={"Host": f"127.0.0.1:{server.port}", "Cookie": cookie})
    answer = line.getresponse()
    assert answer.status == 200
    # An answer without end: what has come so far is there before it is over.
    assert len(answer.read1(4)) > 0 and len(answer.read1(64)) > 0
    line.close()


@pytest.mark.slow
def test_unencrypted_only_where_it_is_said(serving):
    server = serving(Share("bench-pc.local"))
    assert server.url == f"http://bench-pc.local:{server.port}/?token=t"
    host = {"Host": f"bench-pc.local:{server.port}"}
    assert get(server, "/", headers=host)[0].status == 401
    assert get(server, "/?token=t", headers=host)[0].status == 303
    assert get(server, "/", headers={"Host": f"other.local:{server.port}"})[0].status == 403


def test_without_share_no_other_name_is_let_in(tmp_path):
    web = Web(tmp_path / "x.db")
    assert web.client.get("/", base_url="http://bench-pc.local:8050").status_code == 403
    web.page.close()


@pytest.mark.parametrize(
    ("text", "name"),
    [("Bench-PC.local", "bench-pc.local"), ("192.168.1.20", "192.168.1.20"), ("fe80::1", "[fe80::1]")],
)
def test_names_as_browsers_write_them(text, name):
    assert host_name(text) == name


@pytest.mark.parametrize(
    "text", ["", "0.0.0.0", "::", "http://x", "a b", "x/y", "300.1.1.1", "*", "-x", "x:80"]
)
def test_what_is_no_name(text):
    with pytest.raises(UsageError, match="--share: expected"):
        host_name(text)


class TestCommand:
    def refused(self, livesense, *words):
        answer = livesense("serve", "--no-browser", "--port", "0", *words)
        assert (answer.code, answer.out) == (2, "")
        return answer.err

    def test_share_wants_a_certificate_or_the_word(self, livesense):
        said = self.refused(livesense, "--share", "bench-pc.local")
        assert "--certificate FILE and --key FILE" in said and "--insecure" in said

    @pytest.mark.parametrize("words", [["--insecure"], ["--certificate", "x"], ["--key", "x"]])
    def test_what_goes_with_share_only(self, livesense, words):
        assert "expected --share NAME beside it" in self.refused(livesense, *words)

    def test_files_that_are_none(self, livesense, tmp_path):
        certificate, key = made(tmp_path)
        (tmp_path / "odd.pem").write_text("x", encoding="utf-8")
        share = ["--share", "localhost"]
        assert "got nothing at" in self.refused(livesense, *share, "--certificate", "no.pem", "--key", key)
        assert "PEM form" in self.refused(livesense, *share, "--certificate", "odd.pem", "--key", key)
        more = ["--certificate", certificate, "--key", key, "--insecure"]
        assert "not both" in self.refused(livesense, *share, *more)
        locked, locked_key = made(tmp_path, b"secret")
        said = self.refused(livesense, *share, "--certificate", locked, "--key", locked_key)
        assert "without a password" in said
