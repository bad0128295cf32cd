"""`preflight crew`: a roster and keys from nothing, and from keys that people bring."""

from __future__ import annotations

import io
import os
import subprocess

import pytest
from tools import need_tool

from preflight.cli.main import run
from preflight.record import keys as record_keys
from preflight.record.keys import Keyring
from preflight.record.roster import Roster


@pytest.fixture
def crew(tmp_path, monkeypatch, capsys):
    """Runs the command in an empty folder with its own keys; exit code, stdout and stderr."""
    monkeypatch.chdir(tmp_path)
    # bcrypt at its cheapest: these keys guard nothing
    monkeypatch.setattr(record_keys.make_key, "__kwdefaults__", {"rounds": 1})

    def call(*args, stdin=None, keys=True):
        if stdin is not None:
            monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
        where = ["--keys", str(tmp_path / "keys")] if keys else []
        code = run(["crew", *args, *where])
        told = capsys.readouterr()
        assert "Traceback" not in told.err + told.out
        return code, told.out, told.err

    return call


def add(crew, person_id, *more, passphrase="tall grass"):
    return crew(
        *("add", person_id, "--name", f"{person_id.title()} Ø.", "--role", "payload", *more),
        *("--passphrase-stdin",),
        stdin=passphrase + "\n",
    )


def ring(tmp_path):
    return Keyring(tmp_path / "keys", Roster.parse((tmp_path / "allowed_signers").read_bytes()))


def test_people_and_the_laptop_are_added_and_can_sign(crew, tmp_path):
    code, out, err = add(crew, "ben", "--role", "tracking")
    assert (code, err) == (0, "")
    assert "ben is on allowed_signers: Ben Ø., payload, tracking" in out
    assert crew("add", "--instrument")[0] == 0
    made = ring(tmp_path)
    assert made.roster.find("ben").fingerprint in out
    assert made.unlock("ben", "tall grass").id == "ben"
    assert made.instrument().id == "instrument"
    if os.name == "posix":
        assert (tmp_path / "keys").stat().st_mode & 0o777 == 0o700
        assert (tmp_path / "keys" / "ben").stat().st_mode & 0o777 == 0o600


def test_the_passphrase_is_asked_for_twice_and_hidden(crew, tmp_path, monkeypatch):
    asked = []

    def prompt(text, **how):
        asked.append(how)
        return "tall grass"

    monkeypatch.setattr("click.prompt", prompt)
    assert crew("add", "ben", "--name", "Ben", "--role", "payload")[0] == 0
    (how,) = asked
    assert how["hide_input"] is True
    assert how["confirmation_prompt"]
    assert ring(tmp_path).unlock("ben", "tall grass")


def test_what_cannot_be_added_is_a_sentence_and_makes_no_key(crew, tmp_path):
    assert add(crew, "ben")[0] == 0
    before = (tmp_path / "allowed_signers").read_bytes()
    for args, said in (
        (
            ("ben", "--name", "B", "--role", "tracking"),
            "ben is on allowed_signers already, as Ben Ø. with the role payload; to change that, take out "
            "the line that begins with ben and add them again with every role (--role payload "
            "--role tracking): the key",
        ),
        (("Cy", "--name", "C", "--role", "payload"), "not an id"),
        (("a*", "--name", "C", "--role", "payload"), "pattern"),
        (("cy", "--name", "C\x1b", "--role", "payload"), "printable"),
        (("cy", "--name", "C", "--role", "Pay Load"), "not a role"),
        (("cy", "--name", "C", "--role", "instrument"), "--instrument"),
        (("cy", "--name", "C"), "--role"),
        (("cy", "--role", "payload"), "--name"),
        (("--name", "C", "--role", "payload"), "ID"),
        (("--instrument", "--role", "payload"), "--role"),
        (("cy", "--name", "C", "--role", "payload", "--key", "none"), "missing"),
        (("cy", "--name", "C", "--role", "payload", "--key", "allowed_signers"), "not an OpenSSH Ed25519"),
    ):
        code, _, err = crew("add", *args, "--passphrase-stdin", stdin="x\n")
        assert code == 2, args
        assert said in err, err
    code, _, err = add(crew, "cy", passphrase="")
    assert code == 2
    assert "passphrase" in err
    assert (tmp_path / "allowed_signers").read_bytes() == before
    assert [p.name for p in (tmp_path / "keys").iterdir()] == ["ben"]


def test_a_walk_takes_keys_from_the_folder_that_they_were_made_in(crew, tmp_path, monkeypatch):
    taken = []
    monkeypatch.setattr("preflight.cli.walk.run_walk", lambda flight, **more: taken.append(more["keys"]) or 0)
    assert run(["walk", "flight.toml", "--keys", str(tmp_path / "keys")]) == 0
    assert taken == [tmp_path / "keys"]
    # A roster's line taken out and added again with another role has the same key.
    assert add(crew, "ben")[0] == 0
    before = ring(tmp_path).roster.find("ben").key
    (tmp_path / "allowed_signers").write_text("")
    assert add(crew, "ben", "--role", "tracking")[0] == 0
    assert ring(tmp_path).roster.find("ben").key == before


def test_a_key_in_the_folder_serves_another_roster(crew, tmp_path):
    add(crew, "ben")
    (tmp_path / "allowed_signers").rename(tmp_path / "last_flight")
    code, out, _ = crew("add", "ben", "--name", "Ben", "--role", "safety")
    assert code == 0
    assert "already" in out
    assert ring(tmp_path).unlock("ben", "tall grass")
    (tmp_path / "allowed_signers").unlink()
    code, _, err = crew("add", "ben", "--instrument")
    assert code == 2
    assert "another sort" in err


def test_brought_keys_private_and_public(crew, tmp_path):
    need_tool("ssh-keygen")
    mine = tmp_path / "mine"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-a", "1", "-N", "wet wool", "-f", mine], check=True)
    assert crew("add", "cy", "--name", "Cy", "--role", "safety", "--key", str(mine))[0] == 0
    assert ring(tmp_path).unlock("cy", "wet wool")
    code, out, err = crew("add", "di", "--name", "Di", "--role", "safety", "--key", f"{mine}.pub")
    assert code == 2
    assert "same key as cy" in err
    other = tmp_path / "other"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", other], check=True)
    code, _, err = crew("add", "di", "--name", "Di", "--role", "safety", "--key", str(other))
    assert code == 2
    assert "a passphrase" in err
    code, out, _ = crew("add", "di", "--name", "Di", "--role", "safety", "--key", f"{other}.pub")
    assert code == 0
    assert "stays where it is" in out
    assert not (tmp_path / "keys" / "di").exists()


def test_the_roster_is_listed_and_exported(crew, tmp_path):
    add(crew, "ben")
    add(crew, "cy")
    crew("add", "pad", "--instrument", "--name", "Field laptop")
    (tmp_path / "keys" / "cy").unlink()
    code, out, _ = crew("list")
    assert code == 0
    lines = out.splitlines()
    assert [line.split()[0] for line in lines] == ["ID", "ben", "cy", "pad"]
    assert " yes " in lines[1]
    assert " no " in lines[2]
    # A file of the right name that holds another key is no key of this roster's.
    keys = tmp_path / "keys"
    known = ring(tmp_path).roster
    bens = (keys / "ben").read_bytes()
    for content, word, said in (
        (
            (keys / "pad").read_bytes(),
            "another",
            f"({known.find('pad').fingerprint}) is not the one on the ros",
        ),
        (b"rubbish", "unusable", "is not an OpenSSH Ed25519 key"),
        (
            f"{known.to_text().splitlines()[0].split(' ', 2)[2]}\n".encode(),
            "unusable",
            "not a private key under",
        ),
        (bens, "yes", ""),
    ):
        (keys / "ben").write_bytes(content)
        code, out, err = crew("list")
        assert code == 0
        assert f" {word} " in out.splitlines()[1]
        assert said in err
        assert bool(err) is bool(said)
    assert "ben: the key in" not in err
    code, out, _ = crew("export", keys=False)
    assert (code, out) == (0, (tmp_path / "allowed_signers").read_text())
    assert crew("export", "cy", "-o", "for-auditor", keys=False)[0] == 0
    assert [p.id for p in Roster.parse((tmp_path / "for-auditor").read_bytes()).everyone] == ["cy"]
    for args, said in (
        (("export", "zoe"), "not on the roster"),
        (("export", "-o", "for-auditor"), "there already"),
        (("export", "--roster", "none"), "missing"),
    ):
        code, _, err = crew(*args, keys=False)
        assert code == 2
        assert said in err


def test_a_roster_that_cannot_be_read_is_left_alone(crew, tmp_path):
    (tmp_path / "allowed_signers").write_text("* ssh-ed25519 AAAA x\n")
    code, _, err = add(crew, "ben")
    assert code == 2
    assert "allowed_signers, line 1" in err
    assert (tmp_path / "allowed_signers").read_text() == "* ssh-ed25519 AAAA x\n"
    assert not (tmp_path / "keys").exists()
