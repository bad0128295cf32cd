"""A crew with keys, a clock that is set by hand, records in the making and in the forging."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec

from preflight.clock import Moment
from preflight.record import sshsig
from preflight.record.entry import Entry, canonical, line_for, line_hash, parse_line
from preflight.record.keys import Keyring, Signer, make_key
from preflight.record.kinds import CloseData, HoldData, LiftData, PhaseData, Previous
from preflight.record.roster import Person, Roster
from preflight.record.store import Recorder

PASSPHRASES = {"ada": "brown kettle", "ben": "tall grass", "cy": "wet wool"}
ROUNDS = 1  # bcrypt at its cheapest: these keys guard nothing


class HandClock:
    """Goes forward by a second at each look; `now_is` can be set."""

    def __init__(self) -> None:
        self.moment = Moment(datetime(2027, 5, 16, 6, 0, tzinfo=UTC), "boot-a", 1_000_000_000, "system", 0.5)

    def now(self) -> Moment:
        self.moment = replace(
            self.moment,
            at=self.moment.at + timedelta(seconds=1),
            boot_ns=self.moment.boot_ns + 1_000_000_000,
        )
        return self.moment


@dataclass
class Crew:
    roster: Roster
    keys: Keyring

    def signer(self, person_id: str) -> Signer:
        if person_id == "laptop":
            return self.keys.instrument()
        if person_id not in self.keys.unlocked:
            self.keys.unlock(person_id, PASSPHRASES[person_id])
        return self.keys.signer(person_id)


def build_crew(folder: Path) -> Crew:
    """Three people and a laptop, with keys of their own in `folder`."""
    people = [
        Person(id="ada", name="Ada Ønske", roles=("director",), key=b"\0" * 32),
        Person(id="ben", name="Ben, of the payload", roles=("payload", "tracking"), key=b"\1" * 32),
        Person(id="cy", name="Cy", roles=("safety",), key=b"\2" * 32),
        Person(id="laptop", name="Field laptop", roles=("instrument",), key=b"\3" * 32),
    ]
    made = []
    for person in people:
        public = make_key(folder, person.id, PASSPHRASES.get(person.id), rounds=ROUNDS)
        made.append(msgspec.structs.replace(person, key=public))
    roster = Roster(made)
    return Crew(roster, Keyring(folder, roster))


@dataclass
class Making:
    """Makes records the short way."""

    crew: Crew
    clock: HandClock
    logs: Path

    def begin(
        self,
        *,
        drill: bool = False,
        rec: str | None = "20270516T060000Z-a1b2c3",
        previous: Previous | None = None,
        mirror: Path | None = None,
        crew: Crew | None = None,
    ) -> Recorder:
        crew = crew or self.crew
        return Recorder.create(
            self.logs,
            files={
                "flight.toml": b'[flight]\nname = "Tern 1"\n',
                "checklist.toml": b'[checklist]\ntitle = "short"\n',
                "allowed_signers": crew.roster.to_text().encode(),
            },
            tool="0.1",
            drill=drill,
            previous=previous,
            signer=crew.signer("ada"),
            clock=self.clock,
            mirror=mirror,
            rec=rec,
        )

    def fill(self, recorder: Recorder, *, crew: Crew | None = None) -> None:
        """A phase, a check with evidence, a hold and its lift."""
        crew = crew or self.crew
        start = PhaseData(phase="bench", act="start", passed=(), reason="")
        recorder.append("phase", start, signer=crew.signer("ada"), meaning="started", auth="selected")
        data, part = check_data()
        recorder.append(
            "check", data, signer=crew.signer("laptop"), meaning="found", auth="instrument", evidence=[part]
        )
        recorder.append("sign", {"of": 3}, signer=crew.signer("ben"), meaning="performed", auth="selected")
        hold = HoldData(reason="gusts, 6 m/s é", claimed=None)
        recorder.append("hold", hold, signer=crew.signer("cy"), meaning="called", auth="selected")
        lift = LiftData(hold=5, rec=None, reason="calm")
        recorder.append("lift", lift, signer=crew.signer("ada"), meaning="lifted", auth="selected")

    def shut(self, recorder: Recorder, sealers: tuple[str, ...] = ("ada",), crew: Crew | None = None) -> None:
        """Closes and seals."""
        crew = crew or self.crew
        close = CloseData(reason="release decided", verdicts={"fill": "go", "release": "go"}, sealers=sealers)
        recorder.append("close", close, signer=crew.signer("ada"), meaning="closed", auth="passphrase")
        for sealer in sealers:
            recorder.seal(crew.signer(sealer))

    def again(self, folder: Path, **more: Any) -> Recorder:
        """Takes a record up."""
        return Recorder.resume(folder, instrument=self.crew.signer("laptop"), clock=self.clock, **more)

    def sealed(self, *, drill: bool = False, sealers: tuple[str, ...] = ("ada",), **more: Any) -> Path:
        """The folder of a small sealed record."""
        recorder = self.begin(drill=drill, **more)
        self.fill(recorder)
        self.shut(recorder, sealers)
        recorder.close()
        return recorder.folder


def check_data() -> tuple[dict[str, object], bytes]:
    """A check's finding as plain values, and its evidence."""
    part = b"$raw,1\r\n\x00\xff"
    reading = {
        "name": "link.margin",
        "value": "2.5",
        "word": None,
        "unit": "",
        "source": "measured",
        "low": None,
        "high": None,
        "at_least": "2",
        "at_most": None,
    }
    return {
        "step": "link",
        "check": "link-margin",
        "outcome": "go",
        "readings": [reading],
        "remarks": ["38400 baud"],
        "evidence": [{"name": "tap", "sha256": hashlib.sha256(part).hexdigest(), "size": len(part)}],
        "reads": ["link.baud"],
        "seconds": "4.5",
    }, part


def lines_of(folder: Path) -> list[bytes]:
    return (folder / "record.jsonl").read_bytes().splitlines(keepends=True)


def put(folder: Path, lines: list[bytes]) -> None:
    (folder / "record.jsonl").write_bytes(b"".join(lines))


def resign(entry: Entry, signer, *, drill=False) -> bytes:
    """A line with this entry and a valid signature of `signer`."""
    return line_for(entry, signer.sign(sshsig.entry_namespace(drill), canonical(entry)))


def rechain(entries: list[Entry], crew, *, drill=False, signer=None) -> list[bytes]:
    """The lines of `entries` numbered, chained and signed anew, each by its signer in `crew`."""
    lines: list[bytes] = []
    for number, entry in enumerate(entries, 1):
        prev = line_hash(lines[-1]) if lines else "0" * 64
        made = msgspec.structs.replace(entry, seq=number, prev=prev)
        lines.append(resign(made, signer or crew.signer(entry.signer), drill=drill))
    return lines


def reseal(folder: Path, crew, *ids: str, namespace: str = sshsig.SEAL) -> None:
    data = (folder / "record.jsonl").read_bytes()
    for person_id in ids:
        signer = crew.signer(person_id)
        seal = sshsig.armour(namespace, signer.public, signer.sign(namespace, data))
        (folder / "seals" / f"{person_id}.sig").write_bytes(seal)


def entries_of(folder: Path) -> list[Entry]:
    return [parse_line(line).entry for line in lines_of(folder)]
