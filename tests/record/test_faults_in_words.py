"""A field that is not in its form is told in words: no regular expression reaches a reader."""

from __future__ import annotations

import json
from typing import Any, get_args, get_type_hints

import msgspec
import pytest
from record_making import Making, lines_of

from preflight.errors import RecordError
from preflight.record import entry as entries
from preflight.record import kinds
from preflight.record.entry import parse_line, shaped
from preflight.record.wording import fault_in_words


def patterns() -> dict[str, str]:
    """Every pattern that a field of an entry or its data is held to."""
    found = {}

    def look(hint: Any, where: str) -> None:
        for part in get_args(hint):
            look(part, where)
        for meta in getattr(hint, "__metadata__", ()):
            if isinstance(meta, msgspec.Meta) and meta.pattern is not None:
                found[meta.pattern] = where

    shapes = [*kinds.KINDS.values(), kinds.ReadingData, kinds.EvidenceData, kinds.Pointer, kinds.Previous]
    for shape in (*shapes, kinds.Bound, entries.Clk, entries._Wire):
        for name, hint in get_type_hints(shape, include_extras=True).items():
            look(hint, f"{shape.__name__}.{name}")
    return found


def test_every_pattern_has_words_of_its_own() -> None:
    said = set()
    for pattern, where in patterns().items():
        error = msgspec.ValidationError(f"Expected `str` matching regex {pattern!r} - at `$.entry.prev`")
        text = fault_in_words(error)
        assert text.startswith("entry.prev: "), where
        assert "is not in its form" not in text, (where, pattern)
        said.add(text)
    assert len(said) == len(patterns()) == 6


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("prev", "beef", "entry.prev: SHA-256 is written as 64 digits"),
        ("at", "2031-03-09 07:00", "entry.at: a time is written as 2031-03-09T07:00:00.000Z"),
        ("rec", "../up", "entry.rec: a record's id has letters, digits"),
        ("signer", "Ada", "entry.signer: a person's id has a-z"),
        ("seq", 0, "entry.seq: Expected int >= 1"),
        ("auth", "trusted", "entry.auth: Invalid enum value 'trusted'"),
        ("clk", {"source": "s", "uncertainty": "1e3", "boot": "b", "running": "1"}, "a number is written"),
        ("clk", {"source": "s", "uncertainty": None, "boot": "b", "running": "-1"}, "whole nanoseconds"),
    ],
)
def test_a_line_with_a_field_out_of_its_form_is_told_so(
    making: Making, key: str, value: object, told: str
) -> None:
    line = json.loads(lines_of(making.sealed())[1])
    line["entry"][key] = value
    with pytest.raises(RecordError) as fault:
        parse_line(json.dumps(line, separators=(",", ":")).encode() + b"\n")
    text = str(fault.value)
    assert text.startswith("is not an entry: ")
    assert told in text
    assert not any(sign in text for sign in ("^", "\\Z", "regex", "`", "$"))


def test_a_shape_that_a_writer_gets_wrong_is_told_in_words() -> None:
    with pytest.raises(RecordError, match=r"witness entry: values\[0\]: a number is written plainly"):
        shaped("witness", {"of": 2, "mode": "concurrent", "values": ["1,5"]})
    with pytest.raises(RecordError, match="hold entry: Object missing required field reason"):
        shaped("hold", {"claimed": None})
