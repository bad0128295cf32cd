"""What an entry claims, held against the numbers that it holds and the limits that its files give.

A limit that comes from figures is worked out again. Figures may change from one version of the tool to the
next, so a limit that differs is a fault only where the same version made the entry, and else a remark.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from preflight.clean import clean
from preflight.config.checklist import Step
from preflight.names import UNITS
from preflight.readings import Reading, decimal_text
from preflight.record import kinds
from preflight.walk import codec
from preflight.walk.ledger import Ledger
from preflight.walk.limits import Limits, limits_for
from preflight.walk.measuring import measured, paper_reading, reads_of, weighed
from preflight.walk.opening import TOOL

SAME = 1e-6
"""Share within which a limit is the same: the last digits of a figure differ from one machine to another."""


def miscounted(ledger: Ledger, data: Any) -> str | None:
    """What an entry claims that does not follow from its own numbers and limits; None if all does."""
    if not isinstance(data, (kinds.MeasureData, kinds.PaperData)):
        return None
    step = ledger.book.steps[data.step]
    if step.measure is None:
        return None
    if isinstance(data, kinds.MeasureData):
        given = codec.from_data(data.reading)
        follows = measured(step, [float(value) for value in data.values], _limits(given)) == data
    else:
        given = codec.from_data(data.readings[0])
        weighs = paper_reading(step, given, _limits(given))
        follows = weighs == given and weighed(step, given)[0] == data.outcome and data.reads == reads_of(step)
    if not follows:
        return f"the measurement of {data.step} does not follow from its values"
    if _tool(ledger) == TOOL and (wrong := _other_limits(ledger, step, given)):
        return f"the limits of {data.step} are not those in force: {wrong}"
    return None


def remarks_on(ledger: Ledger, data: Any) -> Iterator[str]:
    """What an auditor should know of the limits in an entry that is allowed to stand."""
    if isinstance(data, (kinds.MeasureData, kinds.PaperData)):
        step = ledger.book.steps[data.step]
        readings = data.readings if isinstance(data, kinds.PaperData) else (data.reading,)
        if step.measure is None or _tool(ledger) == TOOL:
            return
        for reading in map(codec.from_data, readings):
            if wrong := _other_limits(ledger, step, reading):
                made_by = clean(_tool(ledger), limit=60)
                yield (
                    f"limits of {data.step} taken from the entry, computed by {made_by}; "
                    f"{TOOL} has others ({wrong})"
                )
    elif isinstance(data, kinds.CheckData):
        for reading in map(codec.from_data, data.readings):
            yield from _beyond_the_file(ledger, data, reading)
            unit = UNITS.get(reading.name, reading.unit)
            if reading.unit != unit:
                given = clean(reading.unit, limit=40)
                yield f'{reading.name} of {data.step} is in "{given}", which is always in "{unit}"'


def _tool(ledger: Ledger) -> str:
    """The version that made the entries since the record was last opened or taken up."""
    return next(str(act.data.tool) for act in reversed(ledger.acts) if act.entry.kind in ("open", "resume"))


def _limits(reading: Reading) -> Limits:
    return reading.at_least, reading.at_most


def _other_limits(ledger: Ledger, step: Step, given: Reading) -> str:
    """In words where the limits in force are others than those given, "" where they are the same."""
    known = limits_for(ledger, step)
    if all(_same(one, other) for one, other in zip(known, _limits(given), strict=True)):
        return ""
    return f"{_told(_limits(given))} in the entry, {_told(known)} worked out again"


def _same(one: float | None, other: float | None) -> bool:
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=SAME, abs_tol=1e-12)


def _told(limits: Limits) -> str:
    sides = zip(("at least", "at most"), limits, strict=True)
    return ", ".join(f"{side} {limit:.4g}" for side, limit in sides if limit is not None) or "none"


def _beyond_the_file(ledger: Ledger, data: kinds.CheckData, reading: Reading) -> Iterator[str]:
    """A check's limits are the check's own; where the flight file gives one too, they should agree."""
    own = ledger.values.flight.limits.get(reading.name)
    if own is None:
        return
    for side, limit, given in (
        ("at least", own.at_least, reading.at_least),
        ("at most", own.at_most, reading.at_most),
    ):
        if limit is None or (given is not None and _same(limit, given)):
            continue
        crossed = isinstance(reading.value, (int, float)) and (
            reading.value < limit if side == "at least" else reading.value > limit
        )
        if given is not None or (crossed and data.outcome == "go"):
            had = "no such limit" if given is None else f"{side} {decimal_text(given)}"
            name = clean(reading.name, limit=60)
            yield f"{name} of {data.step} has {had}, the flight file {side} {decimal_text(limit)}"
