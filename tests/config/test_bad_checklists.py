"""Checklists with something wrong, each told with line, key and remedy; and what may stand in one."""

from pathlib import Path

import pytest
from checklist_text import head

from preflight.cli.main import run
from preflight.config.load import parse_checklist
from preflight.config.problems import BadFile

GOOD = (
    head("Short list")
    + """\
roles = ["instructor"]

[[phase]]
id = "bench"
title = "Bench"
gate = "fill"

[[phase.step]]
id = "card"
challenge = "Card in the reader"
check = "card-format"
signed_by = ["payload"]
waive_by = ["instructor"]
reads = ["power", "link.baud", "sample.rate", "battery.load"]
needs = ["card", "port.tap"]

[[phase]]
id = "go"
title = "Go"
gate = "release"

[[phase.step]]
id = "neck-lift"
challenge = "Neck lift on the scale"
measure = { quantity = "neck lift", unit = "kg", sets = "balloon.neck_lift", repeat = 3, spread = "50 g" }
witness = true
witness_by = ["director"]
after = ["card"]
valid_for = "30 min"

[[phase.step]]
id = "notice"
challenge = "Launch notified"
defer = { authority = "the authority", ask = ["reference"] }

[[phase.step]]
id = "sky"
challenge = "Sky: look around"
response = "No aircraft seen"
"""
)

CASES = {
    "no title": ('title = "Short list"\n', "", "checklist.title", "is missing"),
    "unknown key": ('response = "No', 'answer = "No', "phase[2].step[3].answer", "unknown key"),
    "unknown section": ('[[phase]]\nid = "go"', '[[phases]]\nid = "go"', "phases", 'mean "phase"?'),
    "no stations": ('["director", "payload"]', "[]", "checklist.stations", "at least one"),
    "id with a space": ('id = "sky"', 'id = "the sky"', "phase[2].step[3].id", "lower case"),
    "step id twice": ('id = "sky"', 'id = "card"', "phase[2].step[3].id", "already taken (first on line 15)"),
    "phase id twice": ('id = "go"', 'id = "bench"', "phase[2].id", "already taken"),
    "check and measure": (
        "measure = {",
        'check = "clock"\nmeasure = {',
        "phase[2].step[1].measure",
        "two steps",
    ),
    "unknown check": ('"card-format"', '"card-fromat"', "phase[1].step[1].check", 'mean "card-format"?'),
    "unknown gate": ('gate = "fill"', 'gate = "fil"', "phase[1].gate", 'mean "fill"?'),
    "after an unknown step": (
        '["card"]\nvalid',
        '["crad"]\nvalid',
        "phase[2].step[1].after[1]",
        'mean "card"?',
    ),
    "after itself": ('["card"]\nvalid', '["neck-lift"]\nvalid', "phase[2].step[1].after[1]", "after itself"),
    "after a later step": ('["card"]\nvalid', '["sky"]\nvalid', "phase[2].step[1].after[1]", "comes later"),
    "unknown role": (
        '["payload"]\nwaive',
        '["paylod"]\nwaive',
        "phase[1].step[1].signed_by[1]",
        'mean "payload"?',
    ),
    "role twice": (
        '["payload"]\nwaive',
        '["payload", "payload"]\nwaive',
        "phase[1].step[1].signed_by[2]",
        "already",
    ),
    "released by nobody known": (
        'release_by = ["director"]',
        'release_by = ["boss"]',
        "checklist.release_by[1]",
        "declare",
    ),
    "the laptop as a station": (
        '["director", "payload"]',
        '["director", "payload", "instrument"]',
        "checklist.stations[3]",
        "laptop",
    ),
    "witness named but not asked": ("witness = true\n", "", "phase[2].step[1].witness_by", "witness = true"),
    "say where nobody confirms": (
        "witness = true\n",
        "say = true\nwitness = true\n",
        "phase[2].step[1].say",
        "records what it finds by itself",
    ),
    "reads nothing known": ('"link.baud"', '"link.boud"', "phase[1].step[1].reads[2]", 'mean "link.baud"?'),
    "reads a port by use": ('"link.baud"', '"port.tap"', "phase[1].step[1].reads[2]", "nothing is called"),
    "needs no section": ('"port.tap"]', '"port.tab"]', "phase[1].step[1].needs[2]", 'mean "port.tap"?'),
    "unknown unit": ('unit = "kg"', 'unit = "stone"', "phase[2].step[1].measure.unit", "unknown unit"),
    "unit of another kind": ('unit = "kg"', 'unit = "N"', "phase[2].step[1].measure.unit", "a unit of mass"),
    "sets nothing known": (
        "balloon.neck_lift",
        "balloon.neck_left",
        "phase[2].step[1].measure.sets",
        "neck_lift",
    ),
    "sets a word": ("balloon.neck_lift", "balloon.gas", "phase[2].step[1].measure.sets", "no quantity"),
    "spread of another kind": ('"50 g"', '"50 m"', "phase[2].step[1].measure.spread", "this is a mass"),
    "spread without a unit": ('"50 g"', '"50"', "phase[2].step[1].measure.spread", "no unit"),
    "spread of zero": ('"50 g"', '"0 g"', "phase[2].step[1].measure.spread", "above zero"),
    "spread of one reading": ("repeat = 3", "repeat = 1", "phase[2].step[1].measure.spread", "no spread"),
    "too many readings": ("repeat = 3", "repeat = 10", "phase[2].step[1].measure.repeat", "from 1 to 9"),
    "limits upside down": (
        "repeat = 3",
        "at_least = 3, at_most = 2",
        "phase[2].step[1].measure.at_least",
        "above",
    ),
    "asks nothing": ('["reference"]', "[]", "phase[2].step[2].defer.ask", "at least one"),
    "expires at once": ('"30 min"', '"0 min"', "phase[2].step[1].valid_for", "above 0 min"),
    "expires without a unit": ('"30 min"', "30", "phase[2].step[1].valid_for", "without a unit"),
    "escape sequence": ("Sky: look", "Sky:\\u001b[31m", "phase[2].step[3].challenge", "control character"),
    "text turned round": ("Sky: look", "Sky:\\u202e", "phase[2].step[3].challenge", "control character"),
    "no steps": ('[[phase.step]]\nid = "card"', '[phase.stop]\nid = "card"', "phase[1].step", "is missing"),
}
BELOW = {"check and measure": 1, "no title": -1, "no steps": -5}


@pytest.mark.parametrize("name", CASES)
def test_one_mistake_is_told_with_line_key_and_remedy(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old, new, key, words = CASES[name]
    assert old in GOOD
    line = GOOD.count("\n", 0, GOOD.index(old)) + 1 + BELOW.get(name, 0)
    path = tmp_path / "list.toml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    assert run(["lint", str(path)]) == 2
    shown = capsys.readouterr()
    assert "Traceback" not in shown.err
    told = [problem for problem in shown.err.splitlines() if f": {key}: " in problem]
    assert told, shown.err
    assert told[0].startswith(f"{path}:{line}: {key}: "), told
    assert words in told[0]
    assert "\x1b" not in shown.err
    assert "\u202e" not in shown.err


def test_the_good_list_is_good() -> None:
    checklist = parse_checklist(GOOD.encode(), "list.toml")
    assert [step.kind for step in checklist.steps()] == ["check", "measure", "defer", "confirm"]
    assert checklist.phase[1].step[0].valid_for == 1800.0


def test_the_fill_gate_comes_before_the_release_gate() -> None:
    text = GOOD.replace('gate = "fill"', 'gate = "FIRST"').replace('gate = "release"', 'gate = "fill"')
    with pytest.raises(
        BadFile, match=r'list.toml:26: phase\[2\].gate: gate "fill" comes after phase "bench"'
    ):
        parse_checklist(text.replace("FIRST", "release").encode(), "list.toml")


def test_a_bad_step_makes_no_second_complaint_about_those_after_it() -> None:
    text = GOOD.replace('check = "card-format"', "check = 5")
    with pytest.raises(BadFile) as caught:
        parse_checklist(text.encode(), "list.toml")
    assert [problem.key for problem in caught.value.problems] == ["phase[1].step[1].check"]


def test_several_mistakes_are_reported_at_once() -> None:
    text = GOOD
    names = ("no title", "unknown role", "unknown unit", "after an unknown step", "escape sequence")
    for name in names:
        text = text.replace(*CASES[name][:2], 1)
    with pytest.raises(BadFile) as caught:
        parse_checklist(text.encode(), "list.toml")
    keys = [problem.key for problem in caught.value.problems]
    assert keys == [CASES[name][2] for name in names]


def test_a_measure_may_set_a_key_in_an_array() -> None:
    text = GOOD.replace("balloon.neck_lift", "payload.package[1].mass")
    step = parse_checklist(text.encode(), "list.toml").phase[1].step[0]
    assert step.measure is not None
    assert step.measure.sets == "payload.package[1].mass"


def test_an_installed_check_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    from importlib.metadata import EntryPoint, EntryPoints

    from preflight.config import checklist_rules

    point = EntryPoint("own-check", "nowhere:check", "preflight.checks")
    monkeypatch.setattr(checklist_rules, "entry_points", lambda group: EntryPoints([point]))
    text = GOOD.replace("card-format", "own-check").encode()
    assert parse_checklist(text, "list.toml").phase[0].step[0].check == "own-check"
