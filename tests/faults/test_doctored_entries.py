"""Entries changed by their own signers: whatever they hold is judged, and never tripped on."""

from __future__ import annotations

import copy
import random
import shutil
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from fault_walk import LONG
from record_making import lines_of, put

from preflight.errors import RecordError
from preflight.record import sshsig
from preflight.record.entry import canonical, line_of
from preflight.walk.proof import prove

FEW = 120
Where = tuple[str | int, ...]
INSTEAD = (
    None,
    "",
    "0",
    "-1",
    "1.61",
    "9" * 300,
    "0." + "0" * 290 + "1",
    "go",
    "no-go",
    "open",
    "battery",
    "neck-lift",
    "release",
    "ines",
    "laptop",
    "balloon.neck_lift",
    "balloon.neck_lift = 3",
    "9999-12-31T23:59:59.999Z",
    "0001-01-01T00:00:00.000Z",
    0,
    1,
    99,
    2**53 - 1,
    True,
    [],
    ["1.6"],
    {},
)
"""Numbers, words, times and names out of every bound, put in place of every value."""
JUDGED = ("values", "reading", "sets", "set_to", "verdicts", "with_go", "verdict", "of", "sealers")
"""What of an entry's data follows from something else: no other value of it is sound."""
WORSE = ("no-go", "open")
"""What an instrument or a person may always find; only a measurement is what its numbers say."""


def places(value: Any, at: Where) -> Iterator[Where]:
    """Where the values in an entry stand, lists as a whole as well."""
    if isinstance(value, dict):
        for key, part in value.items():
            yield from places(part, (*at, key))
        return
    yield at
    if isinstance(value, list):
        for index, part in enumerate(value):
            yield from places(part, (*at, index))


def doctored(entry: dict[str, Any]) -> Iterator[tuple[Where, bytes]]:
    """The entry with one value after the other exchanged, in canonical form."""
    others: list[Where] = [("at",), ("kind",), ("signer",), ("auth",), ("meaning",), ("clk", "running")]
    for at in [*places(entry["data"], ("data",)), *others]:
        for instead in INSTEAD:
            made = copy.deepcopy(entry)
            holder = made
            for key in at[:-1]:
                holder = holder[key]
            if holder[at[-1]] != instead:
                holder[at[-1]] = instead
                yield at, canonical(made)


def _follows(body: bytes, key: str) -> bool:
    entry = msgspec.json.decode(body)
    if key == "outcome":
        return entry["kind"] == "measure" or entry["data"]["outcome"] not in WORSE
    return key in JUDGED and (entry["kind"], key) != ("witness", "values")  # a witness may have read none


def test_whatever_a_signer_puts_into_an_entry_is_judged(walked, place, ran):
    lines = lines_of(walked)
    shutil.rmtree(walked / "seals")
    every = [
        (number, at, body)
        for number, line in enumerate(lines)
        for at, body in doctored(msgspec.json.decode(line)["entry"])
    ]
    chosen = every if LONG else random.Random(5).sample(every, FEW)
    bad = 0
    through = []
    for number, at, body in chosen:
        signer = msgspec.json.decode(lines[number])["entry"]["signer"]
        key = place.ring.instrument() if signer == "laptop" else place.ring.signer(signer)
        put(walked, [*lines[:number], line_of(body, key.sign(sshsig.ENTRY, body))])
        found = prove(walked).found
        what = f"{at} of line {number + 1}: {body!r}"
        assert found.state in ("bad", "unsealed"), what
        assert found.first_bad in (None, number + 1), what
        bad += found.state == "bad"
        if found.state != "bad" and at[0] == "data" and _follows(body, str(at[1])):
            through.append(what)
    ran(f"values of entries exchanged by their own signers: {len(chosen)} tried, {bad} bad, none tripped on")
    assert bad > len(chosen) / 2
    assert through == []


def test_an_entry_that_cannot_be_written_is_none(walked, place):
    """The reader's shapes are the writer's: what was made above could not have come from this tool."""
    entry = msgspec.json.decode(lines_of(walked)[1])["entry"]
    with pytest.raises(RecordError):
        canonical(entry | {"data": {"response": 1.5}})
