"""However a conversation with the logger ends, the leave sequence reaches it whole: it logs again.

The far end is a pseudo-terminal behind an adapter that sends at the line's pace and forgets, when it is
closed, what was not sent: a leave sequence that is not waited for never arrives.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from queued_adapter import plug_in
from serial_ends import FarEnd, make_flight, wait_until

from preflight.checks import listening
from preflight.checks.base import Check, Context, Run
from preflight.checks.logger_response import check as logger_response
from preflight.checks.logger_unpowered import check as logger_unpowered
from preflight.config.flight import Flight
from preflight.devices import serial_line
from preflight.devices.serial_line import SerialLine
from preflight.readings import Finding, Progress

LEAVE = b"exit\rlog on\r"
MOST = 60
"""More yields or reads than a conversation of these tests has."""


@pytest.fixture(autouse=True)
def at_one_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listening, "RATES", ())
    monkeypatch.setattr(serial_line, "READ_TIMEOUT", 0.1)


def flight(at: str, **leave: object) -> Flight:
    return make_flight(
        link={"baud": 38400},
        port=[{"use": "logger", "at": at}],
        logger={
            "exchange": [
                {"send": "?\r", "expect": "ready", "within": 0.3},
                {"send": "v\r", "expect": "version [0-9]", "within": 0.3},
            ],
            "leave": [{"send": "exit\r", **leave}, {"send": "log on\r"}],
            "off_voltage": 0.5,
        },
    )


def logger(end: FarEnd, data: bytes) -> None:
    """Answers after a while, as a logger does; its replies come in their own time."""
    if b"?" in data:
        end.pause(0.05)
        end.send(b"ready\r\n")
    elif b"v" in data:
        end.pause(0.05)
        end.send(b"version 3\r\n")
    elif b"t\r" in data:
        end.send(b"bye\r\n")


CHECKS = [logger_response, logger_unpowered]


def begun(check: Check, at: str, folder: Path, **more: object) -> Run:
    typed = {"logger.off_voltage": 0.1}
    return check.run(Context(flight=flight(at), folder=folder, typed=typed, **more))  # type: ignore[arg-type]


def advanced(run: Run, yields: int) -> Finding | None:
    """Go on to the yield of that number; the finding where it ended before."""
    try:
        for _ in range(yields):
            assert isinstance(next(run), Progress)
    except StopIteration as end:
        return end.value
    return None


def arrived(far: FarEnd) -> None:
    """The whole leave sequence is the last thing that the logger heard."""
    wait_until(lambda: bytes(far.heard).endswith(LEAVE))


def at_every_yield(one: Callable[[int], bool]) -> int:
    """Call `one` with 1, 2, ... until it says that the run ended before that yield; how many there were."""
    for number in range(1, MOST):
        if not one(number):
            assert number > 2, "there is nothing in the middle"
            return number - 1
    raise AssertionError("the run never ended")


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_closed_at_any_yield_the_logger_is_left(
    check: Check, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As quitting does it at worst: the generator is thrown away where it stands."""
    plug_in(monkeypatch)

    def closed_at(number: int) -> bool:
        with FarEnd(logger) as far:
            run = begun(check, far.path, tmp_path)
            ended = advanced(run, number) is not None
            run.close()
            arrived(far)
            assert bytes(far.heard).count(LEAVE) == 1
        return not ended

    assert at_every_yield(closed_at) >= 3


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_stopped_at_any_yield_the_logger_is_left_and_the_finding_says_so(
    check: Check, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plug_in(monkeypatch)
    late = []

    def stopped_at(number: int) -> bool:
        stop: list[bool] = []
        with FarEnd() as far:  # it answers nothing, so that there is something to stop
            run = begun(check, far.path, tmp_path, stopped=lambda: bool(stop))
            if advanced(run, number) is not None:
                return False
            stop.append(True)
            finding = advanced(run, MOST)
            assert finding is not None
            arrived(far)
            if finding.outcome != "open":
                late.append(number)
        return True

    yields = at_every_yield(stopped_at)
    # Stopped at the very end, while it waits for a late answer or leaves, it has found that none came.
    assert len(late) <= 2
    assert yields >= 3


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_an_error_thrown_at_any_yield_leaves_the_logger(
    check: Check, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A defect of this tool, wherever it strikes."""
    plug_in(monkeypatch)

    def thrown_at(number: int) -> bool:
        with FarEnd(logger) as far:
            run = begun(check, far.path, tmp_path)
            if advanced(run, number) is not None:
                return False
            with pytest.raises(ZeroDivisionError):
                run.throw(ZeroDivisionError())
            arrived(far)
        return True

    at_every_yield(thrown_at)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_after_a_read_that_fails_the_logger_is_left(
    check: Check, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A loose lead: one read of the device fails, each in turn; the next bytes go through again."""
    seen = set()
    for number in range(1, MOST):
        plug_in(monkeypatch, frozenset({number}))
        with FarEnd(logger) as far:
            finding = advanced(begun(check, far.path, tmp_path), MOST)
            assert finding is not None
            arrived(far)
            if not any("was lost while reading from it" in remark for remark in finding.remarks):
                break
            assert finding.outcome == "no-go"
            seen.add(number)
    assert len(seen) >= 3
    assert number < MOST - 1


def test_a_leave_step_that_is_answered_is_sent_whole_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plug_in(monkeypatch)
    with FarEnd(logger) as far:
        asked = flight(far.path, expect="bye", within=0.5)
        run = logger_response.run(Context(flight=asked, folder=tmp_path))
        advanced(run, 2)
        run.close()
        arrived(far)


def test_the_adapter_of_these_tests_forgets_what_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What these tests stand on: without the wait at the end of the leave sequence it does not arrive."""
    plug_in(monkeypatch)
    monkeypatch.setattr(SerialLine, "finish_writing", lambda self, within=0.5: None)
    for check in CHECKS:
        with FarEnd(logger) as far:
            run = begun(check, far.path, tmp_path)
            advanced(run, 2)
            run.close()
            far.pause(0.1)
            assert not bytes(far.heard).endswith(LEAVE), check.name
