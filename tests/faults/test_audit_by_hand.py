"""The commands of README.md for an auditor, run as written, on a record and on tampered copies of it."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from fault_walk import Following, Place, first_of
from record_making import lines_of, put
from small_flight import PASSPHRASE
from tools import need_tool

from preflight.record.folder import read
from preflight.walk import opening

README = Path(__file__).parents[2] / "README.md"

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the commands are for a POSIX shell")


@pytest.fixture(scope="module")
def commands() -> str:
    """The block that follows the mark, to its end."""
    text = README.read_text(encoding="utf-8")
    block = re.search(r"<!-- the audit -->\n```sh\n(.*?)```", text, re.DOTALL)
    assert block is not None
    return block[1]


@pytest.fixture(scope="module")
def drilled(place: Place, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder whose logs/ holds one sealed record of a drill."""
    folder = tmp_path_factory.mktemp("checkout")
    following = Following(place, folder / "logs", told=lambda *_: None)
    walk = opening.begin(
        folder / "logs",
        place.sources,
        keyring=following.keyring,
        person="ines",
        clock=following.clock,
        drill=True,
    )
    while following.act(walk) != "logger":
        pass
    for _ in range(4):
        following.act(walk)
    walk.close("ines", PASSPHRASE, reason="over")
    walk.recorder.seal(following.keyring.signer("ines"))
    walk.recorder.close()
    return folder


def run(commands: str, folder: Path, shell: str = "bash") -> tuple[int, str]:
    need_tool("ssh-keygen", "openssl", "sha256sum", shell)
    done = subprocess.run(
        [shell, "-c", commands], cwd=folder, capture_output=True, text=True, check=False, timeout=120
    )
    return done.returncode, done.stdout + done.stderr


def judged(told: str) -> list[str]:
    """Lines that say that something is not as it was signed."""
    complaints = ("does not follow", "NOT", "CHANGED", "Could not verify")
    return [line for line in told.splitlines() if any(word in line for word in complaints)]


@pytest.mark.parametrize("shell", ["bash", "sh"])
def test_on_a_sealed_record_everything_is_found_good(commands, drilled, shell):
    code, told = run(commands, drilled, shell)
    record = first_of(drilled / "logs")
    entries = read(record).entries
    assert code == 0, told
    assert judged(told) == []
    assert told.splitlines()[:2] == ["this is a DRILL", f"{len(entries)} lines in one chain"]
    for name in ("flight.toml", "checklist.toml", "allowed_signers"):
        assert f"{name} is the one used" in told
    evidence = sorted((record / "evidence").iterdir())
    assert len(evidence) > 1
    for path in evidence:
        assert f"evidence/{path.name} is whole" in told
    fingerprint = read(record).roster.find("ines").fingerprint
    assert f'Good "preflight-drill-seal" signature for ines with ED25519 key {fingerprint}' in told
    for entry in entries:
        assert f"entry {entry.seq} is signed by {entry.signer}\n" in told
    assert PASSPHRASE not in told


def test_on_a_flight_too(commands, flown, tmp_path):
    first = first_of(flown)
    shutil.copytree(first, tmp_path / "logs" / first.name)
    code, told = run(commands, tmp_path)
    assert (code, judged(told)) == (0, [])
    assert "DRILL" not in told
    assert 'Good "preflight-seal" signature for ines' in told
    assert f"entry {len(lines_of(first))} is signed by ines\n" in told


def changed_word(record: Path) -> None:
    path = record / "record.jsonl"
    path.write_bytes(path.read_bytes().replace(b"number 1", b"number 9", 1))


def changed_last_line(record: Path) -> None:
    path = record / "record.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"reason":"over"', b'"reason":"Over"', 1))


def moved_signature(record: Path) -> None:
    lines = lines_of(record)
    head, tail = lines[1].split(b',"sig":')[0], lines[3].split(b',"sig":')[1]
    lines[1] = head + b',"sig":' + tail
    put(record, lines)


def other_person(record: Path) -> None:
    path = record / "record.jsonl"
    path.write_bytes(path.read_bytes().replace(b'"signer":"omar"', b'"signer":"noah"', 1))


TAMPERED = {
    "a word in a line": (changed_word, ["line 3 does not follow", "entry 2 is NOT", "Could not verify"]),
    "a word in the last line": (changed_last_line, ["is NOT signed by ines", "Could not verify"]),
    "a line dropped": (
        lambda record: put(record, lines_of(record)[:4] + lines_of(record)[5:]),
        ["line 5 does not follow", "Could not verify"],
    ),
    "the last line dropped": (lambda record: put(record, lines_of(record)[:-1]), ["Could not verify"]),
    "lines swapped": (
        lambda record: put(record, [*lines_of(record)[:2], *lines_of(record)[3:1:-1], *lines_of(record)[4:]]),
        ["line 3 does not follow", "Could not verify"],
    ),
    "a signature moved": (moved_signature, ["entry 2 is NOT signed by omar", "Could not verify"]),
    "another signer": (other_person, ["is NOT signed by noah", "Could not verify"]),
    "the checklist": (
        lambda record: (record / "checklist.toml").write_bytes(b""),
        ["checklist.toml is NOT the one used"],
    ),
    "the roster": (
        lambda record: (record / "allowed_signers").write_bytes(
            (record / "allowed_signers").read_bytes().replace(b"ines ", b"omar2 ").replace(b"omar ", b"ines ")
        ),
        ["allowed_signers is NOT the one used", "Could not verify"],
    ),
    "evidence": (
        lambda record: next((record / "evidence").iterdir()).write_bytes(b"other bytes"),
        ["was CHANGED"],
    ),
    "evidence of nothing": (
        lambda record: (record / "evidence" / ("0" * 64)).write_bytes(b""),
        [f"evidence/{'0' * 64} was CHANGED"],
    ),
    "the seal": (
        lambda record: (record / "seals" / "ines.sig").rename(record / "seals" / "omar.sig"),
        ["Could not verify"],
    ),
    "the drill's mark": (
        lambda record: (record / "record.jsonl").write_bytes(
            (record / "record.jsonl").read_bytes().replace(b'"drill":true', b'"drill":false', 1)
        ),
        ["line 2 does not follow", "entry 1 is NOT", "Could not verify"],
    ),
}


@pytest.mark.parametrize("name", TAMPERED)
def test_on_a_tampered_copy_it_says_what_is_wrong(commands, drilled, tmp_path, name):
    folder = tmp_path / "checkout"
    shutil.copytree(drilled, folder)
    record = next((folder / "logs").iterdir())
    before = {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    tamper, said = TAMPERED[name]
    tamper(record)
    assert before != {path: path.read_bytes() for path in record.rglob("*") if path.is_file()}
    _, told = run(commands, folder)
    complaints = judged(told)
    for words in said:
        assert any(words in line for line in complaints), told
