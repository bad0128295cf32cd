"""position: does the receiver have a good fix, at the site, and a dynamic model that works aloft?"""

from __future__ import annotations

import math
from collections.abc import Sequence

from preflight.checks.base import Context, Run
from preflight.checks.columns import table_of
from preflight.checks.cross_checks import Columns, columns_of
from preflight.checks.cross_site import distance
from preflight.checks.fixes import UNMEASURED, fix_missing, model_told, usual_fix
from preflight.checks.judgement import Judgement
from preflight.checks.tap import LEADS, PUT_BACK, Capture, Seen, capture, nothing_decoded
from preflight.config.flight import Flight
from preflight.decode.samples import Sample
from preflight.names import UNITS
from preflight.readings import Reading

CEILING = "position.ceiling"
SECONDS, LEAST_SAMPLES = 5.0, 10
REHEARSED = 2.0
"""SECONDS where a simulated payload has its fix at once."""
LIMITS: dict[str, tuple[float | None, float | None]] = {
    # Four solve a position; one more may set behind the horizon. Common practice, no source.
    "position.satellites": (5.0, None),
    # Horizontal or position dilution: 5 and more is called fair or worse. Common practice, no source.
    "position.dilution": (None, 5.0),
    "position.distance": (None, 1000.0),
    # A receiver that stands still wanders by some metres. Common practice, no source.
    "position.spread": (None, 100.0),
}
SILENT_ABOVE = 18.0
"""km: former 22 CFR 121.16 item 11(c)(1) and receiver manuals name 18 km and 515 m/s together; some
receivers stop at either."""
_READS = (
    *("port", "link.baud", "sample.format", "sample.field", "power"),
    # Not the neck lift, weighed when the box is closed: it moves the burst by little.
    *("site.latitude", "site.longitude", "balloon.burst_diameter"),
)


class PositionCheck:
    """Judges fix, satellites, dilution, distance from the site and scatter, and the model's ceiling.

    The receiver's dynamic model is taken from the samples where a field with the role model tells it; else
    the altitude up to which it works, as its setting was read back, is typed.
    """

    name = "position"
    title = "Position and the receiver's model"
    needs = ("port.tap", "sample")
    asks = (CEILING,)
    """Readings that a person may type before this check runs."""
    leads = f"{LEADS}; payload under open sky"
    put_back = PUT_BACK

    def run(self, context: Context) -> Run:
        judgement = Judgement(self.name, _READS, context)
        layout = context.flight.sample
        assert layout is not None
        roles = {field.role for field in layout.field}
        if not {"latitude", "longitude"} <= roles:
            judgement.gaps.append(
                "the position, as no fields of the samples have the roles latitude and longitude"
            )
            _judge_model(context, judgement, ())
            return judgement.finding()
        seconds = min(SECONDS, REHEARSED) if context.rehearsal else SECONDS
        wanted = max(LEAST_SAMPLES, math.ceil(seconds * layout.rate))
        heard = yield from judgement.attempt(capture(context, wanted, lambda heard: _to_see(context, heard)))
        if heard is None:
            return judgement.finding()
        judgement.evidence += heard.evidence()
        if heard.lost is not None:
            judgement.faults.append(heard.lost)
        if not heard.samples:
            if heard.stopped:
                judgement.gaps.append("stopped before a sample had come")
            elif heard.lost is None:
                judgement.faults.append(nothing_decoded(context, heard))
            return judgement.finding()
        if heard.stopped:
            judgement.gaps.append(f"stopped after {len(heard.samples)} samples")
        _judge_fix(context, judgement, heard.samples)
        _judge_model(context, judgement, heard.samples)
        return judgement.finding()


def _to_see(context: Context, heard: Capture) -> Seen:
    """Fix, satellites, dilution and distance of the latest sample."""
    layout = context.flight.sample
    assert layout is not None
    latest = heard.samples[-1:]
    seen = Judgement(PositionCheck.name, (), context)
    fix = "none" if fix_missing(layout.field, latest) else usual_fix(layout.field, latest) or "satellites"
    seen.read("position.fix", fix)
    columns = columns_of(layout.field, table_of(layout.field, latest))
    for name in ("satellites", "dilution"):
        for value in columns.numbers(name):
            _limited(context, seen, f"position.{name}", value)
    north, east = (columns.numbers(name) for name in ("latitude", "longitude"))
    if fix != "none" and north and east and abs(north[0]) <= 90 and abs(east[0]) <= 360:
        site = context.flight.site
        far = distance(site.latitude, site.longitude, north[0], east[0]) or 0.0
        _limited(context, seen, "position.distance", round(far, 1))
    return tuple(seen.readings), ()


def _judge_fix(context: Context, judgement: Judgement, samples: Sequence[Sample]) -> None:
    layout = context.flight.sample
    assert layout is not None
    columns = columns_of(layout.field, table_of(layout.field, samples))
    missing = fix_missing(layout.field, samples)
    fix = usual_fix(layout.field, samples)
    if missing is not None:
        fix = "none"
        judgement.faults.append(
            f"{missing[0].upper()}{missing[1:]}. Give its antenna open sky, away from the beacon's, and "
            "wait: a cold start takes minutes"
        )
    elif fix is None:
        fix = "satellites"
    judgement.read("position.fix", fix)
    if fix in UNMEASURED:
        judgement.faults.append(f"The position is {fix}, not measured: see how the receiver is set")
    _count(context, judgement, columns)
    if fix == "none":
        return
    latitudes, longitudes = columns.values.get("latitude", ()), columns.values.get("longitude", ())
    told = [
        (north, east)
        for north, east in zip(latitudes, longitudes, strict=False)
        if north is not None and east is not None
    ]
    places = [(north, east) for north, east in told if abs(north) <= 90 and abs(east) <= 360]
    if len(places) < len(told):
        north, east = next(place for place in told if place not in places)
        judgement.faults.append(
            f"The position is no place on earth, {north:.7g}, {east:.7g}: compare [sample] with what is sent"
        )
    if not places:
        return
    _place(context, judgement, places)


def _count(context: Context, judgement: Judgement, columns: Columns) -> None:
    satellites, dilutions = columns.numbers("satellites"), columns.numbers("dilution")
    if satellites:
        fewest = _limited(context, judgement, "position.satellites", min(satellites))
        if fewest.within is False:
            judgement.faults.append(
                f"Only {min(satellites):.0f} satellites were used: open sky, antenna upwards and away from "
                "the beacon's, and wait"
            )
    if dilutions:
        worst = _limited(context, judgement, "position.dilution", max(dilutions))
        if worst.within is False:
            judgement.faults.append(
                f"The dilution of precision is {max(dilutions):.3g}: the satellites seen stand badly, which "
                "metal, a wall or the box over the antenna does. Give it open sky"
            )
    if not satellites and not dilutions:
        judgement.remarks.append(
            "The samples tell neither satellites nor dilution: the fix's quality is not known"
        )


def _place(context: Context, judgement: Judgement, places: Sequence[tuple[float, float]]) -> None:
    site = context.flight.site
    middle = (_median([north for north, _ in places]), _median([east for _, east in places]))
    far = distance(site.latitude, site.longitude, *middle) or 0.0
    spread = max(distance(*middle, *place) or 0.0 for place in places)
    at = f"{middle[0]:.5f}, {middle[1]:.5f}"
    if _limited(context, judgement, "position.distance", round(far, 1)).within is False:
        judgement.faults.append(
            f"The position is {far / 1000:.1f} km from the site, at {at}: run this at the site, or correct "
            "[site]"
        )
    if _limited(context, judgement, "position.spread", round(spread, 1)).within is False:
        judgement.faults.append(
            f"The positions are scattered over {spread:.0f} m, while the payload stands still: wait for a "
            "better fix, and keep the antenna away from walls and from the beacon"
        )
    judgement.remarks.append(f"Position {at}, {far:.0f} m from the site's")


def _median(numbers: list[float]) -> float:
    return sorted(numbers)[len(numbers) // 2]


def _judge_model(context: Context, judgement: Judgement, samples: Sequence[Sample]) -> None:
    layout = context.flight.sample
    assert layout is not None
    told = model_told(layout.field, samples)
    typed = context.typed.get(CEILING)
    burst = burst_km(context)
    ceiling = told[1] if told is not None and told[1] is not None else typed
    if told is not None:
        judgement.read("position.model", told[0])
    _limited(context, judgement, CEILING, ceiling, (burst, None))
    if ceiling is None:
        judgement.gaps.append(
            "the receiver's dynamic model: read the setting back from the receiver and type "
            f"{CEILING}, the altitude in km that its manual gives for it (portable 12, automotive 6, "
            "airborne 50 in one maker's). Ground models stop working at 6 to 12 km"
        )
    elif burst is not None and ceiling < burst:
        name = f"The receiver's model, {told[0]}," if told is not None else "The receiver's dynamic model"
        judgement.faults.append(
            f"{name} works up to {ceiling:g} km, the balloon may burst at {burst:.1f} km: set the model for "
            "flight (airborne), save it if the receiver can, and read it back"
        )
    elif told is None:
        judgement.remarks.append(
            "The receiver's dynamic model is as it was read back; one that is not saved goes with its power"
        )
    if burst is not None and burst > SILENT_ABOVE:
        judgement.remarks.append(
            f"Some receivers go silent above {SILENT_ABOVE:.0f} km whatever their model: have the maker's "
            "word that this one does not"
        )


def burst_km(context: Context) -> float | None:
    """The highest altitude in km at which the balloon may burst; None where it can't be computed."""
    from preflight.figures.compute import compute

    flight: Flight = context.flight
    computed = compute(flight, context.measured, folder=context.folder)
    figure = next((one for one in computed.figures if one.name == "flight.burst_altitude"), None)
    if figure is None or not isinstance(figure.value, (int, float)):
        return None
    return round(max(float(figure.value), figure.high or 0.0) / 1000, 1)


def _limited(
    context: Context,
    judgement: Judgement,
    name: str,
    value: float | None,
    limits: tuple[float | None, float | None] | None = None,
) -> Reading:
    from preflight.figures.limits import limit_for

    at_least, at_most = limit_for(context.flight, name, limits or LIMITS[name])
    reading = Reading(name=name, value=value, unit=UNITS[name], at_least=at_least, at_most=at_most)
    judgement.readings.append(reading)
    return reading


check = PositionCheck()
