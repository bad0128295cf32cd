"""The JSON Schemas: good files are valid by them, bad ones are not, and they name what the types name."""

import datetime
import json
import re
import tomllib
from typing import Any

import msgspec
import pytest

from preflight.config.airspace import RuleSet
from preflight.config.checklist_file import ChecklistFile
from preflight.config.flight import Flight
from preflight.config.quantities import KINDS
from preflight.config.schema import json_schema
from preflight.names import UNITS

JSON_TYPES = {
    "object": dict, "array": list, "string": str, "boolean": bool, "integer": int, "number": (int, float),
}  # fmt: skip


def errors(schema: dict[str, Any], value: Any, root: dict[str, Any], path: str = "") -> list[str]:
    """What makes `value` invalid, by the few keywords that the schemas use."""
    out: list[str] = []
    if "$ref" in schema:
        name = schema["$ref"].removeprefix("#/$defs/")
        out += errors(root["$defs"][name], value, root, path)
    if "anyOf" in schema and all(errors(option, value, root, path) for option in schema["anyOf"]):
        out.append(f"{path}: none of anyOf")
    if "enum" in schema and value not in schema["enum"]:
        out.append(f"{path}: not in enum")
    if "type" in schema:
        names = [schema["type"]] if isinstance(schema["type"], str) else schema["type"]
        types = tuple(
            t for name in names for t in (JSON_TYPES[name] if name == "number" else (JSON_TYPES[name],))
        )
        if not isinstance(value, types) or (isinstance(value, bool) and "boolean" not in names):
            return [*out, f"{path}: not {names}"]
    if isinstance(value, str):
        if "pattern" in schema and not re.search(schema["pattern"], value):
            out.append(f"{path}: pattern")
        if not schema.get("minLength", 0) <= len(value) <= schema.get("maxLength", 1 << 20):
            out.append(f"{path}: length")
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        if not schema.get("minimum", value) <= value <= schema.get("maximum", value):
            out.append(f"{path}: range")
        if "exclusiveMinimum" in schema and value <= schema["exclusiveMinimum"]:
            out.append(f"{path}: range")
    if isinstance(value, list):
        if len(value) < schema.get("minItems", 0):
            out.append(f"{path}: items")
        for i, item in enumerate(value):
            out += errors(schema.get("items") or {}, item, root, f"{path}[{i}]")
    if isinstance(value, dict):
        known = schema.get("properties", {})
        out += [f"{path}.{name}: missing" for name in schema.get("required", ()) if name not in value]
        for name, item in value.items():
            if "propertyNames" in schema and errors(schema["propertyNames"], name, root):
                out.append(f"{path}.{name}: name")
            inner = known.get(name, schema.get("additionalProperties", {}))
            if inner is False:
                out.append(f"{path}.{name}: unknown")
            elif isinstance(inner, dict):
                out += errors(inner, item, root, f"{path}.{name}")
    return out


def as_json(text: str) -> Any:
    def dates(value: object) -> str:
        assert isinstance(value, datetime.datetime)
        return value.isoformat()

    return json.loads(json.dumps(tomllib.loads(text), default=dates))


def test_the_shipped_files_are_valid(flight_text: str, checklist_text: str) -> None:
    for kind, text in (("flight", flight_text), ("checklist", checklist_text)):
        schema = json_schema(kind)  # type: ignore[arg-type]
        assert errors(schema, as_json(text), schema) == []


@pytest.mark.parametrize(
    ("old", "new", "path"),
    [
        ('mass = "750 g"', 'mass = "750"', ".balloon.mass: pattern"),
        ('mass = "750 g"', 'mass = "750 m"', ".balloon.mass: pattern"),
        ('mass = "750 g"', 'mass = "1,5 kg"', ".balloon.mass: pattern"),
        ('mass = "750 g"', "mass = 750", ".balloon.mass: not ['string']"),
        ('mass = "750 g"', 'mas = "750 g"', ".balloon.mas: unknown"),
        ('gas = "helium"', 'gas = "neon"', ".balloon.gas: not in enum"),
        ("baud = 38400", "baud = 1", ".link.baud: range"),
        ('"link.margin" =', '"link.margn" =', ".limits.link.margn: name"),
    ],
)
def test_mistakes_are_invalid(flight_text: str, old: str, new: str, path: str) -> None:
    schema = json_schema("flight")
    assert path in errors(schema, as_json(flight_text.replace(old, new, 1)), schema)


@pytest.mark.parametrize(
    ("kind", "cls"), [("flight", Flight), ("checklist", ChecklistFile), ("airspace", RuleSet)]
)
def test_the_schema_is_in_step_with_the_types(kind: Any, cls: type[msgspec.Struct]) -> None:
    schema = json_schema(kind)
    text = json.dumps(schema)
    assert "null" not in text
    assert "x-kind" not in text

    def structs(of: Any, found: dict[str, Any]) -> dict[str, Any]:
        if isinstance(of, msgspec.inspect.StructType):
            if of.cls.__name__ in found:
                return found
            found[of.cls.__name__] = of
            for item in of.fields:
                structs(item.type, found)
        for inner in ("type", "item_type", "value_type"):
            if hasattr(of, inner) and not isinstance(of, msgspec.inspect.StructType):
                structs(getattr(of, inner), found)
        for option in getattr(of, "types", ()):
            structs(option, found)
        return found

    known = structs(msgspec.inspect.type_info(cls), {})
    assert schema["$defs"].keys() == known.keys()
    for name, struct in known.items():
        definition = schema["$defs"][name]
        assert definition["properties"].keys() == {item.encode_name for item in struct.fields}
        assert set(definition.get("required", ())) == {
            item.encode_name for item in struct.fields if item.required
        }
        assert definition["additionalProperties"] is False


def test_quantities_are_text_with_their_bounds_in_words() -> None:
    definitions = json_schema("flight")["$defs"]
    qnh = definitions["Site"]["properties"]["qnh"]
    assert qnh["type"] == "string"
    assert qnh["description"].endswith("at least 850 hPa, at most 1100 hPa")
    assert "minimum" not in qnh
    assert definitions["Link"]["properties"]["buffer"]["default"] == "512 B"
    assert definitions["FlightInfo"]["properties"]["release"]["format"] == "date-time"
    names = definitions["Flight"]["properties"]["limits"]["propertyNames"]["enum"]
    assert set(names) < set(UNITS)


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.name)
def test_every_unit_of_a_kind_matches_its_pattern(kind: Any) -> None:
    from preflight.config.schema import _quantity

    pattern = _quantity({"x-kind": kind.name, "description": "", "examples": []})["pattern"]
    for unit in kind.units:
        assert re.search(pattern, f"1.5 {unit}")
        assert not re.search(pattern, f"1.5 {unit}x")
