"""On a terminal of sixteen colours: every theme is reduced to the nearest of them and can still be read."""

from __future__ import annotations

import pytest
from rich.color import Color, ColorSystem
from screen_driving import Driver, Stage, ToldCheck, found

from preflight.tui.theme import ORDER, THEMES

PALETTE = (
    (0, 0, 0), (170, 0, 0), (0, 170, 0), (170, 85, 0), (0, 0, 170), (170, 0, 170), (0, 170, 170),
    (170, 170, 170), (85, 85, 85), (255, 85, 85), (85, 255, 85), (255, 255, 85), (85, 85, 255),
    (255, 85, 255), (85, 255, 255), (255, 255, 255),
)  # fmt: skip
"""The sixteen colours of a personal computer's text screen, as terminals still have them by default."""
SHAPES = set("─━│┃█▏▎▍▌▋▊▉▶◀╟╢╭╮╰╯▔▁▄▀ ")


def nearest(color: Color) -> int:
    number = color.downgrade(ColorSystem.STANDARD).number
    assert number is not None
    return number


def luminance(number: int) -> float:
    parts = [value / 255 for value in PALETTE[number]]
    red, green, blue = (v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: int, other: int) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("name", ORDER)
def test_every_character_can_be_read_in_sixteen_colours(stage: Stage, name: str) -> None:
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))
    least = 3.0  # of sixteen; a hint in the field that has the focus is the faintest of all

    def faint(driver: Driver) -> set[tuple[str, int, int]]:
        wrong = set()
        for strip in driver.app.screen._compositor.render_strips():
            for segment in strip:
                style = segment.style
                if style is None or not style.color or not style.bgcolor or not set(segment.text) - SHAPES:
                    continue
                ink, fill = nearest(style.color), nearest(style.bgcolor)
                if contrast(ink, fill) < least:
                    wrong.add((segment.text.strip()[:30], ink, fill))
        return wrong

    async def story(driver: Driver) -> None:
        driver.app.theme = name
        await driver.pilot.pause()
        assert not faint(driver)
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        await driver.sign("omar")
        await driver.run_check()
        await driver.press("2")
        await driver.pilot.pause()
        assert not faint(driver)
        for key, back in (("question_mark", "escape"), ("slash", "escape"), ("f2", "escape")):
            await driver.key(key)
            await driver.pilot.pause()
            assert not faint(driver), key
            await driver.key(back)

    stage.drive(story, size=(160, 45))


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
