"""Flight files, checklists and airspace rule sets from paths or bytes.

`BadFile` carries everything that is wrong with one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

import tomli_w
from msgspec import Struct

from preflight.config import compose
from preflight.config.airspace import RuleSet
from preflight.config.airspace_rules import check_airspace
from preflight.config.checklist import Checklist
from preflight.config.collect import collect
from preflight.config.flight import Flight
from preflight.config.flight_rules import check_flight
from preflight.config.found import Enough, Found
from preflight.config.shipped import shipped_file
from preflight.config.source import decode_text, parse_toml, read_bytes

S = TypeVar("S", bound=Struct)

FileType = type[Flight] | type[Checklist] | type[RuleSet]

AIRSPACE = "airspace"
"""The folder of the shipped rule sets, among the shipped files."""


def load_flight(path: Path | str) -> Flight:
    """The flight file at `path`. Raises `BadFile`."""
    return parse_flight(read_bytes(path), str(path))


def load_checklist(path: Path | str) -> Checklist:
    """The checklist at `path`, with all that it extends and inserts. Raises `BadFile`."""
    return compose.typed(compose.compose(Path(path)).found())


def load_airspace(path: Path | str) -> RuleSet:
    """The airspace rule set at `path`. Raises `BadFile`."""
    return parse_airspace(read_bytes(path), str(path))


def parse_flight(data: bytes, where: str) -> Flight:
    """A flight file from its bytes; `where` names it in problems. Raises `BadFile`."""
    return _parse(Flight, check_flight, data, where)


def parse_checklist(data: bytes, where: str) -> Checklist:
    """A whole checklist from its bytes; `where` names it in problems. Raises `BadFile`.

    One that extends or inserts others can't be read without their folder: see `flattened_checklist`.
    """
    text = decode_text(data, where)
    found = Found(parse_toml(text, where), where, text)
    if compose.is_composed(found.raw):
        found.add(("checklist",), "extends or takes in other files", "put it together with them first")
        found.finish(Checklist)
    return compose.typed(found)


def parse_airspace(data: bytes, where: str) -> RuleSet:
    """An airspace rule set from its bytes; `where` names it in problems. Raises `BadFile`."""
    return _parse(RuleSet, check_airspace, data, where)


def flattened_checklist(path: Path | str) -> bytes:
    """The checklist at `path` as one plain file, which `parse_checklist` reads. Raises `BadFile`.

    A file that takes in no other comes back byte for byte.
    """
    path = Path(path)
    data = read_bytes(path)
    where = str(path)
    raw = parse_toml(decode_text(data, where), where)
    if recognise(raw) is not Checklist or not compose.is_composed(raw):
        return data
    whole = compose.compose(path)
    return (whole.header() + tomli_w.dumps(whole.found().raw)).encode()


def find_airspace(name: str, folder: Path) -> Path:
    """Where a rule set of that name is: in `folder`, else among the shipped ones (whether there or not)."""
    own = folder / name
    return own if own.exists() else shipped_file(AIRSPACE) / name


def recognise(raw: Mapping[str, object]) -> FileType | None:
    """Which file these values are of, by their top tables; None where none of them is known."""
    keys: dict[FileType, set[str]] = {
        Flight: set(Flight.__struct_fields__),
        Checklist: {*Checklist.__struct_fields__, "insert", "override"},
        RuleSet: set(RuleSet.__struct_fields__),
    }
    best = max(keys, key=lambda cls: len(raw.keys() & keys[cls]))
    return best if raw.keys() & keys[best] else None


def _parse(cls: type[S], rules: Callable[[Found], None], data: bytes, where: str) -> S:
    text = decode_text(data, where)
    return typed(cls, rules, Found(parse_toml(text, where), where, text))


def typed(cls: type[S], rules: Callable[[Found], None], found: Found) -> S:
    """The whole of `found` as a `cls`, its own rules and those between keys applied. Raises `BadFile`."""
    try:
        collect(cls, found)
        rules(found)
    except Enough:
        found.close_off()
    return found.finish(cls)
