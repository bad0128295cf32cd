"""Recomputing a record: what was allowed live is allowed again, anything else is found by its line."""

from __future__ import annotations

from datetime import timedelta

import msgspec
import pytest
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.errors import RecordError
from preflight.record.entry import Entry
from preflight.record.kinds import Bound
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.audit import recompute, recompute_entries
from preflight.walk.ledger import Ledger


def eventful(crew: Crew) -> Walk:
    """A walk in which nearly everything happens once."""
    walk = crew.begin()
    crew.powered(walk)
    walk.found("logger", go("logger-response"))
    walk.sign("logger", "omar")
    walk.found("line", margin(1.4))
    walk.waive(
        "line",
        "ines",
        PASSPHRASE,
        reason="short flight",
        expires=START + timedelta(hours=3),
        bound=Bound(name="link.margin", at_least="1.2", at_most=None),
    )
    hold = walk.hold("vehicle on the field", claimed="omar")
    walk.countersign(hold.ref, "omar")
    walk.lift(hold.ref, "omar", "moved on")
    walk.complete("power-up", "omar")
    crew.polled(walk, "fill")
    walk.authorise("fill", "ines", PASSPHRASE)
    wrong = walk.measure("neck-lift", "omar", [1.95, 1.95, 1.95], (None, None))
    walk.correct(wrong.ref, "omar", "the hose was still on")
    walk.measure("neck-lift", "omar", [1.60, 1.61, 1.62], (None, None))
    walk.witness("neck-lift", "lena", mode="independent", values=[1.61])
    walk.confirm("gust", "omar", "4 m/s")
    crew.clock.forward(minutes=31)
    walk.confirm("gust", "omar", "5 m/s")
    window = {"valid_from": START, "valid_until": START + timedelta(hours=4)}
    walk.defer("notice", "ines", {"reference": "A-12"}, granted=True, **window)
    walk.replan({"flight.release": "2031-03-09T09:30:00Z"}, "ines", "waiting for the tracking car")
    walk.power("switch bumped", "omar")
    walk.found("logger", go("logger-response"))
    walk.sign("logger", "omar")
    walk.complete("fill", "omar")
    crew.polled(walk, "release")
    walk.authorise("release", "ines", PASSPHRASE)
    return walk


def test_a_record_made_by_the_acts_recomputes_without_fault(crew: Crew) -> None:
    walk = eventful(crew)
    walk.close("ines", PASSPHRASE, reason="release decision")
    walk.recorder.seal(crew.keyring.signer("ines"))
    audit = recompute(walk.recorder.folder)
    assert (audit.first_bad, audit.why, audit.verdict) == (None, "", "go")


def test_the_following_record_goes_on_from_the_closed_one(crew: Crew) -> None:
    walk = eventful(crew)
    walk.close("ines", PASSPHRASE, reason="release decision")
    walk.recorder.close()
    crew.clock.forward(minutes=3)
    after = opening.follow(
        walk.recorder.folder, why="after-release", keyring=crew.keyring, person="ines", clock=crew.clock
    )
    assert after.state().next.kind == "release"
    after.release("ines", released_at=crew.clock.at)
    assert not after.state().released_without_go
    after.confirm("call", "omar", "answered 09:33")
    after.complete("tracking", "omar")
    assert after.state().next.kind == "close"
    after.close("ines", PASSPHRASE, reason="recovered")
    assert recompute(after.recorder.folder).first_bad is None


def test_an_interrupted_walk_is_resumed_where_it_stood(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    before = walk.state()
    walk.recorder.close()
    crew.clock.forward(minutes=12)
    again = opening.resume(walk.recorder.folder, keyring=crew.keyring, clock=crew.clock)
    after = again.state()
    assert after.next == before.next
    assert {k: s.outcome for k, s in after.steps.items()} == {k: s.outcome for k, s in before.steps.items()}
    entry = again.ledger.acts[-1]
    assert (entry.entry.kind, entry.data.away) == ("resume", "720")
    assert recompute(again.recorder.folder).first_bad is None


def entries_of(walk: Walk) -> list[Entry]:
    return [act.entry for act in walk.ledger.acts]


def altered(entries: list[Entry], kind: str, nth: int = 0, **data: object) -> tuple[list[Entry], int]:
    """The entries with the data of the nth of a kind changed, and its line."""
    index = [i for i, entry in enumerate(entries) if entry.kind == kind][nth]
    entry = entries[index]
    changed = msgspec.structs.replace(entry, data=msgspec.structs.replace(entry.data, **data))
    return [*entries[:index], changed, *entries[index + 1 :]], index + 1


@pytest.mark.parametrize(
    ("kind", "change", "said"),
    [
        ("check", {"check": "card-space"}, "asks for"),
        ("measure", {"outcome": "go"}, "does not follow"),
        ("measure", {"values": ("1.6", "1.6", "1.6")}, "does not follow"),
        ("waive", {"step": "battery"}, "can't be waived"),
        ("waive", {"finding": 2}, "counts now"),
        ("witness", {"values": ("1.9",)}, "Measure again"),
        ("authorise", {"gate": "release"}, "fill gate comes first"),
        ("close", {"verdicts": {"fill": "hold", "release": "go"}}, "verdicts are"),
        ("phase", {"phase": "fill"}, "not complete"),
        ("sign", {"of": 1}, "no finding"),
    ],
)
def test_an_entry_that_the_rules_would_not_take_is_found(
    crew: Crew, kind: str, change: dict[str, object], said: str
) -> None:
    walk = eventful(crew)
    walk.close("ines", PASSPHRASE, reason="release decision")
    entries, line = altered(entries_of(walk), kind, **change)
    audit = recompute_entries(Ledger(walk.ledger.book), entries)
    assert audit.first_bad == line
    assert said in audit.why


def test_a_go_against_its_own_numbers_is_found(crew: Crew) -> None:
    walk = crew.begin()
    walk.found("line", margin(1.4))
    entries, line = altered(entries_of(walk), "check", outcome="go")
    audit = recompute_entries(Ledger(walk.ledger.book), entries)
    assert audit.first_bad == line
    assert "link.margin" in audit.why


def test_another_meaning_under_a_signature_is_found(crew: Crew) -> None:
    walk = crew.powered(crew.begin())
    entries = entries_of(walk)
    entries[1] = msgspec.structs.replace(entries[1], meaning="I was near")
    audit = recompute_entries(Ledger(walk.ledger.book), entries)
    assert (audit.first_bad, audit.verdict) == (2, "hold")


def test_a_time_that_does_not_exist_is_no_entry(crew: Crew) -> None:
    walk = crew.ready_to_fill(crew.begin())
    with pytest.raises(RecordError, match="release entry"):
        walk.recorder.append(
            "release",
            {
                "released": "2031-02-30T09:00:00.000Z",
                "with_go": False,
                "verdict": "hold",
                "authority": None,
                "reason": "gust",
            },
            signer=crew.keyring.signer("ines"),
            meaning="the balloon has left",
            auth="selected",
        )


def test_the_verdict_is_that_of_the_last_gate(crew: Crew) -> None:
    """Past the fill gate, whose go still stands, the flight is on hold until the release gate is go."""
    walk = crew.filled(crew.begin())
    verdicts = {gate: found.verdict for gate, found in walk.state().gates.items()}
    assert verdicts == {"fill": "go", "release": "hold"}
    assert recompute(walk.recorder.folder).verdict == "hold"
