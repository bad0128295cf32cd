"""The acts of a walk: each is judged by the rules, written to the record, and only then folded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec

from preflight.clock import Clock, Moment
from preflight.config.checklist import Step
from preflight.errors import Refused
from preflight.readings import Finding, decimal_text
from preflight.record import kinds
from preflight.record.entry import Auth, format_utc
from preflight.record.folder import evidence_data
from preflight.record.keys import Keyring, Signer
from preflight.record.store import Recorder
from preflight.walk import codec, rules
from preflight.walk.ledger import Act, FindingLog, Ledger, Ref
from preflight.walk.measuring import measured, reads_of
from preflight.walk.staleness import changed
from preflight.walk.state import State, state_at

CLOCK_OFFSET = "clock.offset"


@dataclass
class Walk:
    """One walk at work: the ledger, the record it is written to, and the keys unlocked for it."""

    ledger: Ledger
    recorder: Recorder
    keyring: Keyring
    clock: Clock

    def now(self) -> Moment:
        """The clock's time at the record's precision, so that an audit judges by the same number."""
        moment = self.clock.now()
        at = moment.at.replace(microsecond=moment.at.microsecond // 1000 * 1000)
        return Moment(at, moment.boot, moment.boot_ns, moment.source, moment.uncertainty)

    @property
    def rec(self) -> str:
        """The record that acts go into."""
        return self.recorder.rec

    @property
    def head(self) -> str:
        """SHA-256 of its last line."""
        return self.recorder.head

    def state(self) -> State:
        """The state now."""
        return state_at(self.ledger, self.now())

    # -- findings ---------------------------------------------------------------------------------

    def found(self, step_id: str, finding: Finding) -> Act:
        """Enter a check's finding, signed by the instrument; its evidence is kept beside the record.

        A power cycle that the check saw is entered before it, so that what was found earlier turns stale;
        and so is what it found the laptop's clock off by, which explains a clock that is set because of it.
        """
        data = kinds.CheckData(
            step=step_id,
            check=finding.check,
            outcome=finding.outcome,
            readings=tuple(codec.to_data(reading) for reading in finding.readings),
            remarks=finding.remarks,
            evidence=tuple(evidence_data(item.name, item.data) for item in finding.evidence),
            reads=finding.reads,
            seconds=decimal_text(finding.seconds),
        )
        offset = next((reading for reading in finding.readings if reading.name == CLOCK_OFFSET), None)
        if finding.power_cycle or offset is not None:
            # All or none: a finding that would be refused leaves nothing of this behind.
            signer = self.keyring.instrument().id
            ask = rules.Ask("check", data, signer, "instrument", self.now(), self.rec)
            rules.allow(self.ledger, ask)
        if finding.power_cycle:
            self.power(finding.power_cycle)
        if offset is not None and isinstance(offset.value, (int, float)):
            between = None if offset.low is None or offset.high is None else (offset.high - offset.low) / 2
            detail = finding.remarks[0] if finding.remarks else ""
            self.clock_compared(f"what {finding.check} heard or was told", offset.value, between, detail)
        return self._instrument("check", data, evidence=[item.data for item in finding.evidence])

    def confirm(self, step_id: str, person: str, response: str = "", *, reads: Sequence[str] = ()) -> Act:
        """A person did the step and saw the response."""
        return self._confirmed(step_id, person, "go", response=response, reads=reads)

    def refuse(self, step_id: str, person: str, reason: str) -> Act:
        """A person found the step no-go."""
        return self._confirmed(step_id, person, "no-go", reason=reason)

    def not_applicable(self, step_id: str, person: str, reason: str) -> Act:
        """A person says, with a reason, that the step does not apply to this flight."""
        return self._confirmed(step_id, person, "not-applicable", reason=reason)

    def _confirmed(
        self,
        step_id: str,
        person: str,
        outcome: Any,
        *,
        response: str = "",
        reason: str = "",
        reads: Sequence[str] = (),
    ) -> Act:
        data = kinds.ConfirmData(
            step=step_id, outcome=outcome, response=response, reason=reason, reads=tuple(reads)
        )
        return self.enter("confirm", data, person)

    def measure(
        self, step_id: str, person: str, values: Sequence[float], limits: tuple[float | None, float | None]
    ) -> Act:
        """Enter what a person measured, in the step's unit; `limits` are those in force for the mean."""
        step = self._known(step_id)
        return self.enter("measure", measured(step, values, limits), person)

    def defer(
        self,
        step_id: str,
        person: str,
        answers: Mapping[str, str],
        *,
        granted: bool,
        valid_from: datetime | None = None,
        valid_until: datetime | None = None,
        reason: str = "",
    ) -> Act:
        """Enter an authority's answer."""
        step = self._known(step_id)
        if step.defer is None:
            raise Refused(f"Step {step_id} asks no authority.")
        data = kinds.DeferData(
            step=step_id,
            outcome="go" if granted else "no-go",
            authority=step.defer.authority,
            answers=dict(answers),
            valid_from=_utc(valid_from),
            valid_until=_utc(valid_until),
            reason=reason,
            reads=(),
        )
        return self.enter("defer", data, person)

    def paper(
        self,
        step_id: str,
        person: str,
        done_at: datetime,
        response: str,
        *,
        values: Sequence[float] = (),
        limits: tuple[float | None, float | None] = (None, None),
        outcome: kinds.Outcome = "go",
    ) -> Act:
        """Enter a step that was done on the printed list; it counts once a second person has witnessed it.

        Of a step that measures, `values` are what was written down, and they decide the outcome.
        """
        step = self._known(step_id)
        readings: tuple[kinds.ReadingData, ...] = ()
        if step.measure is not None:
            taken = measured(step, values, limits)
            readings, outcome = (taken.reading,), taken.outcome
        data = kinds.PaperData(
            step=step_id,
            outcome=outcome,
            done_at=format_utc(done_at),
            response=response,
            readings=readings,
            reads=reads_of(step),
        )
        return self.enter("paper", data, person)

    # -- signatures -------------------------------------------------------------------------------

    def sign(self, step_id: str, person: str) -> Act:
        """The performer signs the instrument's finding that counts for the step."""
        return self.enter("sign", kinds.SignData(of=self._same(step_id).act.entry.seq), person)

    def countersign(self, hold: Ref, person: str) -> Act:
        """The person in whose name the instrument entered a hold stands to it."""
        self._own(hold)
        return self.enter("sign", kinds.SignData(of=hold.seq), person)

    def witness(
        self, step_id: str, person: str, *, mode: Any = "concurrent", values: Sequence[float] = ()
    ) -> Act:
        """A second person signs the finding that counts for the step."""
        data = kinds.WitnessData(
            of=self._same(step_id).act.entry.seq,
            mode=mode,
            values=tuple(decimal_text(float(value)) for value in values),
        )
        return self.enter("witness", data, person)

    def waive(
        self,
        step_id: str,
        person: str,
        passphrase: str,
        *,
        reason: str,
        expires: datetime,
        bound: kinds.Bound | None = None,
    ) -> Act:
        """Accept a no-go within a bound and until an expiry; the passphrase is asked again."""
        data = kinds.WaiveData(
            step=step_id,
            finding=self._finding(step_id).act.entry.seq,
            reason=reason,
            bound=bound,
            expires=format_utc(expires),
        )
        return self.enter("waive", data, person, passphrase=passphrase)

    def correct(self, ref: Ref, person: str, reason: str) -> Act:
        """The entry named, of this record or one that it goes on from, no longer counts."""
        rec = None if ref.rec == self.rec else ref.rec
        return self.enter("correct", kinds.CorrectData(of=ref.seq, rec=rec, reason=reason), person)

    # -- the count --------------------------------------------------------------------------------

    def hold(self, reason: str, person: str | None = None, *, claimed: str | None = None) -> Act:
        """Stop the count: signed by a person, or by the instrument in the name `claimed`."""
        if person is not None:
            return self.enter("hold", kinds.HoldData(reason=reason, claimed=None), person)
        return self._instrument("hold", kinds.HoldData(reason=reason, claimed=claimed))

    def lift(self, hold: Ref, person: str, reason: str) -> Act:
        """Lift a hold that stands."""
        rec = None if hold.rec == self.rec else hold.rec
        return self.enter("lift", kinds.LiftData(hold=hold.seq, rec=rec, reason=reason), person)

    def begin(self, phase_id: str, person: str, reason: str) -> Act:
        """Begin a phase although earlier ones are not complete: what is passed is named."""
        passed = rules.passed_by(self.ledger, phase_id, self.now())
        return self.enter(
            "phase", kinds.PhaseData(phase=phase_id, act="start", passed=passed, reason=reason), person
        )

    def complete(self, phase_id: str, person: str) -> Act:
        """Call a phase complete."""
        data = kinds.PhaseData(phase=phase_id, act="complete", passed=(), reason="")
        return self.enter("phase", data, person)

    def power(self, detail: str, person: str | None = None) -> Act:
        """The payload's power was cycled: by the crew, or seen by a check."""
        if person is not None:
            return self.enter("power", kinds.PowerData(cause="crew", detail=detail), person)
        return self._instrument("power", kinds.PowerData(cause="seen", detail=detail))

    def replan(self, sets: Mapping[str, str], person: str, reason: str) -> Act:
        """Change declared values by key, each as the flight file would have it."""
        return self.enter("replan", kinds.ReplanData(sets=dict(sets), reason=reason), person)

    def poll(self, gate: Any, station: str, person: str, *, go: bool, remark: str = "") -> Act:
        """A station answers. A no-go holds the count as well."""
        data = kinds.PollData(gate=gate, station=station, answer="go" if go else "no-go", remark=remark)
        act = self.enter("poll", data, person)
        if not go:
            self.hold(f"{station} answers no-go at the {gate} gate: {remark or 'no remark'}", person)
        return act

    def authorise(self, gate: Any, person: str, passphrase: str) -> Act:
        """The director authorises passing a gate; the passphrase is asked again."""
        return self.enter(
            "authorise", kinds.AuthoriseData(gate=gate, verdict="go"), person, passphrase=passphrase
        )

    def release(self, person: str, *, released_at: datetime, reason: str = "") -> Act:
        """The balloon has left, on whatever verdict."""
        verdict, with_go, authority = rules.release_facts(self.ledger, self.now(), format_utc(released_at))
        pointer = None
        if authority is not None:
            line = self.ledger.line_hash(authority) or self.head
            pointer = kinds.Pointer(rec=authority.entry.rec, seq=authority.entry.seq, line=line)
        data = kinds.ReleaseData(
            released=format_utc(released_at),
            with_go=with_go,
            verdict=verdict,
            authority=pointer,
            reason=reason,
        )
        return self.enter("release", data, person)

    def scrub(self, person: str, reason: str) -> Act:
        """Give up the attempt for today."""
        return self.enter("scrub", kinds.ScrubData(reason=reason), person)

    def clock_compared(self, source: str, offset: float, uncertainty: float | None, detail: str) -> Act:
        """The laptop's clock was compared with another: `offset` seconds are to be added to it."""
        data = kinds.ClockData(
            source=source,
            offset=decimal_text(offset),
            uncertainty=None if uncertainty is None else decimal_text(uncertainty),
            detail=detail,
        )
        return self._instrument("clock", data)

    def close(self, person: str, passphrase: str, *, reason: str, sealers: Sequence[str] = ()) -> Act:
        """Close the record; who closes it seals it, others named in `sealers` as well."""
        state = self.state()
        data = kinds.CloseData(
            reason=reason,
            verdicts={gate: found.verdict for gate, found in state.gates.items()},  # type: ignore[misc]
            sealers=tuple(dict.fromkeys((person, *sealers))),
        )
        return self.enter("close", data, person, passphrase=passphrase)

    # -- how an act gets into the record ----------------------------------------------------------

    def enter(self, kind: str, data: msgspec.Struct, person: str, *, passphrase: str | None = None) -> Act:
        """Enter what a person signs; with `passphrase` it is asked for again first."""
        if passphrase is not None:
            self.keyring.check(person, passphrase)
        signer = self.keyring.signer(person)
        return self._enter(kind, data, signer, "selected" if passphrase is None else "passphrase")

    def _instrument(self, kind: str, data: msgspec.Struct, evidence: Sequence[bytes] = ()) -> Act:
        return self._enter(kind, data, self.keyring.instrument(), "instrument", evidence)

    def _enter(
        self, kind: str, data: msgspec.Struct, signer: Signer, auth: Auth, evidence: Sequence[bytes] = ()
    ) -> Act:
        now = self.now()
        rules.allow(self.ledger, rules.Ask(kind, data, signer.id, auth, now, self.rec))
        entry = self.recorder.append(
            kind,
            data,
            signer=signer,
            meaning=rules.MEANINGS[kind],
            auth=auth,
            evidence=evidence,
            moment=now,
        )
        return self.ledger.apply(entry)

    def _known(self, step_id: str) -> Step:
        step = self.ledger.book.steps.get(step_id)
        if step is None:
            raise Refused(f"The checklist has no step {step_id!r}.")
        return step

    def _finding(self, step_id: str) -> FindingLog:
        self._known(step_id)
        finding = self.ledger.steps[step_id].finding
        if finding is None:
            raise Refused(f"Step {step_id} has no finding yet.")
        self._own(finding.act.ref)
        return finding

    def _same(self, step_id: str) -> FindingLog:
        """The finding that counts for the step, to be signed: the values that it used are still the same."""
        finding = self._finding(step_id)
        differs = changed(self.ledger, self.ledger.book.steps[step_id], finding)
        if differs is not None:
            raise Refused(f"{step_id} is done again before anybody signs it: {differs}.")
        return finding

    def _own(self, ref: Ref) -> None:
        if ref.rec != self.rec:
            raise Refused("That entry stands in an earlier, closed record: do the step again in this one.")


def _utc(at: datetime | None) -> str | None:
    if at is None:
        return None
    if at.tzinfo is None:
        raise Refused("A time needs its offset from UTC.")
    return format_utc(at)
