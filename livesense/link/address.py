"""Addresses as a user writes them.

A device name (``COM5``, ``/dev/ttyACM0``), ``socket://host:port``,
``rfc2217://host:port``, ``file:PATH`` and ``-`` for standard input.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from livesense.errors import LinkError


@dataclass(frozen=True, slots=True)
class Address:
    """A parsed address: ``kind`` is device, socket, rfc2217, file or stdin."""

    kind: str
    text: str
    host: str = ""
    port: int = 0
    given: str = ""
    """The address as the user wrote it."""

    @property
    def has_clock(self) -> bool:
        """Whether bytes arrive when they are made; a file's do not."""
        return self.kind in {"device", "socket", "rfc2217"}


def parse_address(text: str) -> Address:
    """Tell what kind of address this is.

    Raises
    ------
    LinkError
        for a scheme that is not served, or a host or port that is missing.
    """
    if not text or "\0" in text:
        raise LinkError(
            'expected a port such as "COM5", "/dev/ttyACM0" or "socket://host:port", got nothing; '
            "`livesense ports` lists what is there"
        )
    if text == "-":
        return Address("stdin", text, given=text)
    if text.startswith("file:"):
        path = text[len("file:") :]
        if not path:
            raise LinkError(f'expected a path after "file:", got {text!r}')
        return Address("file", path, given=text)
    scheme = re.match(r"([A-Za-z][A-Za-z0-9+.-]*)://", text)
    if scheme is None:
        return Address("device", text, given=text)
    kind = scheme.group(1).lower()
    if kind not in {"socket", "rfc2217"}:
        raise LinkError(f"expected a device name, socket://, rfc2217://, file:PATH or -, got {text!r}")
    rest = text[scheme.end() :]
    match = re.fullmatch(r"(\[[0-9A-Fa-f:.%]+\]|[^\s:/?#@\[\]]+):([0-9]{1,5})/?", rest)
    if match is None or not 0 < int(match.group(2)) < 65536:
        raise LinkError(f"expected {kind}://host:port and nothing after it, got {text!r}")
    return Address(kind, text, match.group(1).strip("[]"), int(match.group(2)), text)
