"""How long an audit of many records takes, as a multiple of ten times an audit of a tenth of them.

1.0 is what a sum over records should cost: nothing that grows with the square of their number. Records are
real: signed, chained, closed and sealed, each of the entries asked for.

Run: python tests/report/bench_audit.py [RECORDS] [ENTRIES] [ROUNDS]    (1000 200 3)
"""

from __future__ import annotations

import contextlib
import io
import json
import statistics
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, PEOPLE, START, Crew, margin

from preflight.cli.main import run
from preflight.record import disk
from preflight.record.keys import Keyring, make_key
from preflight.record.roster import Person, Roster
from preflight.walk.opening import Sources

AROUND = 3
"""Entries of every record that are not its repeated checks: open, the battery's, close."""


def crew_in(folder: Path) -> Crew:
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(folder / "keys", name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = make_key(folder / "keys", "laptop", None)
    roster = Roster([*people, Person(id="laptop", name="Laptop", roles=("instrument",), key=laptop)])
    keyring = Keyring(folder / "keys", roster)
    for name in PEOPLE:
        keyring.unlock(name, PASSPHRASE)
    logs = folder / "logs"
    logs.mkdir()
    sources = Sources(FLIGHT.encode(), CHECKLIST.encode(), roster.to_text().encode())
    return Crew(logs, keyring, sources)


def make_records(crew: Crew, records: int, entries: int) -> None:
    for number in range(records):
        crew.clock.at = START + timedelta(days=number)
        walk = crew.powered(crew.begin())
        for turn in range(entries - AROUND):
            crew.clock.forward(seconds=1)
            walk.found("line", margin(1.0 + 0.01 * (turn % 200)))
        walk.close("ines", PASSPHRASE, reason="done")
        walk.recorder.seal(crew.keyring.signer("ines"))
        walk.recorder.close()


def seconds(folder: Path) -> float:
    """One audit, start-up left out; everything must be sealed."""
    out = io.StringIO()
    started = time.perf_counter()
    with contextlib.redirect_stdout(out):
        code = run(["audit", str(folder), "--json"])
    took = time.perf_counter() - started
    assert code == 0
    assert all(record["state"] == "sealed" for record in json.loads(out.getvalue())["records"])
    return took


def main() -> None:
    given = [int(argument) for argument in sys.argv[1:]]
    records, entries, rounds = (*given, *(1000, 200, 3)[len(given) :])
    # The records are thrown away: nothing needs to reach a disk.
    disk.sync = lambda _: None
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        many, few = folder / "many", folder / "few"
        for place, count in ((many, records), (few, records // 10)):
            place.mkdir()
            make_records(crew_in(place), count, entries)
        seconds(few / "logs")
        pairs = [(seconds(many / "logs"), seconds(few / "logs")) for _ in range(rounds)]
    ratios = [large / (10 * small) for large, small in pairs]
    print(
        f"audit of {records} records of {entries} entries: {statistics.median(p[0] for p in pairs):.1f} s, "
        f"{statistics.median(ratios):.2f} times ten audits of {records // 10} "
        f"({rounds} rounds, {min(ratios):.2f} to {max(ratios):.2f})"
    )


if __name__ == "__main__":
    main()
