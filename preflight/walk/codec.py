"""Readings as the record keeps them (decimal strings), and back."""

from __future__ import annotations

from preflight.readings import Reading, decimal_text
from preflight.record.kinds import ReadingData


def _text(value: float | None) -> str | None:
    return None if value is None else decimal_text(float(value))


def _number(text: str | None) -> float | None:
    return None if text is None else float(text)


def to_data(reading: Reading) -> ReadingData:
    """The reading in the record's shape."""
    is_word = isinstance(reading.value, str)
    return ReadingData(
        name=reading.name,
        value=None if is_word else _text(reading.value),  # type: ignore[arg-type]
        word=reading.value if isinstance(reading.value, str) else None,
        unit=reading.unit,
        source=reading.source,
        low=_text(reading.low),
        high=_text(reading.high),
        at_least=_text(reading.at_least),
        at_most=_text(reading.at_most),
    )


def from_data(data: ReadingData) -> Reading:
    """The reading that `to_data` was given."""
    return Reading(
        name=data.name,
        value=data.word if data.word is not None else _number(data.value),
        unit=data.unit,
        source=data.source,
        low=_number(data.low),
        high=_number(data.high),
        at_least=_number(data.at_least),
        at_most=_number(data.at_most),
    )
