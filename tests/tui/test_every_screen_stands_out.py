"""Every screen and dialogue of the tour: contrast in each theme, and nothing of a dialogue is cut."""

from __future__ import annotations

from pathlib import Path

import pytest
from contrast import LEAST, faint
from screen_driving import Driver
from textual.widgets import Static
from tour import TOURS

from preflight.tui.dialogs.ask import Ask
from preflight.tui.dialogs.sealed import Sealed
from preflight.tui.theme import ORDER


def cut(driver: Driver) -> list[str]:
    """What of a dialogue, or of the caution of the step below it, can't be read whole."""
    screen = driver.app.screen
    if isinstance(screen, Sealed):
        lines = driver.text().splitlines()
        return [] if lines[0].startswith("╭") and lines[-1].startswith("╰") else ["the screen below"]
    if not isinstance(screen, Ask):
        return []
    scene, said = driver.app.scene, driver.said()
    wanted = ["Esc leave", screen.form.submit, *(field.label for field in screen.form.fields)]
    if scene is not None and scene.view.record is not None and scene.place.kind == "step":
        wanted.append(scene.view.step(scene.place.name).step.caution)
    if scene is not None and scene.view.record is not None and scene.extra.figures is not None:
        wanted += (
            [] if screen.form.title.startswith("From the printed list") else ["◀ governs"]
        )  # it asks for too much
    for asked in screen.query(".beside, .under").results(Static):
        if asked.display and (told := str(asked.content).strip()):
            room = asked.size.width * asked.size.height
            wanted += [] if room >= len(told) else [told]
    return [text for text in wanted if text not in said]


@pytest.mark.parametrize("theme", ORDER)
def test_every_strip_of_every_screen_stands_out(tmp_path: Path, theme: str) -> None:
    bad: dict[str, set[tuple[float, str]]] = {}
    stops: list[str] = []
    hidden: dict[str, list[str]] = {}

    def look(driver: Driver, name: str) -> None:
        stops.append(name)
        if lost := cut(driver):
            hidden[name] = lost
        if weak := faint(driver, LEAST[theme]):
            bad[name] = weak

    for n, tour in enumerate(TOURS):
        tour(tmp_path / str(n), look, (80, 24), theme)
    assert len(set(stops)) > 50
    assert not bad
    assert not hidden
