"""What a walk is about: flight file, checklist and roster, as its record pins them."""

from __future__ import annotations

from dataclasses import dataclass, field

from preflight.config.checklist import Checklist, Phase, Step
from preflight.config.flight import Flight
from preflight.record.roster import Roster

GATES = ("fill", "release")


@dataclass(frozen=True)
class Book:
    """Flight file, checklist and roster of one walk, with the look-ups that the rules need."""

    flight: Flight
    checklist: Checklist
    roster: Roster
    drill: bool = False
    steps: dict[str, Step] = field(init=False)
    phase_of: dict[str, Phase] = field(init=False)
    phases: dict[str, Phase] = field(init=False)

    def __post_init__(self) -> None:
        pairs = [(step, phase) for phase in self.checklist.phase for step in phase.step]
        object.__setattr__(self, "steps", {step.id: step for step, _ in pairs})
        object.__setattr__(self, "phase_of", {step.id: phase for step, phase in pairs})
        object.__setattr__(self, "phases", {phase.id: phase for phase in self.checklist.phase})

    @property
    def gates(self) -> tuple[str, ...]:
        """The gates this checklist has, in order."""
        used = {phase.gate for phase in self.checklist.phase}
        return tuple(gate for gate in GATES if gate in used)

    def counted(self, gate: str) -> tuple[Phase, ...]:
        """The phases whose required steps count for the verdict at `gate`: those up to it, none later."""
        upto = GATES[: GATES.index(gate) + 1]
        return tuple(phase for phase in self.checklist.phase if phase.gate in upto)

    def earlier(self, phase_id: str) -> tuple[Phase, ...]:
        """The phases before this one that count for a gate."""
        phases = self.checklist.phase
        index = next(i for i, phase in enumerate(phases) if phase.id == phase_id)
        return tuple(phase for phase in phases[:index] if phase.gate is not None)

    def behind(self, phase_id: str) -> tuple[str, ...]:
        """The gates that lie before this phase: each must have been passed before a step of it is done."""
        own = self.phases[phase_id].gate
        seen = {phase.gate for phase in self.earlier(phase_id)}
        return tuple(gate for gate in GATES if gate in seen and gate != own)
