"""JSON Schemas of the files, for editors: from the same types that load them."""

from __future__ import annotations

from typing import Any, Literal

import msgspec

from preflight.config.airspace import RuleSet
from preflight.config.checklist_file import ChecklistFile
from preflight.config.flight import Flight
from preflight.config.flight_rules import WORDS
from preflight.config.quantities import KINDS, NUMBER, shown
from preflight.names import UNITS

FileKind = Literal["flight", "checklist", "airspace"]

_BOUNDS = {
    "minimum": "at least",
    "exclusiveMinimum": "above",
    "maximum": "at most",
    "exclusiveMaximum": "below",
}


def json_schema(file: FileKind) -> dict[str, Any]:
    """The JSON Schema (2020-12) of one of the files, its TOML values seen as JSON."""
    types = {"flight": Flight, "checklist": ChecklistFile, "airspace": RuleSet}
    schema: dict[str, Any] = _as_file(msgspec.json.schema(types[file]))
    if file == "flight":
        _limits(schema["$defs"])
    title = {"flight": "Flight file", "checklist": "Checklist", "airspace": "Airspace rules"}[file]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": title, **schema}


def _as_file(node: Any) -> Any:
    """The schema of a value as the file has it: quantities are text, and nothing is null."""
    if isinstance(node, list):
        return [_as_file(part) for part in node]
    if not isinstance(node, dict):
        return node
    node = {key: value for key, value in node.items() if not (key == "default" and value is None)}
    if "anyOf" in node:
        options = [option for option in node.pop("anyOf") if option != {"type": "null"}]
        node = {**options[0], **node} if len(options) == 1 else {**node, "anyOf": options}
    if "x-kind" in node:
        return _quantity(node)
    return {key: _as_file(value) for key, value in node.items()}


def _quantity(node: dict[str, Any]) -> dict[str, Any]:
    kind = KINDS[node["x-kind"]]
    units = "|".join(unit.replace("^", r"\^").replace("*", r"\*") for unit in kind.units)
    bounds = [f"{words} {shown(node[key], kind.name)}" for key, words in _BOUNDS.items() if key in node]
    told = {
        "description": ", ".join([node["description"], *bounds]),
        "type": "string",
        "pattern": rf"^\s*{NUMBER}[ \t]*({units})\s*$",
        "examples": node["examples"],
    }
    if "default" in node:
        told["default"] = shown(node["default"], kind.name)
    return told


def _limits(definitions: dict[str, Any]) -> None:
    for key in ("at_least", "at_most"):
        definitions["Limit"]["properties"][key] = {
            "description": "a number in the figure's own unit, or a quantity",
            "type": ["number", "string"],
        }
    definitions["Limit"]["minProperties"] = 1
    names = sorted(set(UNITS) - WORDS)
    definitions["Flight"]["properties"]["limits"]["propertyNames"] = {"enum": names}
