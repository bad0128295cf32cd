"""Notice windows as clock times: daylight saving, the date line, missed windows, position reports."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from airspace_making import EU, US, flight_with, shipped_rules

from preflight.config.flight import Flight
from preflight.config.load import parse_airspace
from preflight.figures.airspace import airspace_facts
from preflight.figures.compute import compute
from preflight.figures.notice_windows import (
    NoticeTime,
    Times,
    clock_text,
    notice_times,
    position_times,
    span_text,
    zone_of,
)

HEAVY = ("7 lb", "1 m^2")


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def windows(flight: Flight, now: datetime) -> dict[tuple[str, str], NoticeTime]:
    rules = shipped_rules()
    figures = compute(flight)
    times = Times.of(flight, figures.expected)
    found = notice_times(rules, airspace_facts(flight, rules, figures), times, now, zone_of(flight))
    return {(each.rules, each.notice.id): each for each in found}


def test_six_to_twenty_four_hours_and_seven_days_before() -> None:
    flight = flight_with(HEAVY, release="2027-05-16T08:30:00Z")
    found = windows(flight, at("2027-05-01T00:00:00Z"))
    prelaunch = found[US, "prelaunch"]
    assert prelaunch.opens == at("2027-05-15T08:30:00Z")
    assert prelaunch.closes == at("2027-05-16T02:30:00Z")
    early = found[EU, "early-notification"]
    assert (early.opens, early.closes) == (None, at("2027-05-09T08:30:00Z"))
    assert found[US, "launch"].closes == at("2027-05-16T08:30:00Z")
    assert found[US, "cancellation"].closes is None


@pytest.mark.parametrize(
    ("now", "status", "missed"),
    [
        ("2027-05-15T08:29:59Z", "ahead", False),
        ("2027-05-15T08:30:00Z", "open", False),
        ("2027-05-16T02:30:00Z", "open", False),
        ("2027-05-16T02:30:01Z", "past", True),
        ("2027-05-16T09:00:00Z", "past", True),
    ],
)
def test_a_window_is_ahead_open_or_missed(now: str, status: str, missed: bool) -> None:
    found = windows(flight_with(HEAVY), at(now))[US, "prelaunch"]
    assert (found.status, found.missed) == (status, missed)
    text = found.text(ZoneInfo("Pacific/Auckland"), at(now))
    assert ("MISSED" in text) is missed
    assert "2027-05-16 02:30 UTC (2027-05-16 14:30 NZST)" in text
    assert "2027-05-15 08:30 UTC (2027-05-15 20:30 NZST)" in text


def test_what_no_met_clause_asks_for_is_not_missed() -> None:
    now = at("2027-05-16T08:00:00Z")
    light = windows(flight_with(("1 kg", "1 m^2")), now)[US, "prelaunch"]
    assert (light.status, light.binds, light.missed) == ("past", False, False)
    unknown = windows(flight_with(("5 lb", None)), now)[US, "prelaunch"]
    assert (unknown.binds, unknown.missed) == (None, True)
    special = windows(flight_with(HEAVY), at("2027-05-16T08:10:00Z"))[US, "prelaunch-critical"]
    assert (special.status, special.missed) == ("past", False)
    assert "only for solar or cosmic" in special.text(UTC, now)


def test_hours_are_hours_when_the_clocks_go_forward() -> None:
    # New Zealand 2027-09-26: 02:00 NZST becomes 03:00 NZDT.
    flight = flight_with(HEAVY, release="2027-09-25T20:00:00Z")
    found = windows(flight, at("2027-09-01T00:00:00Z"))[US, "prelaunch"]
    zone = ZoneInfo("Pacific/Auckland")
    assert clock_text(at("2027-09-25T20:00:00Z"), zone).endswith("(2027-09-26 09:00 NZDT)")
    assert found.closes is not None
    assert clock_text(found.closes, zone) == "2027-09-25 14:00 UTC (2027-09-26 03:00 NZDT)"
    assert found.opens is not None
    assert clock_text(found.opens, zone) == "2027-09-24 20:00 UTC (2027-09-25 08:00 NZST)"


def test_hours_are_hours_when_the_clocks_go_back() -> None:
    # Germany 2027-10-31: 03:00 CEST becomes 02:00 CET; 02:30 comes twice.
    flight = flight_with(HEAVY, release="2027-10-31T07:00:00Z", zone="Europe/Berlin")
    found = windows(flight, at("2027-10-01T00:00:00Z"))[US, "prelaunch"]
    zone = ZoneInfo("Europe/Berlin")
    assert found.closes is not None
    assert clock_text(found.closes, zone) == "2027-10-31 01:00 UTC (2027-10-31 02:00 CET)"
    assert found.opens is not None
    assert clock_text(found.opens, zone) == "2027-10-30 07:00 UTC (2027-10-30 09:00 CEST)"
    # The hour that comes twice is told apart by its name.
    twice = [clock_text(at(text), zone) for text in ("2027-10-31T00:30:00Z", "2027-10-31T01:30:00Z")]
    assert [text[-5:-1] for text in twice] == ["CEST", " CET"]


@pytest.mark.parametrize(
    ("release", "zone", "closes"),
    [
        # forward between notice and release: 168 hours are the earlier reading of seven days
        ("2027-09-28T20:00:00Z", "Pacific/Auckland", "2027-09-21T20:00:00Z"),
        ("2027-04-01T06:00:00Z", "Europe/Berlin", "2027-03-25T06:00:00Z"),
        # back between them: seven calendar days at the same clock time are 169 hours
        ("2027-04-06T20:00:00Z", "Pacific/Auckland", "2027-03-30T19:00:00Z"),
        ("2027-11-03T07:00:00Z", "Europe/Berlin", "2027-10-27T06:00:00Z"),
        # no change
        ("2027-05-16T08:30:00Z", "Pacific/Auckland", "2027-05-09T08:30:00Z"),
    ],
)
def test_days_are_read_the_safe_way_across_a_change(release: str, zone: str, closes: str) -> None:
    flight = flight_with(HEAVY, release=release, zone=zone)
    found = windows(flight, at("2027-01-01T00:00:00Z"))[EU, "early-notification"]
    assert found.closes == at(closes)


@pytest.mark.parametrize(
    ("zone", "shown"),
    [
        ("Pacific/Kiritimati", "2027-05-15 10:30 UTC (2027-05-16 00:30 +14)"),
        ("Pacific/Pago_Pago", "2027-05-15 10:30 UTC (2027-05-14 23:30 SST)"),
        ("Pacific/Chatham", "2027-05-15 10:30 UTC (2027-05-15 23:15 +1245)"),
        ("Asia/Kathmandu", "2027-05-15 10:30 UTC (2027-05-15 16:15 +0545)"),
        ("UTC", "2027-05-15 10:30 UTC"),
    ],
)
def test_both_sides_of_the_date_line_have_their_own_date(zone: str, shown: str) -> None:
    assert clock_text(at("2027-05-15T10:30:00Z"), ZoneInfo(zone)) == shown


def test_a_release_given_with_its_offset_is_the_same_moment() -> None:
    local = flight_with(HEAVY, release="2027-05-16T20:30:00+12:00")
    found = windows(local, at("2027-05-01T00:00:00Z"))[US, "prelaunch"]
    assert found.closes == at("2027-05-16T02:30:00Z")


def test_descent_and_end_follow_the_computed_flight() -> None:
    flight = flight_with(("1 kg", "1 m^2"))
    axis = compute(flight).expected
    found = windows(flight, at("2027-05-01T00:00:00Z"))
    burst = flight.flight.release + timedelta(seconds=axis.burst - axis.release)
    assert found[US, "descent"].closes == burst - timedelta(hours=1)
    landing = flight.flight.release + timedelta(seconds=axis.landing - axis.release)
    assert found[US, "ended"].closes == landing
    # What can't rise has no burst to count from.
    assert windows(flight_with(HEAVY), at("2027-05-01T00:00:00Z"))[US, "descent"].closes is None
    assert found[US, "ended"].status == "event"
    assert "landing estimated" in found[US, "ended"].text(UTC, at("2027-05-01T00:00:00Z"))


def test_position_reports_fall_due_every_two_hours_until_the_landing() -> None:
    flight = flight_with(HEAVY)
    rules, figures = shipped_rules(), compute(flight)
    facts = airspace_facts(flight, rules, figures)
    release = flight.flight.release
    times = Times(release=release, burst=None, landing=release + timedelta(hours=5))
    due = {(each.rules, each.position.id): each for each in position_times(rules, facts, times)}
    assert due[US, "every-two-hours"].due == (release + timedelta(hours=2), release + timedelta(hours=4))
    assert due[EU, "high"].due == ()
    assert "None falls due" in due[EU, "high"].text(UTC)
    assert due[EU, "low"].binds is True  # a package of 7 lb is one of 3 kg or more
    # What floats for a month is not listed to its end.
    long = Times(release=release, burst=None, landing=release + timedelta(days=30))
    assert len(position_times(rules, facts, long)[0].due) == 24


def test_spans_are_told_for_people() -> None:
    spans = [timedelta(minutes=12), timedelta(hours=3, minutes=5), timedelta(days=6, hours=20, minutes=9)]
    assert [span_text(span) for span in spans] == ["12 min", "3 h 05 min", "6 d 20 h"]


def test_a_country_of_its_own_with_working_days_in_words() -> None:
    text = """
[rules]
title = "An invented country"
short = "Ruritania"
authority = "the air office"
note = "Invented for this test."
[[clause]]
id = "all"
about = "authorisation"
citation = "Order 1, 1"
text_of = "2027"
confidence = "read at source"
words = "Every balloon."
[[notice]]
id = "form"
citation = "Order 1, 2"
text_of = "2027-02"
confidence = "from memory"
words = "A form."
to = "the air office"
latest = "20 day"
"""
    rules = parse_airspace(text.encode(), "own.toml")
    flight = flight_with(("1 kg", "1 m^2"))
    facts = airspace_facts(flight, (rules,))
    times = Times.of(flight, compute(flight).expected)
    (found,) = notice_times((rules,), facts, times, at("2027-05-16T00:00:00Z"), UTC)
    assert (found.closes, found.missed) == (at("2027-04-26T08:30:00Z"), True)
    assert "[from memory]" in found.text(UTC, at("2027-05-16T00:00:00Z"))
    assert "20 days before release" in found.text(UTC, at("2027-05-16T00:00:00Z"))
