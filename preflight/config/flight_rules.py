"""What the keys of a flight file owe each other, checked on every table that is right by itself."""

from __future__ import annotations

import re
import struct
import zoneinfo
from collections.abc import Iterable
from pathlib import PurePosixPath, PureWindowsPath

from preflight.config import patterns
from preflight.config.flight import (
    Airspace,
    Beacon,
    Card,
    Cells,
    Exchange,
    FlightInfo,
    KeepOut,
    Leave,
    Limit,
    Link,
    Load,
    Package,
    Port,
    Sample,
    SampleField,
    Site,
    Wind,
)
from preflight.config.found import Found, instead, nearest, what
from preflight.config.problems import Path
from preflight.config.quantities import KINDS, kind_of_unit
from preflight.names import UNITS

# Names whose value is a word or an identity: nothing to compare with a limit.
WORDS = {
    *("card.type", "card.identity", "card.label"),
    *("log.resumed", "log.pattern", "position.fix", "position.model"),
}

# What a role's unit must be a unit of; roles not named here have none.
_ROLE_KINDS = {
    "pressure": "pressure",
    "temperature": "temperature",
    "altitude": "length",
    "latitude": "angle",
    "longitude": "angle",
    "battery": "voltage",
    "time": "duration",
}
_UNIT_OPTIONAL = {"latitude", "longitude", "time"}
_Named = Package | SampleField | KeepOut | Load
_PRIMARY = {"alkaline", "li-fes2"}


def check_flight(found: Found) -> None:
    """Note everything in a flight file that is wrong between keys."""
    _names(found)
    _place_and_time(found)
    _sample(found)
    _ports(found)
    _exchanges(found)
    _power(found)
    _limits(found)


def unique(found: Found, entries: Iterable[tuple[Path, str]], noun: str) -> None:
    """Note every text that stands a second time, at its path."""
    seen: dict[str, Path] = {}
    for path, text in entries:
        if text in seen:
            line = found.line(seen[text])
            first = f" (first on line {line})" if line is not None else ""
            found.add(path, f"{what(text)} is a {noun} already taken{first}", "give each its own")
        seen.setdefault(text, path)


def _names(found: Found) -> None:
    groups: tuple[tuple[type[_Named], Path], ...] = (
        (Package, ("payload", "package")),
        (SampleField, ("sample", "field")),
        (KeepOut, ("recovery", "keep_out")),
        (Load, ("battery", "load")),
        (Load, ("beacon", "battery", "load")),
    )
    for cls, place in groups:
        tables = found.all(cls, *place)
        unique(found, [((*path, "name"), table.name) for path, table in tables], "name")


def relative(
    found: Found,
    path: Path,
    name: str,
    *,
    root: str = "this file's folder",
    remedy: str = "keep the file beside it",
) -> None:
    """Note a file name that leads out of its root, the folder of the file that names it."""
    posix, windows = PurePosixPath(name), PureWindowsPath(name)
    if posix.is_absolute() or windows.drive or windows.root or ".." in (*posix.parts, *windows.parts):
        found.add(path, f"{what(name)} leads out of {root}", remedy)


def _place_and_time(found: Found) -> None:
    info = found.get(FlightInfo, "flight")
    if info is not None:
        relative(found, ("flight", "checklist"), info.checklist)
    wind = found.get(Wind, "wind")
    if wind is not None:
        relative(found, ("wind", "table"), wind.table)
    card = found.get(Card, "card")
    if card is not None and card.log is not None:
        remedy = 'name files as they are seen on the card, as in "LOG*.CSV"'
        relative(found, ("card", "log"), card.log, root="the card", remedy=remedy)
    airspace = found.get(Airspace, "airspace")
    for i, name in enumerate(airspace.rules if airspace is not None else ()):
        relative(found, ("airspace", "rules", i), name)
    if airspace is not None:
        unique(found, [(("airspace", "rules", i), name) for i, name in enumerate(airspace.rules)], "rule set")
    site = found.get(Site, "site")
    if site is not None and not _zone_exists(site.timezone):
        near = nearest(site.timezone, zoneinfo.available_timezones())
        remedy = f'did you mean "{near}"?' if near else 'write one such as "Pacific/Auckland"'
        found.add(("site", "timezone"), f"unknown time zone: {what(site.timezone)}", remedy)


def _zone_exists(name: str) -> bool:
    try:
        zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def _sample(found: Found) -> None:
    fields = found.all(SampleField, "sample", "field")
    roles = [((*path, "role"), str(field.role)) for path, field in fields if field.role is not None]
    unique(found, roles, "role")
    for path, field in fields:
        _field_unit(found, path, field)
        _ordered(found, path, field.at_least, field.at_most)
        if field.scale == 0:
            found.add((*path, "scale"), "is zero: every value is lost", "give the factor, or leave it out")
    sample = found.get(Sample, "sample")
    if sample is None:
        return
    for path, field in fields:
        _field_for_format(found, path, field, sample.format)
    only = {
        "packed": (("sync", sample.sync), ("checksum", sample.checksum), ("byte_order", sample.byte_order)),
        "delimited": (("delimiter", sample.delimiter), ("header", sample.header or None)),
    }
    defaults = {"byte_order": "little", "delimiter": ","}
    for owner, keys in only.items():
        for key, value in keys:
            if sample.format != owner and value is not None and value != defaults.get(key):
                remedy = f'leave it out, or set format = "{owner}"'
                found.add(("sample", key), f'is for format "{owner}" alone', remedy)
    if sample.format == "delimited" and re.search(r"[0-9A-Za-z.+\-\r\n\"]", sample.delimiter):
        found.add(("sample", "delimiter"), f"is {what(sample.delimiter)}", 'use one such as "," ";" or "\\t"')
    if sample.format == "packed":
        _packed_length(found, sample)


def _packed_length(found: Found, sample: Sample) -> None:
    if not all(field.type for field in sample.field):
        return
    size = struct.calcsize("<" + "".join(field.type or "" for field in sample.field))
    size += len(sample.sync or "") // 2
    if size > sample.length:
        message = f"is {sample.length:g} B, sync bytes and fields alone take {size} B"
        found.add(("sample", "length"), message, f'give at least "{size} B"')


def _field_unit(found: Found, path: Path, field: SampleField) -> None:
    if len(field.unit) > 16:
        found.add((*path, "unit"), f"has {len(field.unit)} characters", "keep to 16")
    if field.role is None:
        return
    kind = _ROLE_KINDS.get(field.role)
    if kind is None:
        if field.unit:
            found.add((*path, "unit"), f"a {field.role} has no unit", "leave the unit out")
    elif kind_of_unit(field.unit) != kind and not (field.unit == "" and field.role in _UNIT_OPTIONAL):
        given = f"{what(field.unit)} is no unit of {kind}" if field.unit else f"a {field.role} needs a unit"
        found.add((*path, "unit"), given, f"use one of {', '.join(KINDS[kind].units)}")


def _field_for_format(found: Found, path: Path, field: SampleField, layout: str) -> None:
    if layout == "packed":
        if field.type is None:
            found.add((*path, "type"), "is missing", 'a packed field needs one, as in type = "h"')
        elif field.role is not None and field.type.endswith("x"):
            found.add((*path, "role"), "padding has no value", "leave the role out")
    elif field.type is not None:
        found.add((*path, "type"), 'is for format "packed" alone', "leave it out")
    if layout == "nmea":
        if "." not in (field.key or field.name):
            key = "key" if field.key is not None else "name"
            remedy = 'name sentence and field, as in key = "GGA.alt"'
            found.add((*path, key), "does not say which sentence it is read from", remedy)
    elif layout != "json" and field.key is not None:
        found.add((*path, "key"), 'is for formats "json" and "nmea"', "leave it out")


def _ordered(found: Found, path: Path, at_least: float | None, at_most: float | None) -> None:
    if at_least is not None and at_most is not None and at_least > at_most:
        found.add((*path, "at_least"), f"{at_least:g} is above at_most {at_most:g}", "swap or correct them")


def _ports(found: Found) -> None:
    ports = found.all(Port, "port")
    unique(found, [((*path, "use"), port.use) for path, port in ports], "use")
    if found.get(Link, "link") is not None or "link" in found.raw:
        return
    for path, port in ports:
        if port.baud is None:
            found.add((*path, "baud"), "is missing and there is no [link]", "add one, as in baud = 9600")


def _exchanges(found: Found) -> None:
    for path, exchange in found.all(Exchange, "logger", "exchange"):
        _pattern(found, (*path, "expect"), exchange.expect)
    for path, leave in found.all(Leave, "logger", "leave"):
        if leave.expect is not None:
            _pattern(found, (*path, "expect"), leave.expect)


def _pattern(found: Found, path: Path, pattern: str) -> None:
    trouble = patterns.trouble(pattern)
    if trouble is not None:
        found.add(path, trouble, "write a simpler pattern; a backslash before . ? ( [ takes them literally")


def _power(found: Found) -> None:
    beacon = found.get(Beacon, "beacon")
    info = found.get(FlightInfo, "flight")
    for place in (("battery",), ("beacon", "battery")):
        cells = found.get(Cells, *place)
        if cells is None:
            continue
        if cells.state == "fresh" and cells.chemistry not in _PRIMARY:
            remedy = 'write "charged": "fresh" is for cells that are not recharged'
            found.add((*place, "state"), f'{cells.chemistry} cells are never "fresh"', remedy)
        if cells.fitted_at is not None and info is not None and cells.fitted_at > info.release:
            found.add((*place, "fitted_at"), "is later than the planned release", "correct one of the two")
    fed = found.get(Cells, "battery") is not None or "battery" in found.raw
    if beacon is not None and beacon.battery is None and not fed:
        remedy = "add [beacon.battery], or [battery] if it is fed by the payload's"
        found.add(("beacon",), "has no battery of its own and there is no [battery]", remedy)


def _limits(found: Found) -> None:
    limits = found.value("limits")
    for name in limits if isinstance(limits, dict) else ():
        if name in WORDS:
            found.add(("limits", name), "is a word, not a number", "remove this limit")
        elif name not in UNITS:
            found.add(("limits", name), "no figure or reading has this name", instead(name, UNITS))
    for path, limit in found.built.items():
        if path[:1] != ("limits",) or not isinstance(limit, Limit):
            continue
        if limit.at_least is None and limit.at_most is None:
            found.add(path, "sets no limit", "give at_least or at_most")
        _ordered(found, path, limit.at_least, limit.at_most)
