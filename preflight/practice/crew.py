"""A simulated crew that walks a checklist by itself, by the same acts as people at the screen.

Checks run on whatever the flight file names; only what a person would read off, weigh or be told is invented
here. Nothing is skipped or passed over: a step that is not go stops the walk with a hold in the record.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from preflight.checks import table
from preflight.checks.base import Context, run_check
from preflight.config.checklist import Step
from preflight.errors import PreflightError, Refused
from preflight.practice.invented import ANSWERS, NOT_IN_PRACTICE, read_off
from preflight.readings import Reading
from preflight.walk import rules
from preflight.walk.acts import Walk
from preflight.walk.limits import limits_for
from preflight.walk.state import StepState

ATTEMPTS = 3
"""Times one step is done before the crew gives up on what stays open: a capture may fall badly once."""
OVER_AND_OVER = 9
"""Times one step is done at most: steps that make each other stale would never end."""


class Stopped(PreflightError):  # noqa: N818
    """The simulated crew could not go on; a hold says why in the record."""

    title = "The count is stopped"
    exit_code = 1


@dataclass(frozen=True, kw_only=True)
class Done:
    """One thing the crew did: a step with its outcome, readings and remarks, or a call.

    For a step `what` is its id, `text` its challenge and `again` why it was done once more. For a call
    (`step` False) `what` is one of phase, poll, authorise, release, close, and `text` says it. `why` is why a
    step is not go, `found` what was answered or seen, `leads` which lead is moved before. `signed` and
    `witnessed` are printed names.
    """

    what: str
    text: str
    phase: str = ""
    step: bool = False
    outcome: str = "go"
    why: str = ""
    again: str = ""
    found: str = ""
    leads: str = ""
    readings: tuple[Reading, ...] = ()
    remarks: tuple[str, ...] = ()
    signed: str = ""
    witnessed: str = ""


class SimulatedCrew:
    """Everyone whose key is unlocked in the walk's keyring, at work on it.

    `folder` is the flight file's; `passphrases` are by person, for what is asked again. `typed` are numbers
    for checks that ask for some, by reading name in that name's unit. When `stopped` turns true the check at
    work puts its line back and `run` ends after that act.
    """

    def __init__(
        self,
        walk: Walk,
        *,
        folder: Path,
        passphrases: Mapping[str, str],
        typed: Mapping[str, float] | None = None,
        stopped: Callable[[], bool] = lambda: False,
    ) -> None:
        self.walk = walk
        self.folder = folder
        self.passphrases = passphrases
        self.typed = dict(typed or {})
        self.stopped = stopped
        self._tries: dict[str, int] = {}

    def run(self) -> Iterator[Done]:
        """Do what is next until the record is closed and sealed (or `stopped`), telling each thing done.

        Raises `Stopped` where the crew can't go on, after a hold that says why.
        """
        try:
            yield from self._to_the_end()
        except (Stopped, Refused) as error:
            if self.walk.ledger.closed is None:
                self.walk.hold(str(error), self._people()[0])
            raise Stopped(f"Hold: {error}") from error

    def _to_the_end(self) -> Iterator[Done]:
        while not self.stopped():
            due = self.walk.state().next
            match due.kind:
                case "step":
                    yield from self._step(self.walk.state().steps[due.name])
                case "complete":
                    yield self._complete(due.name)
                case "poll":
                    yield from self._poll(due.name)
                case "authorise":
                    yield self._authorise(due.name)
                case "release":
                    yield self._release()
                case "close":
                    yield self._close()
                    return
                case _:
                    return

    # -- steps ------------------------------------------------------------------------------------

    def _step(self, before: StepState) -> Iterator[Done]:
        step = before.step
        if not step.required and self._tries.get(step.id, 0) > 0:
            # It was tried and stays open: an optional step may.
            yield self._complete(before.phase.id)
            return
        self._tries[step.id] = self._tries.get(step.id, 0) + 1
        if self._tries[step.id] > OVER_AND_OVER:
            raise Stopped(f"{step.id} is asked for over and over: {before.reason}")
        performer, second = self._pair(step)
        found, remarks = self._perform(step, performer)
        after = self.walk.state().steps[step.id]
        signed = witnessed = ""
        if after.waiting == "signature":
            self.walk.sign(step.id, performer)
            after = self.walk.state().steps[step.id]
        if after.finding is not None and after.finding.performer is not None:
            signed = self._name(after.finding.performer)
        if after.waiting == "witness":
            self.walk.witness(step.id, second)
            witnessed = self._name(second)
            after = self.walk.state().steps[step.id]
        yield Done(
            what=step.id,
            text=step.challenge,
            phase=after.phase.title,
            step=True,
            outcome=after.outcome,
            why="" if after.outcome == "go" else after.reason,
            again=before.reason if before.outcome == "stale" else "",
            found=found,
            leads=table.get(step.check).leads if step.check is not None else "",
            readings=after.finding.readings if after.finding is not None else (),
            remarks=remarks,
            signed=signed,
            witnessed=witnessed,
        )
        gives_up = after.outcome == "no-go" or self._tries[step.id] >= ATTEMPTS
        if step.required and not after.satisfied and gives_up:
            raise Stopped(f"{step.id} is {after.outcome}: {after.reason}")

    def _perform(self, step: Step, performer: str) -> tuple[str, tuple[str, ...]]:
        """Do the step: what was answered or seen, and the check's remarks."""
        if step.kind == "check":
            return "", self._check(step, performer)
        if step.measure is not None:
            values = read_off(step.measure, self.walk.ledger.values.flight)
            if not values:
                raise Stopped(f"The simulated crew has nothing to read off for {step.measure.quantity!r}.")
            self.walk.measure(step.id, performer, values, limits_for(self.walk.ledger, step))
            return "", ()
        if step.defer is not None:
            return self._defer(step, performer), ()
        if step.id in NOT_IN_PRACTICE:
            self.walk.not_applicable(step.id, performer, NOT_IN_PRACTICE[step.id])
            return "", ()
        self.walk.confirm(step.id, performer, step.response)
        return step.response, ()

    def _check(self, step: Step, performer: str) -> tuple[str, ...]:
        assert step.check is not None
        values = self.walk.ledger.values
        context = Context(
            flight=values.flight,
            folder=self.folder,
            clock=self.walk.clock,
            measured=dict(values.measured),
            typed=self.typed,
            stopped=self.stopped,
        )
        finding = run_check(table.get(step.check), context)
        self.walk.found(step.id, finding)
        if finding.outcome == "open" and step.check in NOT_IN_PRACTICE:
            self.walk.not_applicable(step.id, performer, NOT_IN_PRACTICE[step.check])
        return finding.remarks

    def _defer(self, step: Step, performer: str) -> str:
        assert step.defer is not None
        release = self.walk.ledger.values.flight.flight.release
        now = self.walk.now().at
        start, end = min(now, release - timedelta(hours=1)), release + timedelta(hours=3)
        times = {"valid from": start, "valid until": end}
        answers = {
            question: ANSWERS.get(question) or f"{times.get(question, now):%H:%M} UTC"
            for question in step.defer.ask
        }
        self.walk.defer(
            step.id,
            performer,
            answers,
            granted=True,
            valid_from=start if "valid from" in answers else None,
            valid_until=end if "valid until" in answers else None,
        )
        said = "; ".join(f"{question}: {answer}" for question, answer in answers.items())
        return f"{step.defer.authority} (simulated): {said}"

    # -- the count --------------------------------------------------------------------------------

    def _complete(self, phase_id: str) -> Done:
        phase = self.walk.ledger.book.phases[phase_id]
        roles = [role for step in phase.step for role in step.signed_by]
        caller = next((p for p in self._people() if self._roles(p) & set(roles)), self._people()[0])
        self.walk.complete(phase_id, caller)
        return Done(
            what="phase", text=f"{phase.title} complete", phase=phase.title, signed=self._name(caller)
        )

    def _poll(self, gate: str) -> Iterator[Done]:
        for station, act in self.walk.state().gates[gate].polled.items():
            if act is None or act.data.answer != "go":
                person = self._with_role((station,), f"answer for {station}")
                self.walk.poll(gate, station, person, go=True)
                yield Done(what="poll", text=f"{gate} gate, {station}: go", signed=self._name(person))

    def _authorise(self, gate: str) -> Done:
        state = self.walk.state()
        head = self.walk.ledger.book.checklist.checklist
        person = self._with_role(head.release_by, f"authorise the {gate} gate")
        verdict = state.gates[gate].verdict
        if verdict != "go":
            raise Stopped(f"the verdict at the {gate} gate is {verdict}: {state.gates[gate].reasons[0].text}")
        self.walk.authorise(gate, person, self.passphrases[person])
        return Done(
            what="authorise",
            text=f"verdict at the {gate} gate: {verdict}; authorised",
            outcome=verdict,
            signed=self._name(person),
        )

    def _release(self) -> Done:
        head = self.walk.ledger.book.checklist.checklist
        person = self._with_role(head.release_by, "enter the release")
        act = self.walk.release(person, released_at=self.walk.now().at, reason="")
        how = "with go" if act.data.with_go else "without go"
        return Done(
            what="release",
            text=f"released {how} at {act.at.at:%H:%M:%S} UTC (simulated: nothing left the ground)",
            signed=self._name(person),
        )

    def _close(self) -> Done:
        head = self.walk.ledger.book.checklist.checklist
        person = self._with_role(head.seal_by, "close and seal")
        released = self.walk.state().released is not None
        reason = "flight and recovery are over" if released else "the release is decided"
        self.walk.close(person, self.passphrases[person], reason=reason)
        self.walk.recorder.seal(self.walk.keyring.signer(person))
        return Done(
            what="close", text=f"record {self.walk.recorder.rec} closed and sealed", signed=self._name(person)
        )

    # -- who --------------------------------------------------------------------------------------

    def _people(self) -> tuple[str, ...]:
        return self.walk.keyring.unlocked

    def _roles(self, person: str) -> frozenset[str]:
        return rules.roles_of(self.walk.ledger, person)

    def _name(self, person: str) -> str:
        return self.walk.ledger.book.roster.find(person).name

    def _with_role(self, roles: tuple[str, ...], what: str) -> str:
        for person in self._people():
            if self._roles(person) & set(roles):
                return person
        raise Stopped(f"Nobody here can {what}: that takes the role {' or '.join(roles)}.")

    def _pair(self, step: Step) -> tuple[str, str]:
        """Who performs the step and who could witness it: the first two whose roles fit."""
        able = [person for person in self._people() if rules.may_sign(self.walk.ledger, step, person)]
        if not able:
            raise Stopped(f"Nobody here may sign {step.id}: that takes {' or '.join(step.signed_by)}.")
        if not step.witness:
            return able[0], ""
        for performer in able:
            for other in self._people():
                fits = not step.witness_by or bool(self._roles(other) & set(step.witness_by))
                if other != performer and fits:
                    return performer, other
        raise Stopped(f"Nobody here may witness {step.id}.")
