"""On a terminal of sixteen colours: every theme is reduced to the nearest of them and can still be read."""

from __future__ import annotations

import pytest
from contrast import Rgb, contrast, faint
from rich.color import Color, ColorSystem
from screen_driving import Driver, Stage, ToldCheck, found

from preflight.tui.theme import ORDER, THEMES

PALETTE = (
    (0, 0, 0), (170, 0, 0), (0, 170, 0), (170, 85, 0), (0, 0, 170), (170, 0, 170), (0, 170, 170),
    (170, 170, 170), (85, 85, 85), (255, 85, 85), (85, 255, 85), (255, 255, 85), (85, 85, 255),
    (255, 85, 255), (85, 255, 255), (255, 255, 255),
)  # fmt: skip
"""The sixteen colours of a personal computer's text screen, as terminals still have them by default."""


def nearest(color: Color) -> int:
    number = color.downgrade(ColorSystem.STANDARD).number
    assert number is not None
    return number


def seen_as(color: Color) -> Rgb:
    return PALETTE[nearest(color)]


@pytest.mark.parametrize("name", ORDER)
def test_every_character_can_be_read_in_sixteen_colours(stage: Stage, name: str) -> None:
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))
    least = 3.0  # of sixteen; a hint in the field that has the focus is the faintest of all

    def weak(driver: Driver) -> set[tuple[float, str]]:
        return faint(driver, least, lines=0.0, seen_as=seen_as)

    async def story(driver: Driver) -> None:
        driver.app.theme = name
        await driver.dealt()
        assert not weak(driver)
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        await driver.sign("omar")
        await driver.run_check()
        await driver.press("2")
        await driver.dealt()
        assert not weak(driver)
        for key, back in (("question_mark", "escape"), ("slash", "escape"), ("f2", "escape")):
            await driver.key(key)
            await driver.dealt()
            assert not weak(driver), key
            await driver.key(back)

    stage.drive(story, size=(160, 45))


def test_in_the_sun_what_is_to_be_done_is_as_dark_as_sixteen_colours_go() -> None:
    """The challenge and the prompt are bold, and some terminals draw bold in the brighter colour."""
    sun = THEMES["sun"].variables
    lead, paper = (nearest(Color.parse(sun[key])) for key in ("lead", "paper"))
    assert contrast(PALETTE[lead], PALETTE[paper]) > 12
    assert contrast(PALETTE[lead + 8 if lead < 8 else lead], PALETTE[paper]) > 7


def test_night_is_red_alone_in_sixteen_colours_too() -> None:
    for key, value in THEMES["night"].variables.items():
        if value.startswith("#"):
            assert nearest(Color.parse(value)) in (0, 1, 9), key


@pytest.mark.parametrize("name", ["desk", "sun"])
def test_alerts_keep_a_colour_of_their_own_in_sixteen(name: str) -> None:
    fills = {
        key: nearest(Color.parse(THEMES[name].variables[key]))
        for key in ("alert", "caution", "go", "note", "plain", "paper")
    }
    assert [key for key, number in fills.items() if number == fills["alert"]] == ["alert"]
    assert [key for key, number in fills.items() if number == fills["caution"]] == ["caution"]
