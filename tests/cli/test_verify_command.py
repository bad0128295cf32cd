"""`preflight verify` as a user runs it: exit codes, one JSON object, sentences and no traceback."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from record_making import lines_of, put
from small_flight import CHECKLIST, FLIGHT, PASSPHRASE, PEOPLE, Crew

from preflight.cli.main import run
from preflight.record.keys import Keyring, make_key
from preflight.record.roster import Person, Roster
from preflight.record.seal import seal_code
from preflight.walk.opening import Sources, follow, resume


@pytest.fixture(scope="module")
def keys(tmp_path_factory) -> Keyring:
    folder = tmp_path_factory.mktemp("crew") / "keys"
    people = [
        Person(id=name, name=printed, roles=roles, key=make_key(folder, name, PASSPHRASE, rounds=1))
        for name, (printed, roles) in PEOPLE.items()
    ]
    laptop = Person(id="laptop", name="Laptop", roles=("instrument",), key=make_key(folder, "laptop", None))
    ring = Keyring(folder, Roster([*people, laptop]))
    for name in PEOPLE:
        ring.unlock(name, PASSPHRASE)
    return ring


@pytest.fixture
def crew(keys, tmp_path) -> Crew:
    roster = keys.roster.to_text().encode()
    return Crew(tmp_path / "logs", keys, Sources(FLIGHT.encode(), CHECKLIST.encode(), roster))


def shut(walk) -> Path:
    """Closes and seals the record of a walk."""
    walk.close("ines", PASSPHRASE, reason="release decided")
    walk.recorder.seal(walk.keyring.signer("ines"))
    walk.recorder.close()
    return walk.recorder.folder


@pytest.fixture
def sealed(crew) -> Path:
    return shut(crew.ready_to_release(crew.begin()))


@pytest.fixture
def verify(capsys):
    """Runs the command; its exit code, stdout and stderr."""

    def call(*args):
        code = run(["verify", *(str(arg) for arg in args)])
        told = capsys.readouterr()
        assert "Traceback" not in told.err + told.out
        return code, told.out, told.err

    return call


def test_each_state_has_its_exit_code(sealed, verify, tmp_path):
    unsealed = Path(shutil.copytree(sealed, tmp_path / "other" / sealed.name))
    (unsealed / "seals" / "ines.sig").unlink()
    bad = Path(shutil.copytree(sealed, tmp_path / "third" / sealed.name))
    put(bad, lines_of(bad)[:-1])
    code = seal_code((sealed / "record.jsonl").read_bytes(), sealed.name)
    assert verify(sealed)[0] == 0
    assert verify(sealed / "record.jsonl")[0] == 0
    assert verify(sealed, "--code", code.lower())[0] == 0
    assert verify(unsealed)[0] == 3
    assert verify(bad)[0] == 1
    assert verify(tmp_path / "none")[:2] == (2, "")
    assert verify(sealed, unsealed)[0] == 3
    assert verify(sealed, unsealed, bad)[0] == 1
    assert verify(sealed, unsealed, bad, tmp_path / "none")[0] == 2


def test_json_is_one_object_and_nothing_else(crew, verify, tmp_path):
    sealed = shut(crew.ready_to_fill(crew.begin(drill=True)))
    code, out, err = verify(sealed, "--json")
    assert (code, err) == (0, "")
    told = json.loads(out)
    assert {"record", "state", "trust", "signers", "first_bad", "why", "verdict", "drill"} <= set(told)
    assert (told["record"], told["state"], told["trust"]) == (sealed.name, "sealed", "folder")
    assert (told["first_bad"], told["why"], told["drill"]) == (None, "", True)
    assert told["verdict"] in ("go", "no-go", "hold")
    assert [s["id"] for s in told["signers"]] == ["ines", "omar", "laptop"]
    assert told["signers"][0]["fingerprint"] == crew.keyring.roster.find("ines").fingerprint
    code, out, err = verify(sealed, tmp_path / "none", "--json")
    assert code == 2
    assert "none" in err
    several = json.loads(out)["records"]
    assert [r["state"] for r in several] == ["sealed", None]
    assert several[1]["why"]
    put(sealed, lines_of(sealed)[1:])
    told = json.loads(verify(sealed, "--json")[1])
    assert (told["state"], told["first_bad"]) == ("bad", 1)


def test_what_is_said_to_people(sealed, verify, crew, tmp_path):
    out = verify(sealed)[1]
    assert f"{sealed.name}: sealed" in out
    assert "verdict " in out
    assert "names are as this folder claims" in out
    for person_id in ("ines", "omar", "lena", "laptop"):
        person = crew.keyring.roster.find(person_id)
        assert f"{person.name} ({person.id}; {', '.join(person.roles)})  {person.fingerprint}" in out
    assert "I witnessed this" in out
    assert "sealed the record" in out
    roster = tmp_path / "crew.txt"
    roster.write_text(crew.keyring.roster.to_text())
    assert "names are those of the roster given" in verify(sealed, "--roster", roster)[1]
    data = (sealed / "record.jsonl").read_bytes()
    assert ": anchored" in verify(sealed, "--code", seal_code(data, sealed.name))[1]
    put(sealed, [*lines_of(sealed)[:2], b"{}\n"])
    assert "bad at line 3" in verify(sealed)[1]


def test_a_release_with_go_is_told(crew, verify):
    first = shut(crew.authorised(crew.begin()))
    walk = follow(first, keyring=crew.keyring, person="ines", clock=crew.clock, why="after-release")
    walk.release("ines", released_at=crew.clock.at)
    walk.recorder.close()
    out = verify(walk.recorder.folder)[1]
    assert "  verdict go\n  released with go at 2031-03-09T" in out


def test_a_drill_is_called_one(crew, verify):
    assert verify(shut(crew.begin(drill=True)))[1].startswith("DRILL ")


def test_bad_input_is_a_sentence(sealed, verify, tmp_path):
    (tmp_path / "odd").write_text("nobody\n")
    for args, said in (
        ((), "RECORD"),
        ((sealed, "--code", "7KQ2"), "16 characters"),
        ((sealed, sealed, "--code", "7" * 16), "one RECORD"),
        ((sealed, "--roster", tmp_path / "none"), "missing"),
        ((sealed, "--roster", tmp_path / "odd"), "line 1"),
        ((sealed, "--roster", tmp_path), "not a plain file"),
        ((sealed.parent,), f"for all records below it: preflight audit {sealed.parent}"),
    ):
        code, _out, err = verify(*args)
        assert code == 2
        assert said in err


def test_copies_of_one_record_are_called_copies_and_each_is_named(crew, verify, tmp_path):
    record = crew.ready_to_release(crew.begin())
    name = record.recorder.rec
    early = Path(shutil.copytree(record.recorder.folder, tmp_path / "early"))
    other_end = tmp_path / "other-end" / name
    shutil.copytree(early, other_end)
    sealed = shut(record)
    stick = Path(shutil.copytree(sealed, tmp_path / "stick" / sealed.name))

    code, out, _ = verify(sealed, stick)
    assert code == 0
    for folder in (sealed, stick):
        assert f"{sealed.name}: sealed, in {folder}\n" in out
    lines = len(lines_of(sealed))
    told = (
        f"COPIES of one record, {sealed.name}: {sealed} and {stick}, the same {lines} lines in one hash chain"
    )
    assert told in out
    assert "COPIES" not in verify(sealed, sealed / "record.jsonl")[1]

    code, out, _ = verify(early, sealed)
    assert code == 3
    assert f"COPIES THAT DIFFER of one record, {sealed.name}, held against {sealed}:\n" in out
    assert f"  {early}: DIFFERS: it stops after line {len(lines_of(early))} of {lines}" in out

    (stick / "seals" / "ines.sig").unlink()
    out = verify(sealed, stick)[1]
    assert "DIFFERS beside its lines, which are the same: unsealed, where the other is sealed" in out
    put(stick, [*lines_of(stick)[:4], b"{}\n"])
    assert "DIFFERS from line 5 on, where it is bad" in verify(sealed, stick)[1]

    # The director's own key makes another end: each is sealed, and they can't both be true.
    again = resume(other_end, keyring=crew.keyring, clock=crew.clock)
    again.hold("not this one", "ines")
    shut(again)
    assert [verify(folder)[0] for folder in (sealed, other_end)] == [0, 0]
    code, out, _ = verify(sealed, other_end)
    assert code == 1
    assert f"CONTRADICTING COPIES of one record, {sealed.name}" in out
    told = json.loads(verify(sealed, other_end, "--json")[1])
    assert [one["folder"] for one in told["records"]] == [str(sealed), str(other_end)]
    (copies,) = told["copies"]
    assert {one["folder"]: one["how"] for one in copies["folders"]} == {
        str(sealed): "contradicts",
        str(other_end): "first",
    }


def test_a_text_file_beside_folders_is_told_and_passed_over_anything_else_is_not(sealed, verify, tmp_path):
    logs = sealed.parent
    readme = logs / "README.md"
    readme.write_text("# Records\n\nThey go here.\n")
    code, out, err = verify(sealed, readme)
    assert (code, err) == (0, f"preflight: {readme} is a text file and no record: passed over\n")
    assert f"{sealed.name}: sealed" in out
    assert json.loads(verify(sealed, readme, "--json")[1])["passed_over"] == [str(readme)]
    code, _, err = verify(readme, readme)
    assert code == 2
    assert "nothing was verified" in err
    assert verify(readme)[0] == 2
    for name, content in {
        "record.zip": b"PK\x03\x04\x00\x00",
        "record.jsonl.txt": (sealed / "record.jsonl").read_bytes(),
        "empty.md": b"",
    }.items():
        (logs / name).write_bytes(content)
        assert verify(sealed, logs / name)[0] == 2, name
    (logs / "link.md").symlink_to(readme)
    assert verify(sealed, logs / "link.md")[0] == 2
    assert verify(sealed, sealed / "allowed_signers")[0] == 2
    (logs / "no record").mkdir()
    assert verify(sealed, readme, logs / "no record")[0] == 2


def test_links_are_looked_at(crew, sealed, verify):
    followers = []
    for _ in range(2):
        walk = follow(sealed, keyring=crew.keyring, person="ines", clock=crew.clock, why="new-flight")
        walk.recorder.close()
        followers.append(walk.recorder.rec)
    out = verify(crew.logs / followers[0])[1]
    assert f"follows {sealed.name}" in out
    assert f"FORK: {', '.join(sorted(followers))} all follow {sealed.name}" in out
    put(sealed, lines_of(sealed)[:-1])
    code, out, _ = verify(crew.logs / followers[0])
    assert code == 1
    assert "changed since" in out


def test_a_record_apart_from_the_one_it_continues_says_what_was_not_recomputed(crew, sealed, verify):
    walk = follow(sealed, keyring=crew.keyring, person="ines", clock=crew.clock, why="handover")
    walk.recorder.close()
    shutil.rmtree(sealed)
    code, out, _ = verify(walk.recorder.folder)
    assert code == 3
    assert "does not lie beside it" in out
    assert "NOT JUDGED" in out
    told = json.loads(verify(walk.recorder.folder, "--json")[1])
    assert told["verdict"] is None
