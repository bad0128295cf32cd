"""Which waiver accepts a finding now, and what a finding says in one sentence."""

from __future__ import annotations

from datetime import datetime, timedelta

from preflight.clock import Moment
from preflight.readings import Reading, rounded
from preflight.record.kinds import Bound
from preflight.walk.ledger import Act, FindingLog, StepLog


def told(finding: FindingLog, *, brief: bool = False) -> str:
    """The finding in one sentence: the reading that is outside its limits, or what was remarked.

    `brief` has the limit in signs: "link.margin 1.62 < 2".
    """
    for reading in finding.readings:
        if reading.within is False and isinstance(reading.value, (int, float)):
            return f"{reading.name} {_beyond(reading, reading.value, brief=brief)}"
    data = finding.act.data
    remarks = getattr(data, "remarks", ())
    said = remarks[0] if remarks else getattr(data, "reason", "") or getattr(data, "response", "")
    return said or ("found no-go" if finding.outcome == "no-go" else "not settled")


def _beyond(reading: Reading, value: float, *, brief: bool) -> str:
    """A value and the limit that it is beyond, in so many digits that one sees it; the limit outwards."""
    below = reading.at_least is not None and value < reading.at_least
    limit = reading.at_least if below else reading.at_most
    assert limit is not None
    shown = bound = 0.0
    for digits in (4, 6, 9, 12):
        shown, bound = float(f"{value:.{digits}g}"), rounded(limit, digits, up=not below)
        if shown < bound if below else shown > bound:
            break
    said, edge = (f"{number:.12g} {reading.unit}".rstrip() for number in (shown, bound))
    if brief:
        return f"{said} {'<' if below else '>'} {edge}"
    return f"{said}, limit {'at least' if below else 'at most'} {edge}"


def waiver_of(log: StepLog, finding: FindingLog, now: Moment) -> tuple[Act | None, str]:
    """The waiver that accepts this finding now, or why the last one given no longer does."""
    lapsed = ""
    for waiver in reversed(log.waivers):
        data = waiver.data
        if _expired(waiver, now):
            lapsed = lapsed or f"waiver expired {data.expires[11:16]} UTC: {told(finding)}"
        elif not _covers(waiver, finding):
            lapsed = lapsed or f"beyond the waiver: {told(finding)}"
        else:
            return waiver, ""
    return None, lapsed


def _expired(waiver: Act, now: Moment) -> bool:
    """Whether its time has run out by UTC or by the running clock: a clock set back gives no more of it."""
    expires = datetime.fromisoformat(waiver.data.expires)
    return now.at >= expires or not timedelta(0) <= now.since(waiver.at) < expires - waiver.at.at


def _covers(waiver: Act, finding: FindingLog) -> bool:
    bound = waiver.data.bound
    accepted = waiver.data.finding == finding.act.entry.seq and waiver.entry.rec == finding.act.entry.rec
    if bound is None:
        return accepted
    # The bound speaks for one reading: any other that is outside its limits was not waived.
    if not accepted and any(r.within is False and r.name != bound.name for r in finding.readings):
        return False
    return within_bound(bound, finding.readings)


def within_bound(bound: Bound, readings: tuple[Reading, ...]) -> bool:
    """Whether a reading is outside its limits, and no further than the bound on the side that it crossed."""
    reading = next((r for r in readings if r.name == bound.name), None)
    if reading is None or not isinstance(reading.value, (int, float)) or reading.within is not False:
        return False
    if reading.at_least is not None and reading.value < reading.at_least:
        return bound.at_least is not None and reading.value >= float(bound.at_least)
    return bound.at_most is not None and reading.value <= float(bound.at_most)
