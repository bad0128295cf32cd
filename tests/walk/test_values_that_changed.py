"""What changed since a finding was made, in the words that a stale step shows."""

from __future__ import annotations

from small_flight import FLIGHT

from preflight.config.load import parse_flight
from preflight.readings import Reading
from preflight.walk.values import Values

NAMES = ("card.free", "card.type", "sample.rate", "link.baud", "power", "site")


def changed(now: Values, since: Values, name: str) -> str | None:
    return now.changed(since.snapshot([name]))


def test_what_changed_is_told_with_both_values() -> None:
    values = Values(parse_flight(FLIGHT.encode(), "flight.toml"))
    before = values.copy()
    assert values.changed(before.snapshot(NAMES)) is None
    values.note((Reading(name="card.free", value=4e9, unit="B"), Reading(name="card.type", value="FAT32")))
    assert changed(values, before, "card.free") == "card.free was not known, now 4000000000"
    assert changed(values, before, "card.type") == "card.type was not known, now FAT32"
    measured = values.copy()
    values.note((Reading(name="card.free", value=4.07e9, unit="B"),))
    assert changed(values, measured, "card.free") is None
    values.note((Reading(name="card.free", value=4.1e9, unit="B"),))
    assert changed(values, measured, "card.free") == "card.free was 4000000000, now 4100000000"
    values.power += 1
    assert changed(values, measured, "power") == "the payload's power was cycled since"
    values.replace("site.elevation", "300 m")
    assert changed(values, measured, "site") == "site changed since"
