"""What samples say of the positioning receiver: whether it has a fix, which kind, and its dynamic model."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from preflight.clean import clean
from preflight.config.flight import SampleField
from preflight.decode.samples import Sample, Value

LEAST_FOR_FIX = 4
"""Satellites that a position in three dimensions takes: one for each coordinate, one for the time."""

# Quality in a GGA sentence (NMEA 0183, from memory); 6 to 8 are no positions that were measured.
QUALITIES: dict[int, str] = {
    0: "none",
    1: "satellites",
    2: "differential",
    3: "precise",
    4: "fixed ambiguities",
    5: "floating ambiguities",
    6: "estimated",
    7: "typed in",
    8: "simulated",
}
UNMEASURED = frozenset(("estimated", "typed in", "simulated"))
# Mode in a GSA sentence (NMEA 0183, from memory).
MODES: dict[int, str] = {1: "none", 2: "2-D", 3: "3-D"}
_NONE = frozenset(("", "0", "none", "no", "nofix", "no fix", "false", "v", "invalid"))

# Highest altitude in km of each dynamic model: a receiver maker's user guide, table of platform models.
CEILINGS: dict[str, float] = {
    "portable": 12.0,
    "stationary": 9.0,
    "pedestrian": 9.0,
    "automotive": 6.0,
    "sea": 0.5,
    "airborne": 50.0,
}
# The numbers that these models have in the same receivers; from memory.
MODEL_NUMBERS: dict[int, str] = {
    0: "portable",
    2: "stationary",
    3: "pedestrian",
    4: "automotive",
    5: "sea",
    6: "airborne",
    7: "airborne",
    8: "airborne",
}


def field_with(fields: Sequence[SampleField], role: str) -> SampleField | None:
    """The field with a role."""
    return next((field for field in fields if field.role == role), None)


def values_of(fields: Sequence[SampleField], samples: Sequence[Sample], role: str) -> list[Value]:
    """The values of the field with a role in each sample; empty where no field has it."""
    field = field_with(fields, role)
    return [] if field is None else [sample.values.get(field.name) for sample in samples]


def fix_word(field: SampleField, value: Value) -> str | None:
    """The kind of fix that one value tells, None for a value that says nothing."""
    if value is None:
        return None
    if isinstance(value, float):
        modes = "mode" in (field.key or field.name).casefold()
        return (MODES if modes else QUALITIES).get(int(value), f"{value:g}")
    text = value.strip().casefold()
    return "none" if text in _NONE else clean(value.strip(), limit=40)


def fix_missing(fields: Sequence[SampleField], samples: Sequence[Sample]) -> str | None:
    """How the latest samples show that there is no fix, in a sentence's beginning; None where they don't."""
    if not samples:
        return None
    latest = samples[-1:]
    fix = field_with(fields, "fix")
    if fix is not None and fix_word(fix, values_of(fields, latest, "fix")[0]) == "none":
        return f"{clean(fix.name, limit=80)} says that the receiver has no fix"
    if any(fault.startswith("no fix") for fault in latest[0].faults):
        return "its sentences say that the receiver has no fix"
    satellites = values_of(fields, latest, "satellites")
    if satellites and isinstance(satellites[0], float) and satellites[0] < LEAST_FOR_FIX:
        return f"the receiver uses {satellites[0]:.0f} satellites, and a fix takes {LEAST_FOR_FIX}"
    for role in ("latitude", "longitude"):
        field = field_with(fields, role)
        if field is not None and not isinstance(values_of(fields, latest, role)[0], float):
            return f"{clean(field.name, limit=80)} has no number: the receiver has no fix"
    return None


def usual_fix(fields: Sequence[SampleField], samples: Sequence[Sample]) -> str | None:
    """The worst kind of fix among the samples if it came up in a tenth of them, else the most common."""
    field = field_with(fields, "fix")
    if field is None:
        return None
    words = Counter(word for value in values_of(fields, samples, "fix") if (word := fix_word(field, value)))
    if not words:
        return None
    for bad in ("none", *sorted(UNMEASURED)):
        if words[bad] >= max(1, 0.1 * words.total()):
            return bad
    return words.most_common(1)[0][0]


def model_told(fields: Sequence[SampleField], samples: Sequence[Sample]) -> tuple[str, float | None] | None:
    """The dynamic model that the samples tell and its ceiling in km (None if unknown); None if untold."""
    values = [value for value in values_of(fields, samples, "model") if value is not None]
    if not values:
        return None
    latest = values[-1]
    if isinstance(latest, float):
        word = MODEL_NUMBERS.get(int(latest), "")
        return (word, CEILINGS[word]) if word else (f"{latest:g}", None)
    text = latest.casefold()
    word = next((name for name in CEILINGS if name in text), "")
    return clean(latest, limit=40), CEILINGS.get(word)
