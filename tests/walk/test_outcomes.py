"""Outcomes of steps: what makes them go, what turns them stale, what a waiver covers."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace

import pytest
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.errors import Refused
from preflight.readings import Finding, Reading
from preflight.record.kinds import Bound
from preflight.tui.reruns import Reruns
from preflight.walk.acts import Walk
from preflight.walk.ledger import Ledger
from preflight.walk.state import state_at
from preflight.walk.waivers import told


def outcome(walk: Walk, step: str) -> str:
    return walk.state().steps[step].outcome


def test_an_instruments_go_is_open_until_a_person_has_signed_it(crew: Crew) -> None:
    walk = crew.powered(crew.begin())
    walk.found("logger", go("logger-response"))
    assert outcome(walk, "logger") == "open"
    assert walk.state().steps["logger"].waiting == "signature"
    walk.sign("logger", "omar")
    assert outcome(walk, "logger") == "go"


def test_a_no_go_counts_at_once_unsigned(crew: Crew) -> None:
    walk = crew.begin()
    walk.found("line", margin(1.4))
    state = walk.state()
    assert state.steps["line"].outcome == "no-go"
    assert "1.4" in state.steps["line"].reason
    assert "at least 2" in state.steps["line"].reason
    assert state.gates["fill"].verdict == "no-go"


def test_what_a_check_could_not_look_at_is_open_and_says_what(crew: Crew) -> None:
    walk = crew.begin()
    walk.found(
        "line", Finding(check="link-margin", outcome="open", remarks=("Not checked: the rate is unknown",))
    )
    assert outcome(walk, "line") == "open"
    assert "the rate is unknown" in walk.state().steps["line"].reason
    with pytest.raises(Refused, match="open"):
        walk.sign("line", "omar")


def test_a_required_witness_is_waited_for(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    assert walk.state().steps["neck-lift"].waiting == "witness"
    walk.witness("neck-lift", "lena")
    assert outcome(walk, "neck-lift") == "go"


def test_a_measured_value_replaces_the_declared_one(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    assert walk.ledger.values.flight.balloon.neck_lift == pytest.approx(1.60)
    walk.measure("neck-lift", "omar", [1.70, 1.71, 1.72], (None, None))
    assert walk.ledger.values.flight.balloon.neck_lift == pytest.approx(1.71)


def test_values_too_far_apart_are_measured_again(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    walk.measure("neck-lift", "omar", [1.60, 1.66, 1.62], (None, None))
    assert outcome(walk, "neck-lift") == "open"
    assert "measure again" in walk.state().steps["neck-lift"].reason


def test_a_measurement_outside_its_limits_is_no_go(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    walk.measure("neck-lift", "omar", [1.95, 1.95, 1.95], (None, None))
    assert outcome(walk, "neck-lift") == "no-go"


def test_a_witness_who_read_something_else_is_refused(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    with pytest.raises(Refused, match="Measure again together"):
        walk.witness("neck-lift", "lena", mode="independent", values=[1.70])
    walk.witness("neck-lift", "lena", mode="independent", values=[1.63])
    assert outcome(walk, "neck-lift") == "go"


def test_a_section_that_is_absent_makes_its_steps_not_applicable(crew: Crew) -> None:
    walk = crew.begin()
    state = walk.state().steps["winds"]
    assert state.outcome == "not-applicable"
    assert "[wind]" in state.reason


def test_not_applicable_by_a_signed_reason(crew: Crew) -> None:
    walk = crew.ready_to_release(crew.begin())
    walk.not_applicable("gust", "omar", "indoor release")
    assert outcome(walk, "gust") == "not-applicable"


def test_time_turns_a_go_stale_but_a_no_go_stays(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    walk.confirm("gust", "omar", "4 m/s")
    crew.clock.forward(minutes=29)
    assert outcome(walk, "gust") == "go"
    crew.clock.forward(minutes=2)
    assert outcome(walk, "gust") == "stale"
    walk.refuse("gust", "omar", "9 m/s")
    crew.clock.forward(hours=3)
    assert outcome(walk, "gust") == "no-go"


def test_time_is_taken_from_the_running_clock_when_the_wall_clock_is_set_back(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    walk.confirm("gust", "omar", "4 m/s")
    crew.clock.forward(minutes=40)
    crew.clock.at -= timedelta(hours=1)
    assert outcome(walk, "gust") == "stale"


def test_a_power_cycle_turns_what_depends_on_power_stale(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.power("switch bumped", "omar")
    assert outcome(walk, "logger") == "stale"
    assert "power" in walk.state().steps["logger"].reason
    assert outcome(walk, "battery") == "go"
    assert walk.state().gates["fill"].verdict == "hold"


def test_a_step_done_again_turns_those_after_it_stale(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.confirm("battery", "omar", "latched, 8.0 V")
    assert outcome(walk, "logger") == "stale"
    assert "battery" in walk.state().steps["logger"].reason


def test_a_changed_value_turns_what_used_it_stale(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    walk.replan({"link.baud": "19200"}, "omar", "logger set to the faster rate")
    state = walk.state().steps["line"]
    assert state.outcome == "stale"
    assert "link.baud" in state.reason


def test_a_finding_whose_values_change_is_done_again_before_anybody_signs_it(crew: Crew) -> None:
    walk = crew.powered(crew.begin())
    walk.found("logger", go("logger-response"))
    walk.found("line", margin(3.0))
    walk.replan({"link.baud": "19200"}, "omar", "logger set to the faster rate")
    line = walk.state().steps["line"]
    assert (line.outcome, line.waiting) == ("open", "finding")
    assert line.reason == "link.baud was 9600, now 19200"
    with pytest.raises(Refused, match="line is done again before anybody signs it"):
        walk.sign("line", "omar")
    # What is computed runs again by itself at once, and once; what takes the payload waits for the crew.
    due = Reruns()
    assert (due.due(walk.state()), due.due(walk.state())) == ("line", None)
    walk.found("line", margin(3.0))
    assert walk.state().steps["line"].waiting == "signature"
    walk.power("switch bumped", "omar")
    assert walk.state().steps["logger"].waiting == "finding"
    assert due.due(walk.state()) is None
    crew.filled(walk)
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    walk.replan({"balloon.neck_lift": "1.7 kg"}, "omar", "read off anew")
    assert walk.state().steps["neck-lift"].waiting == "finding"
    with pytest.raises(Refused, match="done again before anybody signs it"):
        walk.witness("neck-lift", "lena")


def test_a_bench_sample_slower_than_declared_changes_nothing(crew: Crew) -> None:
    from preflight.readings import Reading

    walk = crew.ready_to_fill(crew.begin())
    slower = Reading(name="sample.rate", value=1.5, unit="Hz")
    walk.found("logger", go("logger-response", readings=(slower,)))
    assert outcome(walk, "line") == "go"
    faster = Reading(name="sample.rate", value=3.0, unit="Hz")
    walk.found("logger", go("logger-response", readings=(faster,)))
    assert outcome(walk, "line") == "stale"


def test_a_replan_inside_the_authoritys_window_stays_go_outside_turns_stale(crew: Crew) -> None:
    walk = crew.ready_to_release(crew.begin())
    walk.replan({"flight.release": "2031-03-09T10:30:00Z"}, "ines", "fog")
    assert outcome(walk, "notice") == "go"
    walk.replan({"flight.release": "2031-03-09T11:30:00Z"}, "ines", "more fog")
    assert outcome(walk, "notice") == "stale"


class TestWaiver:
    def waived(self, crew: Crew, **bound: str) -> Walk:
        walk = crew.begin()
        walk.found("line", margin(1.4))
        walk.waive(
            "line",
            "ines",
            PASSPHRASE,
            reason="short flight",
            expires=START + timedelta(hours=2),
            bound=Bound(name="link.margin", at_least=bound.get("at_least"), at_most=None) if bound else None,
        )
        return walk

    def test_it_accepts_the_finding(self, crew: Crew) -> None:
        walk = self.waived(crew)
        state = walk.state().steps["line"]
        assert (state.outcome, state.reason) == ("waived", "short flight")

    def test_past_its_expiry_the_no_go_is_back(self, crew: Crew) -> None:
        walk = self.waived(crew)
        crew.clock.forward(hours=2)
        assert outcome(walk, "line") == "no-go"
        assert "expired" in walk.state().steps["line"].reason

    def test_within_its_bound_it_covers_a_finding_made_again(self, crew: Crew) -> None:
        walk = self.waived(crew, at_least="1.3")
        walk.found("line", margin(1.35))
        assert outcome(walk, "line") == "waived"

    def test_past_its_bound_the_no_go_is_back(self, crew: Crew) -> None:
        walk = self.waived(crew, at_least="1.3")
        walk.found("line", margin(1.2))
        assert outcome(walk, "line") == "no-go"

    def test_without_a_bound_it_covers_that_finding_alone(self, crew: Crew) -> None:
        walk = self.waived(crew)
        walk.found("line", margin(1.4))
        assert outcome(walk, "line") == "no-go"

    def test_a_waived_step_can_turn_stale(self, crew: Crew) -> None:
        walk = self.waived(crew)
        walk.replan({"link.baud": "4800"}, "omar", "slower")
        assert outcome(walk, "line") == "stale"


def test_a_correction_strikes_the_entry_and_brings_no_earlier_go_back(crew: Crew) -> None:
    walk = crew.filled(crew.begin())
    first = walk.confirm("gust", "omar", "4 m/s")
    second = walk.refuse("gust", "omar", "9 m/s")
    walk.correct(second.ref, "omar", "read the wrong scale")
    assert outcome(walk, "gust") == "open"
    assert first.ref not in walk.ledger.struck


def test_the_state_at_any_moment_is_a_fold_of_the_entries_up_to_it(crew: Crew) -> None:
    walk = crew.authorised(crew.begin())
    entries = [act.entry for act in walk.ledger.acts]
    live = walk.state()
    again = state_at(Ledger(walk.ledger.book).apply_all(entries), live.now)
    for step, state in live.steps.items():
        assert (again.steps[step].outcome, again.steps[step].reason) == (state.outcome, state.reason)
    assert again.gates["release"].verdict == live.gates["release"].verdict == "go"
    half = state_at(Ledger(walk.ledger.book).apply_all(entries[: len(entries) // 2]), live.now)
    assert half.gates["release"].verdict == "hold"


@pytest.mark.parametrize(
    ("value", "at_least", "at_most", "unit", "said"),
    [
        (82.9, 8.2, 8.5, "V", "82.9 V, limit at most 8.5 V"),
        (65.63, 1.516, 3.38846, "kg", "65.63 kg, limit at most 3.389 kg"),
        (1.62, 2.0, None, "", "1.62, limit at least 2"),
        (3.38849, None, 3.38846, "kg", "3.38849 kg, limit at most 3.38846 kg"),
        (1.99999, 2.0, None, "", "1.99999, limit at least 2"),
    ],
)
def test_a_value_beyond_its_limit_is_seen_to_be(value, at_least, at_most, unit, said) -> None:
    reading = Reading(name="a", value=value, unit=unit, at_least=at_least, at_most=at_most)
    assert told(SimpleNamespace(readings=(reading,))) == f"a {said}"
