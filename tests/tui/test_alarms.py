"""What must not be missed rings and is said; the bell can be switched off and stays off."""

from __future__ import annotations

import asyncio
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

from screen_driving import Driver, Stage, ToldCheck, found, shown

from preflight.tui.dialogs.ask import Ask
from preflight.tui.draw.scene import Notice
from preflight.tui.remembered import Memory
from preflight.tui.view import View


def counted(driver: Driver) -> list[str]:
    """Rings of the terminal from now on."""
    rings: list[str] = []
    driver.app.bell = lambda: rings.append("ring")  # type: ignore[method-assign]
    return rings


def test_a_step_that_turns_no_go_rings_and_shows_it(stage: Stage) -> None:
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        rings = counted(driver)
        await driver.run_check()
        await driver.until(lambda: "■ NO-GO" in driver.text())
        assert rings

    stage.drive(story)


def test_a_hold_rings_and_its_reason_is_said(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        rings = counted(driver)
        await driver.press("f2")
        await driver.asked()
        assert not rings
        dialogue = driver.app.screen
        assert isinstance(dialogue, Ask)
        dialogue.form = replace(dialogue.form, title="Stop the count")  # no word tells what is what
        await driver.press("f2")
        await driver.fill("an aircraft", "1")
        await driver.until(lambda: bool(driver.app.seen.view.state.holds))
        await driver.until(lambda: bool(rings))
        assert not driver.asking
        assert "an aircraft" in driver.text()
        # What is told while an act is at work outlasts it; what stood there before does not.
        stop = Notice("Stop", "over long ago", alert=True, about="hold")
        for told_meanwhile in (stop, None):
            done: Future[View] = Future()
            act = asyncio.create_task(driver.app.conductor.came(done))
            await asyncio.sleep(0)
            if told_meanwhile is not None:
                driver.app.change(notice=told_meanwhile)
            done.set_result(driver.app.seen.view)
            await act
            assert driver.app.seen.notice is told_meanwhile
        told = driver.app.seen.with_(notice=stop)
        lifted = replace(told.view, state=replace(told.view.state, holds=()))
        follow = driver.app.opened.following
        assert follow.alarmed(told, told.with_(view=lifted)).notice is None
        newer = follow.alarmed(told.with_(view=lifted), told).notice
        assert newer is not None
        assert "an aircraft" in newer.text

    stage.drive(story)


def test_the_bell_is_switched_off_by_key_shown_and_remembered(stage: Stage, tmp_path: Path) -> None:
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))
    memory = Memory(tmp_path / "screen.toml")

    async def story(driver: Driver) -> None:
        driver.app.memory = memory
        await driver.begin()
        await driver.sign("omar")
        assert "bell off" not in driver.text()
        rings = counted(driver)
        await driver.press("exclamation_mark")
        await driver.until(lambda: "bell off" in driver.text())
        await driver.run_check()
        await driver.until(lambda: "■ NO-GO" in driver.text())
        assert not rings

    stage.drive(story)
    memory.settle()
    assert memory.recall()[0].bell is False

    async def silent_from_the_start(driver: Driver) -> None:
        assert not driver.app.seen.bell

    stage.drive(silent_from_the_start, app=shown(stage.session(), memory=memory))


def test_the_theme_is_remembered(stage: Stage, tmp_path: Path) -> None:
    memory = Memory(tmp_path / "screen.toml")

    async def story(driver: Driver) -> None:
        driver.app.memory = memory
        await driver.begin()
        await driver.press("t")
        await driver.until(lambda: driver.app.theme == "sun")

    stage.drive(story)
    memory.settle()
    assert shown(stage.session(), memory=memory).theme == "sun"


def test_a_hold_that_stands_is_in_view_beside_a_no_go_and_no_window_is_too_small(stage: Stage) -> None:
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.run_check()
        await driver.press("f2")
        await driver.fill("an aircraft", "1")
        await driver.until(lambda: bool(driver.app.seen.view.state.holds))
        await driver.until(lambda: "NO-GO" in driver.text() and "HOLD" in driver.text().split("before:")[0])
        for size in ((40, 10), (43, 12), (44, 12), (20, 6), (8, 3), (160, 45), (80, 24)):
            await driver.pilot.resize_terminal(*size)
            await driver.dealt()
        await driver.pilot.resize_terminal(40, 12)
        # The step and what Enter does are there on the lowest screen, and what runs out first on one line.
        await driver.until(lambda: "▶ Enter runs" in driver.text() and "put back" in driver.text())
        assert "file size" in driver.text()
        assert "end of search" not in driver.text()
        await driver.pilot.resize_terminal(80, 24)
        await driver.until(lambda: "HOLD" in driver.text().split("before:")[0])
        # Who called it, and when; where there is room why, each beside its own mark.
        assert "link.margin 1 < 2 ‖ HOLD Ines Example 07:00Z +" in driver.said()
        await driver.pilot.resize_terminal(120, 30)
        await driver.until(lambda: "limit at least 2 ‖ HOLD Ines Example 07:00Z (+" in driver.said())
        await driver.pilot.resize_terminal(160, 45)
        wide = "■ NO-GO at the fill gate: logger: link.margin 1, limit at least 2 ‖ HOLD Ines Example 07:00Z"
        await driver.until(lambda: f"{wide}: an aircraft" in driver.said())

    assert stage.drive(story).fault is None
