"""A command that takes longer than a moment says what it does, on a terminal only, and leaves no trace."""

from __future__ import annotations

import io
import time

import pytest

from preflight.cli.working import working


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def wait_for(condition) -> None:
    end = time.monotonic() + 10
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.002)


def test_long_work_says_what_it_is_and_how_to_stop_it() -> None:
    out = Terminal()
    with working("Proving a record", out=out, after=0.001):
        wait_for(lambda: "Ctrl-C" in out.getvalue())
    text = out.getvalue()
    assert "Proving a record, 0 s; Ctrl-C stops it" in text
    assert text.endswith("\r")
    assert not text.rstrip("\r").rpartition("\r")[2].strip()


def test_short_work_and_a_pipe_are_told_nothing() -> None:
    out = Terminal()
    with working("Proving a record", out=out, after=60.0):
        pass
    assert out.getvalue() == ""
    pipe = io.StringIO()
    with working("Proving a record", out=pipe, after=0.0):
        time.sleep(0.01)
    assert pipe.getvalue() == ""


def test_a_stop_goes_through_and_clears_the_line() -> None:
    out = Terminal()

    def stopped() -> None:
        with working("Proving", out=out, after=0.001):
            wait_for(lambda: "Ctrl-C" in out.getvalue())
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert out.getvalue().endswith("\r")
