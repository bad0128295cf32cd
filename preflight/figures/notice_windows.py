"""When to tell the authority: notice windows and position reports as clock times of one flight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo

from preflight.config.airspace import Notice, Position, RuleSet
from preflight.config.flight import Flight
from preflight.config.quantities import split_quantity, to_si
from preflight.figures.airspace import AirspaceFacts, binds
from preflight.figures.printed import mark
from preflight.figures.run_out import Axis

Status = Literal["ahead", "open", "past", "event"]
MISSED = "MISSED"
"""Stands in the text of a notice whose window has passed."""
MOST_REPORTS = 24
"""Position reports listed at most; a balloon that floats for days has more."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Times:
    """The moments of a flight that notices count from, UTC; `burst` and `landing` are estimates, or None."""

    release: datetime
    burst: datetime | None
    landing: datetime | None

    @classmethod
    def of(cls, flight: Flight, axis: Axis) -> Times:
        """The times of the flight as declared."""
        release = in_utc(flight.flight.release)
        burst = release + timedelta(seconds=axis.burst - axis.release) if axis.burst > axis.release else None
        falls = flight.parachute is not None and burst is not None
        landing = release + timedelta(seconds=axis.landing - axis.release) if falls else None
        return cls(release=release, burst=burst, landing=landing)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeTime:
    """One notice of one flight.

    It is to be given from `opens` until `closes`, either None where the text sets no such end; for an event
    both are the moment it is expected at, or None where that can't be said. `status` is that of now. `binds`
    is whether the clause it follows from is met, None if unknown. A window that has passed is `missed`
    unless its clause is not met or it waits for something else that only people know.
    """

    rules: str
    notice: Notice
    opens: datetime | None
    closes: datetime | None
    status: Status
    binds: bool | None

    @property
    def missed(self) -> bool:
        return self.status == "past" and self.binds is not False and self.notice.only is None

    def text(self, zone: tzinfo, now: datetime) -> str:
        """In words, times in UTC and in `zone`."""
        notice = self.notice
        said = f"{notice.citation}{mark(notice.confidence)}, to {notice.to}: {_when(self, zone)}"
        if self.status == "ahead" and self.opens is not None:
            said += f"; opens in {span_text(self.opens - now)}"
        elif self.status in ("ahead", "open") and self.closes is not None:
            said += f"; ends in {span_text(self.closes - now)}"
        elif self.status == "past" and self.closes is not None:
            said += f"; {MISSED if self.missed else 'past'} by {span_text(now - self.closes)}"
        if notice.only is not None:
            said += f"; only for {notice.only}"
        return said + _bound(self.binds)


@dataclass(frozen=True, slots=True, kw_only=True)
class PositionTime:
    """One rule on position reports: when they fall due at the latest, counted from the release."""

    rules: str
    position: Position
    due: tuple[datetime, ...]
    binds: bool | None

    def text(self, zone: tzinfo) -> str:
        """In words, times in UTC and in `zone`."""
        position = self.position
        said = f"{position.citation}{mark(position.confidence)}: {position.words}"
        if self.due:
            said += f" Due at the latest {', '.join(clock_text(at, zone) for at in self.due)}"
        else:
            said += " None falls due in this flight as it is forecast"
        return said + _bound(self.binds)


def notice_times(
    rules: Sequence[RuleSet], facts: AirspaceFacts, times: Times, now: datetime, zone: tzinfo
) -> tuple[NoticeTime, ...]:
    """Every notice of the rule sets, those before the release in the order in which they end."""
    found = []
    for rule_set in rules:
        met = {fact.clause.id: fact.met for fact in facts.clauses if fact.rules == rule_set.rules.short}
        for notice in rule_set.notice:
            opens, closes = _window(notice, times, zone)
            found.append(
                NoticeTime(
                    rules=rule_set.rules.short,
                    notice=notice,
                    opens=opens,
                    closes=closes,
                    status=_status(notice, opens, closes, now),
                    binds=binds(rule_set, notice.when, met),
                )
            )
    latest = datetime.max.replace(tzinfo=UTC)
    return tuple(sorted(found, key=lambda each: each.closes or latest))


def position_times(rules: Sequence[RuleSet], facts: AirspaceFacts, times: Times) -> tuple[PositionTime, ...]:
    """Every rule on position reports, with the moments they fall due until the landing."""
    found = []
    for rule_set in rules:
        met = {fact.clause.id: fact.met for fact in facts.clauses if fact.rules == rule_set.rules.short}
        for position in rule_set.position:
            step = timedelta(seconds=to_si(position.every, "duration"))
            end = times.landing or times.burst
            due: list[datetime] = []
            at = times.release + step
            while end is not None and at < end and len(due) < MOST_REPORTS:
                due.append(at)
                at += step
            found.append(
                PositionTime(
                    rules=rule_set.rules.short,
                    position=position,
                    due=tuple(due),
                    binds=binds(rule_set, position.when, met),
                )
            )
    return tuple(found)


def _window(notice: Notice, times: Times, zone: tzinfo) -> tuple[datetime | None, datetime | None]:
    if notice.event == "launch":
        return times.release, times.release
    if notice.event == "ended":
        return times.landing, times.landing
    if notice.event == "cancelled":
        return None, None
    if notice.event == "before-descent":
        if times.burst is None or notice.latest is None:
            return None, None
        at = times.burst - timedelta(seconds=to_si(notice.latest, "duration"))
        return at, at
    opens = None if notice.earliest is None else _before(times.release, notice.earliest, zone)[1]
    closes = None if notice.latest is None else _before(times.release, notice.latest, zone)[0]
    return opens, closes


def _before(release: datetime, printed: str, zone: tzinfo) -> tuple[datetime, datetime]:
    """The moment so long before the release: the earlier and the later way to read it.

    Hours are hours. Days are read both as so many times 24 hours and as the same clock time so many calendar
    days before, which differ where the clocks change in between: the safe one of the two counts.
    """
    elapsed = release - timedelta(seconds=to_si(printed, "duration"))
    number, unit = split_quantity(printed)
    if unit != "day" or number != int(number):
        return elapsed, elapsed
    local = release.astimezone(zone).replace(tzinfo=None) - timedelta(days=int(number))
    calendar = local.replace(tzinfo=zone).astimezone(UTC)
    return min(elapsed, calendar), max(elapsed, calendar)


def _status(notice: Notice, opens: datetime | None, closes: datetime | None, now: datetime) -> Status:
    if notice.event != "before":
        return "event"
    if closes is not None and now > closes:
        return "past"
    if opens is not None and now < opens:
        return "ahead"
    return "open"


def _when(one: NoticeTime, zone: tzinfo) -> str:
    event, latest = one.notice.event, one.notice.latest
    if event == "cancelled":
        return "at once if it is cancelled"
    if event == "launch":
        return f"at once after launch, planned {_clock(one.closes, zone)}"
    if event == "ended":
        return f"when it is ended, landing estimated {_clock(one.closes, zone)}"
    if event == "before-descent":
        return f"{_printed(latest)} before descent, by the burst as estimated {_clock(one.closes, zone)}"
    end = f"until {_clock(one.closes, zone)} ({_printed(latest)} before release)"
    if one.opens is None:
        return end
    return f"from {_clock(one.opens, zone)} ({_printed(one.notice.earliest)} before release) {end}"


def _printed(text: str | None) -> str:
    number, unit = split_quantity(text or "")
    return f"{number:f} {unit}{'s' * (unit == 'day' and number != 1)}"


def _bound(known: bool | None) -> str:
    return "; whether the clause it follows from is met is not known" if known is None else ""


def _clock(at: datetime | None, zone: tzinfo) -> str:
    return "not known" if at is None else clock_text(at, zone)


def clock_text(at: datetime, zone: tzinfo) -> str:
    """A moment in UTC and in `zone`, each with its date: they may differ."""
    utc = f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
    try:
        local = at.astimezone(zone)
    except OverflowError:
        return utc
    name = local.tzname() or ""
    # Zones without a name of their own are told by their offset: "+1345".
    return utc if name == "UTC" else f"{utc} ({local:%Y-%m-%d %H:%M} {name})"


def span_text(span: timedelta) -> str:
    """A span for people, in days, hours and minutes: "1 d 2 h", "3 h 05 min", "12 min"."""
    minutes = max(0, int(span.total_seconds() // 60))
    days, hours, minutes = minutes // 1440, minutes // 60 % 24, minutes % 60
    if days:
        return f"{days} d {hours} h"
    return f"{hours} h {minutes:02d} min" if hours else f"{minutes} min"


def in_utc(at: datetime) -> datetime:
    """A moment in UTC; one without an offset is taken to be in it."""
    return at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)


def zone_of(flight: Flight) -> tzinfo:
    """The site's time zone; UTC where this machine does not know it."""
    try:
        return ZoneInfo(flight.site.timezone)
    except (OSError, ValueError, LookupError):
        return UTC
