"""Kills a walk at random points and goes on with it; prints one JSON object with what was counted.

Run it by hand: python tests/faults/kill_walks.py [KILLS] [SEED]

Each walk is a process of its own that tells over a pipe what it holds to be kept, after the act has returned.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import tempfile
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_walk import Acknowledged, Following, Place, Told, lost_of, not_sealed

from preflight.record.folder import read
from preflight.record.scan import RECORD, read_record, split_torn


@dataclass
class Counted:
    """What happened over all kills."""

    seed: int
    kills: int = 0
    walks: int = 0
    acknowledged: int = 0
    lost: list[str] = field(default_factory=list)
    not_sealed: list[str] = field(default_factory=list)
    torn: int = 0
    before_the_first_entry: int = 0
    resumed: int = 0


def start(place: Place, logs: Path) -> tuple[int, int]:
    """A process that walks; its id, and where it tells what is kept."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid:
        os.close(writing)
        return pid, reading
    os.close(reading)
    try:
        tell = lambda rec, number, what: os.write(writing, f"{rec} {number} {what}\n".encode())  # noqa: E731
        Following(place, logs, told=tell).run()
        os._exit(0)
    finally:
        os._exit(1)


def rest(reading: int, begun: bytes = b"") -> Acknowledged:
    """Everything that was told until the pipe's end."""
    told = begun
    while part := os.read(reading, 65536):
        told += part
    os.close(reading)
    rows = [line.split() for line in told.decode().split("\n")[:-1]]
    return [(rec, int(number), what) for rec, number, what in rows]


def run_and_kill(place: Place, logs: Path, chance: random.Random, span: float) -> tuple[Acknowledged, bool]:
    """One run, killed after a random time, or right after a random acknowledgement."""
    pid, reading = start(place, logs)
    begun = b""
    if chance.random() < 0.5:
        time.sleep(chance.uniform(0, span))
    else:
        wanted = chance.randrange(34)
        while begun.count(b"\n") < wanted and (part := os.read(reading, 1)):
            begun += part
        time.sleep(chance.uniform(0, 0.004))
    os.kill(pid, signal.SIGKILL)
    acknowledged = rest(reading, begun)
    _, status = os.waitpid(pid, 0)
    if os.WIFEXITED(status) and os.WEXITSTATUS(status):
        raise SystemExit("a walk ended by itself with a failure")
    return acknowledged, os.WIFSIGNALED(status)


def telling(kept: Acknowledged) -> Told:
    """Adds what is told to a list."""
    return lambda *row: kept.append(row)


def look(logs: Path, counted: Counted) -> None:
    """What the kill left behind, before anything is repaired."""
    entries = 0
    for path in logs.glob(f"*/{RECORD}"):
        whole, torn = split_torn(read_record(path.parent))
        counted.torn += bool(torn)
        entries += bool(whole)
    counted.before_the_first_entry += not entries


def main() -> None:
    kills = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else random.SystemRandom().randrange(10**6)
    chance = random.Random(seed)
    counted = Counted(seed)
    with tempfile.TemporaryDirectory() as name:
        place = Place(Path(name))
        assert len(place.ring.unlocked) > 1  # once, and not in every process
        begun = time.monotonic()
        pid, reading = start(place, Path(name) / "whole")
        rest(reading)
        os.waitpid(pid, 0)
        span = time.monotonic() - begun
        while counted.kills < kills:
            logs = Path(name) / f"logs-{counted.walks}"
            kept: Acknowledged = []
            killed = True
            while killed and counted.kills < kills:
                more, killed = run_and_kill(place, logs, chance, span)
                kept += more
                counted.kills += killed
                look(logs, counted)
                counted.lost += lost_of(logs, kept)
                if chance.random() < 0.5:
                    break
            Following(place, logs, told=telling(kept)).run()
            counted.walks += 1
            counted.acknowledged += len(kept)
            counted.lost += lost_of(logs, kept)
            counted.not_sealed += not_sealed(logs)
            for path in logs.glob(f"*/{RECORD}"):
                if path.stat().st_size:
                    counted.resumed += sum(entry.kind == "resume" for entry in read(path.parent).entries)
    print(json.dumps(asdict(counted)))


if __name__ == "__main__":
    main()
