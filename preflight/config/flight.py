"""The flight file: everything declared about one flight, typed.

Quantities are plain floats in SI after loading (kg, m, s, Pa, K, V, A, C, ohm, Hz, B); latitudes and
longitudes are degrees, WGS 84. Bounds stand in the annotations: the loader, the JSON Schema and the reader
see the same ones.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

from preflight.config.quantities import (
    Area,
    Bytes,
    Charge,
    Current,
    Duration,
    Force,
    Frequency,
    Length,
    Mass,
    Pressure,
    Resistance,
    Temperature,
    Voltage,
    Volume,
)

Name = Annotated[str, Meta(min_length=1, max_length=80)]
Latitude = Annotated[float, Meta(ge=-90, le=90, description="degrees north, WGS 84")]
Longitude = Annotated[float, Meta(ge=-180, le=180, description="degrees east, WGS 84")]
Fraction = Annotated[float, Meta(gt=0, le=1)]
Count = Annotated[int, Meta(ge=1, le=1000)]
Instant = Annotated[datetime, Meta(tz=True, description="date, time and UTC offset; kept in UTC")]

Role = Literal[
    "counter",
    "time",
    "pressure",
    "temperature",
    "latitude",
    "longitude",
    "altitude",
    "battery",
    "fix",
    "satellites",
    "dilution",
    "model",
]
Chemistry = Literal["alkaline", "li-fes2", "nimh", "li-ion", "lifepo4"]
Framing = Annotated[
    str, Meta(pattern=r"^[5-8][NEOMS](1|1\.5|2)$", description="data bits, parity, stop bits: 8N1")
]


class _File(Struct, frozen=True, forbid_unknown_fields=True):
    """Shared rules of every table in a file: named keys only, none unknown."""


class FlightInfo(_File, frozen=True, kw_only=True):
    """[flight]"""

    name: Name
    release: Instant
    power_up: Annotated[Duration, Meta(ge=0, le=86400)]
    checklist: Name


class Site(_File, frozen=True, kw_only=True):
    """[site]"""

    latitude: Latitude
    longitude: Longitude
    elevation: Annotated[Length, Meta(ge=-430, le=6000)]
    timezone: Name
    qnh: Annotated[Pressure, Meta(ge=85000, le=110000)] | None = None
    temperature: Annotated[Temperature, Meta(ge=203.15, le=333.15)] | None = None


class Balloon(_File, frozen=True, kw_only=True):
    """[balloon]"""

    mass: Annotated[Mass, Meta(gt=0, le=20)]
    burst_diameter: Annotated[Length, Meta(gt=0, le=40)]
    gas: Literal["helium", "hydrogen"]
    neck_lift: Annotated[Mass, Meta(gt=0, le=50)]
    purity: Annotated[float, Meta(ge=0.5, le=1)] = 1.0
    drag_coefficient: Annotated[float, Meta(ge=0.05, le=2)] = 0.33
    ascent_model: Literal["constant-rate", "constant-drag"] = "constant-rate"


class Package(_File, frozen=True, kw_only=True):
    """[[payload.package]]"""

    name: Name
    mass: Annotated[Mass, Meta(gt=0, le=50)]
    smallest_face: Annotated[Area, Meta(gt=0, le=10)] | None = None


class Payload(_File, frozen=True, kw_only=True):
    """[payload]"""

    package: Annotated[tuple[Package, ...], Meta(min_length=1)]
    suspension_break: Annotated[Force, Meta(gt=0)] | None = None
    suspension_length: Annotated[Length, Meta(gt=0, le=500)] | None = None


class Parachute(_File, frozen=True, kw_only=True):
    """[parachute]"""

    mass: Annotated[Mass, Meta(ge=0, le=20)]
    area: Annotated[Area, Meta(gt=0, le=200)]
    drag_coefficient: Annotated[float, Meta(gt=0, le=3)] = 0.75


class Checksum(_File, frozen=True, kw_only=True):
    """[sample.checksum]: of a packed sample, by its catalogue name, over the bytes after the sync bytes."""

    name: Name
    order: Literal["little", "big"] = "little"


class SampleField(_File, frozen=True, kw_only=True):
    """[[sample.field]]: one field of a sample, in the order it is sent.

    `key` is the JSON member or the NMEA "sentence.field" it is read from (default: `name`); `type` is the
    struct code of a packed field.
    """

    name: Name
    unit: str = ""
    role: Role | None = None
    at_least: float | None = None
    at_most: float | None = None
    key: str | None = None
    type: Annotated[str, Meta(pattern=r"^([bBhHiIlLqQefd?]|[1-9][0-9]{0,2}[sx])$")] | None = None
    scale: float = 1.0
    offset: float = 0.0


class Sample(_File, frozen=True, kw_only=True):
    """[sample]"""

    rate: Annotated[Frequency, Meta(gt=0, le=10000)]
    format: Literal["delimited", "nmea", "json", "packed"]
    length: Annotated[Bytes, Meta(ge=1, le=65536)]
    field: Annotated[tuple[SampleField, ...], Meta(min_length=1)]
    delimiter: Annotated[str, Meta(min_length=1, max_length=1)] = ","
    header: bool = False
    sync: Annotated[str, Meta(pattern=r"^([0-9A-Fa-f]{2})+$", description="hex bytes")] | None = None
    byte_order: Literal["little", "big"] = "little"
    checksum: Checksum | None = None


class Link(_File, frozen=True, kw_only=True):
    """[link]: the line from the flight computer to the logger."""

    baud: Annotated[int, Meta(ge=50, le=4_000_000)]
    framing: Framing = "8N1"
    buffer: Annotated[Bytes, Meta(ge=1, le=2**24)] = 512.0
    stall: Annotated[Duration, Meta(ge=0.5, le=60)] = 0.5
    clock: Annotated[Frequency, Meta(gt=0)] | None = None
    oversampling: Literal[8, 16] = 16


class Port(_File, frozen=True, kw_only=True):
    """[[port]]: `dtr` and `rts` are the line states asked for at open; None leaves them to the driver."""

    use: Literal["tap", "logger", "meter", "beacon"]
    at: Name
    baud: Annotated[int, Meta(ge=50, le=4_000_000)] | None = None
    framing: Framing | None = None
    level: Annotated[Voltage, Meta(gt=0, le=30)] | None = None
    dtr: bool | None = None
    rts: bool | None = None


class HexBytes(_File, frozen=True, kw_only=True):
    """{ hex = "05" }: bytes that are not text."""

    hex: Annotated[str, Meta(pattern=r"^([0-9A-Fa-f]{2}\s*)+$")]


class Exchange(_File, frozen=True, kw_only=True):
    """[[logger.exchange]]: `expect` is a regular expression on the reply, its named groups readings."""

    send: Annotated[str, Meta(max_length=4096)] | HexBytes
    expect: Annotated[str, Meta(min_length=1, max_length=1000)]
    within: Annotated[Duration, Meta(gt=0, le=600)] = 2.0


class Leave(_File, frozen=True, kw_only=True):
    """[[logger.leave]]: always sent afterwards, so that the logger logs again."""

    send: Annotated[str, Meta(max_length=4096)] | HexBytes
    expect: Annotated[str, Meta(min_length=1, max_length=1000)] | None = None
    within: Annotated[Duration, Meta(gt=0, le=600)] = 2.0


class Logger(_File, frozen=True, kw_only=True):
    """[logger]: `off_voltage` is what its supply pin may show at most with the payload's power off."""

    formats: Annotated[tuple[Literal["FAT12", "FAT16", "FAT32", "exFAT"], ...], Meta(min_length=1)] = (
        "FAT16",
        "FAT32",
    )
    exchange: tuple[Exchange, ...] = ()
    leave: tuple[Leave, ...] = ()
    off_voltage: Annotated[Voltage, Meta(ge=0, le=5)] | None = None


class Card(_File, frozen=True, kw_only=True):
    """[card]: a mount point, a block device or an image file.

    `fixed_reader` is the volume's label and size as the crew read them off the card ("FULMAR 32 GB"): typed
    where the reader is built in and its card is called a fixed disk, it lets card-write and card-capacity
    write files of their own to that volume and no other. `capacity_test` says how much of the free space
    card-capacity fills: samples all over it, or all of it. `log` names the logger's files ("LOG*.CSV").
    """

    volume: Name
    log: Name | None = None
    fixed_reader: (
        Annotated[
            str,
            Meta(
                pattern=r"^\S.{0,39}\s[0-9]{1,6}(\.[0-9]{1,3})?\s?[MGT]i?B$",
                description='label and size: "FULMAR 32 GB"; "NO NAME 32 GB" without a label',
            ),
        ]
        | None
    ) = None
    capacity_test: Literal["sampled", "all"] = "sampled"


class Efficiency(_File, frozen=True, kw_only=True):
    """{ efficiency = 0.88 }: a switching regulator."""

    efficiency: Annotated[float, Meta(gt=0, le=1)]


class Load(_File, frozen=True, kw_only=True):
    """[[battery.load]]"""

    name: Name
    current: Annotated[Current, Meta(ge=0, le=100)]
    duty: Annotated[float, Meta(ge=0, le=1)] = 1.0


class Cells(_File, frozen=True, kw_only=True):
    """Cells of one pack; `cell_temperature` is the coldest they get, `resistance` is per cell."""

    chemistry: Chemistry
    series: Count
    capacity: Annotated[Charge, Meta(gt=0)]
    cell_temperature: Annotated[Temperature, Meta(ge=173.15, le=353.15)]
    parallel: Count = 1
    state: Literal["charged", "fresh"] = "charged"
    fitted_at: Instant | None = None
    cut_off: Annotated[Voltage, Meta(gt=0, le=5)] | None = None
    derating: tuple[Fraction, Fraction] | None = None
    resistance: Annotated[Resistance, Meta(ge=0, le=100)] | None = None
    rail: Annotated[Voltage, Meta(gt=0, le=60)] | None = None
    dropout: Annotated[Voltage, Meta(ge=0, le=10)] = 0.0
    regulator: Literal["linear"] | Efficiency = "linear"
    load: Annotated[tuple[Load, ...], Meta(min_length=1)]


class Beacon(_File, frozen=True, kw_only=True):
    """[beacon]: without `battery` it is fed by the payload's. Each of its reports holds the text `call`."""

    interval: Annotated[Duration, Meta(gt=0, le=86400)]
    call: Name | None = None
    battery: Cells | None = None


class Wind(_File, frozen=True, kw_only=True):
    """[wind]"""

    table: Name


class Cylinder(_File, frozen=True, kw_only=True):
    """[cylinder]"""

    water_volume: Annotated[Volume, Meta(gt=0, le=10)]
    pressure: Annotated[Pressure, Meta(gt=0, le=1e8)]
    temperature: Annotated[Temperature, Meta(ge=223.15, le=338.15)] = 288.15


PinFunction = Literal["transmit", "receive", "ground", "supply", "reset"]


class Connection(_File, frozen=True, kw_only=True):
    """[[wiring.connection]]: `programming` names the end whose pin the board's programming port shares."""

    from_: Name = field(name="from")
    from_pin: Name
    from_function: PinFunction
    to: Name
    to_pin: Name
    to_function: PinFunction
    from_level: Annotated[Voltage, Meta(ge=0, le=60)] | None = None
    to_level: Annotated[Voltage, Meta(ge=0, le=60)] | None = None
    divider: bool = False
    programming: Literal["from", "to"] | None = None


class Wiring(_File, frozen=True, kw_only=True):
    """[wiring]"""

    connection: Annotated[tuple[Connection, ...], Meta(min_length=1)]


class KeepOut(_File, frozen=True, kw_only=True):
    """[[recovery.keep_out]]: a circle where the payload must not come down."""

    name: Name
    latitude: Latitude
    longitude: Longitude
    radius: Annotated[Length, Meta(gt=0, le=500_000)]


class Recovery(_File, frozen=True, kw_only=True):
    """[recovery]: `search` is how long the beacon must live after landing."""

    search: Annotated[Duration, Meta(ge=0, le=30 * 86400)]
    landing_elevation: Annotated[Length, Meta(ge=-430, le=6000)] | None = None
    keep_out: tuple[KeepOut, ...] = ()


class Airspace(_File, frozen=True, kw_only=True):
    """[airspace]: rule sets (files beside the flight file, or shipped) and what else is asked for.

    `transponder` is its code, the aircraft address or the radio beacon's frequency, in words.
    """

    rules: Annotated[tuple[Name, ...], Meta(min_length=1)]
    operator: Name | None = None
    telephone: Name | None = None
    transponder: Name | None = None
    antenna_length: Annotated[Length, Meta(ge=0, le=500)] | None = None


class Limit(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A limit on one figure, in that figure's own unit (see `preflight.names`) after loading."""

    at_least: float | None = None
    at_most: float | None = None


class Flight(_File, frozen=True, kw_only=True):
    """A flight file. Optional sections that are absent make the steps that need them not applicable."""

    flight: FlightInfo
    site: Site
    balloon: Balloon
    payload: Payload
    recovery: Recovery
    parachute: Parachute | None = None
    sample: Sample | None = None
    link: Link | None = None
    port: tuple[Port, ...] = ()
    logger: Logger | None = None
    card: Card | None = None
    battery: Cells | None = None
    beacon: Beacon | None = None
    wind: Wind | None = None
    cylinder: Cylinder | None = None
    wiring: Wiring | None = None
    airspace: Airspace | None = None
    limits: dict[str, Limit] = {}

    def has(self, section: str) -> bool:
        """Whether an optional section is there: ports by use ("port.tap"), others by dotted key."""
        if section.startswith("port."):
            return any(port.use == section[5:] for port in self.port)
        here: object = self
        for part in section.split("."):
            here = getattr(here, part, None)
            if here is None or here == ():
                return False
        return True

    def word(self, key: str) -> str | None:
        """The word of a choice by dotted key ("balloon.gas"); None where there is none."""
        here: object = self
        for part in key.split("."):
            here = getattr(here, part, None)
        return here if isinstance(here, str) else None
