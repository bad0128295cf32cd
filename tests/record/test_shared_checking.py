"""Signatures of a long record are checked by helper processes: they answer as a single process does."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from record_making import entries_of, lines_of, rechain, resign

from preflight.record import checking, scan, sshsig
from preflight.record.checking import Checking, Claim
from preflight.record.entry import line_hash, parse_line
from preflight.record.sshsig import ENTRY

PARTS = 4
CLAIMS = PARTS * checking._PART + 3


@pytest.fixture(scope="module")
def claims() -> list[Claim]:
    key = Ed25519PrivateKey.generate()
    public = key.public_key().public_bytes_raw()
    messages = [f"entry {number}".encode() for number in range(CLAIMS)]
    return [Claim(public, ENTRY, message, sshsig.sign(key, ENTRY, message)) for message in messages]


def answer(claims: list[Claim], helpers: int = 1) -> bool:
    with Checking(helpers) as checks:
        for claim in claims:
            checks.add(claim)
        return checks.all_valid()


def helper(*parts: list[Claim]) -> bytes:
    """What a helper says that is given these parts."""
    packed = [msgspec.msgpack.encode(part) for part in parts]
    given = b"".join(len(part).to_bytes(8, "big") + part for part in packed)
    command = [sys.executable, *checking._COMMAND]
    return subprocess.run(command, input=given, capture_output=True, check=True).stdout


def spoilt(claims: list[Claim], at: int, **change: object) -> list[Claim]:
    return [*claims[:at], claims[at]._replace(**change), *claims[at + 1 :]]


def test_a_helper_answers_for_what_it_was_given_and_for_nothing_else(claims):
    assert helper(claims[:3], claims[3:5]) == b"\1"
    for at in range(5):
        bad = spoilt(claims, at, message=b"another entry")
        assert helper(bad[:3], bad[3:5]) == b"", f"claim {at}"
    assert helper(spoilt(claims[:2], 1, namespace="preflight-drill-entry")) == b""
    assert helper(spoilt(claims[:2], 1, signature=claims[0].signature)) == b""


@pytest.mark.parametrize("helpers", [1, 2])
def test_one_false_claim_among_many_is_never_missed(claims, helpers):
    assert answer(claims, helpers)
    for at in (0, 1, checking._PART, CLAIMS // 2, CLAIMS - 1):
        assert not answer(spoilt(claims, at, message=b"another entry"), helpers), f"claim {at}"


@pytest.mark.parametrize("instead", ["/bin/false", "/bin/true", "/bin/cat", "/no/such/interpreter"])
def test_a_helper_that_is_not_one_has_not_said_that_all_is_well(claims, monkeypatch, instead):
    monkeypatch.setattr(sys, "executable", instead)
    assert not answer(claims)


def test_nothing_is_imported_from_the_folder_in_question(claims, monkeypatch, tmp_path):
    """Somebody who verifies stands in the folder that a stranger sent: its modules are not ours."""
    marker = tmp_path / "ran"
    trap = f"open({str(marker)!r}, 'w').close()\n"
    for name in ("preflight/__init__.py", "hashlib.py", "queue.py", "msgspec.py", "sitecustomize.py"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(trap)
    monkeypatch.chdir(tmp_path)
    assert answer(claims)
    assert not marker.exists()


@pytest.fixture
def shared(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Every record counts as long; what the helpers and this process said together of each is added."""
    said: list[bool] = []
    told = Checking.all_valid

    def all_valid(self: Checking, go_on: object = None) -> bool:
        said.append(told(self))
        return said[-1]

    monkeypatch.setattr(Checking, "all_valid", all_valid)
    monkeypatch.setattr(checking, "helpers_here", lambda: 1)
    monkeypatch.setattr(scan, "MANY", 1)
    return said


def alone(data: bytes, roster: object, monkeypatch: pytest.MonkeyPatch) -> scan.Scan:
    with monkeypatch.context() as patch:
        patch.setattr(scan, "MANY", 10**9)
        return scan.scan(data, roster)


def test_a_sound_record_reads_as_it_does_alone(record, crew, shared, monkeypatch):
    data = (record / "record.jsonl").read_bytes()
    for cut in (data, data[:-1], data + b"{"):
        found = scan.scan(cut, crew.roster)
        assert found == alone(cut, crew.roster, monkeypatch)
        assert found.entries
    assert shared == [True] * 3


def test_the_first_bad_line_is_named_as_it_is_alone(record, crew, shared, monkeypatch):
    lines = lines_of(record)
    tried = []
    for at, line in enumerate(lines):
        another = lines[at - 1]
        for instead in (
            line.replace(parse_line(line).entry.at.encode(), b"2027-05-16T06:00:59.000Z"),
            line[:-91] + another[-91:],  # the signature of another entry
            another,
        ):
            assert instead != line
            data = b"".join([*lines[:at], instead, *lines[at + 1 :]])
            found = scan.scan(data, crew.roster)
            assert found == alone(data, crew.roster, monkeypatch), f"line {at + 1}"
            tried.append(found.first_bad)
    assert tried == [at for at, _ in enumerate(lines, 1) for _ in range(3)]
    # Within the chain no line can be changed alone; a last line can, and is found by its signature.
    assert shared == [False, False]


def test_a_forged_line_in_a_chain_made_anew_is_named_as_it_is_alone(
    record, crew, strangers, shared, monkeypatch
):
    """Whoever has all keys but one makes everything that follows anew: only that signature is wrong."""
    entries = entries_of(record)
    for at, entry in enumerate(entries):
        lines = rechain(entries[: at + 1], crew)
        lines[at] = resign(parse_line(lines[at]).entry, strangers.signer(entry.signer))
        for following in entries[at + 1 :]:
            made = msgspec.structs.replace(following, prev=line_hash(lines[-1]))
            lines.append(resign(made, crew.signer(made.signer)))
        data = b"".join(lines)
        found = scan.scan(data, crew.roster)
        assert found == alone(data, crew.roster, monkeypatch)
        assert found.first_bad == at + 1
        assert found.why == f"line {at + 1} does not have {entry.signer}'s signature"
        assert len(found.entries) == at
    assert shared == [False] * len(entries)


def test_few_lines_are_not_shared_out(record, crew, monkeypatch):
    monkeypatch.setattr(checking, "helpers_here", lambda: pytest.fail("asked for helpers"))
    assert scan.scan((record / "record.jsonl").read_bytes(), crew.roster).first_bad is None


def test_no_helper_stays_behind(claims):
    """Neither after an answer nor after what came in was never asked about."""
    with Checking(2) as checks:
        threads = checks._threads
        for claim in claims:
            checks.add(claim)
    assert not any(thread.is_alive() for thread in threads)

    def nobody_asks() -> None:
        raise KeyboardInterrupt

    with Checking(0) as checks:
        for claim in claims:
            checks.add(claim)
        with pytest.raises(KeyboardInterrupt):
            checks.all_valid(nobody_asks)
    assert checks._waiting.qsize() == 0
    assert not [path for path in Path("/proc/self/task").glob("*/children") if _ours(path)]


def _ours(children: Path) -> bool:
    commands = [Path("/proc", pid, "cmdline") for pid in children.read_text().split()]
    return any(b"preflight.record.checking" in command.read_bytes() for command in commands)
