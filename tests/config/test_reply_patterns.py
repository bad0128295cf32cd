"""Regular expressions from files: what compiles and ends is taken, the rest is told."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from preflight.config.patterns import trouble


@pytest.mark.parametrize(
    "pattern",
    [
        "ready",
        r"v(?P<version>\d+\.\d+)",
        r"(?:OK|READY)\r?\n",
        "a+b*c?",
        "(ab){3}",
        r"\(+\)+",
        "[(+*]+",
        "(a|b)?c",
        "[]+]+",
        "[^]+]*",
        r"(a\+)+",
        "(a?b)+",
        r"(?P<free>\d{1,10}) B free",
        "a{,3}",
        "x{2,}",
    ],
)
def test_ordinary_patterns_are_taken(pattern: str) -> None:
    assert trouble(pattern) is None


@pytest.mark.parametrize(
    ("pattern", "said"),
    [
        ("(a", "not a regular expression"),
        ("*a", "not a regular expression"),
        ("[z-a]", "not a regular expression"),
        (r"\q", "not a regular expression"),
        ("(?P<1>a)", "not a regular expression"),
        ("(a+)+", "may already match in several ways"),
        ("((a|b)*c)*d", "may already match in several ways"),
        (r"(\d+,?){2,}", "may already match in several ways"),
        ("(?:x{2,9})+", "may already match in several ways"),
        ("(a|aa)+b", "may already match in several ways"),
        ("a{2000}", "more than 1000 times"),
        ("a{1,99999999999}", "more than 1000 times"),
        ("(" * 500 + ")" * 500, ""),
    ],
)
def test_patterns_that_do_not_compile_or_may_never_end(pattern: str, said: str) -> None:
    told = trouble(pattern)
    assert said in (told or "")


@given(st.text(alphabet="ab()[]{}*+?|\\^$.,0123-:P<>", max_size=40))
def test_any_text_is_judged(pattern: str) -> None:
    if trouble(pattern) is None:
        re.compile(pattern)
