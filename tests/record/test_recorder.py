"""The writer: what it writes, what it refuses, and what it leaves for the next one."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import threading
from dataclasses import replace

import pytest

from preflight.errors import RecordError
from preflight.record.entry import ZEROS
from preflight.record.folder import evidence_data, read
from preflight.record.kinds import CloseData, Previous, ScrubData
from preflight.record.store import Recorder
from preflight.record.verify import verify

REC = "20270516T060000Z-a1b2c3"


def scrub(recorder, signer, **more):
    fields = {"signer": signer, "meaning": "gave up", "auth": "selected"} | more
    return recorder.append("scrub", ScrubData(reason="wind"), **fields)


def test_a_record_is_a_folder_with_all_that_an_auditor_needs(making):
    folder = making.sealed()
    names = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
    evidence = next(n for n in names if n.startswith("evidence/"))
    assert names == {
        "record.jsonl",
        "allowed_signers",
        "flight.toml",
        "checklist.toml",
        "seals/ada.sig",
        evidence,
    }
    assert evidence == "evidence/" + hashlib.sha256((folder / evidence).read_bytes()).hexdigest()
    found = read(folder)
    assert [e.kind for e in found.entries] == ["open", "phase", "check", "sign", "hold", "lift", "close"]
    assert (found.rec, found.first_bad, found.torn, found.closed) == (REC, None, b"", True)
    assert found.roster.everyone == making.crew.roster.everyone
    lines = (folder / "record.jsonl").read_bytes().splitlines(keepends=True)
    assert [e.prev for e in found.entries] == [ZEROS, *(hashlib.sha256(x).hexdigest() for x in lines[:-1])]
    assert found.head == hashlib.sha256(lines[-1]).hexdigest()


def test_each_entry_is_on_disk_when_append_returns(making):
    recorder = making.begin()
    path = recorder.folder / "record.jsonl"
    for count in range(2, 6):
        entry = scrub(recorder, making.crew.signer("ada"))
        lines = path.read_bytes().splitlines(keepends=True)
        assert len(lines) == len(recorder.entries) == entry.seq == count
        assert json.loads(lines[-1])["entry"]["seq"] == count
        assert recorder.head == hashlib.sha256(lines[-1]).hexdigest()
    recorder.close()


def test_an_entry_carries_the_moment_it_was_judged_at(making):
    recorder = making.begin()
    moment = making.clock.now()
    making.clock.now()
    entry = scrub(recorder, making.crew.signer("ada"), moment=moment)
    assert entry.moment == replace(moment, at=moment.at)
    with pytest.raises(RecordError, match="earlier moment"):
        scrub(recorder, making.crew.signer("ada"), moment=replace(moment, boot_ns=moment.boot_ns - 1))
    recorder.close()


def test_what_may_not_stand_is_refused_and_nothing_is_written(making, strangers):
    recorder = making.begin()
    ada, laptop = making.crew.signer("ada"), making.crew.signer("laptop")
    path = recorder.folder / "record.jsonl"
    before = path.read_bytes()
    reason = ScrubData(reason="wind")
    waive = {"step": "s", "finding": 1, "reason": "r", "bound": None, "expires": "2027-05-16T07:00:00.000Z"}
    part = evidence_data("tap", b"abc")
    check = {
        "step": "s",
        "check": "c",
        "outcome": "go",
        "readings": (),
        "remarks": (),
        "evidence": (part,),
        "reads": (),
        "seconds": "1",
    }
    long = check | {"remarks": ("x" * 4000,) * 70, "evidence": ()}
    close = CloseData(reason="r", verdicts={}, sealers=("laptop",))
    nobody = CloseData(reason="r", verdicts={}, sealers=("zoe",))

    def add(kind, data, signer=ada, auth="selected", **more):
        return lambda: recorder.append(kind, data, signer=signer, meaning="m", auth=auth, **more)

    refused = {
        "a person's act by the instrument": add("scrub", reason, laptop, "instrument"),
        "the instrument's key as chosen": add("power", {"cause": "seen", "detail": ""}, laptop, "selected"),
        "a person's key as the instrument": add("power", {"cause": "seen", "detail": ""}, ada, "instrument"),
        "a waiver without the passphrase": add("waive", waive),
        "an authorisation without it": add("authorise", {"gate": "fill", "verdict": "go"}),
        "a stranger of the same id": add("scrub", reason, strangers.signer("ben")),
        "an unknown kind": add("dance", {}),
        "another shape": add("scrub", {"reason": ""}),
        "another kind's data": add("hold", reason),
        "a second open": add("open", recorder.entries[0].data),
        "a meaning of nothing": lambda: scrub(recorder, ada, meaning=""),
        "an unknown way to sign": add("scrub", reason, auth="nodded"),
        "a lone surrogate": add("scrub", {"reason": "\ud800"}),
        "evidence not given": add("check", check, laptop, "instrument"),
        "other evidence": add("check", check, laptop, "instrument", evidence=[b"abd"]),
        "evidence not named": add("scrub", reason, evidence=[b"abc"]),
        "an instrument that seals": add("close", close),
        "nobody that seals": add("close", nobody),
        "an entry too long": add("check", long, laptop, "instrument"),
    }
    for name, attempt in refused.items():
        with pytest.raises(RecordError):
            attempt()
        assert path.read_bytes() == before, name
    assert list((recorder.folder / "evidence").iterdir()) == []
    assert recorder.failed is None
    scrub(recorder, ada)
    recorder.close()


def test_nothing_follows_the_close(making):
    recorder = making.begin()
    making.shut(recorder)
    with pytest.raises(RecordError, match="is closed"):
        scrub(recorder, making.crew.signer("ada"))
    recorder.close()
    with pytest.raises(RecordError, match="is closed"):
        making.again(recorder.folder)


def test_nothing_is_written_once_it_was_let_go_of(making):
    recorder = making.begin()
    recorder.close()
    with pytest.raises(RecordError, match="let go"):
        scrub(recorder, making.crew.signer("ada"))


@pytest.mark.parametrize("rec", ["", ".", "..", "../x", "a/b", "-x", "a b", "x" * 101, "ä"])
def test_ids_that_are_no_folder_name(making, rec):
    with pytest.raises(RecordError):
        making.begin(rec=rec)
    assert not making.logs.exists() or list(making.logs.iterdir()) == []


def test_a_record_that_cannot_be_begun_leaves_nothing(making, strangers):
    with pytest.raises(RecordError, match="not the one on the record's roster"):
        Recorder.create(
            making.logs,
            files={
                "flight.toml": b"",
                "checklist.toml": b"",
                "allowed_signers": making.crew.roster.to_text().encode(),
            },
            tool="0",
            drill=False,
            previous=None,
            signer=strangers.signer("ada"),
            clock=making.clock,
            rec=REC,
        )
    assert list(making.logs.iterdir()) == []
    making.begin().close()
    with pytest.raises(RecordError, match="there already"):
        making.begin()
    assert verify(making.logs / REC).state == "unsealed"


def test_made_ids_name_the_time_and_differ(making):
    first, second = making.begin(rec=None), making.begin(rec=None)
    assert first.rec.startswith("20270516T0600")
    assert first.rec != second.rec
    first.close()
    second.close()


def test_a_second_writer_is_refused_while_one_writes(making):
    recorder = making.begin()
    code = f"""
import sys
from pathlib import Path
from preflight.errors import RecordError
from preflight.clock import SystemClock
from preflight.record.store import Recorder
try:
    Recorder.resume(Path({str(recorder.folder)!r}), instrument=None, clock=SystemClock())
except RecordError as error:
    print(error)
    sys.exit(7)
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 7, run.stderr
    assert "being written by another" in run.stdout
    with pytest.raises(RecordError, match="being written by another"):
        making.again(recorder.folder)
    assert read(recorder.folder).first_bad is None
    recorder.close()
    with Recorder.resume(
        recorder.folder, instrument=making.crew.signer("laptop"), clock=making.clock
    ) as again:
        scrub(again, making.crew.signer("ada"))


def test_many_threads_write_one_chain(making):
    recorder = making.begin()
    ada = making.crew.signer("ada")
    threads = [threading.Thread(target=lambda: [scrub(recorder, ada) for _ in range(5)]) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    recorder.close()
    found = verify(recorder.folder)
    assert (found.state, len(found.entries)) == ("unsealed", 31)


def test_a_record_goes_on_after_an_interruption(making):
    recorder = making.begin()
    making.fill(recorder)
    recorder.close()
    making.clock.moment = replace(making.clock.moment, boot="boot-b", boot_ns=5)
    with Recorder.resume(
        recorder.folder, instrument=making.crew.signer("laptop"), clock=making.clock
    ) as again:
        assert again.entries == recorder.entries
        assert again.hashes == recorder.hashes
        making.shut(again)
    found = verify(recorder.folder)
    assert found.state == "sealed"
    assert found.warnings == ()


TORN = [b"{", b'{"entry":{"at":"20', b"\0" * 40, b"\0" * 40 + b'"}\n', b"x" * 70_000]


@pytest.mark.parametrize("torn", TORN, ids=["brace", "half a line", "zeros", "zeros with an end", "long"])
def test_a_torn_last_line_is_set_aside_cut_and_entered(making, torn):
    recorder = making.begin()
    making.fill(recorder)
    recorder.close()
    path = recorder.folder / "record.jsonl"
    whole = path.read_bytes()
    path.write_bytes(whole + torn)
    assert read(recorder.folder).torn == torn
    bad = verify(recorder.folder)
    assert (bad.state, bad.first_bad) == ("bad", 7)
    assert "torn" in bad.why
    with making.again(recorder.folder, meaning="set aside") as again:
        last = again.entries[-1]
        assert (last.kind, last.signer, last.meaning) == ("recover", "laptop", "set aside")
        sha256 = hashlib.sha256(torn).hexdigest()
        assert (last.data.sha256, last.data.size) == (sha256, len(torn))
        assert (recorder.folder / "torn" / sha256).read_bytes() == torn
        assert path.read_bytes().startswith(whole)
        making.shut(again)
    assert verify(recorder.folder).state == "sealed"
    (recorder.folder / "torn" / sha256).write_bytes(torn + b"!")
    assert verify(recorder.folder).first_bad == 7


def test_a_try_that_broke_off_between_cut_and_entry_is_entered_next_time(making):
    recorder = making.begin()
    recorder.close()
    torn = recorder.folder / "torn"
    torn.mkdir()
    (torn / hashlib.sha256(b"half").hexdigest()).write_bytes(b"half")
    (torn / ("0" * 64)).write_bytes(b"not what its name says")
    (torn / "note").write_bytes(b"")
    with Recorder.resume(
        recorder.folder, instrument=making.crew.signer("laptop"), clock=making.clock
    ) as again:
        assert [e.kind for e in again.entries] == ["open", "recover"]
    with Recorder.resume(
        recorder.folder, instrument=making.crew.signer("laptop"), clock=making.clock
    ) as again:
        assert [e.kind for e in again.entries] == ["open", "recover"]


def test_a_record_torn_in_its_first_line_cannot_be_taken_up(making):
    recorder = making.begin()
    recorder.close()
    path = recorder.folder / "record.jsonl"
    path.write_bytes(path.read_bytes()[:-1])
    before = path.read_bytes()
    with pytest.raises(RecordError, match="no whole entry"):
        making.again(recorder.folder)
    assert path.read_bytes() == before


def test_any_other_bad_line_makes_the_record_read_only(making):
    recorder = making.begin()
    making.fill(recorder)
    recorder.close()
    path = recorder.folder / "record.jsonl"
    bad = path.read_bytes().replace(b"38400", b"38401") + b"torn"
    path.write_bytes(bad)
    with pytest.raises(RecordError, match="read-only: line 3 "):
        making.again(recorder.folder)
    assert path.read_bytes() == bad


@pytest.mark.parametrize("name", ["flight.toml", "checklist.toml", "allowed_signers"])
def test_a_changed_copy_makes_the_record_read_only(making, name):
    recorder = making.begin()
    recorder.close()
    with (recorder.folder / name).open("ab") as file:
        file.write(b"# more\n")
    with pytest.raises(RecordError, match=name):
        making.again(recorder.folder)


def test_a_renamed_folder_is_not_written_on(making):
    recorder = making.begin()
    recorder.close()
    other = recorder.folder.rename(recorder.folder.with_name("other"))
    with pytest.raises(RecordError, match="name the folder so"):
        Recorder.resume(other, instrument=making.crew.signer("laptop"), clock=making.clock)
    found = verify(other)
    assert found.state == "unsealed"
    assert any("not named after" in warning for warning in found.warnings)


def test_a_drill_is_signed_as_one(making):
    recorder = making.begin(drill=True, previous=Previous(rec="before", head=ZEROS, why="new-flight"))
    recorder.close()
    with Recorder.resume(
        recorder.folder, instrument=making.crew.signer("laptop"), clock=making.clock
    ) as again:
        assert again.drill
        making.shut(again)
    found = verify(recorder.folder)
    assert (found.state, found.drill) == ("sealed", True)


def test_what_was_not_there_cannot_be_taken_up(tmp_path, making):
    with pytest.raises(RecordError, match="cannot be opened"):
        Recorder.resume(tmp_path / "none", instrument=making.crew.signer("laptop"), clock=making.clock)
