"""A folder from anywhere: nonsense is bad with a sentence, never a crash, a hang or a read outside."""

from __future__ import annotations

import os
import shutil

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from record_making import lines_of

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record import disk, scan
from preflight.record.folder import read
from preflight.record.links import Beside, check_link
from preflight.record.verify import verify

posix = pytest.mark.skipif(os.name != "posix", reason="needs links and pipes")
FILES = ("record.jsonl", "allowed_signers", "flight.toml", "checklist.toml", "seals/ada.sig", "evidence")


def place(record, name):
    return next((record / name).iterdir()) if name == "evidence" else record / name


def is_bad(record):
    found = verify(record)
    assert found.state == "bad"
    assert found.why
    assert clean(found.why, limit=2000) == found.why
    return found


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("content", [b"", b"\xff\xfe\x00", b"{}\n", b"\n", b"A" * 300_000], ids=len)
def test_nonsense_in_place_of_a_file(record, name, content):
    place(record, name).write_bytes(content)
    is_bad(record)


@pytest.mark.parametrize("name", FILES)
def test_a_folder_in_place_of_a_file(record, name):
    path = place(record, name)
    path.unlink()
    path.mkdir()
    is_bad(record)


@posix
@pytest.mark.parametrize("name", FILES)
def test_a_link_in_place_of_a_file_even_to_the_true_bytes(record, tmp_path, name):
    path = place(record, name)
    moved = path.rename(tmp_path / "elsewhere")
    path.symlink_to(moved)
    assert "symbolic link" in is_bad(record).why


@posix
@pytest.mark.parametrize("name", FILES)
def test_a_pipe_in_place_of_a_file_does_not_hang(record, name):
    path = place(record, name)
    path.unlink()
    os.mkfifo(path)
    is_bad(record)


@posix
@pytest.mark.parametrize("name", ["evidence", "seals"])
def test_a_link_in_place_of_a_folder(record, tmp_path, name):
    moved = (record / name).rename(tmp_path / "elsewhere")
    (record / name).symlink_to(moved)
    assert "symbolic link" in is_bad(record).why


@pytest.mark.parametrize("name", ["evidence", "seals", "torn"])
def test_a_file_in_place_of_a_folder(record, name):
    shutil.rmtree(record / name, ignore_errors=True)
    (record / name).write_bytes(b"")
    is_bad(record)


@pytest.mark.parametrize("name", FILES[1:])
def test_a_missing_file(record, name):
    place(record, name).unlink()
    found = verify(record)
    assert found.state == ("unsealed" if name.startswith("seals") else "bad")


def test_where_there_is_no_record_it_is_no_verdict(record, tmp_path):
    for path in (tmp_path / "none", record / "flight.toml", tmp_path):
        with pytest.raises(RecordError):
            verify(path)
        with pytest.raises(RecordError):
            read(path)
    with pytest.raises(RecordError):
        check_link(tmp_path / "none")
    assert Beside(tmp_path / "none").forks() == ()


@posix
def test_a_record_that_cannot_be_read(record, monkeypatch):
    def refused(*_args, **_more):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(disk.os, "open", refused)
    assert "Permission denied" in is_bad(record).why


def test_more_than_the_bounds_is_not_read(record, monkeypatch):
    lines = lines_of(record)
    (record / "record.jsonl").write_bytes(lines[0] + b"x" * 400_000 + b"\n" + b"".join(lines[1:]))
    found = is_bad(record)
    assert found.first_bad == 2
    monkeypatch.setattr(scan, "MAX_RECORD", 1000)
    assert "longer than 1000" in is_bad(record).why


def test_escape_sequences_never_reach_the_sentence(record):
    lines = lines_of(record)
    for line in (
        lines[1].replace(b'"kind":"phase"', b'"kind":"\\u001b[2J\\u202e"'),
        lines[1].replace(b'"phase":"bench"', b'"phase":"bench","\\u001b[2J":1'),
        b"\x1b[2J\n",
    ):
        (record / "record.jsonl").write_bytes(lines[0] + line)
        is_bad(record)


def test_what_is_no_part_of_the_record_is_told_and_harmless(record):
    (record / "notes\x1b[2J.txt").write_bytes(b"")
    (record / "seals" / ".DS_Store").write_bytes(b"")
    (record / "seals" / "._ada.sig").write_bytes(b"")
    (record / "evidence" / ("0" * 64)).write_bytes(b"")
    (record / "sub").mkdir()
    found = verify(record)
    assert found.state == "sealed"
    (warning,) = found.warnings
    assert "and 2 more" in warning
    assert "\x1b" not in warning


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60, deadline=None)
@given(junk=st.binary(max_size=400), at=st.integers(0, 7))
def test_any_bytes_between_the_lines_are_bad(sealed, tmp_path, junk, at):
    record = tmp_path / sealed.name
    if not record.exists():
        shutil.copytree(sealed, record)
    lines = lines_of(sealed)
    with (record / "record.jsonl").open("r+b") as file:
        file.truncate()
        file.write(b"".join([*lines[:at], junk, *lines[at:]]))
    assert verify(record).state == ("bad" if junk else "sealed")
