"""Records that follow others: what may follow what, and acts that are judged before a record is begun."""

from __future__ import annotations

from datetime import timedelta

import pytest
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.errors import Refused
from preflight.record import kinds
from preflight.record.store import Recorder
from preflight.report.gather import gather
from preflight.report.html import to_html
from preflight.walk import opening, rules
from preflight.walk.acts import Walk
from preflight.walk.ledger import Ref
from preflight.walk.proof import prove
from preflight.walk.rehearsal import Rehearsal


def decided(crew: Crew) -> Walk:
    walk = crew.authorised(crew.begin())
    walk.close("ines", PASSPHRASE, reason="decided")
    return walk


def follow(crew: Crew, walk: Walk, why: str, **more) -> Walk:
    walk.recorder.close()
    return opening.follow(
        walk.recorder.folder, why=why, keyring=crew.keyring, person="ines", clock=crew.clock, **more
    )


class TestAfterRelease:
    def test_it_follows_only_a_closed_record(self, crew: Crew) -> None:
        walk = crew.begin()
        with pytest.raises(Refused, match="is not closed"):
            follow(crew, walk, "after-release")
        assert [path.name for path in crew.logs.iterdir()] == [walk.recorder.rec]

    def test_one_that_follows_an_unclosed_record_is_bad(self, crew: Crew) -> None:
        walk = crew.begin()
        walk.recorder.close()
        previous = kinds.Previous(rec=walk.rec, head=walk.head, why="after-release")
        forged = Recorder.create(
            crew.logs,
            files=crew.sources.files(),
            tool=opening.TOOL,
            drill=False,
            previous=previous,
            signer=crew.keyring.signer("ines"),
            clock=crew.clock,
            meaning=rules.MEANINGS["open"],
            auth="selected",
        )
        forged.close()
        found = prove(forged.folder).found
        assert (found.state, found.first_bad) == ("bad", 1)
        assert f"{walk.rec} was not closed" in found.why

    def test_one_that_follows_a_closed_record_is_sound(self, crew: Crew) -> None:
        after = follow(crew, decided(crew), "after-release")
        after.recorder.close()
        found = prove(after.recorder.folder).found
        assert (found.state, found.first_bad) == ("unsealed", None)


class TestRehearsal:
    def test_what_is_refused_is_refused_and_nothing_is_written(self, crew: Crew) -> None:
        walk = decided(crew)
        before = len(walk.ledger.acts)
        with pytest.raises(Refused, match="not have that role"):
            Rehearsal(walk, "ines").confirm("call", "noah", "answered")
        with pytest.raises(Refused, match="is closed"):
            walk.hold("gust", "omar")
        assert len(walk.ledger.acts) == before
        assert walk.ledger.closed is not None
        assert len(list(crew.logs.iterdir())) == 1

    def test_what_is_allowed_is_what_the_following_record_allows(self, crew: Crew) -> None:
        walk = decided(crew)

        def act(one: Walk) -> object:
            one.hold("gust", "omar")
            one.release("ines", released_at=crew.clock.at, reason="tore loose")
            return one.confirm("call", "omar", "answered")

        tried = Rehearsal(walk, "ines")
        act(tried)
        after = follow(crew, walk, "after-release")
        act(after)
        assert tried.state().steps["call"].outcome == after.state().steps["call"].outcome == "go"
        assert tried.ledger.released.data == after.ledger.released.data


def test_a_copy_of_a_ledger_is_not_touched_by_what_follows(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    copy, then = walk.ledger.copy(), walk.now()
    before = {name: (s.outcome, s.reason) for name, s in opening.state_at(copy, then).steps.items()}
    walk.correct(walk.ledger.steps["line"].finding.signature.ref, "omar", "wrong lead")
    walk.power("switched", "omar")
    walk.hold("gust", "omar")
    after = opening.state_at(copy, then)
    assert {name: (s.outcome, s.reason) for name, s in after.steps.items()} == before
    assert not after.holds
    assert walk.state().steps["line"].waiting == "signature"
    copy.apply(walk.ledger.acts[-1].entry)
    assert opening.state_at(copy, then).holds
    assert len(copy.acts) < len(walk.ledger.acts)


def handed_over(crew: Crew, walk: Walk) -> Walk:
    crew.clock.boot = "the other laptop"
    crew.clock.forward(minutes=5)
    return follow(crew, walk, "handover")


class TestCorrectionsOfAnEarlierRecord:
    """What was entered before a handover can still be taken back after it."""

    def waived(self, crew: Crew) -> Walk:
        walk = crew.powered(crew.begin())
        walk.found("logger", go("logger-response"))
        walk.sign("logger", "omar")
        walk.found("line", margin(1.5))
        bound = kinds.Bound(name="link.margin", at_least="1.4", at_most=None)
        expires = START + timedelta(hours=3)
        walk.waive("line", "ines", PASSPHRASE, reason="short cable", expires=expires, bound=bound)
        return walk

    def test_a_waiver_given_before_the_handover_is_withdrawn_after_it(self, crew: Crew) -> None:
        walk = self.waived(crew)
        waiver = walk.ledger.acts[-1].ref
        other = handed_over(crew, walk)
        assert other.state().steps["line"].outcome == "waived"
        with pytest.raises(Refused, match="who signed it, or by the director"):
            other.correct(waiver, "omar", "the cable is long")
        other.correct(waiver, "ines", "the cable is long")
        assert other.state().steps["line"].outcome == "no-go"
        assert other.state().gates["fill"].verdict == "no-go"
        with pytest.raises(Refused, match="corrected already"):
            other.correct(waiver, "ines", "once more")
        other.recorder.close()
        proof = prove(other.recorder.folder)
        assert (proof.found.state, proof.found.verdict) == ("unsealed", "no-go")
        again = opening.resume(other.recorder.folder, keyring=crew.keyring, clock=crew.clock)
        assert again.state().steps["line"].outcome == "no-go"

    def test_the_waivers_bound_still_binds_after_the_handover(self, crew: Crew) -> None:
        other = handed_over(crew, self.waived(crew))
        other.found("line", margin(1.45))
        assert other.state().steps["line"].outcome == "waived"
        other.found("line", margin(1.3))
        assert other.state().steps["line"].outcome == "no-go"
        assert "beyond the waiver" in other.state().steps["line"].reason
        other.found("line", margin(1.45))
        crew.clock.forward(hours=3)
        assert "waiver expired" in other.state().steps["line"].reason

    def test_an_entry_that_no_record_of_this_walk_holds_is_none_to_correct(self, crew: Crew) -> None:
        other = handed_over(crew, self.waived(crew))
        with pytest.raises(Refused, match="none that can be corrected"):
            other.correct(Ref("20310101T000000Z-abcdef", 2), "ines", "wrong")

    def test_a_correction_within_a_record_is_written_as_before(self, crew: Crew) -> None:
        walk = self.waived(crew)
        act = walk.correct(walk.ledger.acts[-1].ref, "ines", "the cable is long")
        line = (walk.recorder.folder / "record.jsonl").read_bytes().splitlines()[-1]
        assert b'"data":{"of":6,"reason":"the cable is long"}' in line, line
        assert act.data.rec is None


def test_the_report_shows_a_waiver_withdrawn_after_the_handover_as_struck(crew: Crew) -> None:
    walk = TestCorrectionsOfAnEarlierRecord().waived(crew)
    waiver = walk.ledger.acts[-1].ref
    other = handed_over(crew, walk)
    other.correct(waiver, "ines", "the cable is long")
    other.recorder.close()
    report = gather(other.recorder.folder, clock=crew.clock)
    (shown,) = report.waivers
    assert shown.struck is not None
    assert shown.struck.reason == "the cable is long"
    assert report.headline.verdict == "no-go"
    assert any(line.text == f"line 6 of {waiver.rec} struck: the cable is long" for line in report.entries)
    assert "STRUCK" in to_html(report).upper()
