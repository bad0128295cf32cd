"""Signatures that are wrong, replayed, transplanted, re-ordered, of a drill or another namespace."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec
import pytest
from fault_walk import Place
from record_making import entries_of, lines_of, put

from preflight.cli.main import run
from preflight.record import sshsig
from preflight.record.entry import Entry, Parsed, canonical, line_for, line_hash, parse_line
from preflight.record.keys import Keyring, Signer
from preflight.record.verify import verify
from preflight.walk.proof import prove

ENTRY, SEAL, DRILL = sshsig.ENTRY, sshsig.SEAL, sshsig.DRILL_ENTRY


@dataclass
class Keys:
    """Everyone's signers, by id."""

    ring: Keyring

    def of(self, person_id: str) -> Signer:
        return self.ring.instrument() if person_id == "laptop" else self.ring.signer(person_id)


@pytest.fixture
def keys(place: Place) -> Keys:
    return Keys(place.ring)


def line(keys: Keys, entry: Entry, *, namespace: str = ENTRY, signer: str | None = None) -> bytes:
    """A line of this entry, signed by its signer or another."""
    return line_for(entry, keys.of(signer or entry.signer).sign(namespace, canonical(entry)))


def made_over(keys: Keys, entries: list[Entry], namespace: str = ENTRY) -> list[bytes]:
    """The lines of these entries, chained and signed anew."""
    lines: list[bytes] = []
    for entry in entries:
        prev = line_hash(lines[-1]) if lines else "0" * 64
        lines.append(line(keys, msgspec.structs.replace(entry, prev=prev), namespace=namespace))
    return lines


def sealed_anew(keys: Keys, record: Path, namespace: str = SEAL) -> None:
    data = (record / "record.jsonl").read_bytes()
    ines = keys.of("ines")
    (record / "seals" / "ines.sig").write_bytes(
        sshsig.armour(namespace, ines.public, ines.sign(namespace, data))
    )


def refused(record: Path, lines: list[bytes], at: int, said: str = "signature") -> None:
    put(record, lines)
    found = verify(record)
    assert (found.state, found.first_bad) == ("bad", at + 1), f"line {at + 1}: {found.state} {found.why}"
    assert said in found.why, found.why


def with_signature(parsed: Parsed, signature: bytes) -> bytes:
    return line_for(parsed.entry, signature)


def test_made_over_by_everyone_at_once_it_is_good(walked, keys):
    """The tools of these tests sign as the writer does: only what is changed on purpose is refused."""
    assert made_over(keys, entries_of(walked)) == lines_of(walked)
    sealed_anew(keys, walked)
    assert prove(walked).found.state == "sealed"


def test_every_entry_with_a_signature_that_is_not_its_own(walked, flown, keys, ran):
    lines = lines_of(walked)
    parsed = [parse_line(raw) for raw in lines]
    second = next(path for path in flown.iterdir() if path.name != walked.name)
    elsewhere = {p.entry.signer: p.signature for p in map(parse_line, lines_of(second))}
    others = {"ines": "omar", "omar": "ines", "lena": "omar", "laptop": "ines"}
    tried = 0
    for at, one in enumerate(parsed):
        mine = [p for n, p in enumerate(parsed) if n != at and p.entry.signer == one.entry.signer]
        namespaces = (SEAL, DRILL, "file", "")
        wrong: dict[str, bytes] = {
            "another person's": line(keys, one.entry, signer=others[one.entry.signer]),
            "zeros": with_signature(one, bytes(64)),
            "a flipped bit": with_signature(one, bytes([one.signature[0] ^ 1]) + one.signature[1:]),
        }
        wrong |= {f"for {name!r}": line(keys, one.entry, namespace=name) for name in namespaces}
        if mine:
            wrong["transplanted from another entry"] = with_signature(one, mine[0].signature)
        if one.entry.signer in elsewhere:
            wrong["transplanted from another record"] = with_signature(one, elsewhere[one.entry.signer])
        for what, made in wrong.items():
            said = "signed for a drill" if what == f"for {DRILL!r}" else "signature"
            refused(walked, [*lines[:at], made, *lines[at + 1 :]], at, said)
            tried += 1
    ran(f"wrong, transplanted and foreign-namespace signatures on {len(lines)} entries: 0 of {tried} missed")


def test_a_well_signed_entry_that_does_not_follow_from_what_stands_before_it(walked, keys, ran):
    """By its own signer, who has the right: for another place, after another line, in another record."""
    entries, lines = entries_of(walked), lines_of(walked)
    tried = 0
    for at, entry in enumerate(entries):
        elsewhere = {
            "has the number": {"seq": entry.seq + 1},
            "does not follow from": {"prev": line_hash(b"another line")},
        }
        if at:
            elsewhere["belongs to the record"] = {"rec": "another"}
            elsewhere[f"has the number {at}"] = {"seq": at}
        for said, change in elsewhere.items():
            made = line(keys, msgspec.structs.replace(entry, **change))
            refused(walked, [*lines[:at], made, *lines[at + 1 :]], at, said)
            tried += 1
    ran(f"well-signed entries of another number, line or record: 0 of {tried} missed")


def test_signatures_in_another_order(walked, ran):
    """Two entries of one person, their signatures exchanged."""
    lines = lines_of(walked)
    parsed = [parse_line(raw) for raw in lines]
    tried = 0
    for at, one in enumerate(parsed):
        for other in range(at):
            if parsed[other].entry.signer == one.entry.signer:
                swapped = list(lines)
                swapped[at] = with_signature(one, parsed[other].signature)
                swapped[other] = with_signature(parsed[other], one.signature)
                refused(walked, swapped, other)
                tried += 1
    ran(f"signatures of one person exchanged between two entries: 0 of {tried} missed")


def test_entries_replayed_from_another_record_and_in_another_place(walked, flown, ran):
    lines = lines_of(walked)
    second = next(path for path in flown.iterdir() if path.name != walked.name)
    tried = 0
    for at in range(1, len(lines)):
        for foreign in lines_of(second):
            refused(walked, [*lines[:at], foreign], at, "")
            tried += 1
        refused(walked, [*lines[:at], lines[at - 1]], at, "")
        tried += 1
    ran(f"entries replayed from another record or place: 0 of {tried} missed")


def test_a_drills_entries_in_a_flight_and_the_other_way_round(walked, keys, ran):
    """Chained and numbered as they should be: only the signature's namespace tells."""
    entries, good = entries_of(walked), lines_of(walked)
    for at, entry in enumerate(entries):
        refused(walked, [*good[:at], line(keys, entry, namespace=DRILL)], at, "signed for a drill")
    opened = msgspec.structs.replace(entries[0].data, drill=True)
    drill = made_over(keys, [msgspec.structs.replace(entries[0], data=opened), *entries[1:]], DRILL)
    chained = [parse_line(raw).entry for raw in drill]
    for at, entry in enumerate(chained):
        refused(walked, [*drill[:at], line(keys, entry)], at, "signed for a flight")
    ran(f"a drill's entries in a flight and a flight's in a drill: 0 of {2 * len(entries)} missed")


def repinned(keys: Keys, record: Path, roster: str) -> None:
    """The folder with another roster that its own first entry names, everything signed anew."""
    data = roster.encode()
    (record / "allowed_signers").write_bytes(data)
    entries = entries_of(record)
    opened = msgspec.structs.replace(entries[0].data, roster=hashlib.sha256(data).hexdigest())
    put(record, made_over(keys, [msgspec.structs.replace(entries[0], data=opened), *entries[1:]]))
    sealed_anew(keys, record)


def exchanged(text: str) -> str:
    """ines and omar under each other's id."""
    return text.replace("ines ", "ID ").replace("omar ", "ines ").replace("ID ", "omar ")


ROSTERS: dict[str, tuple[Callable[[str], str], str]] = {
    "keys exchanged": (exchanged, "signature"),
    "a person taken off": (lambda text: text.replace("omar ", "olga "), "omar, who is not on the roster"),
    "wildcard": (lambda text: text.replace("omar ", "* "), "a pattern"),
    "wildcard beside": (lambda text: text + text.splitlines()[0].replace("ines ", "i*,!omar "), "a pattern"),
    "several ids on a line": (lambda text: text.replace("omar ", "omar,lena2 "), "names several"),
    "namespaces by pattern": (
        lambda text: text.replace("preflight-entry,preflight-seal", "preflight-*,preflight-seal"),
        "without wildcards",
    ),
    "an authority": (lambda text: text.replace("omar ", "omar cert-authority "), "is not taken"),
    "kept to files": (
        lambda text: text.replace('omar namespaces="preflight-entry', 'omar namespaces="file'),
        "keeps from preflight-entry",
    ),
    "one key twice": (lambda text: text + text.splitlines()[0].replace("ines ", "ina "), "same key"),
}


@pytest.mark.parametrize("name", ROSTERS)
def test_another_roster_in_the_folder_and_from_outside(walked, keys, place, name, capsys, tmp_path):
    true = (place.root / "allowed_signers").read_text()
    spoil, said = ROSTERS[name]
    other = spoil(true)
    assert other != true
    (walked / "allowed_signers").write_text(other)
    assert verify(walked).state == "bad"
    repinned(keys, walked, other)
    found = verify(walked)
    assert found.state == "bad"
    assert said in found.why, found.why
    repinned(keys, walked, true)
    given = tmp_path / "given"
    given.write_text(other)
    code = run(["verify", str(walked), "--roster", str(given)])
    told = capsys.readouterr()
    assert code in (1, 2)
    assert said in told.out + told.err


def test_a_seal_of_another_namespace(walked, keys):
    for namespace in (ENTRY, DRILL, sshsig.DRILL_SEAL, "file"):
        sealed_anew(keys, walked, namespace)
        found = verify(walked)
        assert (found.state, "seals/ines.sig" in found.why) == ("bad", True), namespace
