"""Seals and codes: one form, of the right people, over this record."""

from __future__ import annotations

import base64

import pytest
from record_making import reseal

from preflight.errors import RecordError
from preflight.record import sshsig
from preflight.record.seal import add_seal, parse_code, seal_code
from preflight.record.verify import verify


def test_seals_of_another_namespace_key_or_record_are_bad(record, making, crew, strangers):
    data = (record / "record.jsonl").read_bytes()
    ada = crew.signer("ada")
    path = record / "seals" / "ada.sig"
    good = path.read_bytes()

    def seal(namespace, signer, message):
        return sshsig.armour(namespace, signer.public, signer.sign(namespace, message))

    blob = base64.b64decode(b"".join(good.splitlines()[1:-1]))
    wrapped = base64.encodebytes(blob)
    spoilt = {
        "drill": seal(sshsig.DRILL_SEAL, ada, data),
        "entry": seal(sshsig.ENTRY, ada, data),
        "file": seal("file", ada, data),
        "stranger": seal(sshsig.SEAL, strangers.signer("ada"), data),
        "someone else": seal(sshsig.SEAL, crew.signer("ben"), data),
        "other bytes": seal(sshsig.SEAL, ada, data + b"\n"),
        "junk after": good + b"junk\n",
        "junk before": b"junk\n" + good,
        "blank line after": good + b"\n",
        "carriage returns": good.replace(b"\n", b"\r\n"),
        "other width": good.splitlines(True)[0] + wrapped + good.splitlines(True)[-1],
        "empty": b"",
        "huge": good * 1000,
        "no end": good[:-10],
    }
    for name, content in spoilt.items():
        path.write_bytes(content)
        found = verify(record)
        assert found.state == "bad", name
        assert "seals/ada.sig" in found.why
    path.write_bytes(good)
    assert verify(record).state == "sealed"


def rebuilt(**fields: bytes) -> bytes:
    """An armoured blob, its fields replaced."""
    parts = {
        "magic": b"SSHSIG",
        "version": (1).to_bytes(4, "big"),
        "key": sshsig.string(sshsig.public_blob(b"\1" * 32)),
        "namespace": sshsig.string(b"preflight-seal"),
        "reserved": sshsig.string(b""),
        "hash": sshsig.string(b"sha512"),
        "signature": sshsig.string(sshsig.string(b"ssh-ed25519") + sshsig.string(b"\2" * 64)),
        "rest": b"",
    } | fields
    text = base64.b64encode(b"".join(parts.values()))
    lines = [text[at : at + 70] for at in range(0, len(text), 70)]
    return b"\n".join([b"-----BEGIN SSH SIGNATURE-----", *lines, b"-----END SSH SIGNATURE-----", b""])


BLOBS = {
    "version": {"version": (2).to_bytes(4, "big")},
    "preamble": {"magic": b"SSHSIH"},
    "reserved": {"reserved": sshsig.string(b"x")},
    "hash algorithm": {"hash": sshsig.string(b"sha256")},
    "no hash algorithm": {"hash": b""},
    "key type": {"key": sshsig.string(sshsig.string(b"ssh-rsa") + sshsig.string(b"\1" * 32))},
    "key length": {"key": sshsig.string(sshsig.public_blob(b"\1" * 31))},
    "signature type": {"signature": sshsig.string(sshsig.string(b"ssh-rsa") + sshsig.string(b"\2" * 64))},
    "signature length": {
        "signature": sshsig.string(sshsig.string(b"ssh-ed25519") + sshsig.string(b"\2" * 65))
    },
    "after the signature": {"rest": b"\0"},
    "cut": {"signature": b"\0\0\xff\xff"},
}


def test_the_blob_as_it_must_be_is_read():
    assert sshsig.parse_armour(rebuilt(), "preflight-seal") == (b"\1" * 32, b"\2" * 64)


@pytest.mark.parametrize("name", BLOBS)
def test_blobs_of_any_other_form_are_refused(name):
    with pytest.raises(RecordError):
        sshsig.parse_armour(rebuilt(**BLOBS[name]), "preflight-seal")


def test_stray_seals_are_bad(record, crew):
    data = (record / "record.jsonl").read_bytes()
    reseal(record, crew, "ben")
    assert verify(record).state == "sealed"
    laptop = crew.signer("laptop")
    for name, content in {
        "zoe.sig": (record / "seals" / "ada.sig").read_bytes(),
        "laptop.sig": sshsig.armour(sshsig.SEAL, laptop.public, laptop.sign(sshsig.SEAL, data)),
        "ben.sig": b"nonsense",
        "x y.sig": b"",
    }.items():
        path = record / "seals" / name
        before = path.read_bytes() if path.exists() else None
        path.write_bytes(content)
        assert verify(record).state == "bad", name
        path.unlink()
        if before is not None:
            path.write_bytes(before)
    assert verify(record).state == "sealed"


def test_a_seal_on_a_record_that_is_not_closed_is_bad(making, crew):
    recorder = making.begin()
    recorder.close()
    reseal(recorder.folder, crew, "ada")
    found = verify(recorder.folder)
    assert found.state == "bad"
    assert "not closed" in found.why


@pytest.mark.parametrize("wrote", ["{code}", "{lower}", "{bare}", " {spaced} ", "{heard}", "{long_dash}"])
def test_a_code_is_read_however_it_was_written_down(record, wrote):
    code = seal_code((record / "record.jsonl").read_bytes(), record.name)
    forms = {
        "code": code,
        "lower": code.lower(),
        "bare": code.replace("-", ""),
        "spaced": code.replace("-", "  "),
        "heard": code.replace("0", "O").replace("1", "l"),
        "long_dash": code.replace("-", " – "),
    }
    assert parse_code(wrote.format(**forms)) == code
    assert verify(record, code=wrote.format(**forms)).state == "anchored"


@pytest.mark.parametrize("text", ["", "7KQ2", "U" * 16, "7" * 17, "7" * 15 + "é", "7" * 15 + "!"])
def test_what_is_no_code_is_said_so(text):
    with pytest.raises(RecordError, match="seal code"):
        parse_code(text)


def test_others_may_seal_later_and_nobody_twice(making, crew, strangers):
    folder = making.sealed()
    add_seal(folder, crew.signer("ben"))
    found = verify(folder)
    assert found.state == "sealed"
    assert "sealed the record" in next(s for s in found.signers if s.id == "ben").meanings
    for signer, said in (
        (crew.signer("ben"), "already"),
        (crew.signer("laptop"), "only a person"),
        (strangers.signer("cy"), "not the one"),
    ):
        with pytest.raises(RecordError, match=said):
            add_seal(folder, signer)


def test_only_a_sound_closed_record_is_sealed(making, crew):
    recorder = making.begin()
    with pytest.raises(RecordError, match="not closed"):
        recorder.seal(crew.signer("ada"))
    with pytest.raises(RecordError, match="not closed"):
        recorder.seal_code()
    making.shut(recorder, ("ada", "ben"))
    assert recorder.seal_code() == seal_code((recorder.folder / "record.jsonl").read_bytes(), recorder.rec)
    recorder.close()
    path = recorder.folder / "record.jsonl"
    good = path.read_bytes()
    for spoilt in (good.replace(b'"closed"', b'"Closed"'), good[:-1], good + b"x", b""):
        path.write_bytes(spoilt)
        with pytest.raises(RecordError, match="cannot be sealed"):
            add_seal(recorder.folder, crew.signer("cy"))
    path.write_bytes(good)
    (recorder.folder / "flight.toml").write_bytes(b"")
    with pytest.raises(RecordError, match=r"flight\.toml"):
        add_seal(recorder.folder, crew.signer("cy"))
