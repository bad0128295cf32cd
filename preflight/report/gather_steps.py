"""Phases, steps, their findings and waivers, from a walk folded again."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime
from pathlib import Path
from typing import Any

from preflight.config.checklist import Phase, Step
from preflight.record import kinds
from preflight.record.folder import evidence_of
from preflight.report.evidence import excerpt
from preflight.report.model import Found, PhaseView, StepView, WaiverView
from preflight.report.replay import Replay
from preflight.report.telling import bound_text, readings_of, window_text
from preflight.report.who import Who
from preflight.report.words import limit_words, number, printed_unit, span, utc_words
from preflight.walk.ledger import FINDING_KINDS, Act, Ledger, Ref
from preflight.walk.state import State


class StepGatherer:
    """Builds the views of one walk; `ledger` and `state` are those of the replay."""

    def __init__(self, told: Replay, who: Who, ledger: Ledger, state: State) -> None:
        self._told = told
        self._who = who
        self._ledger = ledger
        self._state = state
        self._folders: dict[str, Path] = {proof.found.record: proof.folder for proof in told.proofs}
        self._findings: dict[str, list[Act]] = defaultdict(list)
        self._waivers: dict[str, list[Act]] = defaultdict(list)
        self._signatures: dict[tuple[str, Ref], Act] = {}
        for act in ledger.acts:
            kind = act.entry.kind
            if kind in FINDING_KINDS:
                self._findings[act.data.step].append(act)
            elif kind == "waive":
                self._waivers[act.data.step].append(act)
            elif kind in ("sign", "witness") and act.ref not in ledger.struck:
                self._signatures[kind, Ref(act.entry.rec, act.data.of)] = act

    def phases(self) -> tuple[PhaseView, ...]:
        """Every phase of the checklist, in order."""
        return tuple(self._phase(phase) for phase in self._ledger.book.checklist.phase)

    def waivers(self) -> tuple[WaiverView, ...]:
        """Every waiver in the order given."""
        acts = sorted((act for acts in self._waivers.values() for act in acts), key=lambda act: act.order)
        return tuple(self._waiver(act) for act in acts)

    def _phase(self, phase: Phase) -> PhaseView:
        log = self._ledger.phases[phase.id]
        signed = self._who.signed
        passed = ""
        if log.started is not None and log.started.data.passed:
            passed = f"gone past: {', '.join(log.started.data.passed)}; {log.started.data.reason}"
        return PhaseView(
            title=phase.title,
            gate=phase.gate or "",
            steps=tuple(self._step(step) for step in phase.step),
            completed=None if log.completed is None else signed(log.completed.entry),
            started=None if log.started is None else signed(log.started.entry),
            passed=passed,
            concerns=self._state.phases[phase.id].concerns,
        )

    def _step(self, step: Step) -> StepView:
        state = self._state.steps[step.id]
        return StepView(
            id=step.id,
            challenge=step.challenge,
            response=step.response,
            caution=step.caution,
            asks=asks_of(step),
            limits=limits_of_step(step),
            required=step.required,
            outcome=state.outcome,
            reason=state.reason,
            expires=None if state.expires is None else self._who.clock.stamp(state.expires),
            findings=tuple(self._found(act) for act in self._findings[step.id]),
            waivers=tuple(self._waiver(act) for act in self._waivers[step.id]),
        )

    def _found(self, act: Act) -> Found:
        entry, data = act.entry, act.data
        signature = self._signatures.get(("sign", act.ref))
        witness = self._signatures.get(("witness", act.ref))
        folder = self._folders[entry.rec]
        return Found(
            record=entry.rec,
            line=entry.seq,
            kind=entry.kind,
            how=_how(data),
            outcome=data.outcome,
            standing=self._standing(act),
            again=self._told.again.get(act.ref, ""),
            readings=readings_of(data),
            values=_singles(data),
            said=_said(data),
            answers=tuple(data.answers.items()) if isinstance(data, kinds.DeferData) else (),
            remarks=getattr(data, "remarks", ()),
            by=self._who.signed(entry),
            signature=None if signature is None else self._who.signed(signature.entry),
            witness=None if witness is None else self._who.signed(witness.entry),
            witnessed="" if witness is None else _witnessed(witness.data),
            struck=self._who.struck(entry),
            evidence=tuple(excerpt(folder, item) for item in evidence_of(entry)),
        )

    def _standing(self, act: Act) -> str:
        if act.ref in self._ledger.struck:
            return "struck"
        counts = self._ledger.steps[act.data.step].finding
        return "counts" if counts is not None and counts.act is act else "done again"

    def _waiver(self, act: Act) -> WaiverView:
        data = act.data
        return WaiverView(
            step=data.step,
            by=self._who.signed(act.entry),
            reason=data.reason,
            bound=bound_text(data.bound, self._unit(act)),
            expires=self._who.clock.stamp(data.expires),
            standing=self._waiver_standing(act),
            struck=self._who.struck(act.entry),
        )

    def _waiver_standing(self, act: Act) -> str:
        if act.ref in self._ledger.struck:
            return "struck"
        if self._state.steps[act.data.step].waiver is act:
            return "in force as of the last entry"
        if self._state.now.at >= datetime.fromisoformat(act.data.expires):
            return "expired"
        return "not in force: done again since, or past its bound"

    def _unit(self, act: Act) -> str:
        if act.data.bound is None:
            return ""
        finding = self._ledger.findings_by_ref.get(Ref(act.entry.rec, act.data.finding))
        readings = finding.readings if finding is not None else ()
        return next((r.unit for r in readings if r.name == act.data.bound.name), "")


def asks_of(step: Step) -> str:
    """How a step gets its finding and who signs it, in words."""
    if step.check is not None:
        how = f"instrument check {step.check}"
    elif step.measure is not None:
        how = f"measure {step.measure.quantity}"
        if step.measure.unit:
            how += f" in {printed_unit(step.measure.unit)}"
        if step.measure.repeat > 1:
            how += f", {step.measure.repeat} times"
        if step.measure.spread:
            how += f", within {step.measure.spread} of each other"
    elif step.defer is not None:
        how = f"ask {step.defer.authority}"
    else:
        how = "confirm"
    parts = [how]
    if step.signed_by:
        parts.append(f"signed by {' or '.join(step.signed_by)}")
    if step.witness:
        parts.append(f"witnessed by {' or '.join(step.witness_by) or 'a second person'}")
    if step.valid_for is not None:
        parts.append(f"valid for {span(step.valid_for)}")
    if not step.required:
        parts.append("not required")
    return "; ".join(parts)


def limits_of_step(step: Step) -> str:
    """The limits that the checklist itself gives a measured step, "" where it gives none."""
    if step.measure is None:
        return ""
    return limit_words(step.measure.at_least, step.measure.at_most, step.measure.unit)


def _how(data: Any) -> str:
    if isinstance(data, kinds.CheckData):
        return f"instrument check {data.check}"
    if isinstance(data, kinds.MeasureData):
        return "measured"
    if isinstance(data, kinds.DeferData):
        return f"answer of {data.authority}"
    if isinstance(data, kinds.PaperData):
        return f"done on the printed list {utc_words(data.done_at)}"
    if isinstance(data, kinds.CarryData):
        return (
            f"taken over from line {data.source.seq} of {data.source.rec}, found {utc_words(data.found_at)}"
        )
    return "confirmed"


def _singles(data: Any) -> tuple[str, ...]:
    if not isinstance(data, kinds.MeasureData) or len(data.values) < 2:
        return ()
    return tuple(number(float(value)) for value in data.values)


def _said(data: Any) -> str:
    said = [getattr(data, "response", ""), getattr(data, "reason", "")]
    if isinstance(data, kinds.DeferData):
        said.append(window_text(data))
    return "; ".join(part for part in said if part)


def _witnessed(data: kinds.WitnessData) -> str:
    if not data.values:
        return data.mode
    return f"{data.mode}, read {', '.join(number(float(value)) for value in data.values)}"
