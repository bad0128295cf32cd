"""What many records say together: waivers, steps that fail, quantities that move; as JSON and CSV."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from preflight.clean import clean
from preflight.report.across import Measured, StepCount, Summary, Waived, walk_of
from preflight.report.copies import Copies, Given, copies_of
from preflight.report.table import csv_text, plain

COLUMNS = (
    "table",
    "record",
    "flight",
    "drill",
    "at",
    "state",
    "trust",
    "first_bad",
    "verdict",
    "released",
    "with_go",
    "step",
    "checklist",
    "findings",
    "no_go",
    "waived",
    "records",
    "name",
    "unit",
    "value",
    "change",
    "at_least",
    "at_most",
    "id",
    "reason",
    "bound",
    "expires",
    "counts",
    "folder",
)


@dataclass(frozen=True, slots=True)
class StepSum:
    """How one step of a checklist fared over all records of one sort; `records` had a finding of it."""

    checklist: str
    step: str
    drill: bool
    records: int
    findings: int
    no_go: int
    waived: int


@dataclass(frozen=True, slots=True)
class Point:
    """One flight's value of a quantity, and by how much it moved from the flight before."""

    record: str
    flight: str
    at: str
    value: float
    change: float | None
    at_least: float | None
    at_most: float | None


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured quantity from flight to flight, in `unit`; drills are left out."""

    name: str
    unit: str
    points: tuple[Point, ...]


@dataclass(frozen=True, slots=True)
class Across:
    """Everything an audit says of a folder. `left_out` are records that can't be believed.

    `forks` name records that go on from one and the same record, `links` what was not looked into. Of
    `copies` of one record one is counted; of such that contradict each other, none.
    """

    folder: str
    records: tuple[Summary, ...]
    left_out: tuple[Summary, ...]
    copies: tuple[Copies, ...]
    links: tuple[str, ...]
    forks: tuple[tuple[str, tuple[str, ...]], ...]
    waivers: tuple[Waived, ...]
    steps: tuple[StepSum, ...]
    quantities: tuple[Quantity, ...]


def across(folder: str, records: Sequence[Summary], links: Sequence[Path] = ()) -> Across:
    """Sum records up, in the order in which they were opened."""
    ordered = tuple(sorted(records, key=lambda one: (one.opened, one.record, one.folder)))
    sound = [one for one in ordered if one.state not in ("bad", "unreadable")]
    of_sound = _copies(sound)
    contradicted = {copies.record for copies in of_sound if copies.contradict}
    again = {copy.folder for copies in of_sound for copy in copies.copies if copy.how != "first"}
    believed = [one for one in sound if one.record not in contradicted and one.folder not in again]
    return Across(
        folder=folder,
        records=ordered,
        left_out=tuple(one for one in ordered if one not in sound or one.record in contradicted),
        copies=_copies(one for one in ordered if one.state != "unreadable"),
        links=tuple(clean(str(link)) for link in links),
        forks=_forks(ordered),
        waivers=tuple(waiver for one in believed for waiver in one.waivers),
        steps=_steps(believed),
        quantities=_quantities(believed),
    )


def _copies(records: Iterable[Summary]) -> tuple[Copies, ...]:
    return copies_of(
        Given(
            folder=one.folder,
            record=one.record,
            state=one.state,
            first_bad=one.first_bad,
            hashes=one.hashes,
        )
        for one in records
    )


def _forks(records: Sequence[Summary]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    # Copies of one follower are one follower.
    followers: dict[str, dict[str, None]] = {}
    for one in records:
        if one.previous is not None:
            followers.setdefault(one.previous.rec, {})[one.record] = None
    return tuple((previous, tuple(names)) for previous, names in followers.items() if len(names) > 1)


def _steps(records: Sequence[Summary]) -> tuple[StepSum, ...]:
    sums: dict[tuple[str, str, bool], list[StepCount]] = {}
    for one in records:
        for step in one.steps:
            sums.setdefault((step.checklist, step.step, one.drill), []).append(step)
    steps = [
        StepSum(
            checklist,
            step,
            drill,
            records=sum(1 for count in counts if count.findings),
            findings=sum(count.findings for count in counts),
            no_go=sum(count.no_go for count in counts),
            waived=sum(count.waived for count in counts),
        )
        for (checklist, step, drill), counts in sums.items()
    ]
    return tuple(sorted(steps, key=lambda s: (-s.no_go, -s.waived, s.drill, s.checklist, s.step)))


def _quantities(records: Sequence[Summary]) -> tuple[Quantity, ...]:
    by_record = {one.record: one for one in records}
    # Linked records of one walk are one flight: its last measurement counts.
    values: dict[tuple[str, str], dict[str, tuple[Summary, Measured]]] = {}
    for one in records:
        if one.drill:
            continue
        for measured in one.measured:
            flights = values.setdefault((measured.name, measured.unit), {})
            flights[walk_of(one, by_record)] = (one, measured)
    return tuple(
        Quantity(name, unit, tuple(_points(list(flights.values()))))
        for (name, unit), flights in sorted(values.items())
    )


def _points(found: Sequence[tuple[Summary, Measured]]) -> Iterator[Point]:
    before: float | None = None
    for one, measured in found:
        value = measured.value
        change = None if before is None else round(value - before, 9)
        yield Point(one.record, one.flight, measured.at, value, change, measured.at_least, measured.at_most)
        before = value


def to_json(sums: Across) -> dict[str, object]:
    """One object: records as `verify --json` has them and more, then what they say together."""
    return {
        "folder": sums.folder,
        "records": [_record_json(one) for one in sums.records],
        "left_out": [one.record for one in sums.left_out],
        "copies": [copies.to_json() for copies in sums.copies],
        "links": list(sums.links),
        "forks": [{"previous": previous, "records": list(names)} for previous, names in sums.forks],
        "waivers": [asdict(waiver) for waiver in sums.waivers],
        "steps": [asdict(step) for step in sums.steps],
        "quantities": [
            {"name": q.name, "unit": q.unit, "flights": [asdict(point) for point in q.points]}
            for q in sums.quantities
        ],
    }


def _record_json(one: Summary) -> dict[str, object]:
    return {
        "record": one.record,
        "state": one.state,
        "trust": one.trust,
        "signers": list(one.signers),
        "first_bad": one.first_bad,
        "why": one.why,
        "verdict": one.verdict,
        "drill": one.drill,
        "warnings": list(one.warnings),
        "flight": one.flight or None,
        "opened": one.opened or None,
        "previous": None if one.previous is None else one.previous.rec,
        "released": one.released or None,
        "with_go": one.with_go,
        "scrubbed": one.scrubbed or None,
        "folder": one.folder,
    }


def to_csv(sums: Across) -> str:
    """One table; the column `table` says what a row is: record, copy, fork, waiver, step or quantity."""
    return csv_text(COLUMNS, _rows(sums))


def _rows(sums: Across) -> Iterator[dict[str, str]]:
    for one in sums.records:
        yield {
            "table": "record",
            "record": one.record,
            "flight": one.flight,
            "drill": _yes(one.drill),
            "at": one.opened,
            "state": one.state,
            "trust": one.trust,
            "first_bad": "" if one.first_bad is None else str(one.first_bad),
            "verdict": one.verdict or "",
            "released": one.released,
            "with_go": "" if one.with_go is None else _yes(one.with_go),
            "reason": "; ".join(part for part in (_given_up(one), one.why, *one.warnings) if part),
            "folder": one.folder,
        }
    for copies in sums.copies:
        for copy in copies.copies:
            why = copy.text or "held to be the record"
            yield {"table": "copy", "record": copies.record, "reason": why, "folder": copy.folder}
    for previous, names in sums.forks:
        yield {"table": "fork", "record": previous, "reason": ", ".join(names)}
    for waiver in sums.waivers:
        cells = {key: str(value) for key, value in asdict(waiver).items()}
        yield {**cells, "table": "waiver", "drill": _yes(waiver.drill), "counts": _yes(waiver.counts)}
    for step in sums.steps:
        cells = {key: str(value) for key, value in asdict(step).items()}
        yield {**cells, "table": "step", "drill": _yes(step.drill)}
    for quantity in sums.quantities:
        for point in quantity.points:
            yield {
                "table": "quantity",
                "record": point.record,
                "flight": point.flight,
                "at": point.at,
                "name": quantity.name,
                "unit": quantity.unit,
                "value": plain(point.value),
                "change": plain(point.change),
                "at_least": plain(point.at_least),
                "at_most": plain(point.at_most),
            }


def _given_up(one: Summary) -> str:
    return f"SCRUBBED: {one.scrubbed}" if one.scrubbed else ""


def _yes(flag: bool) -> str:
    return "yes" if flag else "no"
