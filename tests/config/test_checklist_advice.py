"""Advice on checklists, and that the shipped one gives no cause for any."""

import pytest

from preflight.config.advice import advise
from preflight.config.flight import Flight
from preflight.config.load import parse_checklist, parse_flight
from preflight.config.problems import key_text

HEAD = """\
[checklist]
title = "List"
revision = "A"
stations = ["director", "payload"]
release_by = ["director"]
seal_by = ["director"]
"""
SHIPPED_CHECKS = {
    "card-format", "card-space", "logger-response", "sample-record", "link-margin", "battery-voltage",
    "battery-endurance", "flight-envelope",
}  # fmt: skip


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
    assert advice(phase("a", "fill", [GOOD_STEP] * 5), phase("b", "release", [GOOD_STEP] * 9)) == []


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
    assert advice(phase("a", "", five), phase("b", "release", five), phase("c", "", five)) == [
        ("phase[1]", "a counts for no verdict")
    ]


def test_a_witness_of_the_performers_only_role() -> None:
    same = f'{GOOD_STEP}\nsigned_by = ["payload"]\nwitness = true\nwitness_by = ["payload"]'
    other = same.replace('witness_by = ["payload"]', 'witness_by = ["director"]')
    found = advice(phase("a", "release", [GOOD_STEP] * 3 + [same, other]))
    assert [key for key, _ in found] == ["phase[1].step[4].witness_by"]


def test_what_expires_early_is_done_again_late() -> None:
    early = 'check = "card-space"\nvalid_for = "30 min"'
    bench = phase("a", "fill", [GOOD_STEP] * 4 + [early])
    assert advice(bench, phase("b", "release", [GOOD_STEP] * 5)) == [
        ("phase[1].step[5].valid_for", "expires, and no later phase does it again")
    ]
    assert advice(bench, phase("b", "release", [GOOD_STEP] * 4 + ['check = "card-space"'])) == []


def test_the_shipped_checklist(checklist_text: str, flight_text: str) -> None:
    checklist = parse_checklist(checklist_text.encode(), "latex-flight.toml")
    flight = parse_flight(flight_text.encode(), "flight.toml")
    assert advise(checklist) == ()
    assert flight.flight.checklist == "latex-flight.toml"
    assert [(part.id, part.gate) for part in checklist.phase] == [
        ("bench", "fill"),
        ("site", "fill"),
        ("power-up", "fill"),
        ("fill", "release"),
        ("release", "release"),
        ("tracking", None),
        ("recovery", None),
    ]
    steps = checklist.steps()
    assert {step.check for step in steps if step.check is not None} == SHIPPED_CHECKS
    assert checklist.checklist.stations == ("director", "payload", "tracking", "safety")
    assert all(step.response and step.signed_by for step in steps)
    lift = next(step for step in steps if step.id == "neck-lift")
    assert lift.measure is not None
    assert (lift.measure.repeat, lift.measure.sets, lift.witness) == (3, "balloon.neck_lift", True)
    cautions = " ".join(step.caution for step in steps).casefold()
    for danger in ("hydrogen", "cylinder", "lithium", "latex", "line", "falls", "power line"):
        assert danger in cautions
    for word in ("legal", "exempt", "permitted"):
        assert word not in checklist_text.casefold() + flight_text.casefold()


def test_the_shipped_flight_file_has_every_section_that_a_crew_may_need(flight_text: str) -> None:
    flight = parse_flight(flight_text.encode(), "flight.toml")
    absent = [name for name in Flight.__struct_fields__ if not flight.has(name) and name != "limits"]
    assert absent == ["wind"]
    assert "[wind]" in flight_text
