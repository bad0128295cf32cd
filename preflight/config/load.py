"""Flight files and checklists from paths or bytes; `BadFile` carries everything that is wrong with one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TypeVar

from msgspec import Struct

from preflight.config.checklist import Checklist
from preflight.config.checklist_rules import check_checklist
from preflight.config.collect import collect
from preflight.config.flight import Flight
from preflight.config.flight_rules import check_flight
from preflight.config.found import Enough, Found
from preflight.config.source import decode_text, parse_toml, read_bytes

S = TypeVar("S", bound=Struct)


def load_flight(path: Path | str) -> Flight:
    """The flight file at `path`. Raises `BadFile`."""
    return parse_flight(read_bytes(path), str(path))


def load_checklist(path: Path | str) -> Checklist:
    """The checklist at `path`. Raises `BadFile`."""
    return parse_checklist(read_bytes(path), str(path))


def parse_flight(data: bytes, where: str) -> Flight:
    """A flight file from its bytes; `where` names it in problems. Raises `BadFile`."""
    return _parse(Flight, check_flight, data, where)


def parse_checklist(data: bytes, where: str) -> Checklist:
    """A checklist from its bytes; `where` names it in problems. Raises `BadFile`."""
    return _parse(Checklist, check_checklist, data, where)


def recognise(raw: Mapping[str, object]) -> type[Flight] | type[Checklist] | None:
    """Which file these values are of, by their top tables; None where none of them is known."""
    shared = {cls: len(raw.keys() & set(cls.__struct_fields__)) for cls in (Flight, Checklist)}
    best = max(shared, key=lambda cls: shared[cls])
    return best if shared[best] else None


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
