"""On a wide screen the step, the figures and the list of steps: nothing is cut beside an empty area."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from screen_driving import Driver, Stage
from textual.content import Content

from preflight.readings import Reading
from preflight.tui.draw.beside import centre_beside, figures_beside
from preflight.tui.draw.lists import figure_lines
from preflight.tui.draw.text import TEXT, labelled, say


def scene(number: int) -> Any:
    """A scene of so many figures: one outside its limits, one inside, the others without."""
    figures = [Reading(name=f"flight.plain_{n}", value=1.0 + n, unit="m") for n in range(number - 2)]
    figures.insert(1, Reading(name="link.margin", value=24.0, at_least=2.0))
    figures.append(Reading(name="battery.margin", value=1.0, at_least=1.5))
    told = SimpleNamespace(figures=tuple(figures), no_go={}, faults=(), remarks=("The card was not read",))
    return SimpleNamespace(extra=SimpleNamespace(figures=told))


@pytest.mark.parametrize("height", range(4, 30))
def test_figures_without_room_in_their_column_stand_at_the_foot_of_the_step(height: int) -> None:
    shown = scene(20)
    centre = [Content("step")] * 3 + [Content("")] * (height - 4) + [Content("▶ Enter")]
    column = figures_beside(shown, centre, 80, (44, height))
    lines = centre_beside(shown, centre, 80, (44, height))
    assert len(lines) == height
    assert [line.plain for line in lines[:3]] == ["step"] * 3
    assert lines[-1].plain == "▶ Enter"
    both = [line.plain.strip() for line in (*column, *lines)]
    names = [f"flight.plain_{n}" for n in range(18)]
    whole = all(sum(name == line.split(" ")[0] for line in both) == 1 for name in names)
    # Either everything is there once, or it is told how much more there is; never both.
    assert whole is not any("more line" in line for line in both)
    if height >= 18:
        assert whole
    assert all(line.cell_length <= 80 for line in lines)


def test_what_has_a_limit_comes_first_and_values_stand_under_each_other() -> None:
    lines = [line.plain for line in figure_lines(scene(6), 46)]
    order = ["battery.margin", "at least 1.5", "link.margin", "▲ The card", "flight.plain_0"]
    at = [next(n for n, line in enumerate(lines) if word in line) for word in order]
    assert at == sorted(at)
    ends = {line.index(unit) for line, unit in ((each, " m ") for each in lines) if unit in line}
    assert len(ends) == 1


def test_lines_of_text_stay_readable_on_the_widest_screen() -> None:
    lines = labelled("why", say("word " * 80), 200)
    assert max(line.cell_length for line in lines) <= TEXT + 12


def test_columns_come_one_by_one_as_there_is_room(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.settled()
        for width, seen in ((119, ""), (120, "figures"), (144, "figures steps"), (200, "figures steps")):
            await driver.pilot.resize_terminal(width, 40)
            await driver.pilot.pause()
            panes = {name for name in ("figures", "steps") if driver.app.screen.query_one(f"#{name}").display}
            assert panes == set(seen.split())
            # The step has 70 cells at least, so that a reading is drawn on its scale beside its limits.
            assert driver.app.screen.query_one("#centre").size.width >= 70

    stage.drive(story)
