"""The files that a walk is opened with are ordinary ones, or a sentence that says what to do."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from small_flight import CHECKLIST, FLIGHT

from preflight.errors import PreflightError
from preflight.walk.opening import Sources


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    named = FLIGHT[FLIGHT.index("checklist = ") :].split('"')[1]
    (tmp_path / "flight.toml").write_text(FLIGHT)
    (tmp_path / named).write_text(CHECKLIST)
    (tmp_path / "kept").write_text("# nobody yet\n")
    (tmp_path / "allowed_signers").symlink_to("kept")
    return tmp_path


def told(flight: Path) -> str:
    with pytest.raises(PreflightError) as caught:
        Sources.beside(flight)
    return str(caught.value)


def test_they_are_taken_as_they_are(folder: Path) -> None:
    found = Sources.beside(folder / "flight.toml")
    assert (found.flight, found.checklist) == (FLIGHT.encode(), CHECKLIST.encode())
    assert found.roster == b"# nobody yet\n"


def test_a_flight_file_that_is_none(folder: Path) -> None:
    """A device or a pipe would otherwise be read for ever."""
    assert told(folder / "none.toml").endswith("there is no such file; check the name and the folder")
    assert "is a device, not a file" in told(Path("/dev/zero"))
    os.mkfifo(folder / "pipe.toml")
    assert "is a pipe, not a file" in told(folder / "pipe.toml")


def test_a_roster_that_is_none(folder: Path) -> None:
    roster = folder / "allowed_signers"
    (folder / "kept").write_bytes(b"#" * 300_000)
    assert "is longer than 262144 bytes" in told(folder / "flight.toml")
    roster.unlink()
    assert "preflight crew add" in told(folder / "flight.toml")
    os.mkfifo(roster)
    assert "is not a plain file" in told(folder / "flight.toml")
