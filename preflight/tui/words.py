"""Numbers, times and spans as the screen words them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from preflight.figures.shown import value_text
from preflight.readings import Reading, margin_text

_BYTES = (("GB", 1e9), ("MB", 1e6), ("kB", 1e3))


def number(value: float) -> str:
    """Four significant digits, no exponent where people read it."""
    text = f"{value:.4g}"
    return text if "e" not in text or abs(value) >= 1e15 or abs(value) < 1e-6 else f"{value:.0f}"


def quantity(value: float | str | None, unit: str) -> str:
    """A value with its unit; large byte counts in kB, MB or GB."""
    if value is None:
        return "not known"
    if isinstance(value, str):
        return value
    if unit == "B":
        for word, size in _BYTES:
            if abs(value) >= size * 10:
                return f"{value / size:.4g} {word}"
    return f"{number(value)} {unit}".strip()


def value_of(reading: Reading) -> str:
    """A reading's value with its unit; a figure's as the command line tells it."""
    if reading.source == "computed" and reading.value is not None:
        return value_text(reading)
    return quantity(reading.value, reading.unit)


def times(margin: float, *limits: float) -> str:
    """A margin at a glance: "×0.81", "×2.4", "×470", "more than ×1000". A short one never reads as enough."""
    text = margin_text(margin, *limits)
    return f"{text[:-4]}×{text[-4:]}" if text.startswith("more") else f"×{text}"


def limits(reading: Reading) -> str:
    """The limits of a reading in words, "" where there are none."""
    parts = []
    if reading.at_least is not None:
        parts.append(f"at least {quantity(reading.at_least, reading.unit)}")
    if reading.at_most is not None:
        parts.append(f"at most {quantity(reading.at_most, reading.unit)}")
    return ", ".join(parts)


def bounds(reading: Reading) -> str:
    """The limits of a reading in signs: "≥ 2", "3 to 7 m/s"."""
    low, high, unit = reading.at_least, reading.at_most, reading.unit
    if low is not None and high is not None:
        return f"{number(low)} to {quantity(high, unit)}"
    if low is not None:
        return f"≥ {quantity(low, unit)}"
    return f"≤ {quantity(high, unit)}" if high is not None else ""


def beyond(reading: Reading) -> str:
    """On which side a reading is outside its limits: "too low", "too high"; "" where it is not."""
    if reading.within is not False or not isinstance(reading.value, (int, float)):
        return ""
    return "too low" if reading.at_least is not None and reading.value < reading.at_least else "too high"


def utc(at: datetime) -> str:
    """Hours and minutes, UTC: "08:30Z"."""
    return f"{at.astimezone(UTC):%H:%M}Z"


def utc_s(at: datetime) -> str:
    """With seconds: "08:30:05Z"."""
    return f"{at.astimezone(UTC):%H:%M:%S}Z"


def local(at: datetime, zone: ZoneInfo) -> str:
    """Hours and minutes on the site's clock."""
    return f"{at.astimezone(zone):%H:%M} local"


def both(at: datetime, zone: ZoneInfo) -> str:
    """UTC and the site's clock."""
    return f"{utc(at)} · {local(at, zone)}"


def dated(at: datetime, zone: ZoneInfo) -> str:
    """UTC with its date, and the site's clock with its own where that is another day."""
    here = at.astimezone(zone)
    day = "" if here.date() == at.astimezone(UTC).date() else f"{here:%Y-%m-%d} "
    return f"{at.astimezone(UTC):%Y-%m-%d} {utc(at)} · {day}{local(at, zone)}"


def away(left: timedelta) -> str:
    """About how far a moment lies ahead or back: "in 23.5 h", "12 min ago"."""
    seconds = left.total_seconds()
    return f"in {span(seconds)}" if seconds >= 0 else f"{span(-seconds)} ago"


def first_of(names: Sequence[str], room: int) -> str:
    """Names as far as they have room in so many characters, at least one of them; then how many more."""
    shown = list(names)
    while len(shown) > 1 and len(", ".join(shown)) > room:
        shown.pop()
    left = len(names) - len(shown)
    return ", ".join(shown) + (f" and {left} more" if left else "")


def countdown(left: timedelta) -> str:
    """Time to go to a moment, or since it: "in 01:05:09", "02:00:00 ago"."""
    seconds = round(left.total_seconds())
    text = clock_span(abs(seconds))
    return f"in {text}" if seconds >= 0 else f"{text} ago"


def clock_span(seconds: float) -> str:
    """Days, hours, minutes and seconds: "2 d 03:00:00", "00:12:08"."""
    whole = int(seconds)
    days, rest = divmod(whole, 86400)
    text = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    return f"{days} d {text}" if days else text


def span(seconds: float) -> str:
    """A rough span: "45 min", "3.5 h", "12 days"."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    if seconds >= 172_800:
        return f"{seconds / 86400:.0f} days"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def middle_cut(text: str, width: int, end: int | None = None) -> str:
    """A name in `width` characters: what tells it from others of its kind stands at its two ends.

    `end` is how many of its last characters are kept, as many as of its first ones unless given.
    """
    if len(text) <= width:
        return text
    end = (width - 1) // 2 if end is None else end
    return f"{text[: width - 1 - end]}…{text[len(text) - end :]}"


def count(n: int, one: str, many: str = "") -> str:
    """A count with its noun: "1 step", "3 steps"."""
    return f"{n} {one}" if n == 1 else f"{n} {many or one + 's'}"


def unused(keys: int) -> str:
    """How many keys were typed for what was refused, and so for nobody."""
    return f"{count(keys, 'key')} typed meanwhile {'was' if keys == 1 else 'were'} not used."


def listed(names: tuple[str, ...] | list[str], joint: str = "or") -> str:
    """Names in a sentence: "payload", "payload or director"."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {joint} {names[-1]}"
