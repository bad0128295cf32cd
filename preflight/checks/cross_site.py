"""Samples taken at the site against the site: its air, its altitude, its place, the battery on the ground."""

from __future__ import annotations

from collections.abc import Mapping

from preflight.config.flight import Flight

PRESSURE_KNOWN = 1500.0, 500.0
"""Pa that a pressure may be from the declared QNH's at the site: a fault, a remark. Weather moves it by 1 to
3 hPa an hour, cheap sensors are right within 1 to 4 hPa. Common practice, no source."""
PRESSURE_UNKNOWN = 0.93, 1.055
"""Share of the standard pressure at the site within which weather lies (942 and 1069 hPa at the sea), where
no QNH is declared; only the core of a tropical storm is below. From memory: records are 870 and 1084 hPa."""
SEA_LEVEL = 500.0, 3000.0
"""Pa from the QNH, or from the standard pressure where none is declared, within which a pressure that does
not fit the site is taken for one reduced to sea level."""
ALTITUDE = 150.0, 60.0
"""m that an altitude may be from the site's elevation: a fault, a remark. Receivers are some tens of metres
off in height; the geoid is up to 106 m below and 85 m above the ellipsoid (EGM96, from memory)."""
DISTANCE = 5000.0, 1000.0
"""m that a position may be from the site: a fault, a remark. Common practice, no source."""
GROUND_TEMPERATURE = -50.0, 65.0
"""degC that a payload on the ground may have: outdoors in winter, a box in the sun. Common practice, no
source."""
FROM_DECLARED = 25.0
"""degC by which it may differ from the site's declared temperature without a remark: indoors, or in the
sun. Common practice, no source."""
CELL_ROOM = 0.05
"""Share by which a battery may be outside what its chemistry can have before it is a fault: meters and
dividers in payloads are about so good. Common practice, no source."""
# V per cell at most: fresh or just charged (see battery-voltage for the sources), and at least: empty.
CELL_VOLTAGES: dict[str, tuple[float, float]] = {
    "alkaline": (0.8, 1.68),
    "li-fes2": (0.8, 1.83),
    "nimh": (0.9, 1.55),
    "li-ion": (2.5, 4.25),
    "lifepo4": (2.0, 3.65),
}

_PRESSURE_SLIPS = (
    ("hPa where Pa are declared", 100.0),
    ("Pa where hPa are declared", 0.01),
    ("kPa where hPa are declared", 10.0),
    ("hPa where kPa are declared", 0.1),
    ("kPa where Pa are declared", 1000.0),
    ("inches of mercury", 33.8639),
    ("millimetres of mercury", 1.333224),
    ("pounds on a square inch", 68.9476),
)


class SiteChecks:
    """Judges the medians of samples that stood at the site; `faults` and `remarks` are sentences.

    `medians` by role: Pa, m above sea level, degrees, degC, V. `names` are the fields' cleaned names.
    """

    def __init__(self, flight: Flight, names: Mapping[str, str], medians: Mapping[str, float]) -> None:
        self.faults: list[str] = []
        self.remarks: list[str] = []
        self._flight = flight
        self._site = flight.site
        self._names = names
        for role, judge in (
            ("pressure", self._pressure),
            ("altitude", self._altitude),
            ("temperature", self._temperature),
            ("battery", self._battery),
        ):
            if role in medians:
                judge(names[role], medians[role])
        if "latitude" in medians and "longitude" in medians:
            self._position(medians["latitude"], medians["longitude"])

    def _pressure(self, name: str, pressure: float) -> None:
        from preflight.figures.atmosphere import P0, pressure_at

        site = self._site
        expected = pressure_at(P0 if site.qnh is None else site.qnh, site.elevation)

        def fits(value: float) -> bool:
            if value <= 0:
                return False
            if site.qnh is not None:
                return abs(value - expected) <= PRESSURE_KNOWN[0]
            return PRESSURE_UNKNOWN[0] <= value / expected <= PRESSURE_UNKNOWN[1]

        day = "the declared QNH" if site.qnh is not None else "any weather"
        head = (
            f"{name} is {pressure / 100:.5g} hPa; at {site.elevation:.0f} m {day} gives "
            f"about {expected / 100:.0f} hPa"
        )
        if fits(pressure):
            if site.qnh is not None and abs(pressure - expected) > PRESSURE_KNOWN[1]:
                self.remarks.append(f"{head}: is the QNH that of now, and the sensor calibrated?")
            return
        slip = next((text for text, factor in _PRESSURE_SLIPS if fits(pressure * factor)), None)
        if slip is not None:
            self.faults.append(f"{head}: it fits {slip}. Correct the field's unit or scale")
        elif abs(pressure - (P0 if site.qnh is None else site.qnh)) <= SEA_LEVEL[site.qnh is None]:
            self.faults.append(
                f"{head}: it fits the pressure reduced to sea level. Have the station's own pressure recorded"
            )
        else:
            self.faults.append(f"{head}: check the sensor, its calibration, and elevation and qnh in [site]")

    def _altitude(self, name: str, altitude: float) -> None:
        elevation = self._site.elevation
        apart = altitude - elevation
        head = f"{name} is {altitude:.0f} m, the site is at {elevation:.0f} m"
        if abs(apart) <= ALTITUDE[1]:
            return
        if abs(apart) <= ALTITUDE[0]:
            self.remarks.append(
                f"{head}: give the receiver more time, and see whether it counts from the ellipsoid"
            )
        elif abs(altitude * 0.3048 - elevation) <= ALTITUDE[1]:
            self.faults.append(
                f"{head}: it would fit feet where metres are declared. Correct the field's unit or [site]"
            )
        elif abs(altitude / 0.3048 - elevation) <= ALTITUDE[1]:
            self.faults.append(
                f"{head}: it would fit metres where feet are declared. Correct the field's unit or [site]"
            )
        else:
            self.faults.append(
                f"{head}: wait for a better fix under open sky, or correct elevation in [site]"
            )

    def _position(self, latitude: float, longitude: float) -> None:
        names = f"{self._names['latitude']} and {self._names['longitude']}"
        if latitude == longitude == 0:
            self.faults.append(f"{names} are 0 and 0: a receiver without a fix. Give it open sky, and wait")
            return
        far = self.distance(latitude, longitude)
        place = f"{latitude:.5f}, {longitude:.5f}"
        if far is not None and far <= DISTANCE[1]:
            return
        told = "no place on earth" if far is None else f"{_distance(far)} from the site"
        head = f"{names} are {told}, at {place}"
        if far is not None and far <= DISTANCE[0]:
            self.remarks.append(f"{head}: is the payload already at the site?")
            return
        for text, (north, east) in _position_slips(latitude, longitude).items():
            near = self.distance(north, east)
            if near is not None and near <= DISTANCE[0]:
                self.faults.append(f"{head}: {text}. Correct it where samples are made, or in [site]")
                return
        self.faults.append(f"{head}: run this at the site, correct [site], or wait for a better fix")

    def distance(self, latitude: float, longitude: float) -> float | None:
        """m from the site along the earth; None for what is no position."""
        return distance(self._site.latitude, self._site.longitude, latitude, longitude)

    def _temperature(self, name: str, temperature: float) -> None:
        low, high = GROUND_TEMPERATURE
        declared = self._site.temperature
        here = 15.0 if declared is None else declared - 273.15
        head = f"{name} is {temperature:.1f} degC on the ground"
        slip = next(
            (
                text
                for text, value in (
                    ("kelvin", temperature - 273.15),
                    ("degrees Fahrenheit", (temperature - 32) / 1.8),
                    ("tenths of a degree", temperature / 10),
                    ("hundredths of a degree", temperature / 100),
                )
                if abs(value - here) <= FROM_DECLARED and low <= value <= high
            ),
            None,
        )
        if not low <= temperature <= high:
            fits = f"it fits {slip}. Correct the field's unit or scale" if slip else "check the sensor"
            self.faults.append(f"{head}: {fits}")
        elif declared is not None and abs(temperature - here) > FROM_DECLARED:
            fits = f" It would fit {slip} as well." if slip else ""
            self.remarks.append(
                f"{head}, {here:.0f} degC are declared for the site: warm from a room, in the sun, or wrong?"
                f"{fits}"
            )

    def _battery(self, name: str, voltage: float) -> None:
        cells = self._flight.battery
        if cells is None:
            return
        low, high = (bound * cells.series for bound in CELL_VOLTAGES[cells.chemistry])
        if low * (1 - CELL_ROOM) <= voltage <= high * (1 + CELL_ROOM):
            return
        one = voltage / cells.series
        self.faults.append(
            f"{name} is {voltage:.2f} V, {one:.2f} V a cell: {cells.series} {cells.chemistry} cells in "
            f"series have {low:.1f} to {high:.1f} V. Check the divider, the field's scale, and [battery]"
        )


def distance(latitude: float, longitude: float, to_latitude: float, to_longitude: float) -> float | None:
    """m between two places along the WGS 84 ellipsoid; None for what is no position."""
    from geographiclib.geodesic import Geodesic

    if not (abs(to_latitude) <= 90 and abs(to_longitude) <= 360):
        return None
    line = Geodesic.WGS84.Inverse(latitude, longitude, to_latitude, to_longitude, Geodesic.DISTANCE)
    return float(line["s12"])


def _distance(metres: float) -> str:
    return f"{metres / 1000:.0f} km" if metres >= 10_000 else f"{metres / 1000:.1f} km"


def _position_slips(latitude: float, longitude: float) -> dict[str, tuple[float, float]]:
    """What a position might have been meant as, by how it was spoilt."""
    return {
        "the signs fit if the latitude's is turned: north is positive": (-latitude, longitude),
        "the signs fit if the longitude's is turned: east is positive": (latitude, -longitude),
        "the signs fit if both are turned: north and east are positive": (-latitude, -longitude),
        "it fits with latitude and longitude swapped": (longitude, latitude),
        "it fits degrees and minutes run together (ddmm.mmmm) where degrees are declared": (
            _from_minutes(latitude),
            _from_minutes(longitude),
        ),
        "it fits minutes written behind the point (dd.mmmm) where degrees are declared": (
            _from_minutes(latitude * 100),
            _from_minutes(longitude * 100),
        ),
        "it fits degrees times ten million where degrees are declared": (latitude / 1e7, longitude / 1e7),
        "it fits degrees times a million where degrees are declared": (latitude / 1e6, longitude / 1e6),
    }


def _from_minutes(value: float) -> float:
    sign = -1.0 if value < 0 else 1.0
    degrees, minutes = divmod(abs(value), 100)
    return sign * (degrees + minutes / 60)
