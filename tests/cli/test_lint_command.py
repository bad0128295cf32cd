"""`preflight lint` as a person runs it."""

import json
from pathlib import Path

import pytest

from preflight.cli.main import run
from preflight.config.shipped import shipped_file
from preflight.record.roster import Person, Roster


def lint(capsys: pytest.CaptureFixture[str], *args: str) -> tuple[int, str, str]:
    code = run(["lint", *args])
    shown = capsys.readouterr()
    assert "Traceback" not in shown.out + shown.err
    return code, shown.out, shown.err


def test_the_shipped_files_are_told_apart_and_have_no_problems(capsys: pytest.CaptureFixture[str]) -> None:
    flight, checklist = shipped_file("flight.toml"), shipped_file("latex-flight.toml")
    code, out, err = lint(capsys, str(flight), str(checklist))
    assert (code, err) == (0, "")
    assert out.splitlines() == [
        f'{flight}: flight file "Fulmar 3", no problems',
        f'{checklist}: checklist "Latex balloon, single payload" revision D: 13 phases, 82 steps '
        "(with hydrogen-fill.toml, recovery.toml), no problems",
    ]


def test_one_bad_file_of_two_gives_exit_code_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('[flight]\nname = "A"\n[balloon]\nmass = "1,5 kg"\n', encoding="utf-8")
    code, out, err = lint(capsys, str(bad), str(shipped_file("latex-flight.toml")))
    assert code == 2
    assert "no problems" in out
    assert (
        f'{bad}:4: balloon.mass: "1,5 kg" is not a plain number and a unit; write a decimal point: "1.5 kg"'
        in err
    )
    assert f"{bad}:1: flight.release: is missing; " in err
    assert f"{bad}: payload: is missing; add the section [payload]" in err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[checklist]\ntitle = 5\n", "checklist.title"),
        ("[balloon]\n", "flight: is missing"),
        ("[[phase]]\n", "checklist: is missing"),
        ("[other]\n", "is neither a flight file, a checklist nor an airspace rule set"),
        ("flight = 5\n", "flight: is the number 5"),
    ],
)
def test_a_file_is_recognised_by_its_tables(
    text: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "some.toml"
    path.write_text(text, encoding="utf-8")
    code, _, err = lint(capsys, str(path))
    assert code == 2
    assert said in err


def test_advice_is_told_and_changes_no_exit_code(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "list.toml"
    text = shipped_file("latex-flight.toml").read_text(encoding="utf-8")
    path.write_text(text.replace('"Four corners weighed down, swept by hand"', '"Checked"'), encoding="utf-8")
    code, out, err = lint(capsys, str(path))
    assert (code, err) == (0, "")
    line = text[: text.index("Four corners")].count("\n") + 1
    assert out.splitlines()[0] == (
        f'{path}:{line}: phase[5].step[6].response: "Checked" can be said without looking; '
        "state the value or what is seen (advice)"
    )


def test_files_that_a_flight_file_names_must_be_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "flight.toml"
    text = shipped_file("flight.toml").read_text(encoding="utf-8")
    path.write_text(text, encoding="utf-8")
    code, _, err = lint(capsys, str(path))
    assert code == 2
    line = text[: text.index('table = "winds.csv"')].count("\n") + 1
    absent = "there is no such file; check the name and the folder"
    assert err.splitlines() == [
        f'{path}:14: flight.checklist: "latex-flight.toml": {absent}',
        f'{path}:{line}: wind.table: "winds.csv": {absent}',
    ]


@pytest.mark.parametrize("kind", ["flight", "checklist", "airspace"])
def test_a_schema_is_one_json_object(kind: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = lint(capsys, "--schema", kind)
    assert (code, err) == (0, "")
    schema = json.loads(out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    top = {"flight": "Flight", "checklist": "ChecklistFile", "airspace": "RuleSet"}[kind]
    assert top in schema["$defs"]


@pytest.mark.parametrize("args", [(), ("--schema", "balloon"), ("--schema", "flight", "x.toml")])
def test_a_command_that_makes_no_sense(args: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = lint(capsys, *args)
    assert code == 2
    assert out == ""
    assert "Usage: preflight lint" in err


def test_an_escape_sequence_in_a_file_name_is_shown_and_not_obeyed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x\x1b[31m.toml"
    path.write_text("[flight]\n", encoding="utf-8")
    for target in (path, tmp_path / "none\x1b[2J", tmp_path / "raw\udcff"):
        code, out, err = lint(capsys, str(target))
        assert code == 2
        assert "\x1b" not in out + err
        assert err


def test_an_airspace_rule_set_says_how_it_was_read(capsys: pytest.CaptureFixture[str]) -> None:
    path = shipped_file("airspace") / "cfr-101.toml"
    code, out, err = lint(capsys, str(path))
    assert (code, err) == (0, "")
    assert "passages, 24 of them not read at source, oldest text unknown, no problems" in out


def test_a_rule_set_that_is_nowhere_is_told_at_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = shipped_file("flight.toml").read_text(encoding="utf-8")
    for name in ("latex-flight.toml", "winds.csv"):
        (tmp_path / name).write_bytes(shipped_file(name).read_bytes())
    path = tmp_path / "flight.toml"
    path.write_text(text.replace('"icao-annex-2.toml"', '"atlantis.toml"'), encoding="utf-8")
    code, _, err = lint(capsys, str(path))
    line = text[: text.index('rules = ["icao')].count("\n") + 1
    assert code == 2
    assert f'{path}:{line}: airspace.rules[1]: "atlantis.toml": there is no such file' in err


def test_files_that_a_flight_file_names_must_be_of_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Whoever lints the flight file alone, as `new` says to, hears of a checklist that no walk can take."""
    text = shipped_file("flight.toml").read_text(encoding="utf-8")
    path, checklist, winds = (tmp_path / name for name in ("flight.toml", "latex-flight.toml", "winds.csv"))
    winds.write_bytes(shipped_file("winds.csv").read_bytes())
    path.write_text(text, encoding="utf-8")
    for said, listed in (
        ("is not a checklist; name a file that begins with [checklist]", text),
        ("is empty; start from", ""),
        ("has 6 problems of its own; preflight lint with its name tells more", "[checklist]\ntitle = 5\n"),
        ("has a problem of its own; preflight lint", "[checklist\n"),
    ):
        checklist.write_text(listed, encoding="utf-8")
        code, _, err = lint(capsys, str(path))
        assert code == 2
        assert err.startswith(f'{path}:14: flight.checklist: "latex-flight.toml"')
        assert said in err, err
    checklist.write_bytes(shipped_file("latex-flight.toml").read_bytes())
    winds.write_text("height [m],direction [deg],speed [m/s]\n212,400,2\n300,10,-1\n", encoding="utf-8")
    code, out, err = lint(capsys, str(path))
    assert (code, out) == (2, "")
    assert err.startswith(f"{winds}, line 2, column direction: ")
    assert len(err.splitlines()) == 2
    path.write_text(text.replace("latex-flight.toml", "flight.toml"), encoding="utf-8")
    assert 'flight.checklist: "flight.toml": is not a checklist' in lint(capsys, str(path))[2]
    path.write_text(text.replace("icao-annex-2.toml", "winds.csv"), encoding="utf-8")
    assert "airspace.rules[1]" in lint(capsys, str(path))[2]


def test_roles_that_nobody_on_the_roster_beside_it_has_are_told_once_each(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["new", str(tmp_path / "own")]) == 0
    flight = tmp_path / "own" / "flight.toml"
    roster = flight.parent / "allowed_signers"
    assert lint(capsys, str(flight))[0] == 0  # nobody is on it yet

    def with_roles(*roles: str) -> tuple[int, str, str]:
        person = Person(id="jo", name="Jo Example", roles=roles, key=b"\x01" * 32)
        roster.write_text(Roster([person]).to_text(), "utf-8")
        return lint(capsys, str(flight))

    code, out, err = with_roles("director", "payload", "safety")
    assert (code, "no problems" in out) == (2, False)
    told = f"{roster}: nobody on this roster has the role tracking (a station, "
    assert err.startswith(told)
    how = "; add somebody: preflight crew add ID --name NAME --role tracking --roster"
    assert err.endswith(f"{how} {roster}\n")
    assert err.count("the role") == 1
    assert int(err.removeprefix(told).split()[0]) > 3  # so many steps, counted and not listed
    assert with_roles("director", "payload", "safety", "tracking")[0] == 0
    roster.write_text("nonsense\n", "utf-8")
    code, _, err = lint(capsys, str(flight))
    assert (code, str(roster) in err) == (2, True)
