"""Records that follow others: what may follow what, and acts that are judged before a record is begun."""

from __future__ import annotations

import pytest
from small_flight import PASSPHRASE, Crew

from preflight.errors import Refused
from preflight.record import kinds
from preflight.record.store import Recorder
from preflight.walk import opening, rules
from preflight.walk.acts import Walk
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
