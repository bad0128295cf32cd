"""The authority's answer: go inside its window, stale outside or when what it was told has changed."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from small_flight import START, Crew

from preflight.errors import Refused
from preflight.walk.acts import Walk
from preflight.walk.state import state_at

ASK = 'ask = ["authority", "who answered", "reference", "valid from", "valid until", "conditions"] }'
READS = 'reads = ["payload.package", "site.latitude"]\n'
ANSWERS = {
    "authority": "the area's unit",
    "who answered": "the duty officer",
    "reference": "A-12",
    "valid from": "08:30 UTC",
    "valid until": "11:00 UTC",
    "conditions": "call at release",
}
UNTIL = START + timedelta(hours=4)  # the release is planned two hours after the start


@pytest.fixture
def asked(crew: Crew) -> Walk:
    """A walk whose answer is entered, valid from 08:30 to 11:00 UTC; the release is planned at 09:00."""
    text = crew.sources.checklist.decode().replace('ask = ["reference"] }', f"{ASK}\n{READS}")
    crew.sources = replace(crew.sources, checklist=text.encode())
    walk = crew.filled(crew.begin())
    answer(walk)
    return walk


def answer(walk: Walk, **changes: str) -> None:
    walk.defer(
        "notice",
        "ines",
        ANSWERS | changes,
        granted=True,
        valid_from=START + timedelta(minutes=90),
        valid_until=UNTIL,
    )


def outcome(walk: Walk) -> tuple[str, str]:
    state = walk.state().steps["notice"]
    return state.outcome, state.reason


def test_it_keeps_every_answer(asked: Walk) -> None:
    assert outcome(asked)[0] == "go"
    finding = asked.state().steps["notice"].finding
    assert finding is not None
    assert finding.act.data.answers == ANSWERS


def test_an_answer_left_out_is_refused(asked: Walk) -> None:
    with pytest.raises(Refused, match="conditions"):
        answer(asked, conditions=" ")


@pytest.mark.parametrize(
    ("hours", "expected"),
    [(1, "go"), (-0.5, "go"), (2, "go"), (2.01, "stale"), (-0.51, "stale"), (24, "stale")],
)
def test_a_replan_inside_the_window_stays_go_and_outside_turns_stale(
    asked: Walk, hours: float, expected: str
) -> None:
    release = START + timedelta(hours=2 + hours)
    asked.replan({"flight.release": release.isoformat()}, "ines", "the wind")
    assert outcome(asked)[0] == expected
    assert ("notice" in {reason.step for reason in asked.state().gates["release"].reasons}) is (
        expected == "stale"
    )


def test_the_reason_says_until_when_with_its_date(asked: Walk) -> None:
    asked.replan({"flight.release": (START + timedelta(days=1)).isoformat()}, "ines", "tomorrow")
    assert outcome(asked) == (
        "stale",
        "the answer is valid until 2031-03-09 11:00 UTC, before the planned release",
    )
    asked.replan({"flight.release": (START + timedelta(hours=1)).isoformat()}, "ines", "earlier")
    assert outcome(asked)[1] == "the answer is valid from 2031-03-09 08:30 UTC, after the planned release"


def test_a_replan_back_into_the_window_is_go_again_and_a_new_answer_too(asked: Walk) -> None:
    asked.replan({"flight.release": (START + timedelta(hours=9)).isoformat()}, "ines", "later")
    assert outcome(asked)[0] == "stale"
    asked.replan({"flight.release": (START + timedelta(hours=3)).isoformat()}, "ines", "or not")
    assert outcome(asked)[0] == "go"


@pytest.mark.parametrize(
    ("key", "value"), [("payload.package[1].mass", "1.4 kg"), ("site.latitude", "-41.9")]
)
def test_a_value_that_the_answer_depended_on_makes_it_stale(asked: Walk, key: str, value: str) -> None:
    asked.replan({key: value}, "ines", "another payload")
    assert outcome(asked)[0] == "stale"
    answer(asked)
    assert outcome(asked)[0] == "go"


def test_what_was_not_told_to_the_authority_changes_nothing(asked: Walk) -> None:
    asked.replan({"site.timezone": "Europe/Berlin", "balloon.neck_lift": "1.7 kg"}, "ines", "corrected")
    assert outcome(asked)[0] == "go"


def test_the_answer_stands_until_its_window_has_passed(asked: Walk, crew: Crew) -> None:
    until = datetime.fromisoformat(asked.ledger.steps["notice"].finding.act.data.valid_until)
    crew.clock.forward(seconds=(until - crew.clock.at).total_seconds() - 1)
    assert outcome(asked)[0] == "go"
    crew.clock.forward(seconds=2)
    state = state_at(asked.ledger, asked.now()).steps["notice"]
    assert (state.outcome, state.reason.split(", ")[-1]) == ("stale", "which has passed")
