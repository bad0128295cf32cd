"""What a check saw besides its readings: a power cycle, and a logger that was spoken to and left."""

from __future__ import annotations

from datetime import timedelta

import pytest
from serial_ends import FarEnd, make_flight
from small_flight import CHECKLIST, go

from preflight.checks.base import Context, run_check
from preflight.checks.logger_response import check
from preflight.errors import Refused
from preflight.readings import Finding, Reading
from preflight.record.verify import verify
from preflight.walk.opening import Sources

SAMPLES = """
[[phase.step]]
id = "samples"
challenge = "Tap on the flight computer's line"
response = "Samples decode"
check = "sample-record"
signed_by = ["payload"]
reads = ["power"]
[[phase.step]]
id = "line"
"""


def left(at):
    return Finding(
        check="logger-response", outcome="go", readings=(Reading(name="logger.left_at", value=at),)
    )


def heard(**more):
    return Finding(check="sample-record", outcome="go", reads=("sample.rate", "logger.left_at"), **more)


@pytest.fixture
def walk(crew):
    checklist = CHECKLIST.replace('[[phase.step]]\nid = "line"\n', SAMPLES.lstrip(), 1)
    crew.sources = Sources(crew.sources.flight, checklist.encode(), crew.sources.roster)
    return crew.powered(crew.begin())


def found(walk, step, finding):
    walk.found(step, finding)
    walk.sign(step, "omar")


def test_a_power_cycle_that_a_check_saw_is_entered_before_its_finding(walk):
    found(walk, "logger", go("logger-response"))
    assert walk.state().steps["logger"].outcome == "go"
    act = walk.found("samples", heard(power_cycle="the counter went from 40 back to 1"))
    kinds = [(act.entry.kind, act.signer) for act in walk.ledger.acts[-2:]]
    assert kinds == [("power", "laptop"), ("check", "laptop")]
    power = walk.ledger.acts[-2].data
    assert (power.cause, power.detail) == ("seen", "the counter went from 40 back to 1")
    assert act.entry.kind == "check"
    walk.sign("samples", "omar")
    state = walk.state()
    assert state.steps["logger"].outcome == "stale"
    assert state.steps["logger"].reason == "the payload's power was cycled since"
    # What was found after the cycle counts.
    assert state.steps["samples"].outcome == "go"


def test_a_finding_that_is_refused_leaves_no_power_cycle_behind(walk):
    entries = len(walk.ledger.acts)
    with pytest.raises(Refused, match="asks for the check sample-record"):
        walk.found("samples", Finding(check="clock", outcome="go", power_cycle="a banner came"))
    assert len(walk.ledger.acts) == entries


def test_samples_turn_stale_when_the_logger_was_spoken_to_after_them(walk):
    found(walk, "logger", left("2031-03-09T07:01:00.000Z"))
    found(walk, "samples", heard())
    assert walk.state().steps["samples"].outcome == "go"
    found(walk, "logger", left("2031-03-09T07:09:00.000Z"))
    state = walk.state().steps["samples"]
    assert state.outcome == "stale"
    assert state.reason == "the logger was spoken to since, and left to log again"
    found(walk, "samples", heard())
    assert walk.state().steps["samples"].outcome == "go"


def test_the_first_talk_with_the_logger_counts_as_well(walk):
    found(walk, "samples", heard())
    found(walk, "logger", left("2031-03-09T07:09:00.000Z"))
    assert walk.state().steps["samples"].outcome == "stale"


def test_a_real_talk_with_the_logger_turns_samples_stale(walk, tmp_path):
    def ready(end, data):
        if b"?" in data:
            end.send(b"ready\r\n")

    with FarEnd(ready) as far:
        flight = make_flight(
            link={"baud": 9600},
            port=[{"use": "logger", "at": far.path}],
            logger={"exchange": [{"send": "?\r", "expect": "ready"}], "leave": [{"send": "go\r"}]},
        )
        context = Context(flight=flight, folder=tmp_path)
        found(walk, "logger", run_check(check, context))
        found(walk, "samples", heard())
        assert walk.state().steps["samples"].outcome == "go"
        walk.found("logger", run_check(check, context))
    # Also before anybody has signed the second talk: the logger was spoken to.
    assert walk.state().steps["samples"].outcome == "stale"


def test_what_a_check_found_the_clock_off_by_explains_that_it_is_set(walk, crew):
    """The entry that says so is what verifying looks for behind a step of the clock."""
    off = Reading(name="clock.offset", value=95.0, unit="s", low=94.5, high=95.5, at_least=-2, at_most=2)
    behind = "This laptop's clock is 95 s behind the receiver's time. Set it"
    with pytest.raises(Refused):
        walk.found("samples", Finding(check="clock", outcome="no-go", readings=(off,)))
    assert "clock" not in [act.entry.kind for act in walk.ledger.acts]
    no_go = Finding(check="sample-record", outcome="no-go", readings=(off,), remarks=(behind,))
    act = walk.found("samples", no_go)
    assert [act.entry.kind for act in walk.ledger.acts[-2:]] == ["clock", "check"]
    assert act.entry.kind == "check"
    told = walk.ledger.acts[-2]
    assert (told.signer, told.data.offset, told.data.uncertainty) == ("laptop", "95", "0.5")
    assert told.data.detail == behind
    crew.clock.at += timedelta(seconds=95)
    walk.found("samples", heard())
    folder = walk.recorder.folder
    assert not [note for note in verify(folder).warnings if "the clock was set" in note]
    crew.clock.at += timedelta(seconds=40)
    walk.found("samples", heard())
    assert [note for note in verify(folder).warnings if "the clock was set forward by 40" in note]
