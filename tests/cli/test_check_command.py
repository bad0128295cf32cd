"""`preflight check` from outside: exit codes, the JSON object, text for people."""

import json
import os
import pty
import struct
import subprocess
import sys
import time
from pathlib import Path

import pytest
from card_images import MIB, add_files, flight_text, fsck_counts, make_fat, patch

KEYS = {"name", "value", "low", "high", "unit", "source", "at_least", "at_most", "margin"}


def preflight(*words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from preflight.cli.main import main; main()", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL)


def write_flight(folder: Path, volume: str, **more: object) -> Path:
    path = folder / "flight.toml"
    path.write_text(flight_text(volume, **more))
    return path


@pytest.mark.parametrize(
    ("bits", "size", "sectors", "formats", "code"),
    [
        (12, 7, 4, ("FAT16", "FAT32"), 1),
        (12, 7, 4, ("FAT12",), 0),
        (16, 16, 1, ("FAT16", "FAT32"), 0),
        (32, 40, 1, ("FAT16", "FAT32"), 0),
        (32, 40, 1, ("FAT16",), 1),
    ],
)
def test_cards_end_to_end(tmp_path: Path, bits: int, size: int, sectors: int, formats: tuple, code: int):
    image = make_fat(tmp_path / "card.img", size * MIB, bits, "-s", sectors)
    add_files(image, {"LOG001.TXT": 300_000})
    if bits == 32:
        patch(image, 512 + 488, struct.pack("<I", 7))  # FSInfo lies
    flight = write_flight(tmp_path, "card.img", formats=formats)
    done = preflight("check", flight, "--only", "card-format", "--only", "card-space", "--json")
    assert done.returncode == code, done.stderr
    assert done.stderr == ""
    told = json.loads(done.stdout)
    assert set(told) == {"flight", "outcome", "checks"}
    assert (told["flight"], told["outcome"]) == ("Dunlin 2", "go" if code == 0 else "no-go")
    assert [c["check"] for c in told["checks"]] == ["card-format", "card-space"]
    assert all(set(c) == {"check", "outcome", "readings", "remarks", "seconds"} for c in told["checks"])
    found = {r["name"]: r for c in told["checks"] for r in c["readings"]}
    assert all(set(r) == KEYS for r in found.values())
    assert found["card.type"]["value"] == f"FAT{bits}"
    assert found["card.free"]["value"] == fsck_counts(image)[0] * sectors * 512
    assert found["card.margin"]["at_least"] == 2.0
    assert found["card.size"]["at_least"] is None


def test_text_shows_outcomes_readings_with_limits_and_remarks(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 8 * MIB, 16, "-s", 1)
    add_files(image, {"OLD.LOG": 5 * MIB})
    flight = write_flight(tmp_path, "card.img")
    done = preflight("check", flight, "--only", "card-space", "--only", "card-format")
    lines = done.stdout.splitlines()
    assert done.returncode == 1
    assert lines[0] == "card-format: go"
    assert "  card.type          FAT16" in lines
    assert "card-space: no-go" in lines
    assert any(line.startswith("  card.margin") and "(at least 2: OUTSIDE, margin " in line for line in lines)
    assert any(line.startswith("  - To bring card.margin inside its limit:") for line in lines)
    assert lines[-1] == "no-go: 1 go, 1 no-go"
    assert "\x1b" not in done.stdout


def test_an_open_check_ends_with_three(tmp_path: Path):
    image = make_fat(tmp_path / "card.img", 8 * MIB, 16, "-s", 1)
    done = preflight("check", write_flight(tmp_path, image.name, formats=()), "--only", "card-format")
    assert done.returncode == 3
    assert done.stdout.splitlines()[0] == "card-format: open (needs a person)"
    assert "  - Not checked: whether the logger reads it" in done.stdout


def test_a_check_asked_for_without_its_section_is_open(tmp_path: Path):
    make_fat(tmp_path / "card.img", 8 * MIB, 16, "-s", 1)
    done = preflight("check", write_flight(tmp_path, "card.img"), "--only", "battery-endurance", "--json")
    told = json.loads(done.stdout)
    assert (done.returncode, told["outcome"]) == (3, "open")
    assert told["checks"][0]["remarks"] == ["Not checked: the flight file has no [battery]"]


def test_without_only_every_check_whose_sections_are_there_runs(tmp_path: Path):
    make_fat(tmp_path / "card.img", 64 * MIB, 16)
    done = preflight("check", write_flight(tmp_path, "card.img"), "--json")
    assert done.returncode in (0, 1, 3), done.stderr
    names = [c["check"] for c in json.loads(done.stdout)["checks"]]
    assert names[:2] == ["card-format", "card-space"]
    assert "flight-envelope" in names
    assert not {"logger-response", "sample-record", "link-margin", "battery-endurance"} & set(names)


def test_bad_input_ends_with_two_and_a_sentence(tmp_path: Path):
    flight = write_flight(tmp_path, "card.img")
    for words, said in (
        (("check", tmp_path / "absent.toml"), "absent.toml"),
        (("check", flight, "--only", "card-fromat"), 'no check "card-fromat"; there are: card-format'),
        (("check", flight, "--nonsense"), "No such option"),
        (("check",), "Missing argument"),
    ):
        done = preflight(*words)
        assert done.returncode == 2
        assert said in done.stderr
        assert done.stdout == ""
        assert "Traceback" not in done.stderr
    flight.write_text(flight.read_text().replace("[card]", "[crad]"))
    done = preflight("check", flight, "--json")
    assert done.returncode == 2
    assert "crad" in done.stderr
    assert done.stdout == ""


def test_a_card_that_is_not_there_is_no_go(tmp_path: Path):
    done = preflight("check", write_flight(tmp_path, "absent.img"), "--only", "card-format", "--json")
    told = json.loads(done.stdout)
    assert (done.returncode, told["outcome"]) == (1, "no-go")
    assert "put the card in the reader" in told["checks"][0]["remarks"][0]


def test_progress_is_shown_on_a_terminal_and_cleared(tmp_path: Path):
    make_fat(tmp_path / "card.img", 600 * MIB, 32, "-s", 1)
    flight = write_flight(tmp_path, "card.img")
    ours, theirs = pty.openpty()
    command = [sys.executable, "-c", "from preflight.cli.main import main; main()", "check", str(flight)]
    done = subprocess.run(
        [*command, "--only", "card-format"], stdout=subprocess.PIPE, stderr=theirs, text=True, check=False
    )
    os.close(theirs)
    shown = os.read(ours, 1 << 16).decode()
    os.close(ours)
    assert done.returncode == 0
    assert "card-format: Reading the file allocation table" in shown
    assert shown.endswith("\r")
    assert "Reading the file" not in done.stdout


LOGGER_PORT = """
[link]
baud = 9600
[[port]]
use = "logger"
at = "absent-port"
[[logger.exchange]]
send = "?"
expect = "ready"
"""


def test_leads_are_said_before_and_after_a_check_that_moves_them(tmp_path: Path):
    flight = tmp_path / "flight.toml"
    flight.write_text(flight_text("card.img", more=LOGGER_PORT))
    done = preflight("check", flight, "--only", "logger-response")
    assert done.returncode in (1, 3)
    said = done.stderr.splitlines()
    assert said[0].startswith("logger-response: Logger lead on")
    assert said[-1].startswith("logger-response: Logger lead off")
    quiet = preflight("check", flight, "--only", "logger-response", "--json")
    assert quiet.stderr == ""
    assert json.loads(quiet.stdout)["checks"][0]["check"] == "logger-response"


def test_on_a_terminal_it_waits_until_the_lead_is_moved(tmp_path: Path):
    flight = tmp_path / "flight.toml"
    flight.write_text(flight_text("card.img", more=LOGGER_PORT))
    ours, theirs = pty.openpty()
    command = [sys.executable, "-c", "from preflight.cli.main import main; main()", "check", str(flight)]
    running = subprocess.Popen(
        [*command, "--only", "logger-response"],
        stdin=theirs,
        stdout=subprocess.PIPE,
        stderr=theirs,
        text=True,
    )
    os.close(theirs)
    shown = b""
    deadline = time.monotonic() + 30
    while b"Enter when done" not in shown and time.monotonic() < deadline:
        shown += os.read(ours, 4096)
    assert running.poll() is None
    os.write(ours, b"\n")
    out, _ = running.communicate(timeout=30)
    os.close(ours)
    assert running.returncode in (1, 3)
    assert "logger-response: " in out
