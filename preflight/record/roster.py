"""The roster: who is on the crew, with which key and which roles.

It is an OpenSSH `allowed_signers` file (ssh-keygen(1), ALLOWED SIGNERS), kept to what can be read in one way
only: one id a line, no wildcard, an Ed25519 key, no option but `namespaces`. The key's comment holds the
printed name and the roles, percent-encoded: `name=Jo%20Example roles=director,payload`.
"""

from __future__ import annotations

import base64
import binascii
import re
from collections.abc import Iterable
from urllib.parse import quote, unquote

from msgspec import Struct

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record import sshsig

INSTRUMENT = "instrument"
"""The role of the laptop's own key; a holder of it has no other and is not one of the people."""
MAX_ROSTER = 256 * 1024
MAX_NAME = 100

_ID = re.compile(r"[a-z0-9][a-z0-9._@+-]{0,63}")
_ROLE = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
_NAMESPACE = re.compile(r"[a-z0-9][a-z0-9@._-]*")
_OPTION = re.compile(r'namespaces="([^"]*)"')
# Names that one system or another keeps for its devices: no file of that name can hold a key or a seal.
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?")


class Person(Struct, frozen=True, kw_only=True):
    """One line of the roster. `key` is the Ed25519 public key's 32 bytes.

    `namespaces` are those the key is good for; None is all of them.
    """

    id: str
    name: str
    roles: tuple[str, ...]
    key: bytes
    namespaces: tuple[str, ...] | None = sshsig.NAMESPACES

    @property
    def fingerprint(self) -> str:
        """As `ssh-keygen -l` prints it."""
        return sshsig.fingerprint(self.key)

    @property
    def is_instrument(self) -> bool:
        """Whether this is a laptop and not a person."""
        return INSTRUMENT in self.roles

    def good_for(self, namespace: str) -> bool:
        """Whether the roster lets this key sign in `namespace`."""
        return self.namespaces is None or namespace in self.namespaces


class Roster:
    """Everyone whose signature counts, in the file's order."""

    def __init__(self, entries: Iterable[Person]) -> None:
        """`entries` are people and instruments; RecordError where two share an id or a key."""
        self._by_id: dict[str, Person] = {}
        self._by_key: dict[bytes, str] = {}
        for person in entries:
            self._add(person)

    def _add(self, person: Person) -> None:
        _check_person(person)
        if person.id in self._by_id:
            raise RecordError(f"{person.id} stands on the roster twice; keep one line for each id")
        if person.key in self._by_key:
            raise RecordError(
                f"{person.id} has the same key as {self._by_key[person.key]}; each needs a key of their own, "
                "or one could witness for the other"
            )
        self._by_id[person.id] = person
        self._by_key[person.key] = person.id

    @classmethod
    def parse(cls, data: bytes, where: str = "allowed_signers") -> Roster:
        """Reads an allowed_signers file; `where` is its name in errors.

        Raises:
            RecordError: naming the first line that cannot be taken, and why.
        """
        if len(data) > MAX_ROSTER:
            raise RecordError(f"{where} is longer than {MAX_ROSTER} bytes; no roster needs that")
        try:
            text = data.decode("ascii")
        except UnicodeDecodeError:
            raise RecordError(
                f"{where} is not plain ASCII; percent-encode names in the key's comment"
            ) from None
        roster = cls(())
        for number, line in enumerate(text.split("\n"), 1):
            stripped = line.removesuffix("\r").strip(" \t")
            if not stripped or stripped.startswith("#"):
                continue
            try:
                roster._add(_parse_line(stripped))
            except (RecordError, ValueError) as error:
                raise RecordError(f"{where}, line {number}: {error}") from None
        return roster

    @property
    def everyone(self) -> tuple[Person, ...]:
        """People and instruments."""
        return tuple(self._by_id.values())

    @property
    def people(self) -> tuple[Person, ...]:
        """The people, without instruments: a person's number is their place here, from 1."""
        return tuple(p for p in self._by_id.values() if not p.is_instrument)

    @property
    def instruments(self) -> tuple[Person, ...]:
        """The laptops' own keys."""
        return tuple(p for p in self._by_id.values() if p.is_instrument)

    def find(self, person_id: str) -> Person:
        """The one with this id; RecordError if there is none."""
        found = self._by_id.get(person_id)
        if found is None:
            known = ", ".join(self._by_id) or "nobody"
            raise RecordError(f"{clean(person_id, limit=64)} is not on the roster (on it: {known})")
        return found

    def __contains__(self, person_id: object) -> bool:
        return person_id in self._by_id

    def with_person(self, person: Person) -> Roster:
        """A roster with one more line at its end."""
        return Roster((*self.everyone, person))

    def to_text(self) -> str:
        """The allowed_signers file."""
        return "".join(line_for(person) + "\n" for person in self._by_id.values())


def line_for(person: Person) -> str:
    """One line of an allowed_signers file, without its line end."""
    _check_person(person)
    key = base64.b64encode(sshsig.public_blob(person.key)).decode()
    parts = [person.id]
    if person.namespaces is not None:
        parts.append(f'namespaces="{",".join(person.namespaces)}"')
    roles = ",".join(person.roles)
    parts += ["ssh-ed25519", key, f"name={quote(person.name, safe='')}", f"roles={roles}"]
    return " ".join(parts)


def _check_person(person: Person) -> None:
    check_id(person.id)
    if not person.name or len(person.name) > MAX_NAME or clean(person.name) != person.name:
        raise RecordError(f"{person.id}: a printed name has 1 to {MAX_NAME} printable characters")
    if not person.roles:
        raise RecordError(f"{person.id} has no role; give at least one")
    for role in person.roles:
        if not _ROLE.fullmatch(role):
            raise RecordError(
                f'{person.id}: "{clean(role, limit=64)}" is not a role; use lower case, digits and hyphens'
            )
    if len(set(person.roles)) != len(person.roles):
        raise RecordError(f"{person.id} has a role twice")
    if person.is_instrument and len(person.roles) > 1:
        raise RecordError(
            f"{person.id} has the role {INSTRUMENT} and another; a laptop's key can have no other"
        )
    if len(person.key) != sshsig.KEY_BYTES:
        raise RecordError(f"{person.id}: an Ed25519 public key has {sshsig.KEY_BYTES} bytes")


def check_id(person_id: str) -> None:
    """RecordError unless this can be an id: no pattern, and a file name on every system."""
    shown = clean(person_id, limit=64)
    if any(char in person_id for char in "*?!"):
        raise RecordError(f'"{shown}" is a pattern; name each person by a plain id')
    if "," in person_id:
        raise RecordError(f'"{shown}" names several; give each person a line')
    if not _ID.fullmatch(person_id):
        raise RecordError(
            f'"{shown}" is not an id; use 1 to 64 of a-z, 0-9 and . _ @ + -, beginning with a letter or digit'
        )
    if _DEVICE.fullmatch(person_id) or person_id.endswith("."):
        raise RecordError(f'"{shown}" cannot be a file name on every system; choose another id')


def _parse_line(line: str) -> Person:
    person_id, _, rest = line.partition(" ")
    check_id(person_id)
    words = rest.split()
    namespaces = None
    if words and not words[0].startswith("ssh-"):
        namespaces = _parse_options(words.pop(0))
    if not words or words[0] != "ssh-ed25519":
        shown = clean(words[0], limit=40) if words else "nothing"
        raise RecordError(f"found {shown} where ssh-ed25519 must stand; only Ed25519 keys are taken")
    if len(words) != 4:
        raise RecordError("after ssh-ed25519 come the key, name=... and roles=..., and nothing else")
    return Person(
        id=person_id,
        name=_parse_field(words[2], "name"),
        roles=tuple(_parse_field(words[3], "roles").split(",")),
        key=_parse_key(words[1]),
        namespaces=namespaces,
    )


def _parse_options(word: str) -> tuple[str, ...]:
    match = _OPTION.fullmatch(word)
    if match is None:
        raise RecordError(f'the option {clean(word, limit=60)} is not taken; only namespaces="..." is')
    names = tuple(match[1].split(","))
    for name in names:
        if not _NAMESPACE.fullmatch(name):
            raise RecordError(
                f'"{clean(name, limit=40)}" is not a plain namespace; name each without wildcards'
            )
    if len(set(names)) != len(names):
        raise RecordError("a namespace is named twice")
    return names


def _parse_key(word: str) -> bytes:
    try:
        blob = binascii.a2b_base64(word, strict_mode=True)
        public = sshsig.public_from_blob(blob)
    except ValueError as error:
        raise RecordError(f"the key cannot be read: {error}") from None
    if base64.b64encode(blob).decode() != word:
        raise RecordError("the key's base64 is not spelled in its one form")
    return public


def _parse_field(word: str, key: str) -> str:
    label, _, value = word.partition("=")
    if label != key:
        raise RecordError(f"found {clean(word, limit=60)} where {key}=... must stand in the key's comment")
    try:
        text = unquote(value, errors="strict")
    except UnicodeDecodeError:
        raise RecordError(f"{key}= is percent-encoded, but not as UTF-8") from None
    return text
