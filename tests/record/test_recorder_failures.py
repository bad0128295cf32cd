"""The first write or sync that fails stops the writer for good; a failing mirror does not."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from record_making import check_data

from preflight.errors import RecordError
from preflight.record import disk
from preflight.record.kinds import Previous
from preflight.record.links import check_link
from preflight.record.store import WriterStoppedError
from preflight.record.verify import verify


def scrub(recorder, signer):
    return recorder.append("scrub", {"reason": "wind"}, signer=signer, meaning="gave up", auth="selected")


class Failing:
    """Stands in for one call of `disk`; fails once told to, and counts what is asked of it after that."""

    def __init__(self, real, number=errno.EIO, only=None):
        self.real, self.number, self.only = real, number, only
        self.on, self.calls_since = False, 0

    def __call__(self, *args):
        if not self.on or (self.only is not None and not self.only(*args)):
            return self.real(*args)
        self.calls_since += 1
        raise OSError(self.number, os.strerror(self.number))


@pytest.mark.parametrize("call", ["sync", "write_all"])
@pytest.mark.parametrize("number", [errno.EIO, errno.ENOSPC, errno.EROFS])
def test_the_first_failure_stops_the_writer_for_good(making, monkeypatch, call, number):
    recorder = making.begin()
    scrub(recorder, making.crew.signer("ada"))
    failing = Failing(getattr(disk, call), number)
    monkeypatch.setattr(disk, call, failing)
    failing.on = True
    with pytest.raises(WriterStoppedError, match=os.strerror(number)):
        scrub(recorder, making.crew.signer("ada"))
    assert failing.calls_since == 1
    assert len(recorder.entries) == 2
    assert os.strerror(number) in recorder.failed
    on_disk = (recorder.folder / "record.jsonl").read_bytes()
    failing.on = False
    other = "write_all" if call == "sync" else "sync"
    watched = Failing(getattr(disk, other))
    watched.on = True
    monkeypatch.setattr(disk, other, watched)
    for attempt in (
        lambda: scrub(recorder, making.crew.signer("ada")),
        lambda: recorder.seal(making.crew.signer("ada")),
    ):
        with pytest.raises(WriterStoppedError):
            attempt()
    assert watched.calls_since == 0
    recorder.close()
    with pytest.raises(WriterStoppedError, match="not taken up again"):
        making.again(recorder.folder)
    assert watched.calls_since == 0
    assert (recorder.folder / "record.jsonl").read_bytes() == on_disk


def test_a_record_that_stopped_goes_on_in_a_linked_one(making, monkeypatch):
    recorder = making.begin()
    failing = Failing(disk.sync)
    monkeypatch.setattr(disk, "sync", failing)
    failing.on = True
    with pytest.raises(WriterStoppedError):
        scrub(recorder, making.crew.signer("ada"))
    failing.on = False
    recorder.close()
    # The refused line did reach the file here: the record that follows names the last one that counted.
    assert len((recorder.folder / "record.jsonl").read_bytes().splitlines()) == 2
    previous = Previous(rec=recorder.rec, head=recorder.head, why="storage")
    after = making.begin(rec="after", previous=previous)
    making.shut(after)
    after.close()
    assert verify(after.folder).state == "sealed"
    assert check_link(after.folder).state == "follows"


def test_evidence_that_cannot_be_written_stops_the_writer_before_the_entry(making, monkeypatch):
    recorder = making.begin()
    before = (recorder.folder / "record.jsonl").read_bytes()
    failing = Failing(disk.write_file, errno.ENOSPC)
    monkeypatch.setattr(disk, "write_file", failing)
    failing.on = True
    with pytest.raises(WriterStoppedError):
        making.fill(recorder)
    entries = (recorder.folder / "record.jsonl").read_bytes().removeprefix(before)
    assert entries.count(b"\n") == 1
    assert b"check" not in entries
    recorder.close()


def test_evidence_is_synced_before_the_entry_that_names_it(making, monkeypatch):
    recorder = making.begin()
    order = []
    write_file, write_all, sync = disk.write_file, disk.write_all, disk.sync

    def note(name, call):
        def noted(*args):
            order.append(name)
            return call(*args)

        return noted

    monkeypatch.setattr(disk, "write_file", note("evidence", write_file))
    monkeypatch.setattr(disk, "write_all", note("write", write_all))
    monkeypatch.setattr(disk, "sync", note("sync", sync))
    making.fill(recorder)
    recorder.close()
    check = order.index("evidence")
    # evidence: its own write and sync, then its folder's; then the line and its sync
    assert order[check : check + 6] == ["evidence", "write", "sync", "sync", "write", "sync"]


def test_a_new_name_is_made_durable_in_its_folder(making, monkeypatch):
    synced = []
    real = disk.sync_folder
    monkeypatch.setattr(disk, "sync_folder", lambda path: (synced.append(path), real(path)))
    recorder = making.begin()
    recorder.close()
    assert making.logs in synced
    assert synced.count(recorder.folder) >= 2


@pytest.mark.skipif(os.name != "posix", reason="uses POSIX resource limits")
def test_a_full_device_stops_the_writer(tmp_path):
    """A real failing write: the system lets no file of this process grow past a limit."""
    code = f"""
import resource, signal, sys
from pathlib import Path
sys.path[:0] = [{str(Path(__file__).parents[1])!r}]
from record_making import HandClock, Making, build_crew
from preflight.record.store import WriterStoppedError
making = Making(build_crew(Path({str(tmp_path)!r}) / "keys"), HandClock(), Path({str(tmp_path)!r}) / "logs")
recorder = making.begin()
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
path = recorder.folder / "record.jsonl"
limit = path.stat().st_size + 100
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
for _ in range(2):
    try:
        recorder.append(
            "scrub", {{"reason": "wind"}}, signer=making.crew.signer("ada"), meaning="m", auth="selected"
        )
    except WriterStoppedError as error:
        print(path.stat().st_size - limit, error)
"""
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    first, second = run.stdout.splitlines()
    assert first == second
    assert first.startswith("0 ")
    assert os.strerror(errno.EFBIG) in first


def test_a_writer_broken_off_in_the_middle_has_stopped(making, monkeypatch):
    recorder = making.begin()

    def broken(*_args):
        raise KeyboardInterrupt

    monkeypatch.setattr(disk, "write_all", broken)
    with pytest.raises(KeyboardInterrupt):
        scrub(recorder, making.crew.signer("ada"))
    with pytest.raises(WriterStoppedError, match="broken off"):
        scrub(recorder, making.crew.signer("ada"))
    recorder.close()


@pytest.mark.parametrize("call", ["write_file", "sync"])
def test_a_torn_line_is_not_cut_before_its_copy_is_on_disk(making, monkeypatch, call):
    recorder = making.begin()
    recorder.close()
    path = recorder.folder / "record.jsonl"
    path.write_bytes(path.read_bytes() + b"half")
    failing = Failing(getattr(disk, call))
    failing.on = True
    monkeypatch.setattr(disk, call, failing)
    with pytest.raises(WriterStoppedError):
        making.again(recorder.folder)
    assert path.read_bytes().endswith(b"half")


def same_files(one: Path, other: Path) -> bool:
    def files(root: Path):
        return {p.relative_to(root): p.read_bytes() for p in root.rglob("*") if p.is_file()}

    return files(one) == files(other)


def test_the_mirror_is_a_second_whole_record(making, tmp_path):
    mirror = tmp_path / "stick"
    folder = making.sealed(mirror=mirror)
    assert same_files(folder, mirror / folder.name)
    assert verify(mirror / folder.name).state == "sealed"


def test_a_failing_mirror_never_stops_the_record_and_can_catch_up(making, tmp_path, monkeypatch):
    mirror = tmp_path / "stick"
    recorder = making.begin(mirror=mirror)
    assert recorder.mirror_behind is None
    copy = mirror / recorder.rec / "record.jsonl"
    inode = copy.stat().st_ino
    failing = Failing(disk.sync, only=lambda fd: os.fstat(fd).st_ino == inode)
    monkeypatch.setattr(disk, "sync", failing)
    failing.on = True
    making.fill(recorder)
    assert failing.calls_since == 1
    assert recorder.failed is None
    assert str(mirror) in recorder.mirror_behind
    assert os.strerror(errno.EIO) in recorder.mirror_behind
    failing.on = False
    scrub(recorder, making.crew.signer("ada"))
    assert recorder.mirror_behind is not None
    assert recorder.mirror_to(mirror) is None
    assert copy.stat().st_ino != inode
    making.shut(recorder)
    recorder.close()
    assert same_files(recorder.folder, mirror / recorder.rec)


def test_a_mirror_that_cannot_be_had_is_reported(making, tmp_path):
    (tmp_path / "file").write_bytes(b"")
    recorder = making.begin(mirror=tmp_path / "file")
    assert recorder.mirror_behind is not None
    scrub(recorder, making.crew.signer("ada"))
    recorder.close()
    assert verify(recorder.folder).state == "unsealed"


def test_another_mirror_takes_over_whole_and_the_first_is_let_go(making, tmp_path):
    first, second = tmp_path / "stick", tmp_path / "other"
    recorder = making.begin(mirror=first)
    making.fill(recorder)
    assert recorder.mirror_to(second) is None
    before = (first / recorder.rec / "record.jsonl").read_bytes()
    making.shut(recorder)
    assert same_files(recorder.folder, second / recorder.rec)
    assert (first / recorder.rec / "record.jsonl").read_bytes() == before
    recorder.close()
    assert recorder.mirror_to(None) is None


def test_the_record_is_no_mirror_of_itself(making):
    recorder = making.begin(mirror=making.logs)
    assert "own folder" in recorder.mirror_behind
    scrub(recorder, making.crew.signer("ada"))
    recorder.close()
    assert verify(recorder.folder).state == "unsealed"


def test_a_resumed_record_brings_its_mirror_up_to_date(making, tmp_path):
    recorder = making.begin()
    making.fill(recorder)
    recorder.close()
    path = recorder.folder / "record.jsonl"
    path.write_bytes(path.read_bytes() + b"half")
    with making.again(recorder.folder, mirror=tmp_path / "stick") as again:
        assert again.mirror_behind is None
        making.shut(again)
    assert same_files(recorder.folder, tmp_path / "stick" / recorder.rec)


def test_lines_that_only_the_mirror_has_are_never_written_over(making, tmp_path):
    mirror = tmp_path / "stick"
    recorder = making.begin(mirror=mirror)
    scrub(recorder, making.crew.signer("ada"))
    recorder.close()
    path = recorder.folder / "record.jsonl"
    path.write_bytes(path.read_bytes().splitlines(keepends=True)[0])
    kept = (mirror / recorder.rec / "record.jsonl").read_bytes()
    with making.again(recorder.folder, mirror=mirror) as again:
        assert "lines that the record has not" in again.mirror_behind
        scrub(again, making.crew.signer("ada"))
    assert (mirror / recorder.rec / "record.jsonl").read_bytes() == kept


def test_an_unwritable_logs_folder_is_a_sentence(making, tmp_path):
    making.logs.parent.mkdir(exist_ok=True)
    making.logs.write_bytes(b"a file in its place")
    with pytest.raises(RecordError, match="cannot be made"):
        making.begin()


def test_a_volume_that_syncs_no_folders_is_no_failure_but_any_other_error_is(making, monkeypatch):
    def fsync(number):
        def call(fd):
            if stat.S_ISDIR(os.fstat(fd).st_mode):
                raise OSError(number, os.strerror(number))

        return call

    monkeypatch.setattr(disk.os, "fsync", fsync(errno.EINVAL))
    making.begin(rec="one").close()
    monkeypatch.setattr(disk.os, "fsync", fsync(errno.EIO))
    with pytest.raises(RecordError, match=os.strerror(errno.EIO)):
        making.begin(rec="two")
    assert not (making.logs / "two").exists()


@pytest.mark.skipif(os.name != "posix", reason="fcntl is POSIX's")
def test_where_there_is_a_full_sync_it_is_asked_for_and_its_failure_counts(tmp_path, monkeypatch):
    asked = []

    def answer(number):
        def call(fd, what):
            asked.append(what)
            if number:
                raise OSError(number, os.strerror(number))

        return call

    monkeypatch.setattr(disk.fcntl, "F_FULLFSYNC", 51, raising=False)
    monkeypatch.setattr(disk.os, "fsync", lambda fd: asked.append("fsync"))
    with (tmp_path / "file").open("wb") as file:
        monkeypatch.setattr(disk.fcntl, "fcntl", answer(0))
        disk.sync(file.fileno())
        assert asked == [51]
        monkeypatch.setattr(disk.fcntl, "fcntl", answer(errno.ENOTSUP))
        disk.sync(file.fileno())
        assert asked == [51, 51, "fsync"]
        monkeypatch.setattr(disk.fcntl, "fcntl", answer(errno.EIO))
        with pytest.raises(OSError, match=os.strerror(errno.EIO)):
            disk.sync(file.fileno())
        assert asked == [51, 51, "fsync", 51]


def test_evidence_is_kept_where_its_empty_folder_was_lost(making):
    recorder = making.begin()
    (recorder.folder / "evidence").rmdir()
    making.fill(recorder)
    recorder.close()
    assert verify(recorder.folder).state == "unsealed"


def test_spoilt_evidence_of_the_same_name_is_written_anew(making):
    _, part = check_data()
    recorder = making.begin()
    path = recorder.folder / "evidence" / hashlib.sha256(part).hexdigest()
    path.write_bytes(b"spoilt")
    making.fill(recorder)
    assert path.read_bytes() == part
    recorder.close()
    assert verify(recorder.folder).state == "unsealed"


@pytest.mark.parametrize(
    ("write", "said"),
    [
        (lambda _fd, _data: 0, "took no byte"),
        (lambda _fd, data: len(data), "grew by 0"),
        (lambda fd, data: (os.pwrite(fd, data, 0), max(1, len(data) // 2))[1], "the file grew by"),
    ],
    ids=["no byte", "claimed and not done", "more done than claimed"],
)
def test_a_count_that_is_not_so_stops_the_writer(making, monkeypatch, write, said):
    recorder = making.begin()
    monkeypatch.setattr(disk.os, "write", write)
    with pytest.raises(WriterStoppedError, match=said):
        scrub(recorder, making.crew.signer("ada"))
    monkeypatch.undo()
    assert len(recorder.entries) == 1
    with pytest.raises(WriterStoppedError):
        scrub(recorder, making.crew.signer("ada"))
    recorder.close()
