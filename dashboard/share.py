"""Coming from other computers: by one name, encrypted, or with the word that it is not."""

from __future__ import annotations

import errno
import ipaddress
import logging
import re
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from livesense.errors import UsageError

LOG = logging.getLogger("livesense.page")

_NAME = re.compile(r"[a-z0-9]([a-z0-9.-]{0,251}[a-z0-9])?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Share:
    """``name`` is what other computers call this one; without ``certificate`` nothing is encrypted."""

    name: str
    certificate: Path | None = None
    key: Path | None = None

    @property
    def encrypted(self) -> bool:
        """Whether it is https."""
        return self.certificate is not None


def host_name(text: str) -> str:
    """Read the name or address by which other computers reach this one, as a browser writes it.

    Raises
    ------
    UsageError
        It is neither.
    """
    name = text.strip().lower()
    try:
        address = ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        if _NAME.fullmatch(name) and not name.replace(".", "").isdigit():
            return name
        raise UsageError(
            "--share: expected this computer's name or address, such as bench-pc.local or 192.168.1.20, "
            f"got {text!r}"
        ) from None
    if address.is_unspecified:
        raise UsageError(f"--share: expected the address that others use, got {text!r}: that means any")
    return f"[{address}]" if address.version == 6 else str(address)


def check_certificate(share: Share) -> None:
    """Refuse a certificate and a key that cannot be used, before anything is opened."""
    if share.certificate is None:
        return
    if share.key is None:
        raise UsageError("--certificate: expected --key FILE beside it")
    for option, path in (("--certificate", share.certificate), ("--key", share.key)):
        if not path.is_file():
            raise UsageError(f"{option}: expected a file in PEM form, got nothing at {path}")

    def locked() -> str:
        raise UsageError("--key: expected a key without a password, got one that has one")

    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(share.certificate, share.key, locked)
    except (ssl.SSLError, OSError) as error:
        raise UsageError(
            f"--certificate, --key: expected a certificate and its own key in PEM form: "
            f"{error.strerror or error}"
        ) from error


class EncryptedServer:
    """A WSGI server with TLS (1.2 or newer), for what waitress does not do."""

    def __init__(
        self, app: Callable[..., Any], share: Share, port: int, threads: int, largest_request: int
    ) -> None:
        try:
            from cheroot.ssl.builtin import BuiltinSSLAdapter
            from cheroot.wsgi import Server
        except ImportError as error:
            raise UsageError(
                "--certificate needs the package cheroot: pip install 'livesense[share]'; or --insecure "
                "behind a proxy that encrypts"
            ) from error
        host = "::" if share.name.startswith("[") else "0.0.0.0"

        class Quiet(Server):
            """Keeps what clients do wrong out of the terminal."""

            def error_log(self, msg: str = "", level: int = logging.INFO, traceback: bool = False) -> None:
                LOG.debug("%s", msg, exc_info=traceback)

        self._server = Quiet((host, port), app, numthreads=threads, max=threads, server_name="livesense")
        self._server.max_request_body_size = largest_request
        self._server.max_request_header_size = 64 * 1024
        adapter = BuiltinSSLAdapter(str(share.certificate), str(share.key))
        adapter.context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._server.ssl_adapter = adapter
        try:
            self._server.prepare()
        except OSError as error:
            busy = error.errno == errno.EADDRINUSE or "in use" in str(error)
            why = "another program listens there" if busy else error.strerror or str(error)
            raise UsageError(
                f"cannot listen on port {port}: {why}; name another one with --port (0: any free)"
            ) from error

    @property
    def port(self) -> int:
        """The port that was bound."""
        return int(self._server.bind_addr[1])

    def run(self, stopping: threading.Event) -> None:
        """Serve until the event is set."""
        thread = threading.Thread(target=self._server.serve, daemon=True)
        thread.start()
        while thread.is_alive() and not stopping.wait(0.2):
            pass

    def close(self) -> None:
        """Let go of the port and of every connection."""
        self._server.stop()
