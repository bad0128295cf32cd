"""One flight over many records: storage, handover, after release, the next day; and what a fork is."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from fault_walk import Following, Place
from record_making import lines_of, put
from small_flight import PASSPHRASE, ToldClock

from preflight.cli.main import run
from preflight.errors import RecordError
from preflight.record.kinds import Previous
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.carry import carry, offers


class Flight:
    """Records that follow one another, made in different folders and carried between them."""

    def __init__(self, place: Place, logs: Path) -> None:
        text = place.sources.checklist.decode().replace('id = "battery"\n', 'id = "battery"\ncarry = true\n')
        self.sources = replace(place.sources, checklist=text.encode())
        self.clock = ToldClock()
        self.following = Following(place, logs, told=lambda *_: None, clock=self.clock)
        self.logs = logs
        self.names: list[str] = []

    def begin(self) -> Walk:
        walk = opening.begin(
            self.logs, self.sources, keyring=self.following.keyring, person="ines", clock=self.clock
        )
        return self.named(walk)

    def named(self, walk: Walk) -> Walk:
        self.names.append(walk.recorder.rec)
        return walk

    def follow(self, walk: Walk, why: str, **more) -> Walk:
        walk.recorder.close()
        return self.named(
            opening.follow(
                walk.recorder.folder,
                why=why,
                keyring=self.following.keyring,
                person="ines",
                clock=self.clock,
                head=walk.recorder.head if why == "storage" else None,
                **more,
            )
        )

    def until(self, walk: Walk, name: str) -> None:
        while self.following.act(walk) != name:
            pass

    def seal(self, walk: Walk) -> None:
        walk.recorder.seal(self.following.keyring.signer("ines"))

    def whole(self) -> None:
        """Every way in which one record follows another, once."""
        walk = self.begin()
        self.until(walk, "battery")
        walk.scrub("ines", "wind above limits")
        walk.close("ines", PASSPHRASE, reason="scrubbed")
        self.seal(walk)
        self.clock.forward(hours=22)
        before = walk.recorder.folder
        walk = self.follow(walk, "new-flight", sources=self.sources)
        for offer in offers(walk, before):
            carry(walk, offer, "omar")
        self.until(walk, "logger")
        walk = self.follow(walk, "storage")
        self.until(walk, "authorise")
        self.clock.boot = "the other laptop"
        self.clock.forward(minutes=4)
        walk = self.follow(walk, "handover")
        self.until(walk, "close")
        self.seal(walk)
        walk = self.follow(walk, "after-release")
        self.until(walk, "close")
        self.seal(walk)
        walk.recorder.close()


@pytest.fixture(scope="module")
def flown_far(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Flight:
    flight = Flight(place, tmp_path_factory.mktemp("far") / "logs")
    flight.whole()
    return flight


@pytest.fixture
def flight(flown_far: Flight, tmp_path: Path) -> Flight:
    """A copy, to be changed."""
    shutil.copytree(flown_far.logs, tmp_path / "logs")
    copy = Flight.__new__(Flight)
    copy.__dict__ |= flown_far.__dict__ | {"logs": tmp_path / "logs"}
    return copy


@pytest.fixture
def verify(capsys):
    def call(*words) -> dict:
        run(["verify", *(str(word) for word in words), "--json"])
        return json.loads(capsys.readouterr().out)

    return call


WHY = [None, "new-flight", "storage", "handover", "after-release"]
STATES = ["sealed", "unsealed", "unsealed", "sealed", "sealed"]


def test_each_record_names_the_one_before_and_recomputes(flight, verify, ran):
    for name, before, why, state in zip(flight.names, [None, *flight.names], WHY, STATES, strict=False):
        told = verify(flight.logs / name)
        assert (told["state"], told["first_bad"]) == (state, None), told
        assert told["verdict"] is not None
        if why is not None:
            assert f"follows {before} ({why})" in told["warnings"]
        assert not told["fork"]
        assert not any("FORK" in note for note in told["warnings"])
    ran(f"{len(WHY)} linked records ({', '.join(filter(None, WHY))}): each verified and recomputed")


@pytest.mark.parametrize("at", range(1, 5))
def test_a_record_before_that_was_changed_makes_the_next_one_bad(flight, verify, at):
    before = flight.logs / flight.names[at - 1]
    put(before, lines_of(before)[:-1])
    shutil.rmtree(before / "seals")
    told = verify(flight.logs / flight.names[at])
    assert told["state"] == "bad"
    assert "changed since" in told["why"]


@pytest.mark.parametrize("at", range(2, 5))
def test_a_bad_record_further_back_makes_all_that_go_on_from_it_bad(flight, verify, at):
    """The head that the next one names is there, and a line before it is not what was signed."""
    oldest = flight.logs / flight.names[1]
    path = oldest / "record.jsonl"
    path.write_bytes(path.read_bytes().replace(b"number 1", b"number 7", 1))
    told = verify(flight.logs / flight.names[at])
    assert told["state"] == "bad"
    assert flight.names[1] in told["why"]


@pytest.mark.parametrize("at", range(2, 5))
def test_a_missing_record_is_told_and_nothing_is_recomputed_on_sand(flight, verify, at):
    shutil.rmtree(flight.logs / flight.names[at - 1])
    told = verify(flight.logs / flight.names[at])
    assert told["verdict"] is None
    assert any("does not lie beside it" in note for note in told["warnings"])


@pytest.mark.parametrize("at", range(4))
@pytest.mark.parametrize("why", ["new-flight", "storage", "handover"])
def test_two_that_follow_one_are_a_fork_to_both(flight, verify, at, why):
    forked = flight.logs / flight.names[at]
    walk = opening.follow(
        forked,
        why=why,
        keyring=flight.following.keyring,
        person="ines",
        clock=flight.clock,
        sources=flight.sources if why == "new-flight" else None,
    )
    walk.recorder.close()
    pair = sorted([flight.names[at + 1], walk.recorder.rec])
    for name in pair:
        told = verify(flight.logs / name)
        assert f"FORK: {', '.join(pair)} all follow {forked.name}" in told["warnings"], told
        assert told["fork"]


def test_the_files_of_a_walk_that_goes_on_are_those_it_began_with(flight):
    first = flight.logs / flight.names[1]
    for name in flight.names[2:]:
        for file in ("flight.toml", "checklist.toml", "allowed_signers"):
            assert (flight.logs / name / file).read_bytes() == (first / file).read_bytes()


OTHER_FILES = {
    "checklist.toml": lambda s: replace(s, checklist=s.checklist.replace(b'waive_by = ["director"]', b"", 1)),
    "allowed_signers": lambda s: replace(s, roster=s.roster.replace(b"roles=student", b"roles=director")),
    "flight.toml": lambda s: replace(s, flight=s.flight.replace(b"baud = 9600", b"baud = 19200")),
}


@pytest.mark.parametrize("name", [*OTHER_FILES, "drill"])
def test_a_walk_does_not_go_on_with_other_files(flight, verify, name):
    """Slipped in between two records: the earlier one was judged by others."""
    before = opening.read(flight.logs / flight.names[3])
    walk = opening.begin(
        flight.logs,
        OTHER_FILES.get(name, lambda sources: sources)(flight.sources),
        keyring=flight.following.keyring,
        person="ines",
        clock=flight.clock,
        drill=name == "drill",
        previous=Previous(rec=before.rec, head=before.head, why="after-release"),
    )
    walk.recorder.close()
    told = verify(walk.recorder.folder)
    assert told["state"] == "bad", told
    assert name in told["why"]
    with pytest.raises(RecordError, match=name):
        opening.resume(walk.recorder.folder, keyring=flight.following.keyring, clock=flight.clock)


def dropped(flight: Flight, last: str, *, sealed: bool = False) -> tuple[Path, Path]:
    """A record and the one that goes on from the line before its last, as if the device had refused that."""
    walk = flight.begin()
    flight.until(walk, "battery")
    if last == "no-go":
        walk.refuse("battery", "omar", "7.2 V, the cells are flat")
    else:
        walk.scrub("ines", "wind above limits")
        walk.close("ines", PASSPHRASE, reason="scrubbed")
    if sealed:
        flight.seal(walk)
    walk.recorder.close()
    after = opening.follow(
        walk.recorder.folder,
        why="storage",
        keyring=flight.following.keyring,
        person="ines",
        clock=flight.clock,
        head=walk.recorder.hashes[-2],
    )
    after.recorder.close()
    return walk.recorder.folder, after.recorder.folder


def test_a_no_go_dropped_by_the_word_of_a_failed_device_is_told_of_both_records(flight, verify, ran):
    """Somebody says that the device failed right before the entry that they would rather not have."""
    old, new = dropped(flight, "no-go")
    count = len(lines_of(old)) - 1
    entry = "among them a whole entry, confirm battery no-go, by omar"
    for name, folder in (("", old), (f"{old.name}: ", new)):
        told = verify(folder)
        assert told["state"] == "unsealed"
        (note,) = [note for note in told["warnings"] if "device failed" in note]
        assert note.startswith(f"{name}its device failed after line {count}; ")
        assert note.endswith(entry)
    ran(
        "an entry dropped as if the device had failed: told of the record and of the one that goes on from it"
    )


def test_a_close_dropped_by_the_word_of_a_failed_device_is_told_of_both_records(flight, verify):
    old, new = dropped(flight, "close")
    told = verify(old)
    assert told["state"] == "unsealed"
    assert "a record follows it that says its device failed, but it is whole and closed" in told["warnings"]
    told = verify(new)
    assert told["state"] == "unsealed"
    assert any(note.endswith("among them a whole entry, close, by ines") for note in told["warnings"]), told


def test_a_sealed_close_is_not_dropped_at_all(flight, verify):
    old, new = dropped(flight, "close", sealed=True)
    assert verify(old)["state"] == "sealed"
    told = verify(new)
    assert told["state"] == "bad"
    assert "there is a seal, but the record is not closed" in told["why"]


def test_no_more_than_one_line_is_ever_dropped_so(flight, verify):
    old, new = dropped(flight, "no-go")
    lines = lines_of(old)
    put(old, [*lines, lines[-1]])
    told = verify(new)
    assert told["state"] == "bad"
    assert "went on by 2 entries" in told["why"]
