"""Our own echo told from an answer; patterns ended when they take too long."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from preflight.checks.replies import REPLY_LIMIT, Matcher, TooSlowError, echo_span, only_echo


@pytest.fixture(scope="module")
def matcher():
    with Matcher() as running:
        yield running


def found(matcher, pattern, sent, heard):
    return matcher.search(pattern, sent, heard, within=10)


@given(st.text(max_size=20), st.text(max_size=60))
def test_an_echo_span_lies_in_what_was_heard(sent, heard):
    start, end = echo_span(sent, heard)
    assert 0 <= start <= end <= len(heard)


@given(st.text("ab?\r", min_size=1, max_size=8), st.text("xyz\n", max_size=10), st.text("xyz\n", max_size=10))
def test_a_whole_echo_is_found_wherever_it_stands(sent, before, after):
    start, end = echo_span(sent, before + sent + after)
    assert (before + sent + after)[start:end] == sent


@pytest.mark.parametrize(
    ("sent", "heard", "whole"),
    [
        (b"?\r", b"?\r", True),
        (b"?\r", b"?\r\n", True),
        (b"?\r", b"\r\n?\n", True),
        (b"status\r", b"sta", True),
        (b"status\r", b"status\r\nok", False),
        (b"?\r", b"ok?\r\n", False),
        (b"?\r", b"", False),
        (b"", b"x", False),
        (b"\x05", b"\x05", True),
    ],
)
def test_nothing_but_an_echo(sent, heard, whole):
    assert only_echo(sent, heard) is whole


def test_a_match_inside_the_echo_is_no_answer(matcher):
    assert found(matcher, "ready", b"ready?\r", b"ready?\r") is None
    assert found(matcher, "ready", b"ready?\r", b"ready?\r\nready\r\n") is not None
    assert found(matcher, r"\r\n>", b"\r", b"\r\n> ") is not None
    assert found(matcher, "x*", b"?\r", b"abc") is None, "an empty match says nothing"


def test_lines_are_matched_each(matcher):
    assert found(matcher, "^ready", b"", b"noise\nready\n") is not None


def test_whether_the_line_has_ended_is_told(matcher):
    assert not found(matcher, r"n=\d+", b"", b"n=12").line_ended
    assert found(matcher, r"n=\d+", b"", b"n=12\r").line_ended
    assert found(matcher, r"n=\d+\r", b"", b"n=12\r").line_ended


def test_bytes_are_read_as_text_and_then_one_by_one(matcher):
    assert found(matcher, "°C", b"", "21 °C".encode()) is not None
    assert found(matcher, "\xff\x06", b"", b"\xff\x06") is not None


def test_only_the_latest_bytes_are_looked_at(matcher):
    assert found(matcher, "ready", b"", b"ready" + b"." * REPLY_LIMIT) is None
    assert found(matcher, "ready", b"", b"." * REPLY_LIMIT + b"ready") is not None


def test_groups_are_given(matcher):
    match = found(matcher, r"a=(?P<a>\d+)( b=(?P<b>\d+))?", b"", b"a=7\n")
    assert match.groups == {"a": "7", "b": None}


def test_a_pattern_without_end_is_ended_and_the_next_one_judged(matcher):
    with pytest.raises(TooSlowError):
        matcher.search("(a|a)*$x", b"", b"a" * 100, within=0.3)
    assert found(matcher, "ready", b"", b"ready") is not None


def test_the_child_is_gone_afterwards():
    with Matcher() as running:
        found(running, "a", b"", b"a")
        child = running._child
    assert child.returncode is not None
    running.end()


@given(st.binary(max_size=300), st.binary(max_size=10))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_reply_is_judged(matcher, heard, sent):
    match = found(matcher, r"r(?P<n>\d*)|[^\x00-\x7f]+", sent, heard)
    assert match is None or set(match.groups) == {"n"}
