"""Anything is found by keys: a step by its words, an act by its name, what stands against go, in turn."""

from __future__ import annotations

import pytest
from screen_driving import Driver, Stage

from preflight.tui.draw.head import _shortened
from preflight.tui.keys import KEYS

TITLES = {
    "bench": "Bench: cells and card",
    "site": "Site",
    "power": "Payload power-up",
    "closed": "Payload closed",
    "fill": "Fill",
}


@pytest.mark.parametrize(
    ("room", "shown"),
    [
        (60, ["Bench", "Site", "Payload power-up", "Payload", "Fill"]),
        (28, ["", "Site", "Payload power-up", "Payload", ""]),
        (16, ["", "", "Payload power-up", "", ""]),
        (7, ["", "", "Payload po…", "", ""]),
    ],
)
def test_phases_keep_whole_words_as_long_as_there_is_room(room: int, shown: list[str]) -> None:
    titles = _shortened(TITLES, "power", room)
    assert list(titles.values()) == shown
    assert sum(map(len, shown)) <= room + shown.count("")


def test_a_step_is_found_by_its_words_its_phase_or_its_outcome(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        for typed in ("neck", "go batt", "winds"):
            await driver.press("slash")
            await driver.until(lambda: "type to narrow" in driver.text())
            await driver.type(typed)
            await driver.press("enter")
            await driver.until(lambda: "type to narrow" not in driver.text())
            wanted = {"neck": "neck-lift", "go batt": "battery", "winds": "winds"}[typed]
            await driver.until(lambda wanted=wanted: driver.app.seen.place.name == wanted)

    stage.drive(story)


def test_the_palette_holds_every_act_that_can_be_done_and_every_step(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        able = [key for key in KEYS if key.when(driver.app.seen)]
        assert len(able) > 15
        for key in able[:4]:
            await driver.key("ctrl+p")
            await driver.type(key.help[:24])
            await driver.until(lambda key=key: key.help[:30] in driver.text())
            await driver.press("escape")
            await driver.until(lambda: len(driver.app.screen_stack) == 2)
        await driver.key("ctrl+p")
        await driver.type("neck-lift")
        await driver.until(lambda: "Neck lift" in driver.text())
        await driver.press("down", "enter")
        await driver.until(lambda: driver.app.seen.place.name == "neck-lift")

    stage.drive(story)


def test_j_goes_to_what_stands_against_go_one_after_another(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        gate = driver.app.seen.view.state.gate
        assert gate is not None
        wanted = [reason.step or reason.phase for reason in gate.reasons if reason.step or reason.phase]
        assert len(wanted) > 2
        seen = []
        for _ in wanted:
            before = driver.app.seen.place
            await driver.press("j")
            await driver.until(lambda before=before: driver.app.seen.place != before)
            seen.append(driver.app.seen.place.name)
        # The crew stands at the first already: the rest follows in the walk's order, then it begins again.
        assert seen == [*wanted[1:], wanted[0]]

    stage.drive(story)
