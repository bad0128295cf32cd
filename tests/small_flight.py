"""A small flight, a checklist with every kind of step, a crew with real keys, and a clock that is told."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from checklist_text import head

from preflight.clock import Moment
from preflight.readings import Finding, Reading
from preflight.record.keys import Keyring
from preflight.walk.acts import Walk
from preflight.walk.opening import Sources, begin

START = datetime(2031, 3, 9, 7, 0, tzinfo=UTC)
PASSPHRASE = "several words of no use elsewhere"

FLIGHT = """
[flight]
name = "Plover 1"
release = 2031-03-09T09:00:00Z
power_up = "45 min"
checklist = "checklist.toml"
[site]
latitude = -41.5
longitude = 12.25
elevation = "40 m"
timezone = "UTC"
[balloon]
mass = "600 g"
burst_diameter = "6.0 m"
gas = "helium"
neck_lift = "1.60 kg"
[payload]
[[payload.package]]
name = "instrument pack"
mass = "0.9 kg"
[link]
baud = 9600
[sample]
rate = "2 Hz"
format = "delimited"
length = "64 B"
[[sample.field]]
name = "counter"
role = "counter"
[recovery]
search = "3 h"
"""

CHECKLIST = (
    "\n"
    + head("Every kind of step")
    + """
[[phase]]
id = "power-up"
title = "Power-up"
gate = "fill"
[[phase.step]]
id = "battery"
challenge = "Battery lead"
response = "Latched, 8.1 V"
signed_by = ["payload"]
[[phase.step]]
id = "logger"
challenge = "Logger lead on"
response = "Replies ready"
check = "logger-response"
signed_by = ["payload"]
after = ["battery"]
reads = ["power"]
[[phase.step]]
id = "line"
challenge = "Serial line"
response = "Margin 2 or more"
check = "link-margin"
signed_by = ["payload"]
waive_by = ["director"]
[[phase.step]]
id = "winds"
challenge = "Wind table"
response = "Younger than 6 h"
needs = ["wind"]
signed_by = ["payload"]

[[phase]]
id = "fill"
title = "Fill"
gate = "release"
[[phase.step]]
id = "neck-lift"
challenge = "Neck lift on the scale"
measure.quantity = "neck lift"
measure.unit = "kg"
measure.sets = "balloon.neck_lift"
measure.repeat = 3
measure.spread = "50 g"
measure.at_least = 1.4
measure.at_most = 1.9
signed_by = ["payload"]
witness = true
[[phase.step]]
id = "gust"
challenge = "Gust over two minutes"
response = "Below 6 m/s"
signed_by = ["payload"]
valid_for = "30 min"
waive_by = ["director"]
[[phase.step]]
id = "notice"
challenge = "Launch notified"
defer = { authority = "the local air traffic service", ask = ["reference"] }
signed_by = ["director"]
[[phase.step]]
id = "spare"
challenge = "Spare tape"
response = "One roll"
required = false

[[phase]]
id = "tracking"
title = "Tracking"
[[phase.step]]
id = "call"
challenge = "Launch call"
response = "Answered 09:02"
signed_by = ["payload"]
"""
)

PEOPLE = {
    "ines": ("Ines Example", ("director",)),
    "omar": ("Omar Example", ("payload",)),
    "lena": ("Lena Example", ("payload",)),
    "noah": ("Noah Example", ("student",)),
}


@dataclass
class ToldClock:
    """A clock that moves only when it is told to."""

    at: datetime = START
    boot: str = "first-boot"
    running: int = 1_000_000_000

    def now(self) -> Moment:
        return Moment(at=self.at, boot=self.boot, boot_ns=self.running, source="told")

    def forward(self, **span: float) -> None:
        step = timedelta(**span)
        self.at += step
        self.running += int(step.total_seconds() * 1e9)


@dataclass
class Crew:
    """People with unlocked keys, and a walk of the small checklist in a folder of its own."""

    logs: Path
    keyring: Keyring
    sources: Sources
    clock: ToldClock = field(default_factory=ToldClock)

    def begin(self, person: str = "ines", **more: object) -> Walk:
        return begin(self.logs, self.sources, keyring=self.keyring, person=person, clock=self.clock, **more)

    # -- the walk, shortened: each brings the walk to a named place by the acts that a crew has ----

    def powered(self, walk: Walk) -> Walk:
        return powered(walk)

    def ready_to_fill(self, walk: Walk) -> Walk:
        return ready_to_fill(walk)

    def filled(self, walk: Walk) -> Walk:
        return filled(walk)

    def ready_to_release(self, walk: Walk) -> Walk:
        self.filled(walk)
        walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
        walk.witness("neck-lift", "lena")
        walk.confirm("gust", "omar", "4 m/s")
        walk.defer(
            "notice",
            "ines",
            {"reference": "A-12"},
            granted=True,
            valid_from=START,
            valid_until=START + timedelta(hours=4),
        )
        walk.complete("fill", "omar")
        return walk

    def authorised(self, walk: Walk) -> Walk:
        self.ready_to_release(walk)
        self.polled(walk, "release")
        walk.authorise("release", "ines", PASSPHRASE)
        return walk

    def polled(self, walk: Walk, gate: str) -> None:
        polled(walk, gate)


def powered(walk: Walk) -> Walk:
    """The battery is on."""
    walk.confirm("battery", "omar", "latched, 8.1 V")
    return walk


def ready_to_fill(walk: Walk) -> Walk:
    """The payload's phase is done, by its own crew."""
    powered(walk)
    walk.found("logger", go("logger-response"))
    walk.sign("logger", "omar")
    walk.found("line", margin(3.0))
    walk.sign("line", "omar")
    walk.complete("power-up", "omar")
    return walk


def polled(walk: Walk, gate: str) -> None:
    """Every station answered go."""
    walk.poll(gate, "director", "ines", go=True)
    walk.poll(gate, "payload", "omar", go=True)


def filled(walk: Walk, passphrase: str = PASSPHRASE) -> Walk:
    """The fill gate is passed; `passphrase` is the director's."""
    ready_to_fill(walk)
    polled(walk, "fill")
    walk.authorise("fill", "ines", passphrase)
    return walk


def go(check: str, **more: object) -> Finding:
    """A finding that is go and has no numbers."""
    return Finding(check=check, outcome="go", **more)


def margin(value: float) -> Finding:
    """A finding of the serial line's margin against its limit of two."""
    reading = Reading(name="link.margin", value=value, source="computed", at_least=2.0)
    return Finding(
        check="link-margin",
        outcome="go" if value >= 2 else "no-go",
        readings=(reading,),
        reads=("link.baud", "sample.rate"),
    )
