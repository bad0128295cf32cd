"""Small flights for airspace tests, read through the loader: units count as files have them."""

from __future__ import annotations

from preflight.config.airspace import RuleSet
from preflight.config.flight import Flight
from preflight.config.load import AIRSPACE, load_airspace, parse_flight
from preflight.config.shipped import shipped_file

US, EU = "14 CFR 101", "SERA App. 2"


def shipped_rules() -> tuple[RuleSet, RuleSet]:
    """The two rule sets that come with the tool."""
    cfr, sera = (load_airspace(shipped_file(AIRSPACE) / n) for n in ("cfr-101.toml", "icao-annex-2.toml"))
    return cfr, sera


def flight_with(
    *packages: tuple[str, str | None],
    suspension_break: str | None = "100 N",
    suspension_length: str | None = "5 m",
    release: str = "2027-05-16T08:30:00Z",
    zone: str = "Pacific/Auckland",
    more: str = "",
) -> Flight:
    """A flight with packages of (mass, smallest face or None), all else of no interest here."""
    lines = []
    for n, (mass, face) in enumerate(packages or (("1 kg", "200 cm^2"),), 1):
        lines += ["[[payload.package]]", f'name = "box {n}"', f'mass = "{mass}"']
        if face is not None:
            lines.append(f'smallest_face = "{face}"')
    payload = ["[payload]"]
    if suspension_break is not None:
        payload.append(f'suspension_break = "{suspension_break}"')
    if suspension_length is not None:
        payload.append(f'suspension_length = "{suspension_length}"')
    text = f"""
[flight]
name = "Plover 2"
release = {release}
power_up = "45 min"
checklist = "list.toml"
[site]
latitude = -43.93
longitude = 171.62
elevation = "212 m"
timezone = "{zone}"
[balloon]
mass = "750 g"
burst_diameter = "6.7 m"
gas = "helium"
neck_lift = "1.80 kg"
{chr(10).join(payload)}
{chr(10).join(lines)}
[parachute]
mass = "80 g"
area = "1.2 m^2"
[airspace]
rules = ["cfr-101.toml", "icao-annex-2.toml"]
[recovery]
search = "4 h"
{more}
"""
    return parse_flight(text.encode(), "flight.toml")
