"""Times as people type them: on the site's clock or in UTC, never guessed."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from preflight.tui.times import BadTime, parse_time

NOW = datetime(2031, 3, 9, 7, 0, tzinfo=UTC)
AUCKLAND = ZoneInfo("Pacific/Auckland")  # UTC+13 that day


def at(text: str, prefer: str = "future", zone: ZoneInfo = AUCKLAND) -> str:
    return f"{parse_time(text, NOW, zone, prefer=prefer):%Y-%m-%dT%H:%M:%SZ}"  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "prefer", "expected"),
    [
        ("08:30Z", "future", "2031-03-09T08:30:00Z"),
        ("06:30z", "future", "2031-03-10T06:30:00Z"),
        ("06:30Z", "near", "2031-03-09T06:30:00Z"),
        ("23:30Z", "near", "2031-03-08T23:30:00Z"),
        ("20:30", "future", "2031-03-09T07:30:00Z"),
        ("19:30", "future", "2031-03-10T06:30:00Z"),
        ("19:30", "near", "2031-03-09T06:30:00Z"),
        ("+45 min", "future", "2031-03-09T07:45:00Z"),
        ("+2h", "future", "2031-03-09T09:00:00Z"),
        ("2031-03-12 08:30Z", "near", "2031-03-12T08:30:00Z"),
        ("2031-03-12T08:30:15", "near", "2031-03-11T19:30:15Z"),
        (" 8:05Z ", "future", "2031-03-09T08:05:00Z"),
        ("06:30 UTC", "near", "2031-03-09T06:30:00Z"),
        ("06:30utc", "near", "2031-03-09T06:30:00Z"),
        ("19:30 local", "near", "2031-03-09T06:30:00Z"),
        ("19:30+13:00", "near", "2031-03-09T06:30:00Z"),
        ("01:30:10 -0500", "near", "2031-03-09T06:30:10Z"),
        ("2031-03-12T08:30:15+12:00", "future", "2031-03-11T20:30:15Z"),
    ],
)
def test_what_is_taken(text: str, prefer: str, expected: str) -> None:
    assert at(text, prefer) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        "8",
        "0830",
        "24:00Z",
        "08:60",
        "08.30",
        "8:30 pm",
        "2031-02-30 08:30",
        "+45",
        "45 min",
        "08:30+15:00",
        "08:30+13",
        "08:30 PST",
        "٠٨:٣٠",
    ],
)
def test_what_is_not_a_time_says_what_to_write(text: str) -> None:
    with pytest.raises(BadTime):
        at(text)


def test_a_clock_time_that_is_shown_twice_or_never_is_asked_for_in_utc() -> None:
    # New Zealand puts its clocks back at 03:00 on 6 April 2031 and forward at 02:00 on 28 September
    # (Time Act order: first Sunday of April, last Sunday of September).
    for text in ("2031-04-06 02:30", "2031-09-28 02:30"):
        with pytest.raises(BadTime, match="in UTC"):
            at(text)
    assert at("2031-04-05 14:30Z") == "2031-04-05T14:30:00Z"
