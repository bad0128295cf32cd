"""A finding in the making, as most checks have one."""

from __future__ import annotations

from collections.abc import Generator
from typing import TypeVar

from preflight.checks.base import Context
from preflight.devices.blocks import BadVolumeError, NoRightError
from preflight.devices.serial_line import PortUnusableError
from preflight.errors import DeviceError, PreflightError
from preflight.names import UNITS
from preflight.readings import Evidence, Finding, FindingOutcome, Progress, Reading, judged

GET_RIGHT = (
    "run this as a user who may read the device (on Linux often a member of the group disk), "
    "or name an image of the card"
)

T = TypeVar("T")


class Judgement:
    """A finding in the making: `faults` make it no-go, `gaps` (what was not looked at) make it open."""

    def __init__(self, check: str, reads: tuple[str, ...], context: Context) -> None:
        self.check = check
        self.reads = reads
        self.faults: list[str] = []
        self.gaps: list[str] = []
        self.remarks: list[str] = []
        self.readings: list[Reading] = []
        self.evidence: list[Evidence] = []
        self._limits = context.flight.limits

    def read(self, name: str, value: float | str | None) -> Reading:
        """Add a measured reading with the flight file's limits; the reading."""
        limit = self._limits.get(name)
        reading = Reading(
            name=name,
            value=value,
            unit=UNITS[name],
            at_least=limit.at_least if limit else None,
            at_most=limit.at_most if limit else None,
        )
        self.readings.append(reading)
        return reading

    def attempt(self, work: Generator[Progress, None, T]) -> Generator[Progress, None, T | None]:
        """What `work` on a line brings; None, with a gap or a fault, where it can't be done.

        A port that can't be used and a layout that can't be decoded are gaps: nothing was looked at.
        """
        try:
            return (yield from work)
        except DeviceError as error:
            (self.gaps if isinstance(error, PortUnusableError) else self.faults).append(str(error))
        except PreflightError as error:
            self.gaps.append(str(error))
        return None

    def trouble(self, error: DeviceError) -> Finding:
        """The finding when the card could not be opened or failed in the middle; what was found is kept."""
        if isinstance(error, NoRightError):
            self.gaps.append(f"the card was not read: {error}. To check it, {GET_RIGHT}")
        else:
            self.faults.append(str(error))
        if isinstance(error, BadVolumeError):
            if error.judged:
                self.evidence.append(Evidence(name="first sector", data=error.judged))
            if error.found:
                self.read("card.type", error.found)
        return self.finding()

    def finding(self) -> Finding:
        """Faults first, then what was not checked, then the rest."""
        readings = tuple(self.readings)
        outcome: FindingOutcome = judged(readings)
        if self.faults:
            outcome = "no-go"
        elif self.gaps and outcome == "go":
            outcome = "open"
        return Finding(
            check=self.check,
            outcome=outcome,
            readings=readings,
            remarks=(*self.faults, *(f"Not checked: {gap}" for gap in self.gaps), *self.remarks),
            evidence=tuple(self.evidence),
            reads=self.reads,
        )
