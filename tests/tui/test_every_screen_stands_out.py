"""Every screen and dialogue of the tour: contrast of each strip in each theme."""

from __future__ import annotations

from pathlib import Path

import pytest
from contrast import LEAST, faint
from screen_driving import Driver
from tour import TOURS

from preflight.tui.theme import ORDER


@pytest.mark.parametrize("theme", ORDER)
def test_every_strip_of_every_screen_stands_out(tmp_path: Path, theme: str) -> None:
    bad: dict[str, set[tuple[float, str]]] = {}
    stops: list[str] = []

    def look(driver: Driver, name: str) -> None:
        stops.append(name)
        if weak := faint(driver, LEAST[theme]):
            bad[name] = weak

    for n, tour in enumerate(TOURS):
        tour(tmp_path / str(n), look, (80, 24), theme)
    assert len(set(stops)) > 50
    assert not bad
