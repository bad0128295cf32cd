"""Whatever is changed in a sealed record, it is bad."""

from __future__ import annotations

import hashlib
import json
import os
import shutil

import msgspec
import pytest
from record_making import entries_of, lines_of, put, rechain, reseal, resign

from preflight.errors import RecordError
from preflight.record.entry import line_for, line_hash, parse_line
from preflight.record.kinds import ScrubData
from preflight.record.roster import Roster
from preflight.record.seal import seal_code
from preflight.record.verify import verify


def test_untouched_it_is_sealed(record, crew):
    found = verify(record)
    assert (found.state, found.trust, found.why, found.first_bad) == ("sealed", "folder", "", None)
    assert found.warnings == ()
    assert [(s.id, s.name, s.roles) for s in found.signers] == [
        ("ada", "Ada Ønske", ("director",)),
        ("laptop", "Field laptop", ("instrument",)),
        ("ben", "Ben, of the payload", ("payload", "tracking")),
        ("cy", "Cy", ("safety",)),
    ]
    meanings = ("opened the record", "started", "lifted", "closed", "sealed the record")
    assert found.signers[0].meanings == meanings
    assert found.signers[3].fingerprint == crew.roster.find("cy").fingerprint
    assert verify(record, roster=crew.roster).trust == "roster"
    assert verify(record, roster=crew.roster).state == "sealed"


def flips(path):
    """Each byte's place in turn, with one of its bits flipped; at the end the file is as it was."""
    with path.open("r+b", buffering=0) as file:
        for at, byte in enumerate(path.read_bytes()):
            for value in (byte ^ 1 << at % 8, byte):
                file.seek(at)
                file.write(bytes([value]))
                if value != byte:
                    yield at


def test_a_flipped_bit_anywhere_in_the_lines_is_bad(record):
    path = record / "record.jsonl"
    data = path.read_bytes()
    ends = [at for at, byte in enumerate(data) if byte == 10]
    for at in flips(path):
        found = verify(record)
        assert found.state == "bad", f"byte {at}"
        # The line is named in which it happened; a broken line end joins that line with the next.
        assert found.first_bad == sum(end < at for end in ends) + 1, f"byte {at}: {found.why}"


@pytest.mark.parametrize(
    "name", ["seals/ada.sig", "allowed_signers", "flight.toml", "checklist.toml", "evidence"]
)
def test_a_flipped_bit_anywhere_in_the_other_files_is_bad(record, name):
    path = next((record / name).iterdir()) if name == "evidence" else record / name
    for at in flips(path):
        found = verify(record)
        assert found.state == "bad", f"byte {at}"
        assert found.why
    assert verify(record).state == "sealed"


def test_cut_at_any_byte_is_bad_and_without_seals_only_whole_lines_are_unsealed(record):
    path = record / "record.jsonl"
    data = path.read_bytes()
    ends = {at + 1 for at, byte in enumerate(data) if byte == 10}
    for size in range(len(data) - 1, -1, -1):
        os.truncate(path, size)
        assert verify(record).state == "bad", f"{size} bytes"
    path.write_bytes(data)
    shutil.rmtree(record / "seals")
    for size in range(len(data), 0, -1):
        os.truncate(path, size)
        assert verify(record).state == ("unsealed" if size in ends else "bad"), f"{size} bytes"


def test_dropped_repeated_swapped_and_inserted_lines_are_bad(record):
    lines = lines_of(record)
    for at in range(len(lines)):
        put(record, lines[:at] + lines[at + 1 :])
        assert verify(record).state == "bad", f"without line {at + 1}"
        put(record, lines[: at + 1] + lines[at:])
        found = verify(record)
        assert (found.state, found.first_bad) == ("bad", at + 2), f"line {at + 1} twice"
        for other in range(at):
            swapped = list(lines)
            swapped[at], swapped[other] = swapped[other], swapped[at]
            put(record, swapped)
            found = verify(record)
            assert (found.state, found.first_bad) == ("bad", other + 1)
        put(record, [*lines[:at], b"{}\n", *lines[at:]])
        assert verify(record).first_bad == at + 1


def test_without_a_seal_it_is_unsealed_and_with_the_code_bad(record):
    data = (record / "record.jsonl").read_bytes()
    code = seal_code(data, record.name)
    found = verify(record, code=code)
    assert (found.state, found.trust) == ("anchored", "code")
    (record / "seals" / "cy.sig").unlink()
    found = verify(record)
    assert (found.state, found.why) == ("unsealed", "not sealed by cy")
    found = verify(record, code=code)
    assert (found.state, found.trust) == ("bad", "folder")
    shutil.rmtree(record / "seals")
    assert verify(record).why == "not sealed by ada, cy"


def test_a_code_that_does_not_match_is_bad(record):
    code = seal_code((record / "record.jsonl").read_bytes(), record.name)
    wrong = ("1" if code[0] == "0" else "0") + code[1:]
    found = verify(record, code=wrong)
    assert found.state == "bad"
    assert "seal code" in found.why
    with pytest.raises(RecordError, match="16 characters"):
        verify(record, code="7KQ2")


def test_a_record_rewritten_by_a_keys_holder_is_caught_by_the_code_alone(record, crew):
    """Everyone's keys in one hand: the signatures are good, and only what was read out tells."""
    code = seal_code((record / "record.jsonl").read_bytes(), record.name)
    entries = entries_of(record)
    data = msgspec.structs.replace(entries[4].data, reason="no gusts at all")
    entries[4] = msgspec.structs.replace(entries[4], data=data)
    put(record, rechain(entries, crew))
    reseal(record, crew, "ada", "cy")
    assert verify(record).state == "sealed"
    assert verify(record, roster=crew.roster).state == "sealed"
    assert verify(record, code=code).state == "bad"


def test_a_folder_forged_with_new_keys_is_bad_under_a_roster_or_a_code(record, crew, strangers):
    code = seal_code((record / "record.jsonl").read_bytes(), record.name)
    roster = strangers.roster.to_text().encode()
    (record / "allowed_signers").write_bytes(roster)
    entries = entries_of(record)
    opened = msgspec.structs.replace(entries[0].data, roster=hashlib.sha256(roster).hexdigest())
    entries[0] = msgspec.structs.replace(entries[0], data=opened)
    put(record, rechain(entries, strangers))
    reseal(record, strangers, "ada", "cy")
    claimed = verify(record)
    assert (claimed.state, claimed.trust) == ("sealed", "folder")
    assert claimed.signers[0].name == "Ada Ønske"
    assert claimed.signers[0].fingerprint != crew.roster.find("ada").fingerprint
    found = verify(record, roster=crew.roster)
    assert (found.state, found.first_bad, found.trust) == ("bad", 1, "roster")
    assert verify(record, code=code).state == "bad"


def test_roles_of_the_folder_must_be_those_of_the_roster_given(record, crew):
    def changed(**fields) -> Roster:
        return Roster(
            msgspec.structs.replace(p, **fields) if p.id == "ben" else p for p in crew.roster.everyone
        )

    found = verify(record, roster=changed(roles=("payload",)))
    assert found.state == "bad"
    assert "other roles" in found.why
    found = verify(record, roster=changed(name="Benjamin"))
    assert found.state == "sealed"
    assert any("Benjamin" in warning for warning in found.warnings)
    short = Roster(p for p in crew.roster.everyone if p.id != "ben")
    found = verify(record, roster=short)
    assert (found.state, found.first_bad) == ("bad", 4)
    assert "ben, who is not on the roster" in found.why


def test_a_signature_moved_to_another_entry_is_bad(record):
    lines = lines_of(record)
    one, other = (parse_line(lines[at]) for at in (1, 5))
    assert one.entry.signer == other.entry.signer
    lines[5] = line_for(other.entry, one.signature)
    put(record, lines)
    found = verify(record)
    assert (found.state, found.first_bad) == ("bad", 6)
    assert "ada's signature" in found.why


def test_an_entry_replayed_in_another_record_is_bad(record, making):
    recorder = making.begin(rec="another")
    recorder.close()
    put(recorder.folder, [lines_of(recorder.folder)[0], lines_of(record)[1]])
    found = verify(recorder.folder)
    assert (found.state, found.first_bad) == ("bad", 2)


def test_an_entry_of_another_record_is_bad_however_well_it_is_signed(record, crew):
    entries = entries_of(record)
    entries[1] = msgspec.structs.replace(entries[1], rec="another")
    put(record, rechain(entries, crew))
    found = verify(record)
    assert found.first_bad == 2
    assert "another" in found.why


def test_entries_signed_for_a_drill_do_not_stand_in_a_flight(record, crew):
    entries = entries_of(record)
    lines = rechain(entries, crew)
    lines[1] = resign(parse_line(lines[1]).entry, crew.signer("ada"), drill=True)
    put(record, lines)
    found = verify(record)
    assert (found.state, found.first_bad) == ("bad", 2)
    assert "signed for a drill" in found.why


def test_a_drill_does_not_become_a_flight_by_its_flag(making, crew):
    folder = making.sealed(drill=True)
    assert verify(folder).drill is True
    entries = entries_of(folder)
    entries[0] = msgspec.structs.replace(
        entries[0], data=msgspec.structs.replace(entries[0].data, drill=False)
    )
    put(folder, rechain(entries, crew, drill=True))
    found = verify(folder)
    assert (found.state, found.first_bad) == ("bad", 1)
    assert "signed for a drill" in found.why


def test_well_signed_lines_in_a_wrong_place_are_bad(record, crew):
    entries = entries_of(record)
    close = entries[-1]
    cases = {
        2: [entries[0], entries[0], *entries[1:]],
        1: entries[1:],
        8: [*entries, msgspec.structs.replace(close, kind="scrub", data=ScrubData(reason="wind"))],
    }
    for line, made in cases.items():
        put(record, rechain(made, crew))
        reseal(record, crew, "ada", "cy")
        found = verify(record)
        assert (found.state, found.first_bad) == ("bad", line), found.why


@pytest.mark.parametrize(
    ("at", "fields", "signer", "said"),
    [
        (4, {"auth": "instrument"}, None, "passphrase or a choice"),
        (2, {"auth": "selected"}, None, "passphrase or a choice"),
        (1, {"signer": "laptop", "auth": "instrument"}, "laptop", "signed by a person"),
        (1, {"signer": "zoe"}, "ada", "not on the roster"),
    ],
)
def test_who_may_sign_how_is_checked_behind_the_signature(record, crew, at, fields, signer, said):
    entries = entries_of(record)
    lines = rechain(entries[:at], crew)
    made = msgspec.structs.replace(entries[at], prev=line_hash(lines[-1]), **fields)
    lines.append(resign(made, crew.signer(signer or entries[at].signer)))
    put(record, lines)
    shutil.rmtree(record / "seals")
    found = verify(record)
    assert (found.state, found.first_bad) == ("bad", at + 1)
    assert said in found.why


def test_a_key_kept_from_a_namespace_does_not_sign_there(making, crew):
    """As the stock tool reads the option: a key that is for files only signs no entry."""
    people = [
        msgspec.structs.replace(p, namespaces=("file",)) if p.id == "ben" else p for p in crew.roster.everyone
    ]
    recorder = making.begin(crew=type(crew)(Roster(people), crew.keys))
    with pytest.raises(RecordError, match="keeps ben's key from preflight-entry"):
        recorder.append("sign", {"of": 1}, signer=crew.signer("ben"), meaning="m", auth="selected")
    recorder.close()
    entry = msgspec.structs.replace(
        recorder.entries[0], seq=2, prev=recorder.head, kind="scrub", signer="ben"
    )
    entry = msgspec.structs.replace(entry, data=ScrubData(reason="wind"))
    put(recorder.folder, [*lines_of(recorder.folder), resign(entry, crew.signer("ben"))])
    assert verify(recorder.folder).first_bad == 2


def test_evidence_missing_or_swapped_is_the_fault_of_the_line_that_names_it(record):
    path = next((record / "evidence").iterdir())
    data = path.read_bytes()
    path.write_bytes(data + b"!")
    assert verify(record).first_bad == 3
    path.write_bytes(data[:-1] + b"!")
    assert verify(record).first_bad == 3
    path.unlink()
    found = verify(record)
    assert (found.state, found.first_bad) == ("bad", 3)
    assert "missing" in found.why


def test_lines_in_another_order_of_keys_do_not_pass_as_the_same_record(record):
    lines = lines_of(record)
    read = json.loads(lines[0])
    respelled = json.dumps(read, separators=(",", ":"), ensure_ascii=False).encode() + b"\n"
    assert respelled == lines[0]
    shuffled = {"sig": read["sig"], "entry": read["entry"]}
    put(record, [json.dumps(shuffled, separators=(",", ":")).encode() + b"\n", *lines[1:]])
    assert verify(record).first_bad == 1


def test_progress_is_told_to_the_end(record):
    seen = []
    verify(record, on_progress=lambda done, total: seen.append((done, total)))
    size = (record / "record.jsonl").stat().st_size
    assert seen[-1] == (size, size)
