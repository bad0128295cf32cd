"""A record read before it is gone on with: it serves where its bytes are the same, and never else."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import pytest
from small_flight import Crew, go

from preflight.errors import RecordError
from preflight.record import scan, sshsig
from preflight.record.folder import ROSTER
from preflight.record.scan import RECORD
from preflight.walk import ahead, opening
from preflight.walk.acts import Walk
from preflight.walk.ahead import Ahead, ReadingAhead, read_ahead
from preflight.walk.audit import recompute


def interrupted(crew: Crew) -> Path:
    walk = crew.ready_to_fill(crew.begin())
    walk.recorder.close()
    crew.clock.forward(minutes=3)
    return walk.recorder.folder


def resumed(crew: Crew, record: Path, known: Ahead | None) -> Walk:
    return opening.resume(record, keyring=crew.keyring, clock=crew.clock, ahead=known)


@pytest.fixture
def checked(monkeypatch: pytest.MonkeyPatch) -> list[bytes]:
    """Signatures that are checked from now on."""
    done: list[bytes] = []
    valid = sshsig.valid

    def counting(key: object, namespace: str, message: bytes, signature: bytes) -> bool:
        done.append(signature)
        return valid(key, namespace, message, signature)

    monkeypatch.setattr(scan.sshsig, "valid", counting)
    return done


def test_each_signature_is_checked_once_and_the_walk_is_the_same(crew: Crew, checked: list[bytes]) -> None:
    record = interrupted(crew)
    known = read_ahead(record)
    assert len(checked) == len(set(checked)) == len(known.entries)
    kept = len(known.ledger.acts)
    other = record.parent / "elsewhere" / record.name
    shutil.copytree(record, other)
    walk = resumed(crew, record, known)
    assert len(checked) == len(known.entries)
    assert walk.recorder.entries[: len(known.entries)] == known.entries
    assert len(known.ledger.acts) == kept
    again = resumed(crew, other, None)
    assert len(checked) == 2 * len(known.entries)
    assert walk.state() == again.state()
    walk.recorder.close()
    again.recorder.close()
    assert recompute(record).first_bad is None


def test_where_it_was_written_on_meanwhile_it_is_read_anew(crew: Crew, checked: list[bytes]) -> None:
    record = interrupted(crew)
    known = read_ahead(record)
    between = resumed(crew, record, known)
    between.hold("gust", "ines")
    between.recorder.close()
    checked.clear()
    walk = resumed(crew, record, known)
    assert len(checked) == len(known.entries) + 2
    assert [act.data.reason for act in walk.state().holds] == ["gust"]
    walk.recorder.close()


@pytest.mark.parametrize("part", [RECORD, ROSTER])
def test_what_was_changed_meanwhile_is_refused_as_if_nothing_had_been_read(crew: Crew, part: str) -> None:
    record = interrupted(crew)
    known = read_ahead(record)
    path = record / part
    data = bytearray(path.read_bytes())
    data[-20] ^= 1
    path.write_bytes(data)
    with pytest.raises(RecordError) as plain:
        resumed(crew, record, None)
    with pytest.raises(RecordError) as told:
        resumed(crew, record, known)
    assert str(told.value) == str(plain.value)
    assert path.read_bytes() == bytes(data)


def test_what_changes_between_the_look_and_the_lock_is_seen_under_the_lock(
    crew: Crew, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = interrupted(crew)
    known = read_ahead(record)
    refuse_followed = opening._refuse_followed

    def forge(folder: Path) -> None:
        refuse_followed(folder)
        data = bytearray((record / RECORD).read_bytes())
        data[-20] ^= 1
        (record / RECORD).write_bytes(data)

    monkeypatch.setattr(opening, "_refuse_followed", forge)
    with pytest.raises(RecordError, match="read-only"):
        resumed(crew, record, known)


def test_an_earlier_record_of_the_walk_that_changed_is_folded_anew(crew: Crew) -> None:
    record = interrupted(crew)
    later = opening.follow(record, why="handover", keyring=crew.keyring, person="ines", clock=crew.clock)
    later.recorder.close()
    known = read_ahead(later.recorder.folder)
    assert len(known.earlier) == 1
    chain = opening.chain_of(later.recorder.folder)
    assert known.folded(chain, known.entries) is not None
    shorter = [opening._upto(chain[0], chain[0].hashes[2]), chain[1]]
    assert known.folded(shorter, known.entries) is None
    walk = resumed(crew, later.recorder.folder, known)
    walk.found("logger", go("logger-response"))
    walk.recorder.close()
    assert recompute(later.recorder.folder).first_bad is None


def test_the_thread_is_waited_for_and_is_broken_off_where_nobody_asks(
    crew: Crew, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = interrupted(crew)
    reading = ReadingAhead()
    assert reading.of(record) is None
    reading.begin(record)
    known = reading.of(record)
    assert known is not None
    assert known.still(record)
    assert reading.of(record.parent) is None
    reach, stopped = threading.Event(), threading.Event()

    def waiting(path: Path) -> bytes:
        reach.set()
        assert stopped.wait(20)
        return scan.read_record(path)

    monkeypatch.setattr(ahead, "read_record", waiting)
    left = ReadingAhead()
    left.begin(record)
    assert reach.wait(20)
    left.stop()
    stopped.set()
    assert left.of(record) is None
    (record / RECORD).unlink()
    gone = ReadingAhead()
    gone.begin(record)
    assert gone.of(record) is None
