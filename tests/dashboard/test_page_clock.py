"""Times are written in the zone of whoever looks."""

import time

import pytest
from flask import Flask

from dashboard.clock import COOKIE, when

# A summer noon in UTC: 2026-07-01 12:00:00.
NOON_S = 1782907200.0


def seen(zone: str) -> str:
    with Flask(__name__).test_request_context(headers={"Cookie": f"{COOKIE}={zone}"}):
        return when(NOON_S)


@pytest.mark.parametrize(
    ("zone", "text"),
    # Offsets as in the tz database (IANA), from memory: UTC+5:30, +2 in summer, -4 in summer, +13.
    [
        ("UTC", "2026-07-01 12:00:00"),
        ("Asia/Kolkata", "2026-07-01 17:30:00"),
        ("Europe/Berlin", "2026-07-01 14:00:00"),
        ("America/New_York", "2026-07-01 08:00:00"),
        ("Pacific/Tongatapu", "2026-07-02 01:00:00"),
    ],
)
def test_a_zone_that_there_is(zone, text):
    assert seen(zone) == text


@pytest.mark.parametrize(
    "zone", ["", "Nowhere/Never", "../../etc/passwd", "/etc/localtime", "localtime/..", "\udcff"]
)
def test_any_other_is_read_as_this_computers_own(zone):
    assert seen(zone) == time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(NOON_S))


def test_outside_of_a_request_and_without_an_instant():
    assert when(NOON_S) == time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(NOON_S))
    assert when(None) == ""
