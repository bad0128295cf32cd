"""Contrast of text as WCAG 2 measures it, from what the application really draws in each theme."""

from __future__ import annotations

import pytest
from contrast import LEAST, LEAST_OF_LINES, contrast, faint
from screen_driving import Driver, Stage, ToldCheck, found
from textual.color import Color

from preflight.tui.theme import ORDER, THEMES, after


def test_contrast_is_reckoned_as_the_standard_does() -> None:
    # WCAG 2.2, contrast ratio: from 1 to 21; #777777 on white is 4.48, from memory.
    assert contrast((0, 0, 0), (255, 255, 255)) == pytest.approx(21)
    assert contrast((0x77, 0x77, 0x77), (255, 255, 255)) == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("name", ORDER)
def test_every_character_drawn_stands_out(stage: Stage, name: str) -> None:
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))

    async def look(driver: Driver) -> None:
        await driver.dealt()
        assert not faint(driver, LEAST[name])

    async def story(driver: Driver) -> None:
        driver.app.theme = name
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        await look(driver)
        await driver.sign("omar")
        await driver.run_check()
        assert "NO-GO" in driver.text()
        await driver.press("2")
        await look(driver)
        await driver.key("question_mark")
        await look(driver)

    stage.drive(story, size=(160, 45))


@pytest.mark.parametrize("name", ORDER)
def test_badges_borders_and_focus_stand_out(name: str) -> None:
    variables = THEMES[name].variables
    colour = {key: Color.parse(value).rgb for key, value in variables.items() if value.startswith("#")}
    for badge in ("go", "alert", "caution", "note", "plain"):
        assert contrast(colour[badge], colour[f"{badge}-ink"]) >= LEAST[name], badge
    for line in ("rule", "lead"):
        assert contrast(colour[line], colour["paper"]) >= LEAST_OF_LINES, line


def test_the_night_theme_is_red_alone() -> None:
    # Red light spares dark adaptation: common practice, no source. Green and blue stay far below red.
    for key, value in THEMES["night"].variables.items():
        if value.startswith("#"):
            color = Color.parse(value)
            assert color.g <= 0.45 * color.r, key
            assert color.b <= 0.45 * color.r, key


def test_a_key_goes_round_the_themes() -> None:
    assert [after(name) for name in ORDER] == ["sun", "night", "desk"]


def test_without_colour_every_cell_takes_the_terminals_own_two_colours(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    stage.checks["logger-response"] = ToldCheck("logger-response", found("logger-response", 1.0))

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.run_check()
        strips = driver.app.screen._compositor.render_strips()
        styles = [segment.style for strip in strips for segment in strip if segment.style is not None]
        for style in styles:
            assert style.color is None or style.color.is_default, style
            assert style.bgcolor is None or style.bgcolor.is_default, style
        reversed_text = "".join(
            segment.text for strip in strips for segment in strip if segment.style and segment.style.reverse
        )
        assert reversed_text
        assert "■ NO-GO" in driver.text()
        assert "before: ● GO" in driver.text()

    stage.drive(story)
