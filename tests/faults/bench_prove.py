"""Times what `preflight verify` does to a large sealed record against its bare Ed25519 checks in one process.

That is lines, chain, signatures and evidence, then every act and outcome recomputed. It uses the processors
there are, which the last line tells; where others use them as well, look at the fastest of many rounds.

Run it by hand: python tests/faults/bench_prove.py [ENTRIES] [ROUNDS]
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_walk import Following, Place
from record_making import lines_of

from preflight.record import disk, sshsig
from preflight.record.checking import helpers_here
from preflight.record.entry import parse_line
from preflight.record.verify import verify
from preflight.walk import opening
from preflight.walk.audit import recompute
from preflight.walk.proof import prove


def build(root: Path, entries: int) -> Path:
    """A sealed record of this many entries: holds and lifts, findings with evidence, confirmations."""
    place = Place(root)
    following = Following(place, root / "logs", told=lambda *_: None)
    with patch.object(disk, "sync"):
        walk = opening.begin(
            root / "logs", place.sources, keyring=following.keyring, person="ines", clock=following.clock
        )
        while len(walk.recorder.entries) < entries - 19:
            walk.confirm("battery", "omar", "latched, 8.1 V")
            walk.power("bench supply", "omar")
            hold = walk.hold("a car on the field", "omar")
            walk.lift(hold.ref, "ines", "it passed")
            following._listen(walk, len(walk.recorder.entries) % 8)
        while following.act(walk) not in ("close", None):
            pass
        walk.recorder.seal(following.keyring.signer("ines"))
        walk.recorder.close()
    return walk.recorder.folder


def main() -> None:
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 5
    with tempfile.TemporaryDirectory() as name:
        folder = build(Path(name), entries)
        found = prove(folder).found
        assert found.state == "sealed", found.why
        assert found.roster is not None
        keys = {person.id: sshsig.load_public(person.key) for person in found.roster.everyone}
        checks = []
        for line in lines_of(folder):
            parsed = parse_line(line)
            blob = sshsig.to_be_signed(sshsig.ENTRY, parsed.canonical)
            checks.append((keys[parsed.entry.signer].verify, parsed.signature, blob))
        bare: list[float] = []
        took: dict[str, list[float]] = {"verify": [], "recompute": [], "prove": []}
        for _ in range(rounds):
            begun = time.perf_counter()
            for check, signature, blob in checks:
                check(signature, blob)
            bare.append(time.perf_counter() - begun)
            for what, do in (("verify", verify), ("recompute", recompute), ("prove", prove)):
                begun = time.perf_counter()
                do(folder)
                took[what].append(time.perf_counter() - begun)
            each = ", ".join(f"{what} {times[-1] / bare[-1]:.2f}" for what, times in took.items())
            print(f"bare checks {bare[-1]:.3f} s; {each}")
        print(f"{len(checks)} entries, {helpers_here() + 1} processes, {rounds} rounds, ratios:")
        for what, times in took.items():
            median = statistics.median(one / least for one, least in zip(times, bare, strict=True))
            print(f"  {what}: median {median:.2f}, fastest against fastest {min(times) / min(bare):.2f}")


if __name__ == "__main__":
    main()
