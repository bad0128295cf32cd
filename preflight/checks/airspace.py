"""airspace: the flight's figures beside the published texts, and when to tell whom. Facts, never a verdict.

Go means only that every figure the texts ask for is there. The local authority decides.
"""

from __future__ import annotations

from pathlib import Path

from preflight.checks.base import Context, Run
from preflight.config.airspace import RuleSet
from preflight.config.load import find_airspace, parse_airspace
from preflight.config.problems import BadFile
from preflight.config.quantities import convert
from preflight.config.source import read_bytes
from preflight.figures.airspace import STANDING, AirspaceFacts
from preflight.figures.compute import FlightFigures, compute
from preflight.figures.limits import limit_for
from preflight.figures.notification import NotificationSheet, clause_text, notification_sheet
from preflight.names import UNITS
from preflight.readings import Evidence, Finding, FindingOutcome, Progress, Reading, Source, judged

_READS = (
    "flight.release",
    "site.latitude",
    "site.longitude",
    "site.timezone",
    "balloon.mass",
    "payload.package",
    "payload.mass",
    "payload.suspension_break",
    "payload.suspension_length",
    "airspace.rules",
    "airspace.antenna_length",
)


class AirspaceCheck:
    """Sets the flight beside the rule sets that its flight file names."""

    name = "airspace"
    title = "Airspace figures and notices"
    needs: tuple[str, ...] = ("airspace",)
    leads = ""
    put_back = ""

    def run(self, context: Context) -> Run:
        assert context.flight.airspace is not None
        yield Progress("Reading the rule sets")
        rules: list[RuleSet] = []
        evidence: list[Evidence] = []
        gaps: list[str] = []
        for name in context.flight.airspace.rules:
            path = find_airspace(name, context.folder)
            try:
                data = read_bytes(path)
                rules.append(parse_airspace(data, name))
            except BadFile as bad:
                gaps.append(f"the rules of {name}, which can't be read. {bad.problems[0]}")
            else:
                evidence.append(Evidence(name=f"airspace rules {Path(name).name}", data=data))
        yield Progress("Setting the flight beside the texts")
        now = context.clock.now().at
        figures = compute(context.flight, context.measured, folder=context.folder, now=now)
        sheet = notification_sheet(context.flight, figures, rules, now)
        gaps += sheet.facts.missing
        readings = tuple(largest_of(context, figures))
        outcome: FindingOutcome = judged(readings)
        if gaps and outcome == "go":
            outcome = "open"
        return Finding(
            check=self.name,
            outcome=outcome,
            readings=readings,
            remarks=(*(f"Not checked: {gap}" for gap in gaps), *_remarks(sheet)),
            evidence=tuple(evidence),
            reads=_READS,
        )


def largest_of(context: Context, figures: FlightFigures) -> list[Reading]:
    """The figures that the texts are about: of several packages the largest."""
    flight = context.flight
    packages = flight.payload.package
    dense = [each.mass / each.smallest_face for each in packages if each.smallest_face is not None]
    total = next((each for each in figures.inputs if each.name == "payload.mass"), None)
    complete = len(dense) == len(packages)
    return [
        _reading(context, "airspace.package_mass", max(each.mass for each in packages), "declared"),
        _reading(context, "airspace.area_density", max(dense) if complete else None, "computed"),
        _reading(context, "airspace.packages", float(len(packages)), "declared"),
        _reading(
            context,
            "airspace.payload_mass",
            total.value if total is not None and isinstance(total.value, (int, float)) else None,
            "declared" if total is None else total.source,
        ),
        _reading(context, "airspace.suspension_break", flight.payload.suspension_break, "declared"),
    ]


def _reading(context: Context, name: str, value: float | None, source: Source) -> Reading:
    if name == "airspace.area_density" and value is not None:
        value = convert(value, "kg/m^2", UNITS[name])
    at_least, at_most = limit_for(context.flight, name)
    return Reading(
        name=name, value=value, unit=UNITS[name], source=source, at_least=at_least, at_most=at_most
    )


def _remarks(sheet: NotificationSheet) -> list[str]:
    """What a crew reads on the step: notices first, then the figures, then where the texts differ."""
    said = [f"{STANDING} Go says here only that every figure asked for is known."]
    for notice in sheet.notices:
        if notice.notice.event == "before" and notice.binds is not False:
            said.append(f"Notice: {notice.text(sheet.zone, sheet.made)}.")
    said += _facts(sheet.facts)
    waiting = [item.title for item in sheet.missing]
    if waiting:
        said.append(f"Missing on the notification sheet: {', '.join(waiting)}.")
    return said


def _facts(facts: AirspaceFacts) -> list[str]:
    said = [clause_text(fact) for fact in facts.clauses if fact.clause.test is not None]
    said += [
        f"The texts differ on {each.about}: {'; '.join(each.passages)}."
        for each in facts.differences
        if each.figures
    ]
    words = [each.about for each in facts.differences if not each.figures]
    if words:
        said.append(f"Their words also differ on {', '.join(words)}.")
    others = sum(fact.clause.test is None for fact in facts.clauses)
    if others:
        said.append(f"{others} clauses have no figure: read them on the notification sheet.")
    return said


check = AirspaceCheck()
