"""A walk that can be killed, starved and cut off anywhere, and gone on with: what is due is done, told, done.

Nothing here remembers what was done: each run reads the records and goes on, as a crew would after a crash.
"""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, PEOPLE, START

from preflight.clock import Clock, SystemClock
from preflight.errors import RecordError
from preflight.readings import Evidence, Finding, Reading
from preflight.record.entry import line_hash
from preflight.record.folder import read
from preflight.record.keys import Keyring, make_key
from preflight.record.roster import Person, Roster
from preflight.record.scan import RECORD, read_record
from preflight.record.seal import add_seal, seal_names
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.opening import Sources
from preflight.walk.proof import Proof, prove

LONG = bool(os.environ.get("PREFLIGHT_LONG"))
"""Set PREFLIGHT_LONG=1 for the long form of every test in tests/faults."""

FINDINGS = 5
"""How often the line is listened to before it is signed: each finding comes with evidence."""
HOLDS = 2

Told = Callable[[str, int, str], None]
"""Called with record id, entry number (0 for a seal) and line hash (or the seal's name) once each is kept."""


def times(short: int, long: int) -> int:
    """How often something is tried: more often in the long form."""
    return long if LONG else short


class Place:
    """Keys and files of one crew in a folder."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.keys = root / "keys"
        if not self.keys.exists():
            self._make()
        self.roster = Roster.parse((root / "allowed_signers").read_bytes())
        self.sources = Sources(FLIGHT.encode(), CHECKLIST.encode(), self.roster.to_text().encode())

    def _make(self) -> None:
        people = [
            Person(id=name, name=printed, roles=roles, key=make_key(self.keys, name, PASSPHRASE, rounds=1))
            for name, (printed, roles) in PEOPLE.items()
        ]
        laptop = Person(
            id="laptop", name="Laptop", roles=("instrument",), key=make_key(self.keys, "laptop", None)
        )
        (self.root / "allowed_signers").write_text(Roster([*people, laptop]).to_text())

    @functools.cached_property
    def ring(self) -> Keyring:
        """Everyone's key, unlocked."""
        ring = Keyring(self.keys, self.roster)
        for name in PEOPLE:
            ring.unlock(name, PASSPHRASE)
        return ring


class Following:
    """Goes on with whatever lies in `logs` until the last record of the flight is sealed."""

    def __init__(self, place: Place, logs: Path, *, told: Told, clock: Clock | None = None) -> None:
        self.place, self.logs, self.told = place, logs, told
        self.keyring = place.ring
        self.clock: Clock = clock or SystemClock()
        self.walk: Walk | None = None

    def run(self) -> None:
        """To the end."""
        for _ in self.acts():
            pass

    def acts(self) -> Iterator[str]:
        """Do one act after the other; each is told of before its name is given out."""
        while (walk := self.take_up()) is not None:
            self._tell_new(walk)
            yield "opened"
            while (name := self.act(walk)) is not None:
                self._tell_new(walk)
                yield name
            path = walk.recorder.seal(self.keyring.signer("ines"))
            self.told(walk.recorder.rec, 0, path.name)
            walk.recorder.close()
            self.walk = None
            yield "sealed"

    def take_up(self) -> Walk | None:
        """The record to write on: begun, taken up again or following; None when the flight is over."""
        found = last_of(self.logs)
        if found is None:
            self.walk = opening.begin(
                self.logs, self.place.sources, keyring=self.keyring, person="ines", clock=self.clock
            )
            return self.walk
        files = read(found)
        if not files.closed:
            self.walk = opening.resume(found, keyring=self.keyring, clock=self.clock)
            return self.walk
        if not seal_names(found):
            path = add_seal(found, self.keyring.signer("ines"))
            self.told(files.rec, 0, path.name)
        if any(entry.kind == "release" for part in opening.chain_of(found) for entry in part.entries):
            return None
        self.walk = opening.follow(
            found, why="after-release", keyring=self.keyring, person="ines", clock=self.clock
        )
        return self.walk

    def _tell_new(self, walk: Walk) -> None:
        self.told(walk.recorder.rec, len(walk.recorder.entries), walk.recorder.head)

    def act(self, walk: Walk) -> str | None:
        """Do what is due; None once the record is closed."""
        if walk.recorder.closed:
            return None
        ledger = walk.ledger
        if ledger.holds:
            walk.lift(next(iter(ledger.holds)), "ines", "it passed")
            return "lift"
        after = ledger.released is not None or any(
            act.entry.kind == "open" and act.data.previous and act.data.previous.why == "after-release"
            for act in ledger.acts
        )
        held = sum(act.entry.kind == "hold" for act in ledger.acts)
        if not after and held < HOLDS and not ledger.authorised:
            walk.hold(f"a car on the field, number {held + 1}", "omar")
            return "hold"
        due = walk.state().next
        return {
            "step": self._step,
            "complete": self._complete,
            "poll": self._poll,
            "authorise": self._authorise,
            "release": self._release,
            "close": self._close,
        }[due.kind](walk, due.name)

    def _step(self, walk: Walk, name: str) -> str:
        step = walk.state().steps[name]
        # A finding that waits in an earlier record is done again: its signature would stand in another file.
        here = step.finding is not None and step.finding.act.entry.rec == walk.recorder.rec
        if here and step.waiting == "signature":
            walk.sign(name, "omar")
        elif here and step.waiting == "witness":
            walk.witness(name, "lena")
        elif name == "line":
            self._listen(walk, step.findings)
        elif name == "logger":
            walk.found(name, Finding(check="logger-response", outcome="go"))
        elif name == "neck-lift":
            walk.measure(name, "omar", [1.60, 1.61, 1.62], (None, None))
        elif name == "notice":
            until = max(walk.now().at, START) + timedelta(hours=4)
            window = {"valid_from": START, "valid_until": until}
            walk.defer(name, "ines", {"reference": "A-12"}, granted=True, **window)
        else:
            walk.confirm(name, "omar", "seen")
        return name

    def _listen(self, walk: Walk, heard: int) -> None:
        """No-go with new bytes each time, and go at last."""
        value = 3.0 if heard >= FINDINGS else 1.2
        reading = Reading(name="link.margin", value=value, source="computed", at_least=2.0)
        raw = Evidence(name="tap", data=b"%d," % heard * 1500)
        walk.found(
            "line",
            Finding(
                check="link-margin",
                outcome="go" if value > 2 else "no-go",
                readings=(reading,),
                evidence=(raw,),
            ),
        )

    def _complete(self, walk: Walk, name: str) -> str:
        walk.complete(name, "omar")
        return "complete"

    def _poll(self, walk: Walk, gate: str) -> str:
        people = {"director": "ines", "payload": "omar"}
        polled = walk.state().gates[gate].polled
        station = next(name for name, act in polled.items() if act is None)
        walk.poll(gate, station, people[station], go=True)
        return "poll"

    def _authorise(self, walk: Walk, gate: str) -> str:
        walk.authorise(gate, "ines", PASSPHRASE)
        return "authorise"

    def _release(self, walk: Walk, _name: str) -> str:
        walk.release("ines", released_at=walk.now().at)
        return "release"

    def _close(self, walk: Walk, _name: str) -> str:
        walk.close("ines", PASSPHRASE, reason="over")
        return "close"


def last_of(logs: Path) -> Path | None:
    """The record that no other one follows; None if no folder holds a whole entry."""
    readable = []
    for path in sorted(logs.glob(f"*/{RECORD}")):
        try:
            readable.append(read(path.parent))
        except RecordError:
            continue
    followed = {files.entries[0].data.previous.rec for files in readable if files.entries[0].data.previous}
    last = [files.folder for files in readable if files.rec not in followed]
    assert len(last) <= 1, f"more than one record to go on with: {last}"
    return last[0] if last else None


def first_of(logs: Path) -> Path:
    """The record that follows none."""
    records = [read(path.parent) for path in logs.glob(f"*/{RECORD}")]
    return next(files.folder for files in records if files.entries[0].data.previous is None)


Acknowledged = list[tuple[str, int, str]]


def lost_of(logs: Path, acknowledged: Acknowledged) -> list[str]:
    """What was acknowledged and is not in `logs` as it was."""
    lines: dict[str, list[str]] = {}
    for path in logs.glob(f"*/{RECORD}"):
        raw = read_record(path.parent)
        whole = raw[: raw.rfind(b"\n") + 1].splitlines(keepends=True)
        lines[path.parent.name] = [line_hash(line) for line in whole]
    lost = []
    for rec, number, what in acknowledged:
        if number == 0:
            if not (logs / rec / "seals" / what).is_file():
                lost.append(f"{rec}: seal {what}")
        elif lines.get(rec, [])[number - 1 : number] != [what]:
            lost.append(f"{rec}: entry {number}")
    return lost


def not_sealed(logs: Path) -> list[str]:
    """Records in `logs` that do not verify as sealed and recompute; folders of no entry are left out."""
    wrong = []
    for path in sorted(logs.glob(f"*/{RECORD}")):
        if b"\n" not in path.read_bytes():
            continue
        found: Proof = prove(path.parent)
        if found.found.state != "sealed" or found.audit is None or found.audit.first_bad is not None:
            wrong.append(f"{path.parent.name}: {found.found.state}, {found.found.why}")
    return wrong
