"""battery-endurance: will the batteries outlast the flight and the search?"""

from __future__ import annotations

from preflight.checks.base import Context, Run
from preflight.checks.flight_envelope import FLOWN
from preflight.figures.compute import compute
from preflight.figures.shown import lasts_text, needs_text
from preflight.readings import Finding, FindingOutcome, Progress, judged, margin_text

_CELLS = (
    "chemistry",
    "series",
    "parallel",
    "capacity",
    "state",
    "fitted_at",
    "cell_temperature",
    "cut_off",
    "derating",
    "resistance",
    "rail",
    "dropout",
    "regulator",
    "load",
)
_READS = (
    *(f"battery.{key}" for key in _CELLS),
    *(f"beacon.battery.{key}" for key in _CELLS),
    "battery.open_voltage",
    "beacon.load",
    # what the time that they must last follows from
    *FLOWN,
    *("flight.power_up", "recovery.search"),
)
_WORDS = ("battery", "beacon")


class BatteryEndurance:
    """Sets the packs' endurance in the cold against the longest flight and the search."""

    name = "battery-endurance"
    title = "Batteries outlast flight and search"
    needs = ("battery",)
    leads = ""
    put_back = ""

    def run(self, context: Context) -> Run:
        yield Progress("Computing how long the batteries last")
        figures = compute(context.flight, context.measured, folder=context.folder, now=context.clock.now().at)
        readings = tuple(r for r in figures.figures if r.name.partition(".")[0] in _WORDS)
        refused = any(name.partition(".")[0] in _WORDS for name in figures.no_go)
        outcome: FindingOutcome = "no-go" if refused else judged(readings, needs=("battery.margin",))
        remarks = list(figures.sentences(*_WORDS))
        ends = [item for item in figures.run_out if item.resource in ("battery", "beacon battery")]
        for item in ends:
            margin = "" if item.margin is None else f", margin {margin_text(item.margin, digits=3)}"
            remarks.append(
                f"The {item.resource} ends {lasts_text(item.after)} after power-up, {item.at_phase}; "
                f"{needs_text(item.need)} are needed{margin}."
            )
        return Finding(
            check=self.name, outcome=outcome, readings=readings, remarks=tuple(remarks), reads=_READS
        )


check = BatteryEndurance()
