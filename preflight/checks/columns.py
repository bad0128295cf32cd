"""A run of samples field by field: each field's values as one list."""

from __future__ import annotations

import operator
from collections.abc import Iterable, Mapping, Sequence

from preflight.config.flight import SampleField
from preflight.decode.samples import Sample, Value

Table = Mapping[str, Sequence[Value]]
"""The values of each declared field by its name, in the samples' order."""


def table_of(fields: Iterable[SampleField], samples: Sequence[Sample]) -> Table:
    """The samples' values by field; None where a sample has none."""
    rows = [sample.values for sample in samples]
    return {field.name: _column(field.name, rows) for field in fields}


def _column(name: str, rows: Sequence[Mapping[str, Value]]) -> Sequence[Value]:
    try:
        return list(map(operator.itemgetter(name), rows))
    except KeyError:  # padding between packed fields has no value
        return [row.get(name) for row in rows]


def all_numbers(values: Sequence[Value]) -> bool:
    """Whether every value is a number."""
    return set(map(type, values)) == {float}


def numbers_of(values: Sequence[Value]) -> Sequence[float]:
    """The numbers among values, in order."""
    if all_numbers(values):
        return values  # type: ignore[return-value]
    return [value for value in values if isinstance(value, float)]
