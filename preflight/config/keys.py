"""The flight file's keys by dotted name: what each may hold, and a flight with one of them replaced."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from types import MappingProxyType
from typing import Any, Literal

import msgspec.inspect as mi
from msgspec import Struct, structs

from preflight.clean import clean
from preflight.config.collect import take
from preflight.config.flight import Flight
from preflight.config.flight_rules import check_flight
from preflight.config.found import BAD, Found, instead, members, struct_type, unwrap
from preflight.config.problems import BadFile, Path, Problem, key_text
from preflight.config.quantities import BadQuantity, shown, typed_number
from preflight.config.scalars import bounds_text

ValueType = Literal["quantity", "number", "whole number", "text", "choice", "yes or no", "date"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """What one key may hold: `kind` names the quantity's kind, None for anything else; `choices` the words.

    `bounds` tells the range in words, "" where there is none.
    """

    name: str
    type: ValueType
    kind: str | None = None
    choices: tuple[str, ...] = ()
    bounds: str = ""


@functools.cache
def flight_keys() -> Mapping[str, Key]:
    """Every key outside arrays that holds a single value, by dotted name ("balloon.neck_lift")."""
    return MappingProxyType({name: key for name, key in _all_keys()[0].items() if "[" not in name})


def find_key(name: str) -> Key | None:
    """The key of that name, which may lie in an array element ("payload.package[2].mass")."""
    return None if "[]" in name else _all_keys()[0].get(_POSITION.sub("[]", name))


@functools.cache
def flight_sections() -> frozenset[str]:
    """Every table and array of the flight file by dotted name; ports also by use ("port.tap")."""
    sections = _all_keys()[1]
    uses = next(item for item in struct_type(Flight).fields if item.name == "port")
    assert isinstance(uses.type, mi.VarTupleType)
    assert isinstance(uses.type.item_type, mi.StructType)
    use = next(item for item in uses.type.item_type.fields if item.name == "use")
    assert isinstance(use.type, mi.LiteralType)
    return frozenset(sections | {f"port.{value}" for value in use.type.values})


@functools.cache
def _all_keys() -> tuple[dict[str, Key], set[str]]:
    """Keys and sections; keys in array elements have "[]" for the position."""
    keys: dict[str, Key] = {}
    sections: set[str] = set()
    _gather(struct_type(Flight), "", keys, sections)
    return keys, sections


def _gather(info: mi.StructType, before: str, keys: dict[str, Key], sections: set[str]) -> None:
    for item in info.fields:
        name = f"{before}{item.encode_name}"
        for option in members(item.type):
            inner, kind, _ = unwrap(option)
            if isinstance(inner, mi.StructType):
                sections.add(name)
                _gather(inner, f"{name}.", keys, sections)
            elif isinstance(inner, (mi.VarTupleType, mi.DictType)):
                sections.add(name)
                if isinstance(inner, mi.VarTupleType) and isinstance(inner.item_type, mi.StructType):
                    _gather(inner.item_type, f"{name}[].", keys, set())
            elif not isinstance(inner, mi.TupleType):
                keys[name] = _key(name, inner, kind)


def _key(name: str, inner: mi.Type, kind: str | None) -> Key:
    if isinstance(inner, mi.FloatType) and kind is not None:
        return Key(
            name=name, type="quantity", kind=kind, bounds=bounds_text(inner, lambda bound: shown(bound, kind))
        )
    match inner:
        case mi.FloatType():
            return Key(name=name, type="number", bounds=bounds_text(inner, lambda bound: f"{bound:g}"))
        case mi.IntType():
            return Key(name=name, type="whole number", bounds=bounds_text(inner, str))
        case mi.BoolType():
            return Key(name=name, type="yes or no", choices=("true", "false"))
        case mi.DateTimeType():
            return Key(name=name, type="date")
        case mi.LiteralType(values=values):
            return Key(name=name, type="choice", choices=tuple(str(value) for value in values))
    return Key(name=name, type="text")


_POSITION = re.compile(r"\[[1-9][0-9]{0,3}\]")
_PART = re.compile(r"([a-z_]+)(?:\[([1-9][0-9]{0,3})\])?")


def replace_value(flight: Flight, key: str, text: str) -> Flight:
    """`flight` with the value of one key replaced by `text`, through the same rules as the file.

    Quantities are written as in files ("1.72 kg"), numbers may have a decimal comma, dates carry their UTC
    offset. An element of an array is named by its position from 1: "payload.package[2].mass". Raises
    `BadFile` for an unknown key, a section the flight does not have, or a value against the rules.
    """
    found = Found({}, "")
    path = _path(key)
    kind = _place(flight, path, key)
    value = take(found, kind, _file_value(kind, text), path)
    if value is BAD:
        raise BadFile(tuple(found.problems))
    changed = _with(flight, path, value)
    _note_tables(found, changed, ())
    check_flight(found)
    return found.finish(Flight)


def _bad(key: str, message: str, remedy: str) -> BadFile:
    shown_key = clean(key, limit=60)
    return BadFile((Problem(file="", line=None, key=shown_key, message=message, remedy=remedy),))


def _path(key: str) -> Path:
    path: list[str | int] = []
    for part in key.split("."):
        found = _PART.fullmatch(part)
        if found is None:
            raise _bad(key, "unknown key", instead(key, flight_keys()))
        path.append(found.group(1))
        if found.group(2):
            path.append(int(found.group(2)) - 1)
    return tuple(path)


def _place(flight: Flight, path: Path, key: str) -> mi.Type:
    """The type of the single value at `path`, which must lie in tables that this flight has."""
    unknown = _bad(key, "unknown key", instead(key, flight_keys()))
    here: object = flight
    kind: mi.Type = struct_type(Flight)
    for depth, part in enumerate(path):
        if here is None:
            section = key_text(path[:depth])
            raise _bad(key, f"the flight file has no [{section}]", "add the section to the flight file")
        if isinstance(part, int):
            if not isinstance(here, tuple) or not isinstance(kind, mi.VarTupleType):
                raise unknown
            if part >= len(here):
                raise _bad(key, f"there are only {len(here)}", "count from 1")
            here, kind = here[part], unwrap(kind.item_type)[0]
        else:
            tables = [option for option in members(kind) if isinstance(option, mi.StructType)]
            fields = {item.encode_name: item for table in tables for item in table.fields}
            if part not in fields:
                raise unknown
            if not isinstance(here, tables[0].cls):
                raise _bad(
                    key, f"{key_text(path[:depth])} is not a table here", "change it in the flight file"
                )
            here, kind = getattr(here, fields[part].name), fields[part].type
    if not any(isinstance(unwrap(option)[0], _SINGLE) for option in members(kind)):
        raise _bad(key, "holds more than one value", "change it in the flight file")
    return kind


_SINGLE = (mi.FloatType, mi.IntType, mi.BoolType, mi.StrType, mi.LiteralType, mi.DateTimeType)


def _file_value(kind: mi.Type, text: str) -> object:
    """`text` as the value that a file would hold for this type; as it stands where it does not fit."""
    options = [unwrap(option) for option in members(kind)]
    inner, quantity, _ = next(option for option in options if isinstance(option[0], _SINGLE))
    if quantity is not None:
        return text
    try:
        match inner:
            case mi.FloatType():
                return typed_number(text)
            case mi.IntType():
                return int(text) if len(text) < 20 else text
            case mi.BoolType():
                return {"true": True, "false": False}.get(text, text)
            case mi.DateTimeType():
                return datetime.fromisoformat(text)
            case mi.LiteralType(values=values):
                return next((value for value in values if str(value) == text), text)
    except (ValueError, BadQuantity):
        return text
    return text


def _with(table: Any, path: Path, value: object) -> Any:
    """A copy of a table or array with the value at `path` replaced."""
    part, rest = path[0], path[1:]
    if isinstance(part, int):
        inner = _with(table[part], rest, value) if rest else value
        return (*table[:part], inner, *table[part + 1 :])
    cls: type[Struct] = type(table)
    name = next(item.name for item in struct_type(cls).fields if item.encode_name == part)
    return structs.replace(table, **{name: _with(getattr(table, name), rest, value) if rest else value})


def _note_tables(found: Found, table: Struct, path: Path) -> None:
    """Enter a typed table and all inside it as built, as reading a file does."""
    for item in struct_type(type(table)).fields:
        value = getattr(table, item.name)
        if isinstance(value, Struct):
            _note_tables(found, value, (*path, item.encode_name))
        elif isinstance(value, tuple):
            for position, element in enumerate(value):
                if isinstance(element, Struct):
                    _note_tables(found, element, (*path, item.encode_name, position))
        elif isinstance(value, dict):
            for name, element in value.items():
                _note_tables(found, element, (*path, item.encode_name, name))
    found.built[path] = table


def value_text(flight: Flight, key: str) -> str:
    """The value of one key as a file has it ("1.72 kg"), "" where this flight leaves it out.

    Raises `BadFile` for an unknown key and for a section that the flight does not have.
    """
    path = _path(key)
    _place(flight, path, key)
    here: Any = flight
    for part in path:
        if isinstance(part, int):
            here = here[part]
        else:
            table: type[Struct] = type(here)
            fields = struct_type(table).fields
            here = getattr(here, next(item.name for item in fields if item.encode_name == part))
    known = find_key(key)
    if here is None or known is None:
        return ""
    if isinstance(here, float) and known.kind is not None:
        return shown(here, known.kind)
    match here:
        case bool():
            return str(here).lower()
        case float():
            return f"{here:g}"
        case datetime():
            return here.isoformat(timespec="seconds")
    return str(here)
