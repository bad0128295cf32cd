"""A walk whose device fails somewhere: it goes on in another folder, and prints what the crew was told.

For the tests that run it under strace: python tests/faults/starved_walk.py ROOT LOGS OTHER
"""

from __future__ import annotations

import errno
import json
import shutil
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_walk import Acknowledged, Following, Place, last_of

from preflight.errors import PreflightError
from preflight.record.folder import read
from preflight.record.store import WriterStoppedError
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.state import State


@dataclass
class Told:
    """What came of a failure: what was said, and whether anything looked as signed that was not kept."""

    failure: str = ""
    sentence: str = ""
    stopped: str | None = None
    unchanged: bool = True
    refused_again: bool = True
    acknowledged: Acknowledged = field(default_factory=list)


def outcomes(state: State) -> dict[str, tuple[str, str | None]]:
    return {name: (step.outcome, step.waiting) for name, step in state.steps.items()}


def starve(place: Place, logs: Path, other: Path) -> Told:
    """Walk in `logs` until something fails, then in `other` to the end."""
    told = Told()
    following = Following(place, logs, told=lambda *row: told.acknowledged.append(row))
    acts = following.acts()
    before, entries = None, 0
    try:
        for _ in acts:
            if following.walk is not None:
                before, entries = outcomes(following.walk.state()), len(following.walk.ledger.acts)
    except PreflightError as error:
        told.failure, told.sentence = type(error).__name__, str(error)
        walk = following.walk
        if walk is not None and isinstance(error, WriterStoppedError):
            told.stopped = walk.recorder.failed
            told.unchanged = outcomes(walk.state()) == before and len(walk.ledger.acts) == entries
            told.refused_again = refused(walk)
            walk.recorder.close()
            go_on_elsewhere(following, walk.recorder.folder, other, walk.recorder.head)
        elif walk is None:
            elsewhere(following, other)
        elif errno_of(error) == errno.ENOSPC:
            # Closed, and no room for the seal: the folder is copied, and sealed where there is room.
            shutil.copytree(logs, other)
            following.logs = other
        following.run()
    return told


def errno_of(error: BaseException) -> int | None:
    """The number of the system's error behind a sentence."""
    return next((e.errno for e in (error.__cause__, error.__context__) if isinstance(e, OSError)), None)


def refused(walk: Walk) -> bool:
    """Whether the same record takes nothing more, by hand or by being taken up."""
    tries = (
        lambda: walk.hold("once more", "omar"),
        lambda: opening.resume(walk.recorder.folder, keyring=walk.keyring, clock=walk.clock),
    )
    for attempt in tries:
        try:
            attempt()
        except WriterStoppedError:
            continue
        return False
    return True


def elsewhere(following: Following, other: Path) -> None:
    """No record was open: what was to be begun, taken up or to follow comes to stand in `other`."""
    last = last_of(following.logs)
    if last is None:
        following.logs = other
    elif read(last).closed:
        go_on_elsewhere(following, last, other, None, why="after-release")
    else:
        go_on_elsewhere(following, last, other, None)


def go_on_elsewhere(
    following: Following, record: Path, other: Path, head: str | None, why: str = "storage"
) -> None:
    """What a crew does: the record goes on in a linked one on another device."""
    walk = opening.follow(
        record,
        why=why,
        keyring=following.keyring,
        person="ines",
        clock=following.clock,
        logs=other,
        head=head,
    )
    walk.recorder.close()
    following.logs = other


def main() -> None:
    root, logs, other = (Path(word) for word in sys.argv[1:4])
    print(json.dumps(asdict(starve(Place(root), logs, other))))


if __name__ == "__main__":
    main()
