"""Ways to a go that should not be, to a no-go that is lost, or out of recording what happened: all closed."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import msgspec
import pytest
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.errors import PreflightError, Refused
from preflight.readings import Finding, Reading
from preflight.record import kinds
from preflight.record.kinds import Bound
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.audit import recompute
from preflight.walk.proof import prove


def waive(walk: Walk, step: str, bound: Bound | None = None, hours: int = 3) -> object:
    expires = START + timedelta(hours=hours)
    return walk.waive(step, "ines", PASSPHRASE, reason="short flight", expires=expires, bound=bound)


def unlimited(crew: Crew) -> Crew:
    """The same crew with a checklist that sets no limits on the neck lift."""
    text = crew.sources.checklist.replace(b"measure.at_least = 1.4\n", b"").replace(
        b"measure.at_most = 1.9\n", b""
    )
    crew.sources = replace(crew.sources, checklist=text)
    return crew


class TestMistypedMeasurements:
    @pytest.mark.parametrize("value", [170.0, 0.0, -1.0])
    def test_what_the_flight_file_could_not_say_is_refused_not_recorded(
        self, crew: Crew, value: float
    ) -> None:
        walk = unlimited(crew).filled(crew.begin())
        with pytest.raises(Refused, match="neck_lift"):
            walk.measure("neck-lift", "omar", [value] * 3, (None, None))
        walk.recorder.close()
        opening.resume(walk.recorder.folder, keyring=crew.keyring, clock=crew.clock)

    def test_a_no_go_measurement_replaces_nothing(self, crew: Crew) -> None:
        walk = crew.filled(crew.begin())
        walk.measure("neck-lift", "omar", [170.0] * 3, (None, None))
        assert walk.state().steps["neck-lift"].outcome == "no-go"
        assert walk.ledger.values.flight.balloon.neck_lift == pytest.approx(1.60)

    def test_a_foreign_entry_that_sets_nonsense_is_bad_and_ends_nothing(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.recorder.append(
            "replan",
            kinds.ReplanData(sets={"balloon.neck_lift": "170 kg"}, reason="by another tool"),
            signer=crew.keyring.signer("omar"),
            meaning="I change the plan",
            auth="selected",
        )
        walk.recorder.close()
        audit = recompute(walk.recorder.folder)
        assert (audit.first_bad, "neck_lift" in audit.why) == (2, True)
        opening.resume(walk.recorder.folder, keyring=crew.keyring, clock=crew.clock)


class TestNoGoStays:
    def no_go(self, crew: Crew) -> Walk:
        walk = crew.powered(crew.begin())
        walk.found("logger", Finding(check="logger-response", outcome="no-go", remarks=("silent",)))
        crew.clock.forward(minutes=5)
        return walk

    def test_against_the_printed_list(self, crew: Crew) -> None:
        walk = self.no_go(crew)
        with pytest.raises(Refused, match="later"):
            walk.paper("logger", "omar", START - timedelta(minutes=9), "it answered")
        with pytest.raises(Refused, match="only the instrument"):
            walk.paper("logger", "omar", crew.clock.at, "it answered")

    def test_against_not_applicable(self, crew: Crew) -> None:
        walk = self.no_go(crew)
        with pytest.raises(Refused, match="not applicable"):
            walk.not_applicable("logger", "omar", "we do not need it")

    def test_against_a_check_that_could_not_look(self, crew: Crew) -> None:
        walk = self.no_go(crew)
        walk.found("logger", Finding(check="logger-response", outcome="open", remarks=("no right",)))
        assert walk.state().steps["logger"].outcome == "no-go"

    def test_it_is_taken_even_where_a_go_would_come_too_early(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.found("logger", Finding(check="logger-response", outcome="no-go", remarks=("silent",)))
        walk.refuse("gust", "omar", "11 m/s already")
        state = walk.state()
        assert state.steps["logger"].outcome == state.steps["gust"].outcome == "no-go"

    def test_it_is_taken_after_a_power_cycle_that_the_check_saw(self, crew: Crew) -> None:
        walk = crew.ready_to_fill(crew.begin())
        seen = Finding(check="logger-response", outcome="no-go", remarks=("silent",), power_cycle="banner")
        walk.found("logger", seen)
        assert walk.state().steps["logger"].outcome == "no-go"
        assert walk.ledger.values.power == 1


class TestAfterTheRelease:
    def left_on_no_go(self, crew: Crew) -> Walk:
        walk = crew.ready_to_fill(crew.begin())
        walk.found("line", margin(1.4))
        walk.release("omar", released_at=crew.clock.at, reason="gust tore it loose")
        return walk

    def test_the_verdict_at_release_is_not_rewritten(self, crew: Crew) -> None:
        walk = self.left_on_no_go(crew)
        for act in (
            lambda: waive(walk, "line"),
            lambda: walk.paper("line", "omar", crew.clock.at, "fine"),
            lambda: walk.found("line", margin(3.0)),
            lambda: walk.poll("fill", "payload", "omar", go=True),
            lambda: walk.authorise("fill", "ines", PASSPHRASE),
            lambda: walk.complete("power-up", "omar"),
            lambda: walk.correct(walk.ledger.steps["line"].finding.act.ref, "ines", "no"),
        ):
            with pytest.raises(Refused, match="has left"):
                act()
        assert walk.state().gates["release"].verdict == "no-go"
        found = prove(walk.recorder.folder).found
        assert found.verdict == "no-go"
        assert any("RELEASED WITHOUT GO" in note for note in found.warnings)

    def test_it_can_be_entered_after_a_scrub_and_the_payload_tracked(self, crew: Crew) -> None:
        walk = crew.ready_to_fill(crew.begin())
        walk.scrub("ines", "wind")
        walk.release("omar", released_at=crew.clock.at, reason="it slipped while being emptied")
        assert walk.state().released_without_go
        walk.confirm("call", "omar", "answered")
        assert recompute(walk.recorder.folder).first_bad is None

    def test_a_release_entered_late_is_judged_by_when_it_was(self, crew: Crew) -> None:
        walk = crew.authorised(crew.begin())
        left = crew.clock.at + timedelta(minutes=2)
        crew.clock.forward(minutes=33)
        assert walk.state().steps["gust"].outcome == "stale"
        walk.release("ines", released_at=left)
        assert not walk.state().released_without_go
        assert walk.state().steps["gust"].outcome == "go"
        assert recompute(walk.recorder.folder).first_bad is None

    def test_its_time_lies_neither_ahead_nor_before_the_authorisation(self, crew: Crew) -> None:
        walk = crew.ready_to_release(crew.begin())
        before = crew.clock.at
        crew.clock.forward(minutes=1)
        crew.polled(walk, "release")
        walk.authorise("release", "ines", PASSPHRASE)
        with pytest.raises(Refused, match="lies ahead"):
            walk.release("ines", released_at=crew.clock.at + timedelta(minutes=1))
        with pytest.raises(Refused, match=r"left at 2031-03-09 06:00:00Z: the record was opened at .* 07:00"):
            walk.release("ines", released_at=walk.ledger.acts[0].at.at - timedelta(hours=1), reason="early")
        with pytest.raises(Refused, match=f"{before:%H:%M:%S}Z is without.*{crew.clock.at:%H:%M:%S}Z only"):
            walk.release("ines", released_at=before)
        walk.release("ines", released_at=before, reason="slipped before the poll")
        assert walk.state().released_without_go

    def test_one_that_did_not_happen_is_corrected_by_the_director_alone(self, crew: Crew) -> None:
        walk = crew.ready_to_fill(crew.begin())
        act = walk.release("omar", released_at=crew.clock.at, reason="wrong key")
        with pytest.raises(Refused, match="role director"):
            walk.correct(act.ref, "omar", "wrong key")
        walk.correct(act.ref, "ines", "wrong key: the balloon is still here")
        assert walk.state().released is None
        walk.confirm("battery", "omar", "latched")


class TestWaiverBounds:
    def test_on_the_harmless_side_is_refused(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.found("line", margin(0.01))
        with pytest.raises(Refused, match="beyond"):
            waive(walk, "line", Bound(name="link.margin", at_least=None, at_most="100"))
        with pytest.raises(Refused, match="beyond"):
            waive(walk, "line", Bound(name="link.margin", at_least="1.5", at_most=None))

    def test_it_does_not_cover_a_no_go_for_another_reason(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.found("line", margin(1.9))
        waive(walk, "line", Bound(name="link.margin", at_least="1.8", at_most=None))
        reading = Reading(name="link.margin", value=3.0, source="computed", at_least=2.0)
        walk.found(
            "line",
            Finding(check="link-margin", outcome="no-go", readings=(reading,), remarks=("wrong framing",)),
        )
        assert walk.state().steps["line"].outcome == "no-go"


class TestPerformerAndWitness:
    def test_are_two_people_also_after_a_correction(self, crew: Crew) -> None:
        text = crew.sources.checklist.replace(b'id = "line"\n', b'id = "line"\nwitness = true\n')
        crew.sources = replace(crew.sources, checklist=text)
        walk = crew.powered(crew.begin())
        walk.found("line", margin(3.0))
        signed = walk.sign("line", "omar")
        walk.witness("line", "lena")
        assert walk.state().steps["line"].outcome == "go"
        walk.correct(signed.ref, "omar", "was not me")
        walk.sign("line", "lena")
        assert walk.state().steps["line"].waiting == "witness"


class TestPollsAndAuthority:
    def test_the_release_is_not_polled_before_the_fill(self, crew: Crew) -> None:
        with pytest.raises(Refused, match="fill gate comes first"):
            crew.begin().poll("release", "payload", "omar", go=True)

    def test_a_struck_answer_takes_the_go_from_the_release(self, crew: Crew) -> None:
        walk = crew.authorised(crew.begin())
        answer = walk.ledger.polls["release", "payload"]
        walk.correct(answer.ref, "omar", "I meant no-go")
        walk.release("ines", released_at=crew.clock.at, reason="already gone")
        assert walk.state().released_without_go

    def test_a_no_go_in_between_ends_the_authority(self, crew: Crew) -> None:
        walk = crew.authorised(crew.begin())
        walk.refuse("gust", "omar", "9 m/s")
        walk.confirm("gust", "omar", "4 m/s")
        gate = walk.state().gates["release"]
        assert (gate.verdict, gate.authorised) == ("go", None)


class TestStale:
    def test_striking_a_measurement_turns_what_used_it_stale(self, crew: Crew) -> None:
        walk = crew.filled(crew.begin())
        taken = walk.measure("neck-lift", "omar", [1.80] * 3, (None, None))
        walk.confirm("gust", "omar", "4 m/s", reads=["balloon.neck_lift"])
        walk.correct(taken.ref, "omar", "hose still on")
        assert walk.state().steps["gust"].outcome == "stale"

    def test_a_replan_of_a_measured_value_turns_the_measurement_stale(self, crew: Crew) -> None:
        walk = crew.ready_to_release(crew.begin())
        walk.replan({"balloon.neck_lift": "1.5 kg"}, "omar", "less gas")
        assert walk.state().steps["neck-lift"].outcome == "stale"

    def test_limits_that_figures_give_move_with_what_they_are_computed_from(self, crew: Crew) -> None:
        walk = unlimited(crew).filled(crew.begin())
        walk.measure("neck-lift", "omar", [1.6] * 3, (1.4, 1.9))
        walk.witness("neck-lift", "lena")
        walk.replan({"payload.package[1].mass": "1.9 kg"}, "omar", "second camera")
        assert walk.state().steps["neck-lift"].outcome == "stale"

    def test_the_plan_is_changed_by_stations_only(self, crew: Crew) -> None:
        with pytest.raises(Refused, match="role"):
            crew.begin().replan({"balloon.neck_lift": "1.5 kg"}, "noah", "try")

    def test_paper_is_as_old_as_its_own_time(self, crew: Crew) -> None:
        walk = crew.filled(crew.begin())
        walk.paper("gust", "omar", crew.clock.at - timedelta(minutes=31), "4 m/s")
        walk.witness("gust", "lena")
        assert walk.state().steps["gust"].outcome == "stale"

    def test_a_clock_set_back_brings_no_waiver_back(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.found("line", margin(1.4))
        waive(walk, "line", hours=1)
        crew.clock.forward(hours=2)
        walk.confirm("battery", "omar")
        crew.clock.at -= timedelta(hours=2)
        assert walk.state().steps["line"].outcome == "no-go"


class TestEarlierRecords:
    def test_an_act_against_the_rules_there_makes_the_following_record_bad(self, crew: Crew) -> None:
        walk = crew.ready_to_fill(crew.begin())
        walk.recorder.append(
            "authorise",
            kinds.AuthoriseData(gate="fill", verdict="go"),
            signer=crew.keyring.signer("noah"),
            meaning="I authorise passing this gate",
            auth="passphrase",
        )
        walk.recorder.close()
        after = opening.follow(
            walk.recorder.folder, why="handover", keyring=crew.keyring, person="ines", clock=crew.clock
        )
        after.recorder.close()
        found = prove(after.recorder.folder).found
        assert found.state == "bad"
        assert walk.recorder.rec in found.why

    def test_one_that_was_handed_over_is_not_taken_up_again(self, crew: Crew) -> None:
        walk = crew.ready_to_fill(crew.begin())
        walk.recorder.close()
        opening.follow(
            walk.recorder.folder, why="handover", keyring=crew.keyring, person="ines", clock=crew.clock
        )
        with pytest.raises(Refused, match="goes on in"):
            opening.resume(walk.recorder.folder, keyring=crew.keyring, clock=crew.clock)


class TestLiveAndAuditAgree:
    def test_a_go_with_a_reading_outside_its_limits_is_refused_live(self, crew: Crew) -> None:
        walk = crew.begin()
        bad = msgspec.structs.replace(margin(1.4), outcome="go")
        with pytest.raises(Refused, match="outside its limits"):
            walk.found("line", bad)

    def test_a_go_with_a_limited_reading_that_has_no_value_is_refused(self, crew: Crew) -> None:
        blind = Reading(name="link.margin", value=None, source="computed", at_least=2.0)
        with pytest.raises(Refused, match="has no value"):
            crew.begin().found("line", go("link-margin", readings=(blind,)))

    def test_a_close_takes_the_passphrase(self, crew: Crew) -> None:
        walk = crew.ready_to_fill(crew.begin())
        verdicts = {"fill": "go", "release": "hold"}
        data = kinds.CloseData(reason="x", verdicts=verdicts, sealers=("ines",))
        with pytest.raises(PreflightError, match="passphrase"):
            walk.enter("close", data, "ines")


class TestHolds:
    def test_a_person_holds_in_their_own_name(self, crew: Crew) -> None:
        walk = crew.begin()
        with pytest.raises(Refused, match="own name"):
            walk.enter("hold", kinds.HoldData(reason="x", claimed="noah"), "omar")

    def test_a_stranger_claims_none(self, crew: Crew) -> None:
        with pytest.raises(PreflightError, match="not on the roster"):
            crew.begin().hold("x", claimed="zoe")

    def test_it_is_countersigned_once(self, crew: Crew) -> None:
        walk = crew.begin()
        hold = walk.hold("x", claimed="omar")
        walk.countersign(hold.ref, "omar")
        with pytest.raises(Refused, match="already"):
            walk.countersign(hold.ref, "omar")


def test_a_role_that_nobody_holds_is_told_before_the_record_begins(crew: Crew) -> None:
    text = crew.sources.checklist.replace(b'["director", "payload"]', b'["director", "payload", "safety"]')
    crew.sources = replace(crew.sources, checklist=text)
    with pytest.raises(Refused, match="safety"):
        crew.begin()
    assert not list(crew.logs.iterdir())
