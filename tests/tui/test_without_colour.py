"""Without colour: which terminals have none, and that a theme is not remembered there, told once."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from rich.style import Style
from screen_driving import Driver, Stage, shown

from preflight.tui.colourless import _two_tone
from preflight.tui.remembered import Memory
from preflight.tui.theme import ORDER, THEMES

ASKED = "from preflight.tui.colourless import knows_no_colour; print(knows_no_colour())"


@pytest.mark.parametrize(
    ("more", "none"),
    [
        ({"TERM": "vt100"}, "True"),
        ({"TERM": "xterm"}, "False"),
        ({"TERM": "vt100", "COLORTERM": "truecolor"}, "False"),
        ({"TERM": "no-such-terminal"}, "False"),
        ({}, "False"),
    ],
)
def test_a_terminal_is_asked_for_its_colours(more: dict[str, str], none: str) -> None:
    bare = {key: value for key, value in os.environ.items() if key not in ("TERM", "COLORTERM")}
    done = subprocess.run(
        [sys.executable, "-c", ASKED], env=bare | more, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == none


@pytest.mark.parametrize("name", ORDER)
def test_without_colour_nothing_stands_out_more_than_an_alert(name: str) -> None:
    """In reverse, as cursors are; the paper's own shades, and what a bar leaves empty, are not."""
    colours, dark = THEMES[name].variables, THEMES[name].dark
    reversed_ = {
        part: _two_tone(Style(color=colours.get(f"{part}-ink", colours["ink"]), bgcolor=fill), dark).reverse
        for part, fill in colours.items()
        if part in ("alert", "caution", "paper", "panel-fill", "bar-back", "plain")
    }
    assert {part for part, turned in reversed_.items() if turned} == {"alert", "caution"}


def test_without_colour_the_theme_is_not_remembered_and_that_is_told_once(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    kept = tmp_path / "screen.toml"
    memory = Memory(kept)

    async def story(driver: Driver) -> None:
        await driver.key("t")
        await driver.until(lambda: "the choice is not remembered" in driver.text())
        await driver.key("escape")
        await driver.key("t")
        assert "the choice is not remembered" not in driver.text()

    stage.drive(story, app=shown(stage.session(), memory=memory))
    memory.settle()
    assert not kept.exists()
