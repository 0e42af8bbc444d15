"""Who may ask: a token once, a cookie after that, and only for pages of this very address.

A page on the open web can make a browser on this machine send requests here (a name that is re-bound
to loopback, a form, a script); so every request is checked for the host it was meant for and the page
it came from, before any route runs.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import sys
from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from dash.exceptions import DependencyException
from flask import Flask, Response, redirect, request
from werkzeug.exceptions import HTTPException

from livesense.logbook import pictures

LARGEST_REQUEST = 256 * 1024
"""Bytes in a request's body; the page sends notes and small callbacks only."""

_PICTURES = re.compile(r"/api/runs/[0-9]{1,12}/pictures")
"""The one path that takes more: a picture to be kept with a run."""


def largest_request() -> int:
    """Bytes that the body of the request at hand may have."""
    picture = request.method == "POST" and _PICTURES.fullmatch(request.path)
    return pictures.LARGEST_BYTES if picture else LARGEST_REQUEST


_REFUSAL = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>livesense</title></head>
<body><h1>{title}</h1><p>{text}</p></body></html>
"""


def _refuse(status: int, title: str, text: str) -> Response:
    return Response(_REFUSAL.format(title=title, text=text), status, mimetype="text/html")


def _too_deep(_: Exception) -> Response:
    """Refuse JSON that is brackets within brackets without end."""
    text = "expected a request of the page's own, got brackets without end"
    return Response(text, 400, mimetype="text/plain")


def _no_such_script(_: Exception) -> Response:
    """Answer who asks for a script that Dash does not have."""
    return Response("there is no such script", 404, mimetype="text/plain")


def _our_mistake(error: Exception) -> Any:
    """Tell a defect of ours in one line; what Flask means as an answer stays one."""
    if isinstance(error, HTTPException):
        return error
    if os.environ.get("LIVESENSE_TRACEBACK"):
        raise error
    print(f"livesense: the page: something went wrong inside livesense ({error!r})", file=sys.stderr)
    text = "something went wrong inside livesense; its terminal tells more"
    return Response(text, 500, mimetype="text/plain")


class Guard:
    """Checks requests of one Flask app and adds the headers that hold a browser to it.

    ``port`` may be set after the server is bound; until then no host is right. ``name`` is what other
    computers call this one, empty where they may not come; ``encrypted`` tells https from http.
    """

    def __init__(
        self, token: str, port: int | None = None, *, name: str = "", encrypted: bool = False
    ) -> None:
        self.port = port
        self._name = name
        self._encrypted = encrypted
        self._token = token
        self._pass = hmac.new(token.encode(), b"livesense page", hashlib.sha256).hexdigest()
        self._policy = ""

    @property
    def cookie(self) -> str:
        """Name of the cookie: browsers share cookies between ports, so the port is in it."""
        return f"livesense_{self.port}"

    def hosts(self) -> tuple[str, ...]:
        """Host headers that mean this server."""
        if self.port is None:
            return ()
        names = ("127.0.0.1", "localhost", "[::1]", *([self._name] if self._name else []))
        hosts = tuple(f"{name}:{self.port}" for name in names)
        # Browsers leave out the usual port.
        return (*hosts, *names) if self.port == (443 if self._encrypted else 80) else hosts

    def protect(self, flask: Flask, script_hashes: Sequence[str]) -> None:
        """Put the checks in front of every route of an app, and the headers behind."""
        flask.config["MAX_CONTENT_LENGTH"] = LARGEST_REQUEST
        scripts = " ".join(["'self'", *script_hashes])
        self._policy = (
            f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; "
            "img-src 'self' data: blob:; connect-src 'self'; object-src 'none'; base-uri 'none'; "
            "form-action 'self'; frame-ancestors 'none'"
        )
        flask.before_request_funcs.setdefault(None, []).insert(0, self.check)
        flask.after_request(self.headers)
        flask.register_error_handler(RecursionError, _too_deep)
        flask.register_error_handler(DependencyException, _no_such_script)
        flask.register_error_handler(Exception, _our_mistake)

    def check(self) -> Response | None:
        """Answer a request that must not go on; None lets it pass."""
        hosts = self.hosts()
        if request.host.lower() not in hosts:
            return _refuse(403, "Wrong host", "This address is not the one livesense was started for.")
        origin = request.headers.get("Origin")
        scheme = "https" if self._encrypted else "http"
        if origin is not None and origin not in {f"{scheme}://{host}" for host in hosts}:
            return _refuse(403, "Wrong origin", "Another site's page asked for this; it was refused.")
        if request.headers.get("Sec-Fetch-Site", "none") not in ("same-origin", "none"):
            return _refuse(
                403,
                "Opened from another page",
                "Copy the address that livesense printed into the browser's address bar.",
            )
        most = largest_request()
        if (length := request.content_length) is not None and length > most:
            return _refuse(413, "Too long", f"A request may hold at most {most} bytes.")
        request.max_content_length = most
        given = request.args.get("token")
        if given is not None and request.method == "GET":
            return self._welcome(given)
        cookie = request.cookies.get(self.cookie, "")
        if not hmac.compare_digest(cookie.encode(), self._pass.encode()):
            return _refuse(
                401,
                "This page needs its token",
                "Open the address that livesense printed when it started; it holds the token.",
            )
        return None

    def _welcome(self, given: str) -> Response:
        if not hmac.compare_digest(given.encode(), self._token.encode()):
            return _refuse(
                401,
                "The token does not fit",
                "It changes with every start: open the address that livesense printed last.",
            )
        # request.path comes from the client: "//host" would lead a browser away.
        path = "/" + request.path.lstrip("/\\")
        rest = [(key, value) for key, value in request.args.items(multi=True) if key != "token"]
        answer = redirect(path + (f"?{urlencode(rest)}" if rest else ""), 303)
        answer.set_cookie(
            self.cookie, self._pass, httponly=True, samesite="Strict", path="/", secure=self._encrypted
        )
        assert isinstance(answer, Response)
        return answer

    def headers(self, response: Response) -> Response:
        """Add the headers that keep other pages, frames and sniffing out."""
        response.headers["Content-Security-Policy"] = self._policy
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["X-Frame-Options"] = "DENY"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        if response.mimetype in ("text/html", "application/json"):
            response.headers.setdefault("Cache-Control", "no-store")
        return response
