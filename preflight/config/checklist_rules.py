"""What the steps of a checklist owe each other, checked on every table that is right by itself."""

from __future__ import annotations

from importlib.metadata import entry_points

from preflight.config.checklist import Measure, Phase, Step
from preflight.config.flight_rules import unique
from preflight.config.found import Found, instead, nearest
from preflight.config.keys import find_key, flight_keys, flight_sections
from preflight.config.problems import Path, quoted
from preflight.config.quantities import KINDS, BadQuantity, difference, kind_of_unit
from preflight.names import UNITS

CHECKS = (
    "card-format",
    "card-space",
    "card-write",
    "card-capacity",
    "logger-unpowered",
    "logger-response",
    "wiring",
    "sample-record",
    "test-log",
    "clock",
    "position",
    "beacon-heard",
    "link-margin",
    "battery-voltage",
    "battery-endurance",
    "flight-envelope",
    "airspace",
)
"""Names of the checks that come with this tool; installed ones join through `preflight.checks`."""

INSTRUMENT = "instrument"
"""The laptop's own role: it never signs what a person must sign."""


def check_checklist(found: Found) -> None:
    """Note everything in a checklist that is wrong between steps."""
    _ids(found)
    _gates(found)
    roles = _roles(found)
    earlier: set[str] = set()
    steps = _raw_steps(found)
    everything = {str(raw["id"]) for _, raw in steps if isinstance(raw.get("id"), str)}
    for path, raw in steps:
        step = found.get(Step, *path)
        if step is not None:
            _step(found, path, step, roles)
            _after(found, path, step, earlier, everything)
        earlier.add(str(raw.get("id")))


def known_checks() -> frozenset[str]:
    """Names of all checks on this machine; nothing is imported."""
    return frozenset(CHECKS) | {point.name for point in entry_points(group="preflight.checks")}


def _raw_steps(found: Found) -> list[tuple[Path, dict[str, object]]]:
    """Every step as the file has it, right or not, so that one bad step makes no second complaint."""
    out: list[tuple[Path, dict[str, object]]] = []
    phases = found.value("phase")
    for i, phase in enumerate(phases if isinstance(phases, list) else ()):
        steps = phase.get("step") if isinstance(phase, dict) else None
        for j, step in enumerate(steps if isinstance(steps, list) else ()):
            if isinstance(step, dict):
                out.append((("phase", i, "step", j), step))
    return out


def _ids(found: Found) -> None:
    phases = found.value("phase")
    places = [("phase", i) for i in range(len(phases))] if isinstance(phases, list) else []
    phase_ids = [((*path, "id"), found.value(*path, "id")) for path in places]
    unique(found, [(path, text) for path, text in phase_ids if isinstance(text, str)], "phase id")
    steps = [((*path, "id"), raw.get("id")) for path, raw in _raw_steps(found)]
    unique(found, [(path, text) for path, text in steps if isinstance(text, str)], "step id")


def _gates(found: Found) -> None:
    release: str | None = None
    for path, phase in found.all(Phase, "phase"):
        if phase.gate == "release":
            release = release or phase.id
        elif phase.gate == "fill" and release is not None:
            message = f'gate "fill" comes after phase "{release}" of gate "release"'
            found.add((*path, "gate"), message, "put the phases in order: fill, then release")


def _roles(found: Found) -> frozenset[str] | None:
    """The roles that may be named; None where the stations themselves are wrong."""
    stations, others = _words(found, "stations"), _words(found, "roles")
    if not stations:
        return None
    for key, names in (("stations", stations), ("roles", others)):
        unique(found, [(("checklist", key, i), name) for i, name in enumerate(names)], "role")
        if INSTRUMENT in names:
            place = ("checklist", key, names.index(INSTRUMENT))
            found.add(place, '"instrument" is the laptop\'s own role', "use another word")
    roles = frozenset((*stations, *others))
    for key in ("release_by", "seal_by"):
        _known_roles(found, ("checklist", key), _words(found, key), roles)
    return roles


def _words(found: Found, key: str) -> tuple[str, ...]:
    """A list of the head as the file has it, so that one bad key there does not leave roles unjudged."""
    words = found.value("checklist", key)
    return tuple(str(word) for word in words) if isinstance(words, list) else ()


def _known_roles(found: Found, path: Path, names: tuple[str, ...], roles: frozenset[str]) -> None:
    for i, name in enumerate(names):
        if name not in roles:
            near = nearest(name, roles)
            hint = f'did you mean "{near}"? ' if near else ""
            remedy = f"{hint}declare it in stations, or in roles if it isn't polled"
            found.add((*path, i), f"no station or role is called {quoted(name)}", remedy)
    unique(found, [((*path, i), name) for i, name in enumerate(names)], "role")


def _step(found: Found, path: Path, step: Step, roles: frozenset[str] | None) -> None:
    ways = [key for key in ("check", "measure", "defer") if getattr(step, key) is not None]
    if len(ways) > 1:
        found.add((*path, ways[1]), f"the step has {' and '.join(ways)}", "keep one, or make two steps")
    if step.check is not None and step.check not in CHECKS:
        known = known_checks()
        if step.check not in known:
            found.add(
                (*path, "check"), f"no check is called {quoted(step.check)}", instead(step.check, known)
            )
    if step.measure is not None:
        _measure(found, (*path, "measure"), step.measure)
    if step.say and step.kind != "confirm":
        message = f"a step with {step.kind} records what it finds by itself"
        found.add((*path, "say"), message, "remove say, or let a person confirm")
    if step.witness_by and not step.witness:
        found.add((*path, "witness_by"), "the step asks for no witness", "add witness = true")
    if roles is not None:
        for key in ("signed_by", "witness_by", "waive_by"):
            _known_roles(found, (*path, key), getattr(step, key), roles)
    keys, sections = flight_keys(), flight_sections()
    for i, name in enumerate(step.reads):
        known_name = find_key(name) is not None or name in UNITS or name == "power"
        # Ports are told apart by use, not by key, so a change of one alone can't be seen.
        if not known_name and (name not in sections or name.startswith("port.")):
            known_names = {*keys, *UNITS, "power"}
            remedy = _near_or(name, known_names, 'name a flight-file key, a reading or "power"')
            found.add((*path, "reads", i), f"nothing is called {quoted(name)}", remedy)
    for key in ("needs", "without"):
        for i, name in enumerate(getattr(step, key)):
            if name not in sections and name not in keys:
                message = f"no section is called {quoted(name)}"
                found.add((*path, key, i), message, instead(name, sections))
    for name, word in step.applies_if.items():
        _condition(found, (*path, "applies_if", name), name, word)


def _condition(found: Found, path: Path, name: str, word: str) -> None:
    choices = {key: value.choices for key, value in flight_keys().items() if value.type == "choice"}
    if name not in choices:
        found.add(path, f"no choice in the flight file is called {quoted(name)}", instead(name, choices))
    elif word not in choices[name]:
        found.add(path, f"{name} is never {quoted(word)}", instead(word, choices[name]))


def _near_or(name: str, known: set[str], remedy: str) -> str:
    near = nearest(name, known)
    return f'did you mean "{near}"?' if near else remedy


def _after(found: Found, path: Path, step: Step, earlier: set[str], everything: set[str]) -> None:
    for i, name in enumerate(step.after):
        place = (*path, "after", i)
        if name == step.id:
            found.add(place, "a step can't come after itself", "remove it")
        elif name not in everything:
            near = _near_or(name, everything, "name the id of an earlier step")
            found.add(place, f"no step is called {quoted(name)}", near)
        elif name not in earlier:
            found.add(place, f"{quoted(name)} comes later in the checklist", "move one of the two steps")


def _measure(found: Found, path: Path, measure: Measure) -> None:
    kind = kind_of_unit(measure.unit)
    if kind is None and measure.unit:
        units = sorted({unit for known in KINDS.values() for unit in known.units})
        found.add((*path, "unit"), f"unknown unit {quoted(measure.unit)}", instead(measure.unit, units))
        return
    if measure.sets is not None:
        key = find_key(measure.sets)
        if key is None:
            found.add(
                (*path, "sets"), "the flight file has no such key", instead(measure.sets, flight_keys())
            )
        elif key.type not in ("quantity", "number"):
            found.add((*path, "sets"), f"{measure.sets} is no quantity", "name a key that holds one")
        elif key.kind != kind:
            wanted = f"a unit of {key.kind}" if key.kind else "no unit"
            found.add((*path, "unit"), f"{measure.sets} has {wanted}", "use a unit of the same kind")
    if measure.spread is not None:
        try:
            if difference(measure.spread, measure.unit) <= 0:
                found.add((*path, "spread"), "is not above zero", "give how far readings may lie apart")
        except BadQuantity as bad:
            found.add((*path, "spread"), bad.message, bad.remedy)
        if measure.repeat == 1:
            found.add((*path, "spread"), "one reading has no spread", "add repeat = 3, or leave spread out")
    if measure.at_least is not None and measure.at_most is not None and measure.at_least > measure.at_most:
        found.add((*path, "at_least"), "is above at_most", "swap or correct them")
