"""Instants as the viewer reads them: with their date, in the zone of the viewer's browser.

The page may be looked at from another computer than the one that records (``serve --share``), in another
zone. The browser tells its zone in a cookie (assets/10-base.js); whoever sends none, or one that this
computer does not know, reads this computer's own time.
"""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from flask import has_request_context, request

COOKIE = "livesense_zone"


def when(wall_s: float | None) -> str:
    """Write a host time as date and time of the viewer, to the second; nothing for None."""
    if wall_s is None:
        return ""
    name = request.cookies.get(COOKIE, "") if has_request_context() else ""
    return datetime.fromtimestamp(wall_s, UTC).astimezone(_zone(name)).strftime("%Y-%m-%d %H:%M:%S")


def _zone(name: str) -> tzinfo | None:
    """Look a zone up among those that there are: what a request names is never looked for as a file."""
    return ZoneInfo(name) if name and name in _zones() else None


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())
