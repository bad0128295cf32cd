"""Seals and the seal code: what ties a whole closed record to those who closed it, and to a moment.

A seal is `seals/ID.sig`, an armoured SSHSIG over `record.jsonl`; a stock `ssh-keygen -Y verify` accepts it.
The seal code, read out or written down before release, catches a record rewritten later by a key's holder.
"""

from __future__ import annotations

import hashlib
import os
import re
from pathlib import Path

from preflight.clean import clean
from preflight.errors import RecordError
from preflight.record import disk, sshsig
from preflight.record.folder import ROSTER, SEALS, read_pinned
from preflight.record.keys import Signer, on_roster
from preflight.record.roster import Roster
from preflight.record.scan import opening, read_record, scan

SUFFIX = ".sig"
CODE_LENGTH = 16

# RFC 7914; N makes one guess cost 64 MiB and a fifth of a second.
_SCRYPT = {"n": 2**16, "r": 8, "p": 1, "dklen": 10, "maxmem": 128 * 1024 * 1024}
_CROCKFORD = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_HEARD = str.maketrans({"O": "0", "I": "1", "L": "1"})


def seal_code(data: bytes, rec: str) -> str:
    """The code of a record whose `record.jsonl` is `data`: four groups of four, `"7KQ2-..."`."""
    digest = hashlib.sha256(data).digest()
    raw = hashlib.scrypt(digest, salt=rec.encode(), **_SCRYPT)
    number = int.from_bytes(raw, "big")
    code = "".join(_CROCKFORD[number >> shift & 31] for shift in range(75, -1, -5))
    return "-".join(code[start : start + 4] for start in range(0, CODE_LENGTH, 4))


def parse_code(text: str) -> str:
    """A seal code as people write it (any case, dashes, spaces, O for 0, I or L for 1) in its printed form.

    Raises:
        RecordError: if it is not 16 characters of a seal code.
    """
    code = re.sub(r"[\s\-‐-―]", "", text).upper().translate(_HEARD)
    if len(code) != CODE_LENGTH:
        raise RecordError(f"a seal code has {CODE_LENGTH} characters, and this has {len(code)}")
    for char in code:
        if char not in _CROCKFORD:
            raise RecordError(f"a seal code has no {char!a}: digits, and letters without I, L, O and U")
    return "-".join(code[start : start + 4] for start in range(0, CODE_LENGTH, 4))


def add_seal(folder: Path, signer: Signer) -> Path:
    """Seals a closed record and returns the seal's path.

    Raises:
        RecordError: if the record is not closed or not sound, if the signer is not one of its people, has
            sealed it already, or the seal cannot be written.
    """
    data = read_record(folder)
    found = scan(data)
    if found.first_bad is not None or not found.entries:
        raise RecordError(f"{folder.name} cannot be sealed: {found.why}")
    if not found.closed:
        raise RecordError(f"{folder.name} is not closed; close it before it is sealed")
    files = read_pinned(folder, opening(found.entries))
    roster = Roster.parse(files[ROSTER], f"{folder.name}/{ROSTER}")
    signed = scan(data, roster)
    if signed.first_bad is not None:
        raise RecordError(f"{folder.name} cannot be sealed: {signed.why}")
    namespace = sshsig.seal_namespace(found.drill)
    person = on_roster(signer, roster, namespace)
    if person.is_instrument:
        raise RecordError(f"{person.id} is an instrument; only a person seals a record")
    path = folder / SEALS / f"{person.id}{SUFFIX}"
    if os.path.lexists(path):
        raise RecordError(f"{person.id} has sealed {folder.name} already")
    try:
        path.parent.mkdir(exist_ok=True)
        disk.write_file(path, sshsig.armour(namespace, person.key, signer.sign(namespace, data)))
        disk.sync_folder(folder)
    except OSError as error:
        raise RecordError(f"the seal cannot be written: {disk.reason(error)}") from None
    return path


def check_seals(folder: Path, data: bytes, roster: Roster, *, drill: bool) -> tuple[str, ...]:
    """Ids of everyone whose valid seal over `data` is in the folder.

    Raises:
        RecordError: naming the first `.sig` file that is not a valid seal of someone on the roster.
    """
    namespace = sshsig.seal_namespace(drill)
    sealed = []
    for name in seal_names(folder):
        shown = f"the seal {SEALS}/{clean(name, limit=80)}"
        armoured = disk.read_file(folder / SEALS / name, shown, sshsig.MAX_ARMOUR)
        try:
            sealed.append(_check_seal(name.removesuffix(SUFFIX), armoured, data, roster, namespace))
        except RecordError as error:
            raise RecordError(f"{shown} {error}") from None
    return tuple(sealed)


def seal_names(folder: Path) -> tuple[str, ...]:
    """File names in `seals/` that say they are seals; dot files, left by file managers, do not."""
    names = disk.list_folder(folder / SEALS, f"{SEALS}/")
    return tuple(n for n in names if n.endswith(SUFFIX) and not n.startswith("."))


def _check_seal(person_id: str, armoured: bytes, data: bytes, roster: Roster, namespace: str) -> str:
    if person_id not in roster:
        raise RecordError("is by someone who is not on the roster")
    person = roster.find(person_id)
    if person.is_instrument:
        raise RecordError("is an instrument's; only a person seals a record")
    if not person.good_for(namespace):
        raise RecordError(f"is by a key that the roster keeps from {namespace}")
    public, signature = sshsig.parse_armour(armoured, namespace)
    if public != person.key:
        raise RecordError(f"is by another key than {person.id}'s")
    if not sshsig.valid(sshsig.load_public(public), namespace, data, signature):
        raise RecordError("is not over this record; the record was changed since, or the seal is another's")
    return person.id
