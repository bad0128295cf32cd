"""Times a signed append, and a whole act of a walk, against the bare write, sync and signature of its line.

Run it by hand, as root on Linux (it mounts an ext4 of its own over a loop device):
python tests/faults/bench_append.py [ENTRIES] [ROUNDS]
"""

from __future__ import annotations

import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fault_walk import Following, Place
from loop_mounts import make_ext4, mounted
from record_making import lines_of

from preflight.record import kinds, sshsig
from preflight.walk import opening
from preflight.walk.rules import MEANINGS


def timed(do: Callable[[], object]) -> float:
    begun = time.perf_counter()
    do()
    return time.perf_counter() - begun


def main() -> None:
    entries = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 9
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        place = Place(root)
        make_ext4(root / "disk.img", 64 << 20)
        with mounted(root / "disk.img", root / "disk") as disk_at:
            measure(place, disk_at, entries, rounds)


def measure(place: Place, disk_at: Path, entries: int, rounds: int) -> None:
    following = Following(place, disk_at / "logs", told=lambda *_: None)
    walk = opening.begin(
        disk_at / "logs",
        place.sources,
        keyring=following.keyring,
        person="ines",
        clock=following.clock,
    )
    data = kinds.ConfirmData(step="battery", outcome="go", response="latched, 8.1 V", reason="", reads=())
    walk.enter("confirm", data, "omar")
    line = lines_of(walk.recorder.folder)[-1]
    signer = following.keyring.signer("omar")
    key = Ed25519PrivateKey.generate()
    fd = os.open(disk_at / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

    def bare() -> None:
        key.sign(sshsig.to_be_signed(sshsig.ENTRY, line))
        os.write(fd, line)
        os.fsync(fd)

    def append() -> None:
        walk.recorder.append(
            "confirm", data, signer=signer, meaning=MEANINGS["confirm"], auth="selected", moment=walk.now()
        )

    # The walk's own acts stand in a record of their own, as its ledger must know every entry.
    other = opening.begin(
        disk_at / "acts", place.sources, keyring=following.keyring, person="ines", clock=following.clock
    )

    def act() -> None:
        other.confirm("battery", "omar", "latched, 8.1 V")

    append_ratios, act_ratios = [], []
    for _ in range(rounds):
        # One of each, in any order: whatever else the machine does falls on all three alike.
        took: dict[Callable[[], object], list[float]] = {bare: [], append: [], act: []}
        for _ in range(entries):
            for do in random.sample(list(took), 3):
                took[do].append(timed(do))
        least, appended, acted = (statistics.median(each) for each in took.values())
        append_ratios.append(appended / least)
        act_ratios.append(acted / least)
        print(f"bare {1e3 * least:.3f} ms, append {1e3 * appended:.3f} ms, act {1e3 * acted:.3f} ms")
    print(
        f"{entries} entries, median of {rounds}: append {statistics.median(append_ratios):.2f}, "
        f"act of a walk {statistics.median(act_ratios):.2f} times the bare write, sync and signature"
    )


if __name__ == "__main__":
    main()
