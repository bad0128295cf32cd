"""From TOML values to typed tables: walks the types and the values together and notes every problem.

The typed files' own decoder stops at the first error and knows no lines, so the walk is ours; the types and
their bounds stay the single source.
"""

from __future__ import annotations

from typing import Any

import msgspec.inspect as mi
from msgspec import Struct

from preflight.config import scalars
from preflight.config.flight import Limit
from preflight.config.found import BAD, Found, instead, literal, members, struct_type, unwrap, what
from preflight.config.problems import Path, key_text
from preflight.config.quantities import KINDS


def collect(cls: type[Struct], found: Found) -> None:
    """Read the whole of `found.raw` as a `cls`."""
    _struct(found, struct_type(cls), found.raw, ())


def take(found: Found, kind: mi.Type, raw: object, path: Path) -> Any:
    """`raw` as a value of type `kind`, or `BAD` with the problem noted."""
    options = members(kind)
    tables = [option for option in options if isinstance(option, mi.StructType)]
    others = [option for option in options if not isinstance(option, mi.StructType)]
    chosen = tables[0] if tables and (isinstance(raw, dict) or not others) else others[0]
    inner, quantity, description = unwrap(chosen)
    if quantity is not None and isinstance(inner, mi.FloatType):
        return scalars.quantity(found, inner, quantity, raw, path)
    match inner:
        case mi.StructType():
            return _struct(found, inner, raw, path)
        case mi.VarTupleType() | mi.TupleType():
            return _array(found, inner, raw, path)
        case mi.DictType():
            return _dict(found, inner, raw, path)
        case mi.StrType():
            return scalars.text(found, inner, description, raw, path)
        case mi.IntType() | mi.FloatType():
            return scalars.number(found, inner, raw, path)
        case mi.BoolType():
            if isinstance(raw, bool):
                return raw
            found.add(path, f"is {what(raw)}", "write true or false, without quotes")
            return BAD
        case mi.LiteralType():
            return scalars.choice(found, inner, raw, path)
        case mi.DateTimeType():
            return scalars.moment(found, raw, path)
    raise AssertionError(f"no rule for {inner} at {path}")


def _struct(found: Found, info: mi.StructType, raw: object, path: Path) -> Any:
    if not isinstance(raw, dict):
        found.add(path, f"is {what(raw)}", f"write it as a table, [{key_text(path)}]")
        return BAD
    known = {item.encode_name: item for item in info.fields}
    good = True
    for key in raw:
        if key not in known:
            good = False
            found.add((*path, key), "unknown key" if path else "unknown section", instead(key, known))
    values = {}
    for key, item in known.items():
        if key in raw:
            if info.cls is Limit:
                value = scalars.limit(found, raw[key], (*path, key))
            else:
                value = take(found, item.type, raw[key], (*path, key))
            good = good and value is not BAD
            values[item.name] = value
        elif item.required:
            good = False
            found.add((*path, key), "is missing", _addition(item.type, (*path, key)))
    if not good:
        return BAD
    built = info.cls(**values)
    found.built[path] = built
    return built


def _addition(kind: mi.Type, path: Path) -> str:
    """What to write for a key that is missing."""
    inner, quantity, _ = unwrap(members(kind)[0])
    name = key_text(path[-1:])
    table = key_text(tuple(part for part in path if isinstance(part, str)))
    if quantity is not None:
        return f'add {name} = "{KINDS[quantity].example}" with your value'
    match inner:
        case mi.StructType():
            return f"add the section [{table}]"
        case mi.VarTupleType(item_type=item) if isinstance(unwrap(item)[0], mi.StructType):
            return f"add at least one [[{table}]]"
        case mi.VarTupleType():
            return f'add {name} = ["..."]'
        case mi.LiteralType(values=values):
            return f"add {name} = {' or '.join(literal(value) for value in values)}"
        case mi.DateTimeType():
            return f"add {name} = 2027-05-16T08:30:00Z with your value"
        case mi.StrType():
            return f'add {name} = "..."'
    return f"add {name} = a number"


def _array(found: Found, info: mi.VarTupleType | mi.TupleType, raw: object, path: Path) -> Any:
    if not isinstance(raw, list):
        item = info.item_type if isinstance(info, mi.VarTupleType) else info.item_types[0]
        table = isinstance(unwrap(item)[0], mi.StructType)
        remedy = f"write it as [[{key_text(path)}]]" if table else "write it as a list in [ ]"
        found.add(path, f"is {what(raw)}", remedy)
        return BAD
    if isinstance(info, mi.TupleType):
        types = list(info.item_types)
        if len(raw) != len(types):
            found.add(path, f"has {len(raw)} values", f"give exactly {len(types)}")
            return BAD
    else:
        types = [info.item_type] * len(raw)
        if info.min_length is not None and len(raw) < info.min_length:
            found.add(path, "is empty", "give at least one")
            return BAD
    values = [
        take(found, kind, value, (*path, position))
        for position, (kind, value) in enumerate(zip(types, raw, strict=True))
    ]
    return BAD if any(value is BAD for value in values) else tuple(values)


def _dict(found: Found, info: mi.DictType, raw: object, path: Path) -> Any:
    if not isinstance(raw, dict):
        found.add(path, f"is {what(raw)}", f"write it as a table, [{key_text(path)}]")
        return BAD
    values = {key: take(found, info.value_type, value, (*path, key)) for key, value in raw.items()}
    return BAD if any(value is BAD for value in values.values()) else values
