"""Acts in any order: whatever the rules take, the state keeps its promises and the audit agrees."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from small_flight import PASSPHRASE, START, Crew, go, margin

from preflight.errors import PreflightError
from preflight.record import kinds
from preflight.record.entry import Entry, clk_of, format_utc
from preflight.walk.acts import Walk
from preflight.walk.audit import recompute_entries
from preflight.walk.ledger import Ledger

PERSON = st.sampled_from(["ines", "omar", "lena", "noah"])
STEP = st.sampled_from(["battery", "logger", "line", "winds", "neck-lift", "gust", "notice", "spare", "call"])
PHASE = st.sampled_from(["power-up", "fill", "tracking"])
GATE = st.sampled_from(["fill", "release"])
LATER = st.integers(-60, 400).map(lambda minutes: START + timedelta(minutes=minutes))

Act = Callable[[Walk], object]


def follow_hint(walk: Walk) -> None:
    """Do what the state says is next, as a diligent crew would."""
    due = walk.state().next
    if due.kind == "step":
        step = walk.ledger.book.steps[due.name]
        performer = step.signed_by[0] if step.signed_by else "payload"
        person = {"director": "ines", "payload": "omar"}[performer]
        waiting = walk.state().steps[due.name].waiting
        if waiting == "witness":
            walk.witness(due.name, "lena")
        elif step.kind == "confirm":
            walk.confirm(due.name, person)
        elif step.kind == "measure":
            walk.measure(due.name, person, [1.6, 1.6, 1.6], (None, None))
        elif step.kind == "defer":
            until = START + timedelta(hours=9)
            walk.defer(due.name, person, {"reference": "A"}, granted=True, valid_from=None, valid_until=until)
        else:
            walk.found(due.name, margin(3.0) if due.name == "line" else go("logger-response"))
            walk.sign(due.name, person)
    elif due.kind == "complete":
        walk.complete(due.name, "omar")
    elif due.kind == "poll":
        for station, person in (("director", "ines"), ("payload", "omar")):
            walk.poll(due.name, station, person, go=True)
    elif due.kind == "authorise":
        walk.authorise(due.name, "ines", PASSPHRASE)


ACTS: st.SearchStrategy[Act] = st.one_of(
    st.builds(lambda s, p: lambda w: w.confirm(s, p), STEP, PERSON),
    st.builds(lambda s, p: lambda w: w.refuse(s, p, "not so"), STEP, PERSON),
    st.builds(lambda s, p: lambda w: w.not_applicable(s, p, "not here"), STEP, PERSON),
    st.builds(lambda m: lambda w: w.found("line", margin(m)), st.floats(0.5, 4)),
    st.just(lambda w: w.found("logger", go("logger-response"))),
    st.builds(lambda s, p: lambda w: w.sign(s, p), STEP, PERSON),
    st.builds(lambda s, p: lambda w: w.witness(s, p), STEP, PERSON),
    st.builds(
        lambda p, kg: lambda w: w.measure("neck-lift", p, [kg, kg, kg], (None, None)), PERSON, st.floats(1, 2)
    ),
    st.builds(
        lambda p, until: (
            lambda w: w.defer(
                "notice", p, {"reference": "A"}, granted=True, valid_from=START, valid_until=until
            )
        ),
        PERSON,
        LATER,
    ),
    st.builds(
        lambda s, p, at: lambda w: w.waive(s, p, PASSPHRASE, reason="short", expires=at), STEP, PERSON, LATER
    ),
    st.builds(lambda p: lambda w: w.hold("wait", p), PERSON),
    st.builds(lambda p: lambda w: [w.lift(ref, p, "over") for ref in list(w.ledger.holds)], PERSON),
    st.builds(lambda p, who: lambda w: w.complete(p, who), PHASE, PERSON),
    st.builds(lambda p, who: lambda w: w.begin(p, who, "in a hurry"), PHASE, PERSON),
    st.just(lambda w: w.power("bumped", "omar")),
    st.builds(lambda at: lambda w: w.replan({"flight.release": at.isoformat()}, "ines", "fog"), LATER),
    st.builds(lambda g, yes: lambda w: w.poll(g, "director", "ines", go=yes), GATE, st.booleans()),
    st.builds(lambda g, yes: lambda w: w.poll(g, "payload", "omar", go=yes), GATE, st.booleans()),
    st.builds(lambda g: lambda w: w.authorise(g, "ines", PASSPHRASE), GATE),
    st.builds(lambda p: lambda w: w.release(p, released_at=START, reason="gust"), PERSON),
    st.builds(
        lambda i, p: lambda w: w.correct(w.ledger.acts[i % len(w.ledger.acts)].ref, p, "slip"),
        st.integers(0, 40),
        PERSON,
    ),
    st.builds(lambda m: lambda w: w.clock.forward(minutes=m), st.integers(0, 50)),
    st.just(lambda w: w.scrub("ines", "rain")),
    st.just(lambda w: w.close("ines", PASSPHRASE, reason="enough")),
    # Hints at what a crew would do next, so that walks get far enough for gates to matter.
    st.just(follow_hint),
    st.just(lambda w: [follow_hint(w) for _ in range(6)]),
    st.just(lambda w: [follow_hint(w) for _ in range(14)]),
)


class PaperRecorder:
    """Keeps entries in memory with true times and places but no signatures: the rules are what is tried."""

    def __init__(self) -> None:
        self.rec = "in-memory"
        self.entries: list[Entry] = []
        self.head = "0" * 64

    def append(
        self, kind: str, data: object, *, signer: object, meaning: str, auth: str, moment: object, **_: object
    ) -> Entry:
        entry = Entry(
            v=1,
            rec=self.rec,
            seq=len(self.entries) + 1,
            prev=self.head,
            kind=kind,
            at=format_utc(moment.at),
            clk=clk_of(moment),
            signer=signer.id,
            meaning=meaning,
            auth=auth,
            data=data,
        )
        self.entries.append(entry)
        return entry


class OpenKeyring:
    """Signers by name, whose passphrase is a comparison."""

    class Signer:
        def __init__(self, name: str) -> None:
            self.id = name

    def check(self, person: str, passphrase: str) -> None:
        assert passphrase == PASSPHRASE

    def signer(self, person: str) -> OpenKeyring.Signer:
        return self.Signer(person)

    def instrument(self) -> OpenKeyring.Signer:
        return self.Signer("laptop")


@pytest.fixture
def fresh(crew: Crew) -> Callable[[], Walk]:
    book = crew.sources.book()

    def make() -> Walk:
        from small_flight import ToldClock

        walk = Walk(Ledger(book), PaperRecorder(), OpenKeyring(), ToldClock())
        data = kinds.OpenData(
            flight="0" * 64, checklist="0" * 64, roster="0" * 64, tool="t", drill=False, previous=None
        )
        entry = walk.recorder.append(
            "open",
            data,
            signer=OpenKeyring.Signer("ines"),
            meaning="I open this record with these files",
            auth="selected",
            moment=walk.now(),
        )
        walk.ledger.apply(entry)
        return walk

    return make


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(acts=st.lists(ACTS, max_size=40))
def test_promises_hold_in_any_order(fresh: Callable[[], Walk], acts: list[Act]) -> None:
    walk = fresh()
    for act in acts:
        try:
            act(walk)
        except PreflightError:
            continue
        state = walk.state()
        for gate in state.gates.values():
            counted = [
                state.steps[step.id]
                for phase in walk.ledger.book.counted(gate.gate)
                for step in phase.step
                if step.required
            ]
            outcomes = {step.outcome for step in counted}
            if "no-go" in outcomes:
                assert gate.verdict == "no-go"
            elif gate.verdict == "go":
                assert outcomes <= {"go", "waived", "not-applicable"}
                # A hold called after the release changes nothing about how the balloon left.
                released = walk.ledger.released is not None
                assert not (walk.ledger.holds_at_release if released else state.holds)
            assert (gate.verdict == "go") == (not gate.reasons)
        for step in state.steps.values():
            if step.outcome == "go":
                assert step.finding is not None
                assert step.finding.performer not in (None, "laptop")
                if step.step.witness:
                    assert step.finding.witness is not None
                    assert step.finding.witness.signer != step.finding.performer
            if step.outcome == "waived":
                assert step.step.waive_by
    event(f"gates authorised: {len(walk.ledger.authorised)}")
    audit = recompute_entries(Ledger(walk.ledger.book), [act.entry for act in walk.ledger.acts])
    assert (audit.first_bad, audit.why) == (None, "")
