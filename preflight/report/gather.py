"""Gathers a report: verification, the walk folded again, and what lies beside the record."""

from __future__ import annotations

import hashlib
from datetime import datetime
from pathlib import Path

from preflight import __version__
from preflight.clock import Clock
from preflight.errors import PreflightError
from preflight.figures.compute import compute
from preflight.record import disk
from preflight.record.kinds import OpenData
from preflight.record.links import Beside, previous_of
from preflight.record.roster import Roster
from preflight.record.scan import RECORD, read_record
from preflight.record.seal import seal_code
from preflight.record.verify import SEALED
from preflight.report.chart import chart_of
from preflight.report.gather_events import EventGatherer
from preflight.report.gather_steps import StepGatherer
from preflight.report.headline import headline_of, loud_of
from preflight.report.model import Chart, EntryLine, Follower, Identity, RecordView, Report, Signer, scrubbed
from preflight.report.replay import Replay, replay
from preflight.report.telling import WHY_FOLLOWS, tell
from preflight.report.who import Who
from preflight.report.words import Clockface
from preflight.walk.proof import TRUSTED, Proof, prove


def gather(folder: Path, *, clock: Clock, roster: Roster | None = None, code: str | None = None) -> Report:
    """The report of the record in `folder` and of those it goes on from.

    What comes after a bad line is left out. Raises RecordError if there is no record in `folder`, or `code`
    is no seal code.
    """
    told = replay(folder, roster=roster, code=code)
    face = Clockface(None if told.ledger is None else told.ledger.book.flight.site.timezone)
    who = Who(told.proofs, told.entries, face)
    events = EventGatherer(told, who)
    followers = _followers(told, face)
    steps = None
    if told.ledger is not None and told.state is not None:
        steps = StepGatherer(told, who, told.ledger, told.state)
    waivers = () if steps is None else steps.waivers()
    proof = told.proofs[-1]
    forks = _forks(told)
    return scrubbed(
        Report(
            loud=loud_of(told, who, followers, forks),
            headline=headline_of(told, who, waivers),
            identity=_identity(told, face),
            trust=proof.found.trust,
            trusted=TRUSTED[proof.found.trust],
            records=tuple(_record(one, told, face) for one in told.proofs),
            followers=followers,
            forks=forks,
            signers=_signers(told.proofs),
            phases=() if steps is None else steps.phases(),
            gates=events.gates(),
            release=events.release(),
            waivers=waivers,
            holds=events.holds(),
            corrections=events.of_kinds("correct"),
            interruptions=events.interruptions(),
            replans=events.of_kinds("replan"),
            power_cycles=events.of_kinds("power"),
            stale=_stale(told),
            chart=_chart(told, face),
            entries=tuple(
                EntryLine(who.signed(e), e.kind, tell(e.kind, e.data), who.struck(e) is not None)
                for e in told.entries
            ),
            made=face.stamp(clock.now().at),
            tool=f"preflight {__version__}",
        )
    )


def _identity(told: Replay, face: Clockface) -> Identity:
    if told.ledger is None:
        return Identity("not known", "not known", "", "", "", None)
    flight, head = told.ledger.values.flight, told.ledger.book.checklist.checklist
    site = flight.site
    north = f"{abs(site.latitude):g}° {'S' if site.latitude < 0 else 'N'}"
    east = f"{abs(site.longitude):g}° {'W' if site.longitude < 0 else 'E'}"
    return Identity(
        flight=flight.flight.name,
        checklist=head.title,
        revision=head.revision,
        zone=site.timezone,
        site=f"{north}, {east}, {site.elevation:g} m above the sea",
        planned=face.stamp(flight.flight.release),
    )


def _record(proof: Proof, told: Replay, face: Clockface) -> RecordView:
    found = proof.found
    shown = [entry for entry in told.entries if entry.rec == found.record]
    opened = found.entries[0].data if found.entries else None
    data = opened if isinstance(opened, OpenData) else None
    lines_hash, code = _lines(proof)
    goes_on = ""
    if data is not None and data.previous is not None:
        goes_on = f"{WHY_FOLLOWS[data.previous.why]} {data.previous.rec}"
    return RecordView(
        id=found.record,
        state=found.state,
        first_bad=found.first_bad,
        why=found.why,
        drill=found.drill,
        opened=face.stamp(shown[0].at) if shown else None,
        last=face.stamp(shown[-1].at) if shown else None,
        shown=len(shown),
        tool="" if data is None else data.tool,
        goes_on=goes_on,
        flight_hash="" if data is None else data.flight,
        checklist_hash="" if data is None else data.checklist,
        roster_hash="" if data is None else data.roster,
        lines_hash=lines_hash,
        seal_code=code,
        sealers=tuple(person.name for person in found.signers if SEALED in person.meanings),
        warnings=found.warnings,
    )


def _lines(proof: Proof) -> tuple[str, str]:
    """SHA-256 of the record's lines, and the seal code of a closed record that isn't bad."""
    try:
        data = read_record(proof.folder)
    except PreflightError:
        return "", ""
    found = proof.found
    closed = found.state != "bad" and bool(found.entries) and found.entries[-1].kind == "close"
    return hashlib.sha256(data).hexdigest(), seal_code(data, found.record) if closed else ""


def _signers(proofs: tuple[Proof, ...]) -> tuple[Signer, ...]:
    signers: dict[tuple[str, str], Signer] = {}
    for proof in proofs:
        for person in proof.found.signers:
            key = (person.id, person.fingerprint)
            before = signers[key].meanings if key in signers else ()
            meanings = tuple(dict.fromkeys((*before, *person.meanings)))
            roles = ", ".join(person.roles)
            signers[key] = Signer(person.id, person.name, roles, person.fingerprint, meanings)
    return tuple(signers.values())


def _followers(told: Replay, face: Clockface) -> tuple[Follower, ...]:
    """Records beside the last one that follow a record of this walk and are not part of it."""
    own = {proof.found.record for proof in told.proofs}
    logs = told.proofs[-1].folder.resolve().parent
    followers = []
    try:
        names = disk.list_folder(logs, str(logs))
    except PreflightError:
        return ()
    for name in names:
        if name in own or not (logs / name / RECORD).is_file():
            continue
        try:
            previous = previous_of(logs / name)
            if previous is None or previous.rec not in own:
                continue
            proof = prove(logs / name)
        except PreflightError:
            continue  # no record that can be read: verifying that folder says so
        followers.append(
            Follower(
                id=proof.found.record,
                why=f"{WHY_FOLLOWS[previous.why]} {previous.rec}",
                state=proof.found.state,
                released=_released_in(proof, face),
            )
        )
    return tuple(followers)


def _released_in(proof: Proof, face: Clockface) -> str:
    release = next((entry for entry in proof.good if entry.kind == "release"), None)
    if release is None:
        return ""
    at = face.stamp(release.data.released).utc  # type: ignore[attr-defined]
    return f"released {at} with go" if release.data.with_go else f"RELEASED WITHOUT GO {at}"  # type: ignore[attr-defined]


def _forks(told: Replay) -> tuple[str, ...]:
    own = {proof.found.record for proof in told.proofs}
    try:
        forks = Beside(told.proofs[-1].folder.resolve().parent).forks()
    except PreflightError:
        return ()
    return tuple(
        f"{', '.join(fork.records)} all follow {fork.previous}"
        for fork in forks
        if fork.previous in own or own & set(fork.records)
    )


def _stale(told: Replay) -> tuple[str, ...]:
    if told.state is None:
        return ()
    steps = told.state.steps.values()
    return tuple(f"{s.step.id} is stale: {s.reason}" for s in steps if s.outcome == "stale")


def _chart(told: Replay, face: Clockface) -> Chart | None:
    ledger = told.ledger
    if ledger is None or told.state is None:
        return None
    at_release = ledger.values_at_release
    values = ledger.values if at_release is None else at_release
    now: datetime = told.state.now.at if ledger.released is None else ledger.released.at.at
    when = "the last entry" if at_release is None else "the release"
    figures = compute(values.flight, values.measured, now=now)
    note = f"Computed from the values in force as of {when}, for the longest flight that they allow."
    return chart_of(figures, values.flight, face, note)
