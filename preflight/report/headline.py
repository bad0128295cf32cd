"""What a reader sees first: the verdict and why, and what must not be missed on any page."""

from __future__ import annotations

from preflight.report.model import Follower, Headline, Loud, WaiverView
from preflight.report.replay import Replay
from preflight.report.who import Who
from preflight.report.words import count
from preflight.walk.proof import UNJUDGED
from preflight.walk.state import GateState

MEANS = {
    "go": "every required step up to this gate was settled, and nothing held the count",
    "no-go": "at least one required step was found no-go and not waived",
    "hold": "something required was still open, out of date or held",
}
"""What each verdict says, for somebody who never saw the tool."""


def headline_of(told: Replay, who: Who, waivers: tuple[WaiverView, ...]) -> Headline:
    """The verdict at the last gate: as the balloon left, or as of the last entry that can be believed."""
    as_of = who.clock.stamp(told.entries[-1].at) if told.entries else None
    if told.state is None:
        text = "No verdict: flight file, checklist or an earlier record could not be used."
        unjudged = [note for note in told.proofs[-1].found.warnings if UNJUDGED in note]
        if unjudged:
            text = f"No verdict. {unjudged[0]}."
        if not told.entries:
            text = "No verdict: nothing of this record can be believed."
        return Headline("", "", text, (), as_of, "")
    gate = last_gate(told)
    in_force = [waiver for waiver in waivers if waiver.standing.startswith("in force")]
    if gate is None:
        text = "This checklist has no gate, so there is no verdict."
        return Headline("", "", text, (), as_of, _ending(told, who))
    text = f"At the {gate.gate} gate: {MEANS[gate.verdict]}."
    if _given_up(told):
        text = f"The verdict when the attempt was given up. {text}"
    if told.bad is not None:
        text = f"As far as the record can be believed, and no further. {text}"
    if in_force:
        text += f" {count(len(in_force), 'no-go was', 'no-gos were')} accepted by a waiver."
    reasons = tuple(reason.text for reason in gate.reasons)
    return Headline(gate.verdict, gate.gate, text, reasons, as_of, _ending(told, who))


def _given_up(told: Replay) -> bool:
    return told.state is not None and told.state.scrubbed is not None and told.state.released is None


def last_gate(told: Replay) -> GateState | None:
    """The gate that the verdict is about; as it stood when the balloon left, if it has left."""
    if told.at_release is not None:
        return told.at_release
    gates = list(told.state.gates.values()) if told.state is not None else []
    return gates[-1] if gates else None


def _ending(told: Replay, who: Who) -> str:
    state = told.state
    assert state is not None
    if state.released is not None:
        at = who.clock.stamp(state.released.data.released).utc
        if state.released_without_go:
            return f"RELEASED WITHOUT GO, {at}: {state.released.data.reason}"
        return f"Released with go, {at}."
    if state.closed is not None:
        return f"Record closed: {state.closed.data.reason}"
    if told.bad is not None:
        return "What came after the bad line is not known."
    return "The record is not closed: the walk was still going on, or stopped."


def loud_of(
    told: Replay, who: Who, followers: tuple[Follower, ...], forks: tuple[str, ...]
) -> tuple[Loud, ...]:
    """What must not be missed, worst first."""
    loud = []
    for proof in told.proofs:
        found = proof.found
        if found.state == "bad":
            where = "" if found.first_bad is None else f" at line {found.first_bad}"
            text = f"Record {found.record} is bad{where}: {found.why}."
            if found.first_bad is not None:
                text += " Nothing from that line on is shown here or can be believed."
            loud.append(Loud("BAD RECORD", text))
    state = told.state
    if state is not None and state.released_without_go:
        assert state.released is not None
        data = state.released.data
        text = f"The verdict was {data.verdict} when the balloon left. Reason given: {data.reason}"
        loud.append(Loud("RELEASED WITHOUT GO", text))
    if state is not None and state.scrubbed is not None:
        entry, data = state.scrubbed.entry, state.scrubbed.data
        by = who.signed(entry)
        text = f"The attempt was given up at {by.when.utc} by {by.name} ({by.id}): {data.reason}"
        loud.append(Loud("SCRUBBED", text))
    loud += [
        Loud("RELEASED WITHOUT GO", f"The record {one.id}, which follows, says: {one.released}.")
        for one in followers
        if one.released.startswith("RELEASED WITHOUT GO")
    ]
    if any(proof.found.drill for proof in told.proofs):
        loud.append(Loud("DRILL", "Practice: no flight was made on this record."))
    last = told.proofs[-1].found
    if last.state == "unsealed":
        loud.append(Loud("NOT SEALED", f"Sound as far as it goes, but {last.why}."))
    loud += [Loud("FORK", f"{fork}: only one of them can be the walk that happened.") for fork in forks]
    return tuple(loud)
