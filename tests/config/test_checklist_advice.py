"""Advice on checklists."""

import pytest
from checklist_text import head

from preflight.config.advice import advise
from preflight.config.load import parse_checklist
from preflight.config.problems import key_text

HEAD = head("List")


def phase(name: str, gate: str, steps: list[str]) -> str:
    told = f'gate = "{gate}"\n' if gate else ""
    body = "".join(
        f'[[phase.step]]\nid = "{name}-{i}"\nchallenge = "Touch {name} {i}"\n{step}\n'
        for i, step in enumerate(steps)
    )
    return f'[[phase]]\nid = "{name}"\ntitle = "{name}"\n{told}{body}'


GOOD_STEP = 'response = "Green lamp lit"'


def advice(*phases: str) -> list[tuple[str, str]]:
    checklist = parse_checklist((HEAD + "".join(phases)).encode(), "list.toml")
    return [(key_text(path), message) for path, message, _ in advise(checklist)]


def test_a_good_list_needs_none() -> None:
    gust = 'measure = { quantity = "gust", unit = "m/s" }'
    early, late = (
        phase("a", "fill", [GOOD_STEP] * 4 + [gust]),
        phase("b", "release", [GOOD_STEP] * 8 + [gust]),
    )
    assert advice(early, late) == []


@pytest.mark.parametrize("count", [1, 4, 10])
def test_too_few_or_too_many_steps(count: int) -> None:
    steps = "1 step" if count == 1 else f"{count} steps"
    assert advice(phase("a", "release", [GOOD_STEP] * count)) == [
        ("phase[1]", f"a has {steps}, 5 to 9 are kept in mind")
    ]


@pytest.mark.parametrize("said", ["Checked", "set.", "OK", "done!", "As required"])
def test_responses_that_can_be_said_without_looking(said: str) -> None:
    found = advice(phase("a", "release", [GOOD_STEP] * 4 + [f'response = "{said}"']))
    assert found == [("phase[1].step[5].response", f'"{said}" can be said without looking')]


def test_a_confirmed_step_without_a_response() -> None:
    steps = [GOOD_STEP] * 3 + ["", 'check = "card-format"']
    assert advice(phase("a", "release", steps)) == [("phase[1].step[4].response", "is missing")]


def test_a_list_without_a_release_gate_and_phases_that_count_for_nothing() -> None:
    five = [GOOD_STEP] * 5
    assert advice(phase("a", "", five)) == [("phase", 'no phase has gate "release"')]
    found = advice(phase("a", "", five), phase("b", "release", five), phase("c", "", five))
    assert ("phase[1]", "a counts for no verdict") in found


def test_a_witness_of_the_performers_only_role() -> None:
    same = f'{GOOD_STEP}\nsigned_by = ["payload"]\nwitness = true\nwitness_by = ["payload"]'
    other = same.replace('witness_by = ["payload"]', 'witness_by = ["director"]')
    found = advice(phase("a", "release", [GOOD_STEP] * 3 + [same, other]))
    assert [key for key, _ in found] == ["phase[1].step[4].witness_by"]


def test_what_expires_early_is_done_again_late() -> None:
    early = 'check = "card-space"\nvalid_for = "30 min"'
    bench = phase("a", "fill", [GOOD_STEP] * 4 + [early])
    found = advice(bench, phase("b", "release", [GOOD_STEP] * 5))
    assert ("phase[1].step[5].valid_for", "expires, and no later phase does it again") in found
    assert advice(bench, phase("b", "release", [GOOD_STEP] * 4 + ['check = "card-space"'])) == []


def test_a_late_look_at_what_can_change() -> None:
    wind = 'measure = { quantity = "ground wind", unit = "m/s", at_most = 5.0 }'
    cells = 'check = "battery-voltage"'
    early = phase("a", "fill", [GOOD_STEP] * 3 + [wind, cells])
    none = advice(early, phase("b", "release", [GOOD_STEP] * 5))
    assert none == [("phase", "nothing is looked at again in a later phase")]
    some = advice(early, phase("b", "release", [GOOD_STEP] * 4 + [wind]))
    assert some == [
        ("phase[1].step[5]", "the battery can change until the release, and no later phase looks at it again")
    ]
    assert advice(early, phase("b", "release", [GOOD_STEP] * 3 + [wind, cells])) == []


def test_a_completion_call_that_speaks_for_nothing() -> None:
    optional = GOOD_STEP + "\nrequired = false"
    assert advice(phase("a", "release", [optional] * 5)) == [
        ("phase[1]", "a can be called complete with nothing done: no step of it is required")
    ]


def test_a_step_that_expires_before_the_release_can_be_reached() -> None:
    short = 'check = "card-space"\nvalid_for = "10 min"'
    again = 'check = "card-space"'
    found = advice(
        phase("a", "fill", [GOOD_STEP] * 4 + [short]), phase("b", "release", [GOOD_STEP] * 8 + [again])
    )
    assert found == []
    found = advice(
        phase("a", "fill", [GOOD_STEP] * 4 + [short.replace("10", "8")]),
        phase("b", "release", [GOOD_STEP] * 8 + [again]),
    )
    message = "holds for 8 min, and 9 steps of a minute each lie between it and the release"
    assert found == [("phase[1].step[5].valid_for", message)]
    # After the release nothing has to hold.
    late = phase("c", "", [GOOD_STEP] * 4 + ['response = "Lamp lit"\nvalid_for = "1 min"'])
    assert advice(phase("a", "release", [GOOD_STEP] * 5), late) == []


def test_a_challenge_that_nobody_can_call_out() -> None:
    long = f'{GOOD_STEP}\nchallenge = "{"word " * 14}word"'
    step = long.replace("challenge", "CH")
    text = phase("a", "release", [GOOD_STEP] * 4 + [step])
    text = text.replace('challenge = "Touch a 4"\n', "").replace("CH", "challenge")
    assert advice(text) == [("phase[1].step[5].challenge", "has 15 words, 14 can be called out")]


def test_a_part_owes_no_gate() -> None:
    text = HEAD.replace('title = "List"', 'title = "Part"\npart = true') + phase("a", "", [GOOD_STEP] * 5)
    assert advise(parse_checklist(text.encode(), "part.toml")) == ()
