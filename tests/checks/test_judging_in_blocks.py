"""Mutated logs, decoded in blocks and judged by column, give what line by line and value by value give."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from serial_ends import PAYLOAD_SITE, make_flight

from preflight.checks.columns import Column
from preflight.checks.judging import judge_samples
from preflight.config.flight import SampleField
from preflight.decode import decoder_for, samples

FIELDS = (
    SampleField(name="counter", role="counter", at_least=0),
    SampleField(name="time", role="time"),
    SampleField(name="latitude", unit="deg", role="latitude", at_least=-90, at_most=90),
    SampleField(name="altitude", unit="m", role="altitude", at_most=50000),
    SampleField(name="pressure", unit="hPa", role="pressure", at_least=1, at_most=1100, scale=0.1, offset=2),
    SampleField(name="temperature", unit="degC", role="temperature"),
    SampleField(name="mode"),
)
ODD = (
    *(
        "",
        " ",
        "0",
        "-0",
        "999.9",
        "65535",
        "85",
        "-127",
        "1e3",
        "9" * 400,
        "1e13",
        "nan",
        "-inf",
        "x",
        '"q"',
    ),
    *("12:00:00", "25:00:00", "1,2", "a b", "é", "\x1b[31m", "7" * 101, "w" * 101),
)
ENDS = ("\r\n", "\n", "\r", "\n\n", ",\r\n", "")

PLACE = st.floats(0, 1, exclude_max=True)
MUTATION = st.one_of(
    st.tuples(st.just("field"), PLACE, st.integers(0, len(FIELDS) - 1), st.sampled_from(ODD)),
    st.tuples(st.just("column"), st.just(0.0), st.integers(0, len(FIELDS) - 1), st.sampled_from(ODD)),
    st.tuples(st.just("columns"), PLACE, st.integers(0, len(FIELDS) + 2), st.just("")),
    st.tuples(st.just("end"), PLACE, st.just(0), st.sampled_from(ENDS)),
    st.tuples(st.just("lost"), PLACE, st.integers(1, 3), st.just("")),
    st.tuples(st.just("again"), PLACE, st.integers(1, 3), st.just("")),
    st.tuples(st.just("byte"), PLACE, st.integers(0, 255), st.just("")),
)


def mutated(count, changing, delimiter, mutations):
    """A log whose values repeat, or with `changing` are new in each line, after `mutations`."""
    rows, ends = [], ["\r\n"] * count
    for n in range(count):
        step = n if changing else n % 3
        place = f"{-43.93 + step * 1e-5:.5f}", str(212 + step)
        clock = f"08:{n // 60:02}:{n % 60:02}"
        rows.append([str(n), clock, *place, str(9920 - step), f"{9 - step / 10:.1f}", "up"])
    for kind, place, number, text in mutations:
        at = int(place * len(rows))
        if kind == "field":
            rows[at] = [*rows[at][:number], text, *rows[at][number + 1 :]]
        elif kind == "column":
            rows = [[*row[:number], text, *row[number + 1 :]] for row in rows]
        elif kind == "columns":
            rows[at] = [*rows[at], "1", "2"][:number]
        elif kind == "end":
            ends[at] = text
        elif kind == "lost":
            rows[at : at + number] = []
        elif kind == "again":
            rows[at:at] = rows[at : at + number]
    data = bytearray("".join(map("".join, zip(map(delimiter.join, rows), itertools.cycle(ends)))).encode())
    for kind, place, number, _ in mutations:
        if kind == "byte":
            data[int(place * len(data))] = number
    return bytes(data)


def found(flight, data, piece):
    decoder = decoder_for(flight.sample)
    decoded = []
    for begin in range(0, len(data), piece):
        decoded += decoder.feed(data[begin : begin + piece])
    decoded += decoder.flush()
    left = decoder.undecoded, decoder.undecoded_bytes, decoder.look, decoder.notes
    return decoded, left, judge_samples(flight, decoded, len(decoded) / 2)


@settings(max_examples=50, deadline=None)
@given(
    count=st.integers(16, 120),
    changing=st.booleans(),
    delimiter=st.sampled_from([",", ";", " ", "\t"]),
    mutations=st.lists(MUTATION, max_size=4),
    piece=st.sampled_from([1500, 1 << 16]),
)
def test_the_quick_way_finds_what_the_slow_way_finds(count, changing, delimiter, mutations, piece):
    layout = {"rate": 2.0, "format": "delimited", "length": 64.0, "field": FIELDS, "delimiter": delimiter}
    flight = make_flight(site=PAYLOAD_SITE, sample=layout)
    data = mutated(count, changing, delimiter, mutations)
    quick = found(flight, data, piece)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(samples, "BLOCK_LEAST", 10**9)
        patch.setattr(Column, "extent", None)
        assert found(flight, data, piece) == quick


@pytest.mark.parametrize("odd", ["1,2", "-1,2,x"], ids=["a column less", "no number"])
def test_one_damaged_line_leaves_most_lines_to_their_block(monkeypatch, odd):
    """The lines that are decoded by themselves are the damaged one, and few around it."""
    layout = {"rate": 2.0, "format": "delimited", "length": 64.0}
    layout["field"] = [SampleField(name=name, unit="V") for name in "abc"]
    decoder = decoder_for(make_flight(sample=layout).sample)
    alone = []
    line = decoder.decode_line
    monkeypatch.setattr(decoder, "decode_line", lambda raw, *rest: alone.append(raw) or line(raw, *rest))
    lines = [f"{n},{n % 3},{'7' * 90}\r\n" for n in range(1000)]
    lines[500] = odd + "\r\n"
    assert len(decoder.feed("".join(lines).encode())) == 1000
    assert (odd + "\r\n").encode() in alone
    assert len(alone) < 2 * samples.BLOCK_LEAST
