"""How long a key of the replay takes on a long record, against folding it from its first entry.

Run: python tests/tui/bench_replay.py [ENTRIES] [STEPS]. Prints the median and the 99th percentile of stepping
on, stepping back and jumping about, in milliseconds and as a share of the whole fold.
"""

from __future__ import annotations

import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, PEOPLE, ToldClock, margin

from preflight.record import disk
from preflight.record.keys import Keyring, make_key
from preflight.record.roster import Person, Roster
from preflight.tui.replay.moments import Moments, Spot
from preflight.tui.replay.session import Replaying
from preflight.tui.replay.tape import tape_of
from preflight.walk import opening
from preflight.walk.ledger import Ledger
from preflight.walk.state import state_at

MORE = """
[[phase.step]]
id = "extra-{n}"
challenge = "Extra {n}"
response = "Seen"
valid_for = "60 min"
signed_by = ["payload"]
"""


def long_record(root: Path, entries: int, steps: int) -> Path:
    """The folder of a record of so many entries on a checklist of so many steps."""
    keys = root / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(keys, name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = Person(id="laptop", name="Laptop", roles=("instrument",), key=make_key(keys, "laptop", None))
    roster = Roster([*people, laptop])
    keyring = Keyring(keys, roster)
    for name in PEOPLE:
        keyring.unlock(name, PASSPHRASE)
    extra = "".join(MORE.format(n=n) for n in range(steps - 9))
    checklist = CHECKLIST.replace('[[phase]]\nid = "fill"', extra + '\n[[phase]]\nid = "fill"')
    sources = opening.Sources(FLIGHT.encode(), checklist.encode(), roster.to_text().encode())
    clock = ToldClock()
    walk = opening.begin(root / "logs", sources, keyring=keyring, person="ines", clock=clock)
    walk.confirm("battery", "omar", "8.1 V")
    n = 0
    while len(walk.recorder.entries) < entries:
        n += 1
        clock.forward(seconds=5)
        walk.confirm(f"extra-{n % (steps - 9)}", "omar", "seen")
        if n % 10 == 0:
            walk.found("line", margin(2 + n % 3))
            walk.sign("line", "omar")
        if n % 400 == 0:
            walk.correct(walk.ledger.acts[-1].ref, "omar", "wrong lead")
    walk.recorder.close()
    return walk.recorder.folder


def timed(what: Callable[[], object]) -> float:
    start = time.perf_counter()
    what()
    return time.perf_counter() - start


def walked(entries: int) -> Iterator[tuple[str, list[Spot]]]:
    """Ways of moving about: each a list of the spots that keys lead to."""
    yield "one on", [Spot(n) for n in range(entries // 2, entries // 2 + 300)]
    yield "one back", [Spot(n) for n in range(entries, entries - 300, -1)]
    chance = random.Random(7)
    yield "anywhere", [Spot(chance.randrange(1, entries + 1)) for _ in range(300)]


def main(entries: int, steps: int) -> None:
    with tempfile.TemporaryDirectory() as root:
        disk.sync = lambda fd: None  # what is timed here is reading
        record = long_record(Path(root), entries, steps)
        tape = tape_of(record)
        whole = timed(lambda: state_at(Ledger(tape.book).apply_all(tape.entries), tape.entries[-1].moment))
        print(f"{len(tape.entries)} entries, {steps} steps; folded whole: {whole * 1e3:.0f} ms")
        print(f"opened (read, proved, folded): {timed(lambda: Moments(tape_of(record))) * 1e3:.0f} ms")
        replaying = Replaying(record)
        replaying.view().result()
        for name, spots in walked(len(tape.entries)):
            taken = [timed(lambda spot=spot: replaying.go(lambda *_: spot).result()) for spot in spots]
            cuts = statistics.quantiles(taken, n=100)
            print(
                f"{name:9}  median {cuts[49] * 1e3:6.1f} ms  99% {cuts[98] * 1e3:6.1f} ms  "
                f"({cuts[49] / whole:.3f} of a whole fold)"
            )
        replaying.shut()


if __name__ == "__main__":
    main(*(int(each) for each in (*sys.argv[1:], "5000", "200")[:2]))
