"""Airspace rules as data: the clauses of one published text, with their tests, notices and position reports.

A rule set says what a text asks for, never what a flight may do: the local authority decides.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from msgspec import Meta, Struct

Id = Annotated[str, Meta(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$", description="lower case, digits, hyphens")]
Text = Annotated[str, Meta(min_length=1, max_length=400)]
Words = Annotated[str, Meta(min_length=1, max_length=1200)]
Day = Annotated[
    str,
    Meta(pattern=r"^[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?$|^unknown$", description='a date, "2024-01-01"'),
]

Confidence = Literal["read at source", "read in a secondary source", "from memory"]
"""How the words got here; anything but the first is marked wherever they are shown."""

Quantity = Literal[
    "package.mass",
    "package.area_density",
    "payload.mass",
    "payload.packages",
    "suspension.break",
    "suspension.length",
    "antenna.length",
    "balloon.release_diameter",
    "flight.burst_altitude",
]
Sign = Literal[">", ">=", "<", "<="]
Event = Literal["before", "launch", "cancelled", "before-descent", "ended"]
Fill = Literal[
    "identification",
    "classification",
    "description",
    "transponder",
    "operator",
    "telephone",
    "site",
    "launch-time",
    "number-of-balloons",
    "direction-of-ascent",
    "cruising-level",
    "time-at-18-km",
    "time-at-60000-ft",
    "balloon-size",
    "suspension-length",
    "payload-mass",
    "antenna-length",
    "duration",
    "drift",
    "burst",
    "impact",
]


PrintedDuration = Annotated[str, Meta(min_length=1, max_length=64, description="a duration such as 6 h")]
PrintedLength = Annotated[str, Meta(min_length=1, max_length=64, description="a length such as 18000 m")]

KIND_OF: dict[str, str | None] = {
    "package.mass": "mass",
    "package.area_density": "area density",
    "payload.mass": "mass",
    "payload.packages": None,
    "suspension.break": "force",
    "suspension.length": "length",
    "antenna.length": "length",
    "balloon.release_diameter": "length",
    "flight.burst_altitude": "length",
}
"""The kind of each quantity a test may ask for; None is a plain count."""


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    """Shared rules of every table in a file: named keys only, none unknown."""


class Test(_File, frozen=True, kw_only=True):
    """One comparison, or a combination of them.

    Either `quantity`, `sign` and `threshold` ("4 lb", in the printed unit; a count without one), or `all` or
    `any` of further tests, or `clause`: that another clause of this file is met. `negated` turns the answer
    round ("unless"). Comparisons of `package.` quantities inside one test are about the same package.
    """

    __test__ = False  # no test case of the test runner

    quantity: Quantity | None = None
    sign: Sign | None = None
    threshold: Annotated[str, Meta(min_length=1, max_length=64)] | None = None
    all: tuple[Test, ...] = ()
    any: tuple[Test, ...] = ()
    clause: Id | None = None
    negated: bool = False


class _Cited(_File, frozen=True, kw_only=True):
    """What stands in the text: where, as of which date, how it was read, and the words shown.

    `when` names what some clause of this file `gives`: the words bind where one of those clauses is met.
    Without it they bind every flight.
    """

    id: Id
    citation: Text
    text_of: Day
    confidence: Confidence
    words: Words
    when: tuple[Text, ...] = ()


class Clause(_Cited, frozen=True, kw_only=True):
    """[[clause]]: `about` is its topic, the same word in every rule set, so that they can be compared.

    `test` is what can be computed of it; without one the crew and the authority judge it. `gives` is what
    the text calls a balloon that meets it ("heavy").
    """

    about: Text
    test: Test | None = None
    gives: Text | None = None


class Notice(_Cited, frozen=True, kw_only=True):
    """[[notice]]: whom to tell and when.

    `event` is what the time counts from: "before" the release between `earliest` and `latest` ("24 h", "6 h",
    "7 day"), at the "launch", at once if "cancelled", `latest` "before-descent", or when "ended". `only` says
    in words what else must hold, such as a kind of work.
    """

    to: Text
    event: Event = "before"
    earliest: PrintedDuration | None = None
    latest: PrintedDuration | None = None
    only: Text | None = None


class Position(_Cited, frozen=True, kw_only=True):
    """[[position]]: how often the position is recorded or sent; `above` or `below` a height, if any."""

    every: PrintedDuration
    above: PrintedLength | None = None
    below: PrintedLength | None = None


class Item(_Cited, frozen=True, kw_only=True):
    """[[item]]: one thing the authority asks for; `fill` is where it comes from, absent: from the crew."""

    title: Text
    fill: Fill | None = None


class Head(_File, frozen=True, kw_only=True):
    """[rules]: the text as a whole; `short` is how its clauses are named beside those of another."""

    title: Text
    short: Annotated[str, Meta(min_length=1, max_length=24)]
    authority: Text
    note: Words


class RuleSet(_File, frozen=True, kw_only=True):
    """One rule set file."""

    rules: Head
    clause: Annotated[tuple[Clause, ...], Meta(min_length=1)]
    notice: tuple[Notice, ...] = ()
    position: tuple[Position, ...] = ()
    item: tuple[Item, ...] = ()

    @property
    def oldest(self) -> str:
        """The oldest date of a text in it; "unknown" where one has none."""
        days = [part.text_of for part in (*self.clause, *self.notice, *self.position, *self.item)]
        return "unknown" if "unknown" in days else min(days)


def day(text_of: str) -> date | None:
    """The date of a text, the first of a month or year that is all it says; None if unknown."""
    if text_of == "unknown":
        return None
    parts = [int(part) for part in text_of.split("-")]
    return date(*(parts + [1] * (3 - len(parts))))
