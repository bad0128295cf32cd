"""Measured values feed figures, on the safe side.

Of what may get worse aloft (a sample's length and rate, the card's stall, the load) the larger of measured
and declared counts; what is simply known better (neck lift, masses, voltages) counts as measured. A
difference beyond a stated limit gives a remark. Only readings that were measured feed: computed ones would
feed themselves.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from preflight.config.quantities import BadQuantity, convert
from preflight.figures.limits import DISAGREEMENT
from preflight.names import UNITS
from preflight.readings import Reading, Source

_MAY_BE_BELOW_ZERO = frozenset({"site.temperature"})
_MAY_BE_ZERO = frozenset({"site.temperature", "card.free", "balloon.neck_lift"})


@dataclass(frozen=True, slots=True)
class Fed:
    """The value that counts, in the name's own unit, and where it came from."""

    value: float
    source: Source


class Feed:
    """Chooses between measured and declared; keeps what was chosen and what to say about it."""

    def __init__(self, measured: Mapping[str, Reading]) -> None:
        self._measured = measured
        self.inputs: dict[str, Reading] = {}
        self.remarks: dict[str, str] = {}

    def number(self, name: str) -> float | None:
        """The measured number of this name in its own unit; None where there is none that makes sense."""
        reading = self._measured.get(name)
        if reading is None or reading.source != "measured" or not isinstance(reading.value, (int, float)):
            return None
        value = float(reading.value)
        if reading.unit != UNITS[name]:
            try:
                value = convert(value, reading.unit, UNITS[name])
            except BadQuantity as error:
                self._say(name, f"The measured {name} was left out: {error}")
                return None
        if (value < 0 and name not in _MAY_BE_BELOW_ZERO) or (value == 0 and name not in _MAY_BE_ZERO):
            self._say(name, f"The measured {name} was left out: it is {value:g} {UNITS[name]}".rstrip())
            return None
        return value

    def word(self, name: str) -> str | None:
        """The measured word of this name ("FAT32"); None where there is none."""
        reading = self._measured.get(name)
        if reading is None or reading.source != "measured" or not isinstance(reading.value, str):
            return None
        return reading.value

    def larger(self, name: str, declared: float) -> Fed:
        """For what may get worse aloft: the larger of measured and declared, in the name's own unit."""
        measured = self.number(name)
        if measured is None or measured <= declared:
            chosen = Fed(declared, "declared")
        else:
            chosen = Fed(measured, "measured")
        return self._keep(name, chosen, measured, declared, "the larger counts")

    def better(self, name: str, declared: float) -> Fed:
        """For what is simply known better: measured if there is one, in the name's own unit."""
        measured = self.number(name)
        chosen = Fed(declared, "declared") if measured is None else Fed(measured, "measured")
        return self._keep(name, chosen, measured, declared, "the measured one counts")

    def known(self, name: str) -> Fed | None:
        """For what only a measurement tells."""
        measured = self.number(name)
        if measured is None:
            return None
        return self._keep(name, Fed(measured, "measured"), None, measured, "")

    def _keep(self, name: str, chosen: Fed, measured: float | None, declared: float, rule: str) -> Fed:
        self.inputs[name] = Reading(name=name, value=chosen.value, unit=UNITS[name], source=chosen.source)
        allowed = DISAGREEMENT.get(name)
        if measured is not None and allowed is not None and abs(measured - declared) > allowed * declared:
            unit = UNITS[name]
            self._say(
                name,
                f"{name}: measured {measured:.4g} {unit}, declared {declared:.4g} {unit}, more than "
                f"{allowed:.0%} apart; {rule}.",
            )
        return chosen

    def _say(self, name: str, remark: str) -> None:
        self.remarks.setdefault(remark, name.partition(".")[0])
