"""The roster takes one reading of an allowed_signers file, or none."""

from __future__ import annotations

import base64
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record.roster import Person, Roster, line_for


def key(byte: int, kind: bytes = b"ssh-ed25519", size: int = 32) -> str:
    blob = struct.pack(">I", len(kind)) + kind + struct.pack(">I", size) + bytes([byte]) * size
    return base64.b64encode(blob).decode()


GOOD = f"ada ssh-ed25519 {key(1)} name=Ada%20B roles=director,payload\n"


def test_people_are_read_in_order_and_the_laptop_is_not_one():
    text = (
        "# the crew\n\n"
        + GOOD
        + f'pad namespaces="preflight-entry,preflight-drill-entry" ssh-ed25519 {key(2)} '
        + "name=Laptop roles=instrument\r\n"
        + f"ben\tssh-ed25519 {key(3)} name=Ben roles=safety\n".replace("\t", " ")
    )
    roster = Roster.parse(text.encode())
    assert [p.id for p in roster.people] == ["ada", "ben"]
    assert [p.id for p in roster.instruments] == ["pad"]
    assert [p.id for p in roster.everyone] == ["ada", "pad", "ben"]
    ada = roster.find("ada")
    assert (ada.name, ada.roles, ada.key) == ("Ada B", ("director", "payload"), b"\1" * 32)
    assert ada.namespaces is None
    assert ada.good_for("preflight-seal")
    assert not roster.find("pad").good_for("preflight-seal")
    assert Roster.parse(roster.to_text().encode()).everyone == roster.everyone


BAD = {
    "wildcard": GOOD.replace("ada", "a*"),
    "question mark": GOOD.replace("ada", "ad?"),
    "negation": GOOD.replace("ada", "!ada"),
    "two ids": GOOD.replace("ada", "ada,ben"),
    "quoted id": GOOD.replace("ada", '"ada"'),
    "upper case": GOOD.replace("ada", "Ada"),
    "path": GOOD.replace("ada", "../ada"),
    "device name": GOOD.replace("ada", "con"),
    "dot at the end": GOOD.replace("ada", "ada."),
    "long id": GOOD.replace("ada", "a" * 65),
    "other key type": GOOD.replace("ssh-ed25519", "ssh-rsa"),
    "security key": GOOD.replace("ssh-ed25519", "sk-ssh-ed25519@openssh.com"),
    "blob of another type": GOOD.replace(key(1), key(1, b"ssh-ed25518")),
    "short key": GOOD.replace(key(1), key(1, size=31)),
    "key with more after it": GOOD.replace(
        key(1), base64.b64encode(base64.b64decode(key(1)) + b"x").decode()
    ),
    "key cut short": GOOD.replace(key(1), key(1)[:20]),
    "key not base64": GOOD.replace(key(1), "!!!!"),
    "certificate authority": GOOD.replace("ada ", "ada cert-authority "),
    "validity": GOOD.replace("ada ", 'ada valid-after="20250101" '),
    "two options": GOOD.replace("ada ", 'ada namespaces="a",valid-after="20250101" '),
    "namespace pattern": GOOD.replace("ada ", 'ada namespaces="preflight-*" '),
    "empty namespaces": GOOD.replace("ada ", 'ada namespaces="" '),
    "namespace twice": GOOD.replace("ada ", 'ada namespaces="a,a" '),
    "no comment": f"ada ssh-ed25519 {key(1)}\n",
    "no roles": f"ada ssh-ed25519 {key(1)} name=Ada\n",
    "no name": f"ada ssh-ed25519 {key(1)} roles=director\n",
    "empty name": GOOD.replace("Ada%20B", ""),
    "more comment": GOOD.replace("\n", " more\n"),
    "name not UTF-8": GOOD.replace("Ada%20B", "%ff"),
    "name with escape": GOOD.replace("Ada%20B", "%1b%5b2J"),
    "name that turns text around": GOOD.replace("Ada%20B", "%E2%80%AEada"),
    "odd role": GOOD.replace("director", "Director"),
    "role twice": GOOD.replace("director,payload", "payload,payload"),
    "instrument and more": GOOD.replace("director", "instrument"),
    "not ASCII": GOOD.replace("Ada%20B", "Adä"),
    "NUL": GOOD.replace("Ada%20B", "Ada\0"),
    "line separator": GOOD.replace("Ada%20B", "A\x0bB"),
    "id twice": GOOD + GOOD.replace(key(1), key(2)),
    "key twice": GOOD + GOOD.replace("ada", "ben"),
    "only an id": "ada\n",
}


@pytest.mark.parametrize("name", BAD)
def test_anything_else_is_refused_with_its_line(name):
    if name == "not ASCII":
        expected = "not plain ASCII"
    else:
        expected = f"crew.txt, line {BAD[name].count(chr(10)) + 1}: "
    with pytest.raises(RecordError, match=expected) as error:
        Roster.parse(b"# a remark\n" + BAD[name].encode(), "crew.txt")
    assert clean(str(error.value)) == str(error.value)


def test_a_huge_roster_is_refused():
    with pytest.raises(RecordError, match="longer"):
        Roster.parse(b"#" * (1 << 20))


def test_two_people_with_one_key_are_refused_by_name():
    with pytest.raises(RecordError, match="ben has the same key as ada"):
        Roster.parse((GOOD + GOOD.replace("ada", "ben")).encode())


def test_nobody_of_that_name():
    with pytest.raises(RecordError, match="zoe is not on the roster"):
        Roster.parse(GOOD.encode()).find("zoe")


printable = st.text(min_size=1, max_size=40).filter(lambda text: clean(text) == text)


@given(
    name=printable,
    roles=st.lists(st.from_regex(r"[a-z0-9][a-z0-9-]{0,9}", fullmatch=True), min_size=1, unique=True),
)
def test_any_printable_name_survives_the_comment(name, roles):
    if "instrument" in roles:
        return
    person = Person(id="ada", name=name, roles=tuple(roles), key=b"\7" * 32)
    line = line_for(person)
    assert line.isascii()
    assert len(line.split(" ")) == 6
    assert Roster.parse(line.encode()).find("ada") == person


@given(st.binary(max_size=300))
def test_nonsense_is_refused_and_never_crashes(data):
    try:
        Roster.parse(data)
    except RecordError:
        return
