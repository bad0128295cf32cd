"""Records that follow one another."""

from __future__ import annotations

import shutil

import pytest
from record_making import lines_of, put

from preflight.errors import RecordError
from preflight.record.folder import read
from preflight.record.kinds import Previous
from preflight.record.links import Beside, check_link, previous_of
from preflight.record.verify import verify


@pytest.fixture
def first(making):
    return making.sealed(rec="first")


def follow(making, first, rec, why="after-release", head=None):
    previous = Previous(rec=first.name, head=head or read(first).head, why=why)
    recorder = making.begin(rec=rec, previous=previous)
    recorder.close()
    return recorder.folder


def test_a_record_follows_the_one_beside_it(making, first):
    assert check_link(first).state == "first"
    second = follow(making, first, "second")
    link = check_link(second)
    assert (link.state, link.previous.rec, link.previous.why) == ("follows", "first", "after-release")
    assert "first" in link.text
    assert previous_of(second) == link.previous
    assert Beside(making.logs).forks() == ()


def test_a_record_whose_previous_is_elsewhere(making, first):
    second = follow(making, first, "second")
    shutil.rmtree(first)
    assert check_link(second).state == "absent"


@pytest.mark.parametrize("why", ["new-flight", "storage", "handover", "after-release"])
def test_a_previous_that_is_not_as_it_was_is_broken(making, first, why):
    second = follow(making, first, "second", why)
    whole = lines_of(first)
    put(first, whole[:-1])
    assert check_link(second).state == "broken"
    put(first, [*whole[:-1], whole[-1].replace(b"decided", b"Decided")])
    assert check_link(second).state == "broken"
    put(first, [b"nonsense\n"])
    assert check_link(second).state == "broken"
    (first / "record.jsonl").unlink()
    assert check_link(second).state == "broken"


def test_only_a_failed_device_may_hold_more_than_the_head(making, first):
    head = read(first).hashes[-2]
    assert check_link(follow(making, first, "kept", "storage", head)).state == "follows"
    link = check_link(follow(making, first, "went-on", "handover", head))
    assert link.state == "broken"
    assert "went on by 1" in link.text


def test_a_folder_named_like_the_previous_that_holds_another(making, first):
    second = follow(making, first, "second")
    other = making.sealed(rec="other")
    shutil.rmtree(first)
    other.rename(first)
    link = check_link(second)
    assert link.state == "broken"
    assert "holds the record other" in link.text


def test_two_that_name_one_previous_are_a_fork(making, first):
    follow(making, first, "second")
    follow(making, first, "third", "new-flight", read(first).hashes[-2])
    (making.logs / "notes.txt").write_bytes(b"")
    (making.logs / "empty").mkdir()
    (making.logs / "torn").mkdir()
    (making.logs / "torn" / "record.jsonl").write_bytes(b"{")
    (fork,) = Beside(making.logs).forks()
    assert (fork.previous, fork.records) == ("first", ("second", "third"))
    shutil.rmtree(making.logs / "third")
    shutil.copytree(making.logs / "second", making.logs / "second (copy)")
    assert Beside(making.logs).forks() == ()
    put(making.logs / "second (copy)", [*lines_of(making.logs / "second (copy)"), b"{}\n"])
    assert len(Beside(making.logs).forks()) == 1


def test_a_first_line_that_cannot_be_read(making, first):
    put(first, lines_of(first)[1:])
    with pytest.raises(RecordError, match="open entry"):
        check_link(first)


@pytest.mark.parametrize(
    "kept", [b"", b'{"entry":{"at', b"nothing of ours\n"], ids=["none", "torn", "spoilt"]
)
def test_what_a_failing_device_kept_beyond_the_last_counted_line_is_no_part_of_the_record(making, kept):
    recorder = making.begin(rec="first")
    making.fill(recorder)
    recorder.close()
    counted = recorder.hashes[3]
    path = recorder.folder / "record.jsonl"
    path.write_bytes(b"".join(lines_of(recorder.folder)[:4]) + kept)
    assert Beside(making.logs).stopped_at(recorder.rec) is None
    second = follow(making, recorder.folder, "second", "storage", counted)
    assert Beside(making.logs).stopped_at(recorder.rec) == counted
    assert check_link(second).state == "follows"
    found = verify(recorder.folder, upto=counted)
    assert (found.state, len(found.entries)) == ("unsealed", 4)
    assert any("failed after line 4" in warning for warning in found.warnings) == bool(kept)
    put(recorder.folder, lines_of(recorder.folder)[1:])
    assert verify(recorder.folder, upto=counted).state == "bad"
    assert verify(recorder.folder, upto="0" * 64).state == "bad"


def test_a_record_that_went_on_after_storage_trouble_is_not_the_one_that_was_followed(making):
    recorder = making.begin(rec="first")
    making.fill(recorder)
    recorder.close()
    assert (
        check_link(follow(making, recorder.folder, "one", "storage", recorder.hashes[-2])).state == "follows"
    )
    link = check_link(follow(making, recorder.folder, "two", "storage", recorder.hashes[-3]))
    assert link.state == "broken"
    assert "went on by 2" in link.text


@pytest.mark.parametrize("why", ["handover", "after-release", "new-flight"])
def test_only_a_failed_device_ends_a_record_before_its_last_line(making, why):
    recorder = making.begin(rec="first")
    making.fill(recorder)
    recorder.close()
    follow(making, recorder.folder, "second", why, recorder.hashes[3])
    assert Beside(making.logs).stopped_at(recorder.rec) is None
