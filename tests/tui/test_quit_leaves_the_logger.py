"""Leaving the screen in the middle of a talk with the logger: it is left logging, the finding entered."""

from __future__ import annotations

import os
import signal

import pytest
from queued_adapter import plug_in
from record_making import entries_of
from screen_driving import Driver, Stage
from serial_ends import LEAVE, FarEnd, logger_text, wait_until

from preflight.checks import listening
from preflight.checks.logger_response import check


@pytest.fixture(autouse=True)
def slow_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(listening, "RATES", ())
    plug_in(monkeypatch)


async def talking(driver: Driver, far: FarEnd) -> None:
    """To the middle of an exchange that is not answered."""
    await driver.begin()
    await driver.sign("omar")
    await driver.at("step", "logger")
    await driver.press("enter")
    await driver.until(lambda: b"?\r" in far.heard, "for the exchange")
    await driver.until(lambda: driver.app.seen.running is not None)


def left(stage: Stage, far: FarEnd) -> None:
    """The logger heard the whole leave sequence, and the record what was not checked."""
    wait_until(lambda: bytes(far.heard).endswith(LEAVE))
    (folder,) = stage.logs.iterdir()
    last = [entry for entry in entries_of(folder) if entry.kind == "check"][-1]
    assert last.data.outcome == "open"
    assert any("Stopped" in remark for remark in last.data.remarks)


def on(stage: Stage, far: FarEnd) -> None:
    stage.flight += logger_text(far.path, "20 s")
    stage.checks["logger-response"] = check


def test_quitting_sends_the_leave_sequence_to_its_end(stage: Stage) -> None:
    with FarEnd() as far:
        on(stage, far)

        async def story(driver: Driver) -> None:
            await talking(driver, far)
            await driver.press("q")
            await driver.until(lambda: "its line put back" in driver.said())
            await driver.press("y", "enter")
            await driver.until(lambda: not driver.app.is_running)

        stage.drive(story)
        left(stage, far)


def test_stopping_the_check_does(stage: Stage) -> None:
    with FarEnd() as far:
        on(stage, far)

        async def story(driver: Driver) -> None:
            await talking(driver, far)
            await driver.press("s")
            await driver.until(lambda: driver.app.seen.running is None)
            assert bytes(far.heard).endswith(LEAVE)

        stage.drive(story)
        left(stage, far)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_a_signal_does(stage: Stage, number: signal.Signals) -> None:
    with FarEnd() as far:
        on(stage, far)

        async def story(driver: Driver) -> None:
            await talking(driver, far)
            os.kill(os.getpid(), number)
            await driver.until(lambda: not driver.app.is_running)

        app = stage.drive(story)
        assert app.return_value == 128 + number
        left(stage, far)


def test_the_end_of_the_session_alone_does(stage: Stage) -> None:
    """As when the screen falls over: nobody has pressed a key."""
    with FarEnd() as far:
        on(stage, far)

        async def story(driver: Driver) -> None:
            await talking(driver, far)

        stage.drive(story)
        left(stage, far)
