"""The figures of the flight itself: fill, rise, burst, descent, and the times of the axis."""

from __future__ import annotations

from dataclasses import dataclass

from preflight.figures import ascent, atmosphere, descent, gas
from preflight.figures.atmosphere import KELVIN
from preflight.figures.feed import Feed
from preflight.figures.profile import STEP, Profile, Wind
from preflight.figures.run_out import Axis
from preflight.figures.sheet import Sheet
from preflight.readings import Reading

ASSUMED_DESCENT = 5.0
"""m/s at sea level that stands in for a parachute nobody declared, for the axis of time alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """The balloon at release. kg, m, m^3, kg/m^3.

    `train` is all that hangs below the neck, parachute included: what comes down when the balloon's remains
    are gone, the slower descent.
    """

    column: atmosphere.Column
    air: atmosphere.Air
    balloon: float
    train: float
    neck_lift: float
    free_lift: float
    lift_per_volume: float
    volume: float
    diameter: float
    drag: tuple[float, float, float]
    """Drag coefficients: low end of the band, declared, high end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """One way the flight may go: m/s at release, whether the rate stays constant, m of the burst."""

    rate: float
    constant: bool
    burst: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """Up and down. `ways`: the shortest, the one of the declared values, the longest."""

    profile: Profile
    site: float
    landing: float
    ways: tuple[Way, Way, Way]
    fall_factor: float
    """1 / descent speed = this x sqrt(rho), in SI."""
    bursts: tuple[float, float, float]
    rates: tuple[float, float]

    def up(self, way: Way, height: float | None = None) -> float:
        """s from release to a height of the profile (the burst unless given)."""
        top = way.burst if height is None else height
        if way.constant:
            return (top - self.site) / way.rate
        return (self.profile.upto(top).drag - self.profile.upto(self.site).drag) / way.rate

    def down(self, burst: float, height: float | None = None) -> float:
        """s from the burst down to a height of the profile (the landing unless given)."""
        bottom = self.landing if height is None else height
        fallen = self.profile.upto(burst).fall - self.profile.upto(bottom).fall
        return max(0.0, fallen) * self.fall_factor

    @property
    def expected(self) -> Way:
        return self.ways[1]

    @property
    def longest(self) -> Way:
        return self.ways[2]


def fill_figures(sheet: Sheet) -> Fill:
    """Adds the fill's figures, the rate at release and the neck lift for its limits."""
    flight, feed = sheet.flight, sheet.feed
    balloon, site = flight.balloon, flight.site
    qnh = _of_the_day(feed, "site.qnh", None if site.qnh is None else site.qnh / 100)
    celsius = _of_the_day(
        feed, "site.temperature", None if site.temperature is None else site.temperature - KELVIN
    )
    column = atmosphere.site_column(
        site.elevation,
        qnh=None if qnh is None else qnh * 100,
        temperature=None if celsius is None else celsius + KELVIN,
    )
    air = column.at(site.elevation)
    mass = feed.better("balloon.mass", balloon.mass).value
    packages = feed.better("payload.mass", sum(package.mass for package in flight.payload.package)).value
    parachute = (
        0.0 if flight.parachute is None else feed.better("parachute.mass", flight.parachute.mass).value
    )
    neck = feed.better("balloon.neck_lift", balloon.neck_lift).value
    train = packages + parachute
    per_volume = gas.lift_per_volume(
        balloon.gas, air.pressure, air.temperature, air_density=air.density, purity=balloon.purity
    )
    volume = gas.fill_volume(mass + neck, per_volume)
    low, high = ascent.DRAG_BAND
    declared = balloon.drag_coefficient
    fill = Fill(
        column=column,
        air=air,
        balloon=mass,
        train=train,
        neck_lift=neck,
        free_lift=ascent.free_lift(neck, train),
        lift_per_volume=per_volume,
        volume=volume,
        diameter=gas.sphere_diameter(volume),
        drag=(min(low, declared), declared, max(high, declared)),
    )
    sheet.add("flight.gas_volume", volume)
    sheet.add("flight.release_diameter", fill.diameter)
    sheet.add("flight.free_lift", fill.free_lift)
    _cylinder(sheet, fill)
    _rates(sheet, fill)
    return fill


def _of_the_day(feed: Feed, name: str, declared: float | None) -> float | None:
    """Measured, else declared, in the name's unit; None leaves it to the standard atmosphere."""
    if declared is None:
        known = feed.known(name)
        return None if known is None else known.value
    return feed.better(name, declared).value


def _cylinder(sheet: Sheet, fill: Fill) -> None:
    cylinder = sheet.flight.cylinder
    if cylinder is None:
        return
    pressure = sheet.feed.better("cylinder.pressure", cylinder.pressure / 1e5).value * 1e5
    gives = gas.free_gas(
        sheet.flight.balloon.gas,
        water_volume=cylinder.water_volume,
        pressure=pressure,
        temperature=cylinder.temperature,
        outside_pressure=fill.air.pressure,
        outside_temperature=fill.air.temperature,
    )
    if gives <= 0:
        sheet.refuse(
            "flight.cylinder_share", "The cylinder is empty: its pressure is not above that of the air."
        )
        return
    share = fill.volume / gives
    sheet.add("flight.cylinder_share", share)
    if share > 1:
        sheet.remark(
            "flight", f"The fill takes {share:.2g} of the declared cylinder: have more than one at hand."
        )


def _rates(sheet: Sheet, fill: Fill) -> None:
    rates = [
        ascent.rate_at_release(fill.free_lift, fill.diameter, fill.air.density, drag) for drag in fill.drag
    ]
    rate = sheet.add("flight.ascent_rate", rates[1], low=rates[2], high=rates[0])
    for name, wanted in (("flight.neck_lift_low", rate.at_least), ("flight.neck_lift_high", rate.at_most)):
        if wanted is not None and wanted > 0:
            neck = ascent.neck_lift_for_rate(
                wanted,
                balloon_mass=fill.balloon,
                train_mass=fill.train,
                lift_per_volume=fill.lift_per_volume,
                air_density=fill.air.density,
                drag_coefficient=fill.drag[1],
            )
            sheet.add(name, neck)
    sheet.mend("flight.ascent_rate", lambda _: _other_lift(sheet))
    if fill.free_lift <= 0:
        sheet.refuse(
            "flight.free_lift",
            f"Not enough lift to rise: {fill.neck_lift:.2f} kg at the neck, {fill.train:.2f} kg below it.",
        )
    elif rate.at_least is not None and rates[1] < rate.at_least:
        sheet.refuse(
            "flight.ascent_rate",
            f"So slow that it may float away: {rates[1]:.1f} m/s at release, the least is "
            f"{rate.at_least:.1f} m/s.",
        )


def _other_lift(sheet: Sheet) -> str:
    low, high = sheet.value("flight.neck_lift_low"), sheet.value("flight.neck_lift_high")
    if low is not None and high is not None:
        return f"a neck lift between {low:.2f} and {high:.2f} kg"
    if low is not None:
        return f"a neck lift of at least {low:.2f} kg"
    return "" if high is None else f"a neck lift of at most {high:.2f} kg"


def course_figures(sheet: Sheet, fill: Fill, wind: Wind | None, heights: tuple[float, ...]) -> Course | None:
    """Adds burst, times and speeds; the course, or None where the balloon does not rise or burst.

    `wind` and the `heights` of its table in m go into the same pass up the column.
    """
    flight = sheet.flight
    site = flight.site.elevation
    landing = site if flight.recovery.landing_elevation is None else flight.recovery.landing_elevation
    _landing(sheet, fill, landing)
    bursts = _bursts(sheet, fill, site)
    if bursts is None or fill.free_lift <= 0:
        return None
    slow, expected, fast = (
        ascent.rate_at_release(fill.free_lift, fill.diameter, fill.air.density, drag)
        for drag in reversed(fill.drag)
    )
    constant = flight.balloon.ascent_model == "constant-rate"
    course = Course(
        profile=Profile(
            fill.column,
            reference_density=fill.air.density,
            nodes=(site, landing, *bursts, *heights),
            bottom=min(site, landing),
            top=max(bursts[2], landing, site + 1.0),
            wind=wind,
            step=STEP,
        ),
        site=site,
        landing=landing,
        ways=(
            Way(rate=fast, constant=False, burst=bursts[0]),
            Way(rate=expected, constant=constant, burst=bursts[1]),
            Way(rate=slow, constant=True, burst=bursts[2]),
        ),
        fall_factor=1.0 / descent.speed(fill.train, 1.0, _drag_area(sheet, fill)),
        bursts=bursts,
        rates=(slow, fast),
    )
    _times(sheet, fill, course)
    return course


def _drag_area(sheet: Sheet, fill: Fill) -> float:
    parachute = sheet.flight.parachute
    if parachute is not None:
        return descent.drag_area(parachute.area, parachute.drag_coefficient)
    # The one that comes down at the assumed speed where the air is as at sea level.
    return 2.0 * fill.train * atmosphere.G0 / (ASSUMED_DESCENT**2 * 1.225)


def _landing(sheet: Sheet, fill: Fill, landing: float) -> None:
    parachute = sheet.flight.parachute
    if parachute is None:
        sheet.remark(
            "flight",
            "No [parachute]: no descent figures; the axis of time takes a descent at "
            f"{ASSUMED_DESCENT:g} m/s near the ground.",
        )
        return
    area = descent.drag_area(parachute.area, parachute.drag_coefficient)
    density = fill.column.density(landing)
    mass = fill.train
    speed = descent.speed(mass, density, area)
    fouled = descent.speed(mass + fill.balloon, density, area)
    sheet.add("flight.landing_speed", speed)
    sheet.add("flight.landing_speed_fouled", fouled)
    sheet.add("flight.landing_energy", descent.energy(mass, speed))
    sheet.add("flight.landing_energy_fouled", descent.energy(mass + fill.balloon, fouled))
    for name in ("flight.landing_speed", "flight.landing_speed_fouled"):
        sheet.mend(name, lambda r: _larger_canopy(r, parachute.area))


def _larger_canopy(speed: Reading, area: float) -> str:
    if not isinstance(speed.value, (int, float)) or not speed.at_most:
        return ""
    return f"a parachute of {area * (speed.value / speed.at_most) ** 2:.2g} m^2, or less mass"


def _bursts(sheet: Sheet, fill: Fill, site: float) -> tuple[float, float, float] | None:
    """m of the burst at the low end, as declared and at the high end; None where there is none."""
    declared = sheet.flight.balloon.burst_diameter
    found = []
    for share in (ascent.BURST_BAND[0], 1.0, ascent.BURST_BAND[1]):
        density = ascent.density_at_burst(fill.air.density, fill.diameter, share * declared)
        height = ascent.CEILING + 1.0
        if density > 1e-9:
            height = fill.column.height_of_density(density)
        found.append(max(site, height))
    name = "flight.burst_altitude"
    if found[1] > ascent.CEILING:
        sheet.add(name, None)
        sheet.refuse(
            name,
            f"No burst below {ascent.CEILING / 1000:.0f} km, where this model ends: {fill.diameter:.2f} m "
            f"across at release would have to grow to {declared:.2f} m. Check burst diameter and neck lift.",
        )
        return None
    if found[2] > ascent.CEILING:
        sheet.remark(
            "flight",
            f"At the high end of its band the burst lies above {ascent.CEILING / 1000:.0f} km; cut there.",
        )
        found[2] = ascent.CEILING
    reading = sheet.add(name, found[1], low=found[0], high=found[2])
    sheet.mend(name, lambda _: "less gas, within the neck lift's limits, or a larger balloon")
    if found[1] <= site:
        sheet.refuse(
            name,
            f"Bursts on the ground: {fill.diameter:.2f} m across at release, {declared:.2f} m at the burst.",
        )
    elif reading.within is False and reading.at_least is not None and found[1] < reading.at_least:
        sheet.refuse(name, f"Bursts too low: at {found[1]:.0f} m, not {reading.at_least:.0f} m.")
    return found[0], found[1], found[2]


def _times(sheet: Sheet, fill: Fill, course: Course) -> None:
    ups = [course.up(way) for way in course.ways]
    sheet.add("flight.ascent_time", ups[1], low=ups[0], high=ups[2])
    if course.expected.burst > course.site:
        # Fastest and slowest mean rate over every burst height of the band, not those of the times' ends.
        quick = [Way(rate=course.rates[1], constant=False, burst=burst) for burst in course.bursts]
        means = [
            (way.burst - course.site) / course.up(way)
            for way in (*quick, course.expected, course.longest)
            if way.burst > course.site
        ]
        mean = (course.expected.burst - course.site) / ups[1]
        sheet.add("flight.mean_ascent_rate", mean, low=min(means), high=max(means))
    if sheet.flight.parachute is None:
        return
    downs = [course.down(way.burst) for way in course.ways]
    sheet.add("flight.descent_time", downs[1], low=downs[0], high=downs[2])
    # The same way down at a speed that goes with the root of the mass.
    quicker = (fill.train / (fill.train + fill.balloon)) ** 0.5
    fouled = [down * quicker for down in downs]
    sheet.add("flight.descent_time_fouled", fouled[1], low=fouled[0], high=fouled[2])
    total = [up + down for up, down in zip(ups, downs, strict=True)]
    sheet.add("flight.duration", total[1], low=total[0], high=total[2])
    densities = [fill.column.density(max(burst, course.landing)) for burst in course.bursts]
    speeds = [1.0 / (course.fall_factor * density**0.5) for density in densities]
    sheet.add("flight.speed_after_burst", speeds[1], low=speeds[0], high=speeds[2])


def axis_of(sheet: Sheet, course: Course | None, way: Way | None) -> Axis:
    """The axis of time of one way the flight may go, s from power-up; no flight at all without a course."""
    release = sheet.flight.flight.power_up
    burst = landing = release
    if course is not None and way is not None:
        burst = release + course.up(way)
        landing = burst + course.down(way.burst)
    return Axis(
        release=release, burst=burst, landing=landing, end_of_search=landing + sheet.flight.recovery.search
    )
