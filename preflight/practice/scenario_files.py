"""The text of the demo's flight file and wind table: an invented flight, all of it made up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from preflight.practice.beacon import CALL, HEARD
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.payload import Ground
from preflight.practice.simulate import EXCHANGES, LEAVE

if TYPE_CHECKING:
    from preflight.config.flight import Exchange, Leave, SampleField

RATE, BAUD = 5.0, 38400
GROUND = Ground()
BEACON_EVERY = 1.0
"""Seconds between the beacon's reports: short, so that practice does not wait."""
CHECKLIST = "latex-flight.toml"


def winds_text(dated: str) -> str:
    """The wind table; `dated` is its line on when it holds."""
    return f"""{dated}
height [m],direction [deg],speed [m/s]
200,190,2
1500,200,4
3000,205,6
5500,215,9
9000,220,13
12000,225,14
16000,230,7
20000,240,3
26000,70,3
32000,55,5
"""


def flight_text(dated: str) -> str:
    """The flight file; `dated` is its line with the planned release."""
    fields = "\n".join(_field(field) for field in SAMPLE_FIELDS)
    exchanges = "\n".join(_exchange("exchange", exchange) for exchange in EXCHANGES)
    leave = "\n".join(_exchange("leave", step) for step in LEAVE)
    return f"""# An invented flight for practice. Its ports are the simulated payload's, its card is an image.
[flight]
name = "Petrel 2"
{dated}
power_up = "45 min"
checklist = "{CHECKLIST}"

[site]
latitude = {GROUND.latitude}
longitude = {GROUND.longitude}
elevation = "{GROUND.elevation:g} m"
timezone = "Pacific/Auckland"
qnh = "1018 hPa"
temperature = "{GROUND.temperature:g} degC"

[balloon]
mass = "800 g"
burst_diameter = "7.0 m"
gas = "helium"
neck_lift = "2.00 kg"
drag_coefficient = 0.33

[payload]
suspension_break = "180 N"
suspension_length = "9 m"
[[payload.package]]
name = "instrument pack"
mass = "0.86 kg"
smallest_face = "220 cm^2"
[[payload.package]]
name = "beacon"
mass = "0.19 kg"
smallest_face = "60 cm^2"

[parachute]
mass = "90 g"
area = "1.1 m^2"
drag_coefficient = 0.75

[sample]
rate = "{RATE:g} Hz"
format = "delimited"
length = "64 B"
{fields}

[link]
baud = {BAUD}
framing = "8N1"
buffer = "512 B"
stall = "500 ms"

[[port]]
use = "tap"
at = "payload/tap"
level = "3.3 V"
[[port]]
use = "logger"
at = "payload/logger"
level = "3.3 V"
[[port]]
use = "beacon"
at = "payload/{HEARD}"

[logger]
formats = ["FAT16", "FAT32"]
{exchanges}
{leave}

[card]
volume = "card.img"
log = "LOG*.CSV"

[battery]
chemistry = "li-ion"
series = 2
capacity = "3400 mA*h"
state = "charged"
cell_temperature = "-10 degC"
resistance = "60 mohm"
rail = "5 V"
dropout = "0.3 V"
regulator = {{ efficiency = 0.88 }}
[[battery.load]]
name = "flight computer"
current = "95 mA"
[[battery.load]]
name = "logger"
current = "60 mA"
[[battery.load]]
name = "heater"
current = "180 mA"
duty = 0.7

[beacon]
interval = "{BEACON_EVERY:g} s"
call = "{CALL}"
[beacon.battery]
chemistry = "li-fes2"
series = 4
capacity = "3000 mA*h"
state = "fresh"
cell_temperature = "-20 degC"
resistance = "180 mohm"
rail = "3.0 V"
dropout = "0.2 V"
[[beacon.battery.load]]
name = "receiver and sender"
current = "110 mA"

[wind]
table = "winds.csv"

[cylinder]
water_volume = "50 L"
pressure = "200 bar"
temperature = "12 degC"

[airspace]
rules = ["icao-annex-2.toml"]
operator = "the practice crew"
telephone = "none, this is practice"
transponder = "none"
antenna_length = "0 m"

[recovery]
search = "4 h"
landing_elevation = "180 m"
[[recovery.keep_out]]
name = "reservoir"
latitude = -43.72
longitude = 171.55
radius = "3 km"
"""


def _field(field: SampleField) -> str:
    parts = [f'name = "{field.name}"']
    if field.unit:
        parts.append(f'unit = "{field.unit}"')
    if field.role is not None:
        parts.append(f'role = "{field.role}"')
    parts += [
        f"{key} = {value:g}"
        for key, value in (("at_least", field.at_least), ("at_most", field.at_most))
        if value is not None
    ]
    return "[[sample.field]]\n" + "\n".join(parts)


def _exchange(table: str, step: Exchange | Leave) -> str:
    assert isinstance(step.send, str)
    sent = step.send.replace("\r", "\\r")
    lines = [f"[[logger.{table}]]", f'send = "{sent}"']
    if step.expect is not None:
        lines.append(f"expect = '{step.expect}'")
    return "\n".join([*lines, f'within = "{step.within:g} s"'])
