"""Checklists that extend, insert and override: what comes out, and whose line an error names."""

import hashlib
import tomllib
from pathlib import Path

import pytest
from checklist_text import head

from preflight.config.checklist import Checklist
from preflight.config.lint import lint
from preflight.config.load import flattened_checklist, load_checklist, parse_checklist
from preflight.config.problems import BadFile, Problem
from preflight.config.shipped import shipped_file

BASE = (
    head("Base")
    + """
[[phase]]
id = "one"
title = "One"
gate = "fill"
[[phase.step]]
id = "first"
challenge = "First thing"
response = "Red, 3"
signed_by = ["payload"]
[[phase.step]]
id = "second"
challenge = "Second thing"
response = "Blue, 4"
after = ["first"]
[[phase.step]]
id = "third"
challenge = "Wind"
measure = { quantity = "wind", unit = "m/s", at_most = 5.0 }

[[phase]]
id = "two"
title = "Two"
gate = "release"
[[phase.step]]
id = "fourth"
challenge = "Wind again"
measure = { quantity = "wind", unit = "m/s", at_most = 5.0 }
"""
)

HEAD = """\
[checklist]
title = "Ours"
revision = "C"
extends = "base.toml"
"""

PART = """\
[checklist]
title = "Part"
revision = "A"
part = true
stations = ["safety"]
release_by = ["safety"]
seal_by = ["safety"]
[[phase]]
id = "part"
title = "Part"
gate = "fill"
[[phase.step]]
id = "inner"
challenge = "Inner thing"
response = "Green"
signed_by = ["safety"]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "base.toml").write_text(BASE)
    (tmp_path / "part.toml").write_text(PART)
    return tmp_path


def ours(folder: Path, more: str, head: str = HEAD) -> Path:
    path = folder / "ours.toml"
    path.write_text(head + more)
    return path


def composed(folder: Path, more: str, head: str = HEAD) -> Checklist:
    return load_checklist(ours(folder, more, head))


def problems(folder: Path, more: str, head: str = HEAD) -> list[Problem]:
    with pytest.raises(BadFile) as bad:
        composed(folder, more, head)
    return list(bad.value.problems)


def ids(checklist: Checklist) -> dict[str, list[str]]:
    return {phase.id: [step.id for step in phase.step] for phase in checklist.phase}


def test_a_head_alone_is_the_other_list_under_another_name(folder: Path) -> None:
    found = composed(folder, "")
    base = load_checklist(folder / "base.toml")
    assert (found.checklist.title, found.checklist.revision) == ("Ours", "C")
    assert found.checklist.stations == base.checklist.stations
    assert found.phase == base.phase


def test_updates_of_the_other_list_are_received(folder: Path) -> None:
    composed(folder, '[[override]]\nid = "first"\nresponse = "Red, 7"\n')
    (folder / "base.toml").write_text(BASE.replace("Second thing", "Second thing, newly worded"))
    found = composed(folder, '[[override]]\nid = "first"\nresponse = "Red, 7"\n')
    assert [step.challenge for step in found.phase[0].step][:2] == [
        "First thing",
        "Second thing, newly worded",
    ]
    assert found.phase[0].step[0].response == "Red, 7"


def test_head_keys_replace_those_of_the_other_list(folder: Path) -> None:
    head = HEAD + 'stations = ["director", "payload", "safety"]\nroles = ["guest"]\nseal_by = ["safety"]\n'
    found = composed(folder, "", head)
    assert found.checklist.stations == ("director", "payload", "safety")
    assert (found.checklist.release_by, found.checklist.seal_by) == (("director",), ("safety",))
    assert found.checklist.roles == ("guest",)


def test_overrides_of_steps_and_phases(folder: Path) -> None:
    more = """
[[override]]
id = "third"
measure = { quantity = "wind", unit = "m/s", at_most = 4.0 }
witness = true
[[override]]
id = "second"
check = "card-format"
[[override]]
id = "one"
title = "Number one"
mode = "do-confirm"
"""
    found = composed(folder, more)
    first, second, third = found.phase[0].step
    assert third.measure is not None
    assert (third.measure.at_most, third.witness) == (4.0, True)
    assert (second.kind, second.after) == ("check", ("first",))
    assert (found.phase[0].title, found.phase[0].mode, found.phase[0].gate) == (
        "Number one",
        "do-confirm",
        "fill",
    )
    assert first.response == "Red, 3"


def test_a_step_gets_another_way_of_finding_and_loses_the_old_one(folder: Path) -> None:
    found = composed(folder, '[[override]]\nid = "third"\ncheck = "card-format"\n')
    assert (found.phase[0].step[2].check, found.phase[0].step[2].measure) == ("card-format", None)


def test_steps_and_phases_are_left_out_and_not_waited_for(folder: Path) -> None:
    found = composed(folder, "", HEAD + 'remove = ["first"]\n')
    assert ids(found) == {"one": ["second", "third"], "two": ["fourth"]}
    assert found.phase[0].step[0].after == ()
    assert ids(composed(folder, "", HEAD + 'remove = ["one"]\n')) == {"two": ["fourth"]}


def test_own_phases_come_last_or_take_the_place_of_one(folder: Path) -> None:
    own = '[[phase]]\nid = "{}"\ntitle = "Own"\n[[phase.step]]\nid = "own"\nchallenge = "Own thing"\n'
    assert ids(composed(folder, own.format("three"))) == {
        "one": ["first", "second", "third"],
        "two": ["fourth"],
        "three": ["own"],
    }
    assert ids(composed(folder, own.format("one"))) == {"one": ["own"], "two": ["fourth"]}


@pytest.mark.parametrize(
    ("side", "expected"),
    [
        ('before = "second"', ["first", "new-a", "new-b", "second", "third"]),
        ('after = "second"', ["first", "second", "new-a", "new-b", "third"]),
        ('after = "third"', ["first", "second", "third", "new-a", "new-b"]),
    ],
)
def test_own_steps_are_inserted_beside_a_step(folder: Path, side: str, expected: list[str]) -> None:
    more = f"""
[[insert]]
{side}
[[insert.step]]
id = "new-a"
challenge = "New"
[[insert.step]]
id = "new-b"
challenge = "Newer"
"""
    assert ids(composed(folder, more))["one"] == expected


def test_a_file_is_inserted_as_phases_or_as_steps(folder: Path) -> None:
    head = HEAD + 'roles = ["safety"]\n'
    phases = composed(folder, '[[insert]]\nfile = "part.toml"\nbefore = "two"\n', head)
    assert list(ids(phases)) == ["one", "part", "two"]
    steps = composed(folder, '[[insert]]\nfile = "part.toml"\nafter = "first"\n', head)
    assert ids(steps)["one"] == ["first", "inner", "second", "third"]


def test_inserts_need_no_extends(folder: Path) -> None:
    path = folder / "own.toml"
    path.write_text(
        BASE.replace('["director", "payload"]', '["director", "payload", "safety"]')
        + '[[insert]]\nfile = "part.toml"\nbefore = "two"\napplies_if = { "balloon.gas" = "hydrogen" }\n'
    )
    found = load_checklist(path)
    assert list(ids(found)) == ["one", "part", "two"]
    assert found.phase[1].step[0].applies_if == {"balloon.gas": "hydrogen"}
    assert found.phase[0].step[0].applies_if == {}


def test_files_extend_files_that_extend_files(folder: Path) -> None:
    (folder / "middle.toml").write_text(HEAD + '[[override]]\nid = "first"\nwhy = "From the middle."\n')
    head = HEAD.replace("base.toml", "middle.toml")
    found = composed(folder, '[[override]]\nid = "first"\nresponse = "Top"\n', head)
    assert (found.phase[0].step[0].why, found.phase[0].step[0].response) == ("From the middle.", "Top")
    data = flattened_checklist(folder / "ours.toml").decode()
    names = [line.split()[1] for line in data.splitlines() if line.startswith("#   ")]
    assert names == ["base.toml", "middle.toml", "ours.toml"]


def test_a_teams_file_may_have_the_name_of_the_shipped_one_it_extends(tmp_path: Path) -> None:
    path = tmp_path / "latex-flight.toml"
    path.write_text('[checklist]\ntitle = "Ours"\nrevision = "1"\nextends = "latex-flight.toml"\n')
    found = load_checklist(path)
    assert found.phase == load_checklist(shipped_file("latex-flight.toml")).phase
    assert lint(path).advice == ()


# -- what a record pins


def test_the_flattened_file_is_plain_and_names_its_sources(folder: Path) -> None:
    path = ours(folder, '[[override]]\nid = "first"\nresponse = "Rouge, « 3 »"\n')
    data = flattened_checklist(path)
    assert parse_checklist(data, "checklist.toml") == load_checklist(path)
    for name in ("base.toml", "ours.toml"):
        assert (
            f"#   {name}  SHA-256 {hashlib.sha256((folder / name).read_bytes()).hexdigest()}" in data.decode()
        )
    assert set(tomllib.loads(data.decode())) == {"checklist", "phase"}
    assert set(tomllib.loads(data.decode())["checklist"]) == {
        *("title", "revision", "stations", "release_by", "seal_by"),
    }


def test_a_plain_file_is_pinned_byte_for_byte(folder: Path) -> None:
    (folder / "base.toml").write_bytes(b"\xef\xbb\xbf" + BASE.replace("\n", "\r\n").encode())
    assert flattened_checklist(folder / "base.toml") == (folder / "base.toml").read_bytes()


def test_a_composed_file_without_its_folder_is_refused(folder: Path) -> None:
    with pytest.raises(BadFile, match="put it together with them first") as bad:
        parse_checklist(ours(folder, "").read_bytes(), "ours.toml")
    assert len(bad.value.problems) == 1


# -- errors: the file and line they come from


@pytest.mark.parametrize(
    ("more", "line", "key", "message"),
    [
        (
            '[[override]]\nid = "frist"\nwhy = "x"\n',
            6,
            "override[1].id",
            'no step or phase is called "frist"',
        ),
        ('[[override]]\nid = "first"\ntitle = "x"\n', 7, "override[1].title", "is no key of a step"),
        ('[[override]]\nid = "one"\nwhy = "x"\n', 7, "override[1].why", "is no key of a phase"),
        ('[[override]]\nid = "first"\nwhi = "x"\n', 7, "override[1].whi", "unknown key"),
        (
            '[[override]]\nid = "first"\nsigned_by = ["cook"]\n',
            7,
            "override[1].signed_by[1]",
            'called "cook"',
        ),
        ('[[override]]\nid = "first"\ncheck = "card-fromat"\n', 7, "override[1].check", "card-fromat"),
        ('[[override]]\nid = "first"\nafter = ["fourth"]\n', 7, "override[1].after[1]", "comes later"),
        ('[[insert]]\nafter = "first"\n', 5, "insert[1]", "needs a file or steps of its own"),
        ('[[insert]]\nfile = "part.toml"\n', 5, "insert[1]", "needs a place"),
        ('[[insert]]\nfile = "part.toml"\nbefore = "nobody"\n', 7, "insert[1].before", 'called "nobody"'),
        ('[[insert]]\nfile = "absent.toml"\nbefore = "two"\n', 6, "insert[1].file", 'no file "absent.toml"'),
        ('[[insert]]\nfile = "../part.toml"\nbefore = "two"\n', 6, "insert[1].file", "leads out of"),
        (
            '[[insert]]\nafter = "first"\napplies_if = { "balloon.gas" = "neon" }\n[[insert.step]]\n'
            'id = "new"\nchallenge = "New"\n',
            7,
            'insert[1].applies_if."balloon.gas"',
            'balloon.gas is never "neon"',
        ),
        (
            '[[insert]]\nafter = "first"\n[[insert.step]]\nid = "second"\nchallenge = "Twice"\n',
            None,
            "phase[1].step[2].id",
            "is a step id already taken",
        ),
        (
            '[[insert]]\nbefore = "two"\n[[insert.step]]\nid = "new"\nchallenge = "New"\n',
            6,
            "insert[1].before",
            "is a phase, and steps go beside steps",
        ),
    ],
)
def test_an_error_names_the_teams_own_line(
    folder: Path, more: str, line: int | None, key: str, message: str
) -> None:
    found = problems(folder, more)
    assert message in found[0].message, found
    if line is not None:
        assert (found[0].file, found[0].line, found[0].key) == (str(folder / "ours.toml"), line, key)
        assert len(found) == 1


def test_a_role_that_an_inserted_file_needs_is_told_at_that_files_line(folder: Path) -> None:
    (found,) = problems(folder, '[[insert]]\nfile = "part.toml"\nbefore = "two"\n')
    assert (found.file, found.line) == (str(folder / "part.toml"), 16)
    assert found.key == "phase[1].step[1].signed_by[1]"
    assert 'no station or role is called "safety"' in found.message


def test_a_mistake_in_the_other_list_is_told_there(folder: Path) -> None:
    (folder / "base.toml").write_text(BASE.replace('response = "Red, 3"', "response = 3"))
    (found,) = problems(folder, "")
    assert (found.file, found.line, found.key) == (
        str(folder / "base.toml"),
        15,
        "phase[1].step[1].response",
    )


@pytest.mark.parametrize("other", ["ours.toml", "circle.toml"])
def test_circles_end(folder: Path, other: str) -> None:
    (folder / "circle.toml").write_text(HEAD.replace("base.toml", "ours.toml"))
    found = problems(folder, "", HEAD.replace("base.toml", other))
    said = "leads back to this file" if other == "circle.toml" else 'there is no file "ours.toml"'
    assert any(said in problem.message for problem in found)


def test_a_very_long_chain_ends(folder: Path) -> None:
    for n in range(30):
        (folder / f"l{n}.toml").write_text(HEAD.replace("base.toml", f"l{n + 1}.toml"))
    (folder / "l30.toml").write_text(BASE)
    with pytest.raises(BadFile, match="leads back"):
        load_checklist(folder / "l0.toml")


def test_advice_on_a_composed_list_names_the_line_it_is_about(folder: Path) -> None:
    found = lint(ours(folder, '[[override]]\nid = "first"\nresponse = "checked"\n'))
    own = [note for note in found.advice if note.file.endswith("ours.toml")]
    assert [(note.line, note.message) for note in own] == [(7, '"checked" can be said without looking')]
    assert found.parts == ("base.toml", "ours.toml")


@pytest.mark.parametrize(
    ("step", "said"),
    [
        (
            'applies_if = { "balloon.gass" = "helium" }',
            'is called "balloon.gass"',
        ),
        ('applies_if = { "balloon.mass" = "1 kg" }', 'is called "balloon.mass"'),
        ('applies_if = { "balloon.gas" = "Helium" }', 'balloon.gas is never "Helium"'),
        ('applies_if = { "balloon.gas" = 1 }', "is the number 1"),
    ],
)
def test_conditions_are_checked(folder: Path, step: str, said: str) -> None:
    text = BASE.replace('response = "Red, 3"', f'response = "Red, 3"\n{step}')
    with pytest.raises(BadFile) as bad:
        parse_checklist(text.encode(), "base.toml")
    assert [problem.line for problem in bad.value.problems] == [16]
    assert said in str(bad.value)
