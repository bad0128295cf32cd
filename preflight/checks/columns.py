"""A run of samples field by field: each field's values as one list."""

from __future__ import annotations

import operator
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property

from preflight.config.flight import SampleField
from preflight.decode.samples import Sample, Value


class Column(list[Value]):
    """A field's values in the samples' order, not to be changed, and what is asked of them repeatedly."""

    @cached_property
    def extent(self) -> tuple[float, float] | None:
        """The lowest and highest of values that are all numbers; None where one is not, or there are none."""
        return (min(self), max(self)) if all_numbers(self) else None  # type: ignore[type-var, return-value]


Table = Mapping[str, Column]
"""The values of each declared field by its name, in the samples' order."""


def table_of(fields: Iterable[SampleField], samples: Sequence[Sample]) -> Table:
    """The samples' values by field; None where a sample has none."""
    rows = [sample.values for sample in samples]
    return {field.name: _column(field.name, rows) for field in fields}


def _column(name: str, rows: Sequence[Mapping[str, Value]]) -> Column:
    try:
        return Column(map(operator.itemgetter(name), rows))
    except KeyError:  # padding between packed fields has no value
        return Column(row.get(name) for row in rows)


def all_numbers(values: Sequence[Value]) -> bool:
    """Whether every value is a number, and there is one."""
    try:
        sum(values)  # type: ignore[arg-type]
    except TypeError:  # texts and None can't be added
        return False
    return bool(values)


def numbers_of(values: Sequence[Value]) -> Sequence[float]:
    """The numbers among values, in order."""
    if all_numbers(values):
        return values  # type: ignore[return-value]
    return [value for value in values if isinstance(value, float)]
