"""An entry has one spelling, and no other is read."""

from __future__ import annotations

import base64
import json
import string
from datetime import UTC, datetime, timedelta, timezone

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.clock import Moment
from preflight.errors import RecordError
from preflight.record.entry import (
    MAX_LINE,
    ZEROS,
    Entry,
    canonical,
    clk_of,
    format_utc,
    line_for,
    parse_line,
    shaped,
)
from preflight.record.kinds import KINDS, DeferData

SIGNATURE = bytes(range(64))


def entry_of(kind="defer", data=None, **changes) -> Entry:
    data = data or DeferData(
        step="told",
        outcome="go",
        authority="the local service",
        answers={"reference": "A 1"},
        valid_from=None,
        valid_until=None,
        reason="",
        reads=(),
    )
    moment = Moment(datetime(2027, 5, 16, 6, tzinfo=UTC), "boot-a", 12, "system", 0.25)
    fields = {
        "v": 1,
        "rec": "r1",
        "seq": 1,
        "prev": ZEROS,
        "kind": kind,
        "at": format_utc(moment.at),
        "clk": clk_of(moment),
        "signer": "ada",
        "meaning": "I asked",
        "auth": "selected",
        "data": data,
    }
    return Entry(**(fields | changes))


LINE = line_for(entry_of(), SIGNATURE)


def test_a_line_is_entry_and_signature_in_this_order():
    read = json.loads(LINE)
    assert list(read) == ["entry", "sig"]
    assert base64.b64decode(read["sig"]) == SIGNATURE
    keys = "at auth clk data kind meaning prev rec seq signer v"
    assert list(read["entry"]) == keys.split()
    parsed = parse_line(LINE)
    assert parsed.entry == entry_of()
    assert parsed.signature == SIGNATURE
    assert b'{"entry":' + parsed.canonical + b',"sig":"' + base64.b64encode(SIGNATURE) + b'"}\n' == LINE


SECOND_SPELLINGS = {
    "space": LINE.replace(b'"seq":1', b'"seq": 1'),
    "space before the end": LINE[:-1] + b" \n",
    "carriage return": LINE[:-1] + b"\r\n",
    "no line feed": LINE[:-1],
    "two line feeds": LINE + b"\n",
    "byte order mark": b"\xef\xbb\xbf" + LINE,
    "float": LINE.replace(b'"seq":1', b'"seq":1.0'),
    "exponent": LINE.replace(b'"seq":1', b'"seq":1e0'),
    "minus zero": LINE.replace(b'"seq":1', b'"seq":-0'),
    "escaped letter": LINE.replace(b'"kind"', b'"\\u006bind"'),
    "escaped slash": LINE.replace(b"A 1", b"A\\/1"),
    "key twice": LINE.replace(b'"seq":1', b'"seq":1,"seq":1'),
    "key twice, first differs": LINE.replace(b'"seq":1', b'"seq":2,"seq":1'),
    "unknown key": LINE.replace(b'"seq":1', b'"seq":1,"size":1'),
    "unknown key outside": LINE[:-2] + b',"x":1}\n',
    "keys in another order": LINE.replace(b'"seq":1,"signer":"ada"', b'"signer":"ada","seq":1'),
    "signature first": b'{"sig":"' + base64.b64encode(SIGNATURE) + b'","entry":{}}\n',
    "padding gone": LINE.replace(b'=="}', b'"}'),
    "padding too long": LINE.replace(b'=="}', b'==="}'),
    "loose last bits": LINE.replace(base64.b64encode(SIGNATURE), base64.b64encode(SIGNATURE)[:-3] + b"x=="),
    "url alphabet": line_for(entry_of(), b"\xff" * 64).replace(b"////", b"____"),
    "base64 with a line break": LINE.replace(b'"sig":"', b'"sig":"\\n'),
    "not UTF-8": LINE.replace(b"A 1", b"A\xff1"),
    "overlong UTF-8": LINE.replace(b"A 1", b"A\xc0\xaf1"),
    "lone surrogate": LINE.replace(b"A 1", b"A\\ud8001"),
    "null for a string": LINE.replace(b'"A 1"', b"null"),
    "true for 1": LINE.replace(b'"v":1', b'"v":true'),
    "another version": LINE.replace(b'"v":1', b'"v":2'),
    "unknown kind": LINE.replace(b'"kind":"defer"', b'"kind":"dance"'),
    "kind of another shape": LINE.replace(b'"kind":"defer"', b'"kind":"scrub"'),
    "time without milliseconds": LINE.replace(b"06:00:00.000Z", b"06:00:00Z"),
    "time with an offset": LINE.replace(b"06:00:00.000Z", b"06:00:00.000+00:00"),
    "30 February": LINE.replace(b"2027-05-16", b"2027-02-30"),
    "hour 24": LINE.replace(b"T06:", b"T24:"),
    "second 60": LINE.replace(b"06:00:00.", b"06:00:60."),
    "time with other digits": LINE.replace(b"2027-05", "٢٠٢٧-05".encode()),
    "uncertainty as a number": LINE.replace(b'"uncertainty":"0.25"', b'"uncertainty":0.25'),
    "uncertainty with a spare zero": LINE.replace(b'"uncertainty":"0.25"', b'"uncertainty":"0.250"'),
    "running with a line feed": LINE.replace(b'"running":"12"', b'"running":"12\\n"'),
    "person's id with a slash": LINE.replace(b'"signer":"ada"', b'"signer":"a/da"'),
    "record's id upwards": LINE.replace(b'"rec":"r1"', b'"rec":"../r"'),
    "deep nesting": b'{"entry":' + b"[" * 5000 + b"]" * 5000 + b',"sig":""}\n',
    "a list": b"[]\n",
    "empty": b"\n",
    "nothing": b"",
    "NUL": LINE.replace(b"A 1", b"A\x001"),
}


@pytest.mark.parametrize("name", SECOND_SPELLINGS)
def test_no_second_spelling_is_read(name):
    assert SECOND_SPELLINGS[name] != LINE
    with pytest.raises(RecordError):
        parse_line(SECOND_SPELLINGS[name])


def test_a_line_beyond_the_bound_is_not_even_parsed():
    with pytest.raises(RecordError, match="longer than"):
        parse_line(b" " * (MAX_LINE + 1))


keys = st.text(max_size=8)
defers = st.builds(
    DeferData,
    step=st.text(min_size=1, max_size=20),
    outcome=st.sampled_from(["go", "no-go"]),
    authority=st.text(min_size=1, max_size=20),
    answers=st.dictionaries(keys, st.text(max_size=20), max_size=6),
    valid_from=st.none(),
    valid_until=st.none(),
    reason=st.text(max_size=20),
    reads=st.lists(st.text(min_size=1, max_size=5), max_size=3).map(tuple),
)


@given(data=defers, signature=st.binary(min_size=64, max_size=64))
def test_any_text_comes_back_and_both_encoders_agree(data, signature):
    entry = entry_of(data=data, meaning=data.step)
    line = line_for(entry, signature)
    parsed = parse_line(line)
    assert parsed.entry == entry
    assert parsed.canonical == canonical(entry)
    assert json.loads(line)["entry"] == json.loads(msgspec.json.encode(entry))


def test_keys_that_sort_differently_by_code_unit_and_by_code_point():
    data = msgspec.structs.replace(
        entry_of().data, answers={"\uff5e": "first by code point", "😀": "first here"}
    )
    line = line_for(entry_of(data=data), SIGNATURE)
    assert line.index("😀".encode()) < line.index("\uff5e".encode())
    assert parse_line(line).entry.data == data
    swapped = line.replace(
        '"😀":"first here","\uff5e":"first by code point"'.encode(),
        '"\uff5e":"first by code point","😀":"first here"'.encode(),
    )
    assert swapped != line
    with pytest.raises(RecordError, match="canonical"):
        parse_line(swapped)


@given(
    line=st.one_of(
        st.binary(max_size=200),
        st.builds(
            lambda at, char: LINE[:at] + char + LINE[at + 1 :],
            st.integers(0, len(LINE) - 1),
            st.binary(max_size=3),
        ),
    )
)
def test_whatever_is_read_is_written_back_the_same(line):
    try:
        parsed = parse_line(line)
    except RecordError:
        return
    assert line_for(parsed.entry, parsed.signature) == line


@pytest.mark.parametrize("value", [1.5, 1.0, {"a": [0.0]}, [[2.0]]])
def test_floats_have_no_form(value):
    with pytest.raises(RecordError, match="decimal string"):
        canonical({"value": value})


def test_floats_have_no_place_in_any_kind():
    def floats(kind: msgspec.inspect.Type) -> bool:
        if isinstance(kind, (msgspec.inspect.FloatType, msgspec.inspect.AnyType)):
            return True
        if isinstance(kind, msgspec.inspect.StructType):
            return any(floats(field.type) for field in kind.fields)
        parts = [getattr(kind, name, None) for name in ("item_type", "key_type", "value_type")]
        parts += list(getattr(kind, "types", ()))
        return any(part is not None and floats(part) for part in parts)

    found = [kind for kind, shape in KINDS.items() if floats(msgspec.inspect.type_info(shape))]
    assert found == []


def test_every_string_and_integer_of_every_kind_is_bounded():
    def loose(kind: msgspec.inspect.Type, path: str) -> list[str]:
        if isinstance(kind, msgspec.inspect.StrType):
            fixed = kind.pattern is not None and kind.pattern.endswith("\\Z") and "*" not in kind.pattern
            bounded = kind.max_length is not None or fixed
            return [] if bounded else [path]
        if isinstance(kind, msgspec.inspect.IntType):
            return [] if kind.le is not None and kind.le <= 2**53 - 1 and kind.ge is not None else [path]
        if isinstance(kind, msgspec.inspect.StructType):
            return [bad for field in kind.fields for bad in loose(field.type, f"{path}.{field.name}")]
        parts = [getattr(kind, name, None) for name in ("item_type", "value_type")]
        parts += list(getattr(kind, "types", ()))
        return [bad for part in parts if part is not None for bad in loose(part, path)]

    assert [
        bad for kind, shape in KINDS.items() for bad in loose(msgspec.inspect.type_info(shape), kind)
    ] == []


def test_a_shape_that_does_not_fit_is_refused_by_name():
    with pytest.raises(RecordError, match="reason"):
        shaped("scrub", {"reason": ""})
    with pytest.raises(RecordError, match="unknown field"):
        shaped("scrub", {"reason": "wind", "also": 1})
    with pytest.raises(RecordError, match="not a kind"):
        shaped("dance", {})
    with pytest.raises(RecordError, match="not the data of"):
        shaped("scrub", entry_of().data)
    with pytest.raises(RecordError, match="decimal string"):
        shaped("check", {"seconds": 1.5})


def test_text_that_is_no_unicode_is_refused():
    with pytest.raises(RecordError):
        canonical({"reason": "\ud800"})


@given(
    at=st.datetimes(timezones=st.just(UTC)),
    boot=st.text(string.ascii_letters, min_size=1, max_size=40),
    boot_ns=st.integers(0, 2**63),
    uncertainty=st.none() | st.floats(0, 1e6),
)
def test_a_moment_comes_back_to_the_millisecond(at, boot, boot_ns, uncertainty):
    moment = Moment(at, boot, boot_ns, "system", uncertainty)
    entry = entry_of(at=format_utc(at), clk=clk_of(moment))
    back = parse_line(line_for(entry, SIGNATURE)).entry.moment
    assert timedelta(0) <= at - back.at < timedelta(milliseconds=1)
    assert (back.boot, back.boot_ns, back.source, back.uncertainty) == (boot, boot_ns, "system", uncertainty)


def test_times_are_written_in_utc():
    there = datetime(2027, 5, 16, 18, 0, 0, 999_999, tzinfo=timezone(timedelta(hours=12)))
    assert format_utc(there) == "2027-05-16T06:00:00.999Z"
