"""Many records: each one proved, and what they say together."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from preflight.clean import clean
from preflight.errors import PreflightError
from preflight.readings import Reading
from preflight.record.folder import EVIDENCE, SEALS
from preflight.record.kinds import OpenData, Previous
from preflight.record.links import Beside
from preflight.record.roster import Roster
from preflight.record.scan import RECORD
from preflight.report.telling import bound_text, readings_of
from preflight.walk.ledger import Ledger
from preflight.walk.opening import CONTINUES
from preflight.walk.proof import Proof, prove

EXITS = {"sealed": 0, "anchored": 0, "bad": 1, "unsealed": 3, "unreadable": 2}
WORST_FIRST = (2, 1, 3, 0)


@dataclass(frozen=True, slots=True)
class Waived:
    """One waiver that was given; `counts` is False where it was struck."""

    record: str
    flight: str
    drill: bool
    line: int
    at: str
    step: str
    name: str
    id: str
    reason: str
    bound: str
    expires: str
    counts: bool


@dataclass(frozen=True, slots=True)
class StepCount:
    """How one step fared in one record: findings, those that were no-go, waivers."""

    checklist: str
    step: str
    findings: int
    no_go: int
    waived: int


@dataclass(frozen=True, slots=True)
class Measured:
    """The last measured value of a quantity in one record, in `unit`."""

    name: str
    unit: str
    value: float
    at: str
    step: str
    at_least: float | None
    at_most: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One record in a few words. `flight` and what follows are empty where the record can't be believed.

    `hashes` are those of its sound lines; `scrubbed` is why the attempt was given up, "" if it was not.
    """

    folder: str
    record: str
    state: str
    trust: str
    first_bad: int | None
    why: str
    verdict: str | None
    drill: bool
    signers: tuple[str, ...]
    warnings: tuple[str, ...]
    hashes: tuple[str, ...]
    previous: Previous | None
    flight: str
    opened: str
    released: str
    with_go: bool | None
    scrubbed: str
    waivers: tuple[Waived, ...]
    steps: tuple[StepCount, ...]
    measured: tuple[Measured, ...]


@dataclass(frozen=True, slots=True)
class Below:
    """What lies below a folder: records, and what an auditor must not take for looked at.

    `lost` are folders with a sentence on each: one that can't be listed, or that has the folders of a
    record and none. `links` lead elsewhere and are not followed.
    """

    records: tuple[Path, ...]
    lost: tuple[tuple[Path, str], ...]
    links: tuple[Path, ...]


def look_below(folder: Path) -> Below:
    """Looks through `folder` (itself included), by name."""
    records, links = [], []
    lost: list[tuple[Path, str]] = []

    def unlisted(error: OSError) -> None:
        lost.append((Path(error.filename), f"can't be looked into ({error.strerror})"))

    for place, folders, files in os.walk(folder, onerror=unlisted):
        here = Path(place)
        if RECORD in files or RECORD in folders:
            records.append(here)
            folders.clear()
            continue
        if {EVIDENCE, SEALS} & set(folders):
            lost.append((here, f"has the folders of a record, but no {RECORD}"))
        folders[:] = sorted(set(folders) - {EVIDENCE, SEALS})
        links += [here / name for name in folders if (here / name).is_symlink()]
    return Below(tuple(records), tuple(lost), tuple(links))


def summaries_of(folders: Iterable[Path], roster: Roster | None = None) -> Iterator[Summary]:
    """What each record says, one after the other. Never raises for what a folder holds."""
    known: dict[Path, Beside] = {}
    for folder in folders:
        yield _summary_of(folder, roster, known)


def _summary_of(folder: Path, roster: Roster | None, known: dict[Path, Beside]) -> Summary:
    logs = folder.resolve().parent
    try:
        if logs not in known:
            known[logs] = Beside(logs)
        return _summary(prove(folder, roster=roster, beside=known[logs], forks=False))
    except PreflightError as error:
        return lost_one(folder, str(error))
    except Exception as error:  # noqa: BLE001 - one record made to trip us must not hide the others
        return _nothing(folder, "bad", f"could not be judged ({type(error).__name__})")


def lost_one(folder: Path, why: str) -> Summary:
    """The line of a folder in which there is no record to read, though there should be."""
    return _nothing(folder, "unreadable", why)


def worst(states: Iterable[str]) -> int:
    """The exit code for records in these states: the worst of 2, 1, 3, 0; 2 where there are none."""
    codes = {EXITS[state] for state in states}
    return next((code for code in WORST_FIRST if code in codes), 2)


def _nothing(folder: Path, state: str, why: str) -> Summary:
    return Summary(
        folder=clean(str(folder)),
        record=clean(folder.name, limit=100),
        state=state,
        trust="folder",
        first_bad=None,
        why=clean(why),
        verdict=None,
        drill=False,
        signers=(),
        warnings=(),
        hashes=(),
        previous=None,
        flight="",
        opened="",
        released="",
        with_go=None,
        scrubbed="",
        waivers=(),
        steps=(),
        measured=(),
    )


def _summary(proof: Proof) -> Summary:
    found = proof.found
    first = found.entries[0] if found.entries else None
    opened = first.data if first is not None and isinstance(first.data, OpenData) else None
    ledger = proof.audit.ledger if proof.audit is not None and found.state != "bad" else None
    release = next((e for e in proof.good if e.kind == "release"), None) if found.state != "bad" else None
    flight = "" if ledger is None else clean(ledger.book.flight.flight.name)
    return Summary(
        folder=clean(str(proof.folder)),
        record=found.record,
        state=found.state,
        trust=found.trust,
        first_bad=found.first_bad,
        why=clean(found.why),
        verdict=found.verdict,
        drill=found.drill,
        signers=tuple(person.id for person in found.signers),
        warnings=tuple(clean(warning) for warning in found.warnings),
        hashes=found.hashes,
        previous=None if opened is None else opened.previous,
        flight=flight,
        opened="" if first is None else first.at,
        released="" if release is None else release.data.released,  # type: ignore[attr-defined]
        with_go=None if release is None else release.data.with_go,  # type: ignore[attr-defined]
        scrubbed="" if ledger is None or ledger.scrubbed is None else clean(ledger.scrubbed.data.reason),
        waivers=() if ledger is None else tuple(_waivers(ledger, proof, flight)),
        steps=() if ledger is None else tuple(_steps(ledger, found.record)),
        measured=() if ledger is None else tuple(_measured(ledger, found.record)),
    )


def _waivers(ledger: Ledger, proof: Proof, flight: str) -> Iterator[Waived]:
    roster = proof.found.roster
    for act in ledger.acts:
        entry, data = act.entry, act.data
        if entry.rec != proof.found.record or entry.kind != "waive":
            continue
        known = roster is not None and entry.signer in roster
        yield Waived(
            record=entry.rec,
            flight=flight,
            drill=proof.found.drill,
            line=entry.seq,
            at=entry.at,
            step=clean(data.step),
            name=roster.find(entry.signer).name if roster is not None and known else entry.signer,
            id=entry.signer,
            reason=clean(data.reason),
            bound=clean(bound_text(data.bound)),
            expires=data.expires,
            counts=act.ref not in ledger.struck,
        )


def _steps(ledger: Ledger, rec: str) -> Iterator[StepCount]:
    counts: dict[str, list[int]] = {}
    for act in ledger.acts:
        step = getattr(act.data, "step", None)
        outcome = getattr(act.data, "outcome", None)
        waived = act.entry.kind == "waive"
        if act.entry.rec != rec or step is None or act.ref in ledger.struck or not (outcome or waived):
            continue
        count = counts.setdefault(step, [0, 0, 0])
        count[0] += outcome is not None
        count[1] += outcome == "no-go"
        count[2] += waived
    head = ledger.book.checklist.checklist
    title = clean(f"{head.title}, revision {head.revision}")
    for step, (findings, no_go, waived_times) in counts.items():
        yield StepCount(title, clean(step), findings, no_go, waived_times)


def _measured(ledger: Ledger, rec: str) -> Iterator[Measured]:
    last: dict[tuple[str, str], Measured] = {}
    for act in ledger.acts:
        if act.entry.rec != rec or act.ref in ledger.struck:
            continue
        for reading in readings_of(act.data):
            if _is_measured(reading):
                name, unit = clean(reading.name, limit=100), clean(reading.unit, limit=40)
                last[name, unit] = Measured(
                    name,
                    unit,
                    float(reading.value),  # type: ignore[arg-type]
                    act.entry.at,
                    clean(act.data.step),
                    reading.at_least,
                    reading.at_most,
                )
    yield from last.values()


def _is_measured(reading: Reading) -> bool:
    return reading.source == "measured" and isinstance(reading.value, (int, float))


def walk_of(summary: Summary, by_record: dict[str, Summary]) -> str:
    """The id of the record in which this record's walk began: linked records of one walk are one flight."""
    seen = set()
    while (
        summary.previous is not None
        and summary.previous.why in CONTINUES
        and summary.previous.rec in by_record
        and summary.record not in seen
    ):
        seen.add(summary.record)
        summary = by_record[summary.previous.rec]
    return summary.record
