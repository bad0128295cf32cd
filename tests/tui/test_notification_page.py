"""The notification sheet on the screen: there when the flight file names rules, of the values in force."""

from __future__ import annotations

from screen_driving import Driver, Stage
from small_flight import FLIGHT

from preflight.tui.dialogs.tell import Page

AIRSPACE = '[airspace]\nrules = ["cfr-101.toml", "icao-annex-2.toml"]\n'


def test_the_sheet_is_one_key_away(stage: Stage) -> None:
    stage.flight = FLIGHT + AIRSPACE

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.press("0")
        await driver.until(lambda: isinstance(driver.app.screen, Page))
        await driver.dealt()
        text = driver.text()
        assert "Notification sheet" in text
        assert "NOTIFICATION SHEET: Plover 1" in text
        assert "The local authority decides." in text
        await driver.press("escape")
        await driver.until(lambda: not isinstance(driver.app.screen, Page))

    stage.drive(story)


def test_without_rules_there_is_no_such_key(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.press("0")
        await driver.dealt()
        assert not isinstance(driver.app.screen, Page)

    stage.drive(story)
