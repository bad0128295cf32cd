"""A record can be verified without this tool: ssh-keygen, openssl, sha256sum and sed are enough."""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys

import pytest
from record_making import PASSPHRASES, lines_of
from tools import need_tool

from preflight.record import sshsig
from preflight.record.entry import ZEROS
from preflight.record.folder import PINNED
from preflight.record.seal import check_seals


def run(*args, **more):
    return subprocess.run([str(a) for a in args], capture_output=True, text=True, check=False, **more)


def keygen_verify(folder, person_id, namespace):
    with (folder / "record.jsonl").open("rb") as record:
        return run(
            *("ssh-keygen", "-Y", "verify", "-f", folder / "allowed_signers", "-I", person_id),
            *("-n", namespace, "-s", folder / "seals" / f"{person_id}.sig"),
            stdin=record,
        )


@pytest.mark.parametrize("drill", [False, True])
def test_stock_ssh_keygen_accepts_a_seal_and_no_other(making, drill):
    need_tool("ssh-keygen")
    folder = making.sealed(drill=drill, sealers=("ada", "ben"))
    namespace = sshsig.seal_namespace(drill)
    for person_id in ("ada", "ben"):
        told = keygen_verify(folder, person_id, namespace)
        assert told.returncode == 0, told.stderr
        assert f'Good "{namespace}" signature for {person_id}' in told.stdout
    assert keygen_verify(folder, "ada", sshsig.seal_namespace(not drill)).returncode != 0
    (folder / "seals" / "ada.sig").write_bytes((folder / "seals" / "ben.sig").read_bytes())
    assert keygen_verify(folder, "ada", namespace).returncode != 0
    with (folder / "record.jsonl").open("ab") as record:
        record.write(b"\n")
    assert keygen_verify(folder, "ben", namespace).returncode != 0


def test_a_seal_is_the_file_that_ssh_keygen_would_have_written(making, crew, tmp_path):
    need_tool("ssh-keygen")
    folder = making.sealed()
    ours = (folder / "seals" / "ada.sig").read_bytes()
    key = tmp_path / "ada"
    key.write_bytes((crew.keys.folder / "ada").read_bytes())
    key.chmod(0o600)
    assert run("ssh-keygen", "-p", "-P", PASSPHRASES["ada"], "-N", "", "-f", key).returncode == 0
    data = tmp_path / "record.jsonl"
    data.write_bytes((folder / "record.jsonl").read_bytes())
    made = run("ssh-keygen", "-Y", "sign", "-f", key, "-n", sshsig.SEAL, data)
    assert made.returncode == 0, made.stderr
    theirs = (tmp_path / "record.jsonl.sig").read_bytes()
    assert theirs == ours  # Ed25519 signatures are deterministic
    (folder / "seals" / "ada.sig").write_bytes(theirs)
    assert check_seals(folder, data.read_bytes(), crew.roster, drill=False) == ("ada",)


def test_stock_openssl_verifies_an_entry(making, tmp_path):
    """The public key as RFC 8410 writes it, from the roster's line; the message is the SSHSIG blob of C."""
    need_tool("openssl")
    folder = making.sealed()
    keys = {}
    for line in (folder / "allowed_signers").read_text().splitlines():
        words = line.split()
        keys[words[0]] = base64.b64decode(words[words.index("ssh-ed25519") + 1])[-32:]
    for number, line in enumerate(lines_of(folder)):
        body, _, signature = line.rpartition(b',"sig":"')
        entry = body.removeprefix(b'{"entry":')
        der = bytes.fromhex("302a300506032b6570032100") + keys[json.loads(entry)["signer"]]
        pem = base64.encodebytes(der).decode()
        (tmp_path / "key.pem").write_text(f"-----BEGIN PUBLIC KEY-----\n{pem}-----END PUBLIC KEY-----\n")
        (tmp_path / "sig").write_bytes(base64.b64decode(signature.removesuffix(b'"}\n')))
        for name, message in (("good", entry), ("bad", entry + b" ")):
            (tmp_path / name).write_bytes(sshsig.to_be_signed("preflight-entry", message))
        verdicts = [
            run(
                *("openssl", "pkeyutl", "-verify", "-pubin", "-inkey", tmp_path / "key.pem", "-rawin"),
                *("-in", tmp_path / name, "-sigfile", tmp_path / "sig"),
            ).returncode
            for name in ("good", "bad")
        ]
        assert verdicts[0] == 0, f"line {number + 1}"
        assert verdicts[1] != 0


def test_sha256sum_and_sed_walk_the_chain(making):
    need_tool("sha256sum", "sed")
    folder = making.sealed()
    record = folder / "record.jsonl"
    walk = (
        f'n=1; while line=$(sed -n "${{n}}p" {record}) && [ -n "$line" ]; do '
        f'sed -n "${{n}}p" {record} | sed \'s/.*"prev":"\\([0-9a-f]*\\)".*/\\1/\'; '
        f'sed -n "${{n}}p" {record} | sha256sum | cut -d" " -f1; n=$((n+1)); done'
    )
    told = run("sh", "-c", walk).stdout.split()
    prevs, sums = told[0::2], told[1::2]
    assert len(sums) == len(lines_of(folder))
    assert prevs == [ZEROS, *sums[:-1]]
    pinned = json.loads(lines_of(folder)[0])["entry"]["data"]
    for name, key in PINNED.items():
        assert run("sha256sum", folder / name).stdout.split()[0] == pinned[key]
    for path in (folder / "evidence").iterdir():
        assert run("sha256sum", path).stdout.split()[0] == path.name


@pytest.mark.skipif(os.name != "posix", reason="traces POSIX calls")
def test_the_order_of_writes_and_syncs_as_the_system_sees_it(tmp_path):
    """Under strace: evidence is written, synced and named before the line is written and synced."""
    need_tool("strace")
    code = f"""
import sys
from pathlib import Path
sys.path[:0] = [{str(os.path.dirname(os.path.dirname(__file__)))!r}]
from record_making import HandClock, Making, build_crew
root = Path({str(tmp_path)!r})
making = Making(build_crew(root / "keys"), HandClock(), root / "logs")
recorder = making.begin()
making.fill(recorder)
recorder.close()
"""
    trace = tmp_path / "trace"
    done = run(
        *("strace", "-f", "-y", "-o", trace, "-e", "trace=write,fsync,rename,renameat,renameat2"),
        *(sys.executable, "-c", code),
    )
    if "Operation not permitted" in done.stderr:
        pytest.skip("this system lets nobody trace a process")
    assert done.returncode == 0, done.stderr
    calls = [line.split(" ", 1)[1].lstrip() for line in trace.read_text(errors="replace").splitlines()]
    evidence = [n for n, call in enumerate(calls) if "/evidence/" in call or "/evidence>" in call]
    names = [calls[n].split("(")[0] for n in evidence]
    assert names[:2] == ["write", "fsync"]
    assert names[2].startswith("rename")
    assert names[3] == "fsync"
    record = [n for n, call in enumerate(calls) if "/record.jsonl>" in call]
    assert [calls[n].split("(")[0] for n in record[:2]] == ["write", "fsync"]
    after = [n for n in record if n > evidence[3]]
    assert [calls[n].split("(")[0] for n in after[:2]] == ["write", "fsync"]
    # open, phase, check, sign, hold, lift: each write of a line is followed by its sync
    assert [calls[n].split("(")[0] for n in record] == ["write", "fsync"] * 6
