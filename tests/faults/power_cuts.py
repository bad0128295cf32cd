"""Cuts the power under a walk on a loop-mounted ext4; prints one JSON object with what was counted.

Run it by hand, as root on Linux: python tests/faults/power_cuts.py [CUTS] [SEED] [--no-sync]

A cut is a copy of the image's backing file, taken while the walk waits right after it has told that an entry
is kept: what the file system still holds in memory is not in it. The copy is mounted (its journal is
replayed), searched for everything that was told, and the walk is gone on with there to its end. `--no-sync`
is the control: the same walk without any sync must lose entries, or this would prove nothing.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sys
import tempfile
from dataclasses import asdict, dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_walk import Acknowledged, Following, Place, lost_of, not_sealed
from loop_mounts import make_ext4, mounted

from preflight.record import disk


@dataclass
class Counted:
    """What happened over all cuts."""

    seed: int
    synced: bool
    cuts: int = 0
    acknowledged: int = 0
    cuts_that_lost: int = 0
    lost: list[str] = field(default_factory=list)
    not_sealed: list[str] = field(default_factory=list)


def start(place: Place, logs: Path) -> tuple[int, int, int]:
    """A process that walks and waits after each thing it tells; its id, what it tells, how to let it on."""
    told, telling = os.pipe()
    waiting, letting = os.pipe()
    pid = os.fork()
    if pid:
        os.close(telling)
        os.close(waiting)
        return pid, told, letting
    os.close(told)
    os.close(letting)

    def tell(rec: str, number: int, what: str) -> None:
        os.write(telling, f"{rec} {number} {what}\n".encode())
        os.read(waiting, 1)

    try:
        Following(place, logs, told=tell).run()
        os._exit(0)
    finally:
        os._exit(1)


def walk_and_cut(place: Place, root: Path, chance: random.Random, counted: Counted, wanted: int) -> None:
    """One walk on a fresh file system, cut at random acknowledgements."""
    image, cut = root / "disk.img", root / "cut.img"
    make_ext4(image)
    kept: Acknowledged = []
    with mounted(image, root / "disk") as disk_at:
        pid, told, letting = start(place, disk_at / "logs")
        while row := _line(told):
            rec, number, what = row.split()
            kept.append((rec, int(number), what))
            if counted.cuts < wanted and chance.random() < 0.07:
                shutil.copyfile(image, cut)
                _look(place, root, cut, kept, counted)
            os.write(letting, b".")
        os.close(told)
        os.close(letting)
        _, status = os.waitpid(pid, 0)
        if status:
            raise SystemExit("a walk ended by itself with a failure")
    image.unlink()


def _line(told: int) -> str:
    line = b""
    while not line.endswith(b"\n"):
        part = os.read(told, 1)
        if not part:
            return ""
        line += part
    return line.decode()


def _look(place: Place, root: Path, cut: Path, kept: Acknowledged, counted: Counted) -> None:
    """What the cut has left, and whether the walk can go on from it."""
    counted.cuts += 1
    counted.acknowledged += len(kept)
    with mounted(cut, root / "cut") as at:
        logs = at / "logs"
        lost = lost_of(logs, kept)
        counted.lost += lost
        counted.cuts_that_lost += bool(lost)
        if not lost:
            Following(place, logs, told=lambda *_: None).run()
            counted.not_sealed += not_sealed(logs)
    cut.unlink()


def main() -> None:
    words = [word for word in sys.argv[1:] if word != "--no-sync"]
    wanted = int(words[0]) if words else 3
    seed = int(words[1]) if len(words) > 1 else random.SystemRandom().randrange(10**6)
    synced = "--no-sync" not in sys.argv
    if not synced:
        disk.sync = lambda _fd: None
    chance = random.Random(seed)
    counted = Counted(seed, synced)
    with tempfile.TemporaryDirectory() as name:
        place = Place(Path(name))
        while counted.cuts < wanted:
            walk_and_cut(place, Path(name), chance, counted, wanted)
    print(json.dumps(asdict(counted)))


if __name__ == "__main__":
    main()
