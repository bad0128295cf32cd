"""Keys open for their owner alone, and nothing of them leaks."""

from __future__ import annotations

import copy
import os
import pickle
import subprocess
import traceback

import pytest
from tools import need_tool

from preflight.errors import RecordError
from preflight.record.keys import Keyring, keep_key, load_private, make_key, on_roster, public_of
from preflight.record.roster import Person, Roster

SECRET = "do not print me"
posix = pytest.mark.skipif(os.name != "posix", reason="file modes are POSIX's")


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "data" / "keys"


def ring_of(folder, **people):
    made = [Person(id=i, name=i, roles=(r,), key=key) for i, (key, r) in people.items()]
    return Keyring(folder, Roster(made))


@pytest.fixture
def ring(folder):
    ada = make_key(folder, "ada", SECRET, rounds=1)
    pad = make_key(folder, "pad", None)
    return ring_of(folder, ada=(ada, "director"), pad=(pad, "instrument"))


def test_keys_are_unlocked_side_by_side_and_locked_again(crew):
    ring = Keyring(crew.keys.folder, crew.roster)
    assert ring.unlocked == ()
    ring.unlock("ben", "tall grass")
    ring.unlock("ada", "brown kettle")
    assert ring.unlocked == ("ben", "ada")
    assert on_roster(ring.signer("ada"), crew.roster, "preflight-entry").id == "ada"
    ring.lock("ben")
    ring.lock("ben")
    assert ring.unlocked == ("ada",)
    with pytest.raises(RecordError, match="ben has not unlocked"):
        ring.signer("ben")
    ring.lock_all()
    assert ring.unlocked == ()


def test_the_passphrase_is_checked_again_without_unlocking(ring):
    ring.check("ada", SECRET)
    assert ring.unlocked == ()
    with pytest.raises(RecordError, match="not its passphrase"):
        ring.check("ada", SECRET + "!")


def test_a_passphrase_found_right_counts_for_one_act_of_one_person(crew):
    ring = Keyring(crew.keys.folder, crew.roster)
    opened = ring.open("ada", "brown kettle")
    assert ring.unlocked == ()
    ring.admit(opened)
    assert ring.unlocked == ("ada",)
    proof = ring.prove("ada", "brown kettle")
    assert "kettle" not in proof
    ring.check("ada", proof)
    for person, used in (("ada", proof), ("ben", ring.prove("ada", "brown kettle"))):
        with pytest.raises(RecordError, match="not its passphrase"):
            ring.check(person, used)
    with pytest.raises(RecordError, match="not its passphrase"):
        ring.prove("ada", "guess")
    proof = ring.prove("ada", "brown kettle")
    ring.lock_all()
    with pytest.raises(RecordError, match="not its passphrase"):
        ring.check("ada", proof)


@pytest.mark.parametrize("wrong", ["", "x", SECRET + " ", "\0", "ü\ud800"])
def test_a_wrong_passphrase_is_a_sentence_that_holds_no_secret(ring, wrong):
    with pytest.raises(RecordError) as error:
        ring.unlock("ada", wrong)
    text = "".join(traceback.format_exception(error.value))
    assert "passphrase" in str(error.value)
    assert SECRET not in text
    assert len(wrong) < 2 or wrong not in str(error.value)
    assert ring.unlocked == ()


def test_signers_and_rings_give_nothing_away(ring):
    signer = ring.unlock("ada", SECRET)
    assert repr(signer) == "Signer('ada')"
    assert SECRET not in repr(ring)
    assert "Ed25519PrivateKey" not in repr(ring) + str(vars(ring))
    for take in (pickle.dumps, copy.copy, copy.deepcopy):
        with pytest.raises(TypeError):
            take(signer)
    assert not hasattr(signer, "__dict__")


def test_the_instruments_key_opens_without_a_passphrase_and_persons_do_not(ring, folder):
    assert ring.instrument().id == "pad"
    with pytest.raises(RecordError, match="is an instrument"):
        ring.unlock("pad", "x")
    with pytest.raises(RecordError, match="needs its passphrase"):
        load_private(folder / "ada", None)
    open_key = make_key(folder, "eve", None)
    with pytest.raises(RecordError, match="has no passphrase"):
        ring_of(folder, eve=(open_key, "payload")).unlock("eve", "x")


def test_an_instrument_that_is_not_here_is_said_so(ring, folder):
    with pytest.raises(RecordError, match="no instrument is on the roster"):
        ring_of(folder, ada=(b"\1" * 32, "director")).instrument()
    with pytest.raises(RecordError, match="crew add --instrument"):
        ring_of(folder, far=(b"\1" * 32, "instrument")).instrument()


def test_a_key_other_than_the_rosters_does_not_sign(ring, folder):
    ring = ring_of(folder, ada=(b"\1" * 32, "director"))
    with pytest.raises(RecordError, match="not the one that the roster has"):
        ring.unlock("ada", SECRET)


def test_nobody_and_missing_keys(ring, folder):
    with pytest.raises(RecordError, match="zoe is not on the roster"):
        ring.unlock("zoe", SECRET)
    (folder / "ada").unlink()
    with pytest.raises(RecordError, match="key is missing: there is no file ada in ") as told:
        ring.unlock("ada", SECRET)
    # Where it was looked for, and the option that looks elsewhere.
    assert str(folder) in str(told.value)
    assert "preflight walk --keys DIR" in str(told.value)


@posix
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660, 0o666])
def test_a_key_file_open_to_others_is_refused_with_the_remedy(ring, folder, mode):
    assert (folder / "ada").stat().st_mode & 0o777 == 0o600
    (folder / "ada").chmod(mode)
    with pytest.raises(RecordError, match=r"open to others.*chmod 600"):
        ring.unlock("ada", SECRET)


@posix
@pytest.mark.parametrize("mode", [0o755, 0o750, 0o701])
def test_a_key_folder_open_to_others_is_refused_with_the_remedy(ring, folder, mode):
    assert folder.stat().st_mode & 0o777 == 0o700
    folder.chmod(mode)
    with pytest.raises(RecordError, match=r"open to others.*chmod 700"):
        ring.unlock("ada", SECRET)
    with pytest.raises(RecordError, match="open to others"):
        make_key(folder, "ben", "x", rounds=1)


def test_a_key_is_never_replaced_and_never_without_a_passphrase(ring, folder):
    before = (folder / "ada").read_bytes()
    with pytest.raises(RecordError, match="there already"):
        make_key(folder, "ada", "other", rounds=1)
    assert (folder / "ada").read_bytes() == before
    with pytest.raises(RecordError, match="needs a passphrase"):
        make_key(folder, "ben", "")
    with pytest.raises(RecordError, match="not an id"):
        make_key(folder, "../ben", "x", rounds=1)


def test_damaged_key_files_are_a_sentence(ring, folder):
    good = (folder / "ada").read_bytes()
    for data in (
        b"",
        good[:60],
        good.replace(b"OPENSSH", b"RSA"),
        good[:40] + b"!" + good[41:],
        b"\xff" * 90,
    ):
        (folder / "ada").write_bytes(data)
        with pytest.raises(RecordError):
            ring.unlock("ada", SECRET)
    (folder / "ada").write_bytes(b"x" * 100_000)
    with pytest.raises(RecordError, match="longer"):
        ring.unlock("ada", SECRET)


def test_keys_of_the_system_tool_are_taken(tmp_path, folder):
    need_tool("ssh-keygen")
    path = tmp_path / "id"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-a", "1", "-N", SECRET, "-f", path], check=True)
    public, encrypted = public_of(path.read_bytes(), "id")
    assert encrypted is True
    assert public_of((tmp_path / "id.pub").read_bytes(), "id.pub") == (public, None)
    keep_key(folder, "ada", path.read_bytes())
    signer = ring_of(folder, ada=(public, "director")).unlock("ada", SECRET)
    assert signer.public == public


def test_our_keys_are_taken_by_the_system_tool(ring, folder):
    need_tool("ssh-keygen")
    told = subprocess.run(
        ["ssh-keygen", "-y", "-P", SECRET, "-f", folder / "ada"], check=True, capture_output=True, text=True
    ).stdout
    assert public_of(told.encode(), "told")[0] == ring.roster.find("ada").key
    shown = subprocess.run(
        ["ssh-keygen", "-l", "-f", folder / "ada"], check=True, capture_output=True, text=True
    ).stdout
    assert shown.split()[1] == ring.roster.find("ada").fingerprint


def test_other_kinds_of_key_are_refused(tmp_path):
    need_tool("ssh-keygen")
    path = tmp_path / "id"
    subprocess.run(["ssh-keygen", "-q", "-t", "ecdsa", "-N", "", "-f", path], check=True)
    for name in ("id", "id.pub"):
        with pytest.raises(RecordError, match="Ed25519"):
            public_of((tmp_path / name).read_bytes(), name)
