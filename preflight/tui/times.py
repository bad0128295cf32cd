"""Times as people type them: on the site's clock, in UTC, or with an offset. Anything doubtful is refused."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo

from preflight.clean import clean
from preflight.errors import PreflightError

_TIME = re.compile(
    r"(?:([0-9]{4}-[0-9]{2}-[0-9]{2})[ T])?([0-9]{1,2}):([0-9]{2})(?::([0-9]{2}))?"
    r"(?: ?(z|utc|local|[+-][0-9]{2}:?[0-9]{2}))?",
    re.IGNORECASE,
)
_SPAN = re.compile(r"\+ ?([0-9]{1,4}) ?(min|h)")

FORM = "hh:mm on the site's clock, hh:mmZ in UTC, now or +45 min"


class BadTime(PreflightError):  # noqa: N818
    """A time that can't be read, or that the site's clock shows twice or never."""

    title = "Not a time"


def parse_time(text: str, now: datetime, zone: ZoneInfo, *, prefer: Literal["near", "future"]) -> datetime:
    """The moment that `text` names, in UTC.

    Without a date, "near" takes the one within twelve hours of `now`, "future" the next one.

    Raises:
        BadTime: with what to type.
    """
    text = text.strip()
    span = _SPAN.fullmatch(text)
    if span is not None:
        return now + timedelta(minutes=int(span[1]) * (60 if span[2] == "h" else 1))
    found = _TIME.fullmatch(text)
    if found is None:
        raise BadTime(f'"{clean(text, limit=40)}" is not a time; write {FORM}')
    day, hour, minute, second = found[1], int(found[2]), int(found[3]), int(found[4] or 0)
    if hour > 23 or minute > 59 or second > 59:
        raise BadTime(f'"{text}" is no time of day; write {FORM}')
    clock = _clock(found[5] or "local", zone)
    if day is not None:
        return _at(_date(day), hour, minute, second, clock)
    today = now.astimezone(clock).date()
    days = [today + timedelta(days=offset) for offset in (-1, 0, 1)]
    if prefer == "future":
        days = days[1:]
    moments = [_at(each, hour, minute, second, clock) for each in days]
    if prefer == "future":
        return next((at for at in moments if at > now), moments[-1])
    return min(moments, key=lambda at: abs(at - now))


def _clock(text: str, zone: ZoneInfo) -> tzinfo:
    """The clock that a time is read on, by what follows it."""
    if text.lower() == "local":
        return zone
    if text[0] not in "+-":
        return UTC
    hours, minutes = int(text[1:3]), int(text[-2:])
    if hours > 14 or minutes > 59:
        raise BadTime(f'"{text}" is no offset from UTC; write {FORM}')
    offset = timedelta(hours=hours, minutes=minutes)
    return timezone(-offset if text[0] == "-" else offset)


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise BadTime(f'"{text}" is no day of the calendar') from None


def _at(day: date, hour: int, minute: int, second: int, zone: tzinfo) -> datetime:
    naive = datetime(day.year, day.month, day.day, hour, minute, second)  # noqa: DTZ001 - zone follows
    first, second_one = naive.replace(tzinfo=zone, fold=0), naive.replace(tzinfo=zone, fold=1)
    if first.utcoffset() != second_one.utcoffset():
        raise BadTime(f"The site's clock is put forward or back at {naive:%H:%M} that day: write it in UTC.")
    return first.astimezone(UTC)
