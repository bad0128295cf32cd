"""flight-envelope: is the flight inside its limits of lift, ascent, burst, landing and keep-out areas?"""

from __future__ import annotations

from preflight.checks.base import Context, Run
from preflight.figures.compute import FlightFigures, compute
from preflight.readings import Evidence, Finding, FindingOutcome, Progress, judged

FLOWN = (
    "flight.release",
    *(f"site.{key}" for key in ("elevation", "qnh", "temperature")),
    *(f"balloon.{key}" for key in ("mass", "burst_diameter", "gas", "purity", "neck_lift")),
    *("balloon.drag_coefficient", "balloon.ascent_model"),
    *("payload.package", "payload.mass"),
    *(f"parachute.{key}" for key in ("mass", "area", "drag_coefficient")),
    "recovery.landing_elevation",
)
"""Values from which the ascent, the descent and their times follow."""
_READS = (
    *FLOWN,
    *("site.latitude", "site.longitude", "wind.table", "recovery.keep_out"),
    *(f"cylinder.{key}" for key in ("water_volume", "pressure", "temperature")),
)


class FlightEnvelope:
    """Computes the flight from the fill to the landing and sets it against its limits."""

    name = "flight-envelope"
    title = "Flight inside its limits"
    needs: tuple[str, ...] = ()
    leads = ""
    put_back = ""

    def run(self, context: Context) -> Run:
        yield Progress("Computing the flight")
        figures = compute(context.flight, context.measured, folder=context.folder, now=context.clock.now().at)
        readings = tuple(r for r in figures.figures if r.name.startswith("flight."))
        gaps = _not_checked(context, figures)
        outcome: FindingOutcome = judged(readings)
        if any(name.startswith("flight.") for name in figures.no_go):
            outcome = "no-go"
        elif gaps and outcome == "go":
            outcome = "open"
        words = ("flight", "balloon", "payload", "parachute", "cylinder", "site")
        data = figures.wind_data
        return Finding(
            check=self.name,
            outcome=outcome,
            readings=readings,
            remarks=(*(f"Not checked: {gap}" for gap in gaps), *figures.sentences(*words)),
            evidence=() if data is None else (Evidence(name="wind table", data=data),),
            reads=_READS,
        )


def _not_checked(context: Context, figures: FlightFigures) -> list[str]:
    """What was not looked at though it matters, in words."""
    flight = context.flight
    gaps = [f"the drift, as the wind table can't be read. {fault}" for fault in figures.faults]
    if flight.parachute is None:
        gaps.append("descent and landing, as the flight file has no [parachute]")
    if flight.recovery.keep_out and figures.figure("flight.keep_out_clearance") is None and not gaps:
        why = "the flight file has no [wind]" if flight.wind is None else "no landing point can be computed"
        gaps.append(f"the keep-out areas, as {why}")
    return gaps


check = FlightEnvelope()
