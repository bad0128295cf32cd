"""The live view in every theme and without colour: contrast of what is really drawn, shapes that remain."""

from __future__ import annotations

from typing import Any

import pytest
from contrast import LEAST, faint
from screen_driving import Driver, Stage, ToldCheck, found

from preflight.live import Bad, Line, Reception, Receptions, Stream, Trace
from preflight.readings import Progress
from preflight.tui.theme import ORDER

OLD = Reception(ago=3.0, text="SIM-7", age=400.0, distance=5e3, faults=("older than 121 s",))
TIMES = (1.0, 900.0, 2.0)
SEEN = Progress(
    "61 of 120 samples",
    0.5,
    live=(
        Receptions(name="beacon", reports=(OLD,), seen=1),
        Trace(name="append", unit="ms", points=TIMES, at_most=480.0, steep=True, told="300 a second"),
        Stream(
            name="tap",
            lines=(
                Line("1,1203.4,9", (Bad(2, 8, "pressure: 1203.4 hPa is above 1100 hPa"),)),
                Line("FF FE", kind="undecoded"),
                Line("80 more, none of them with a fault", kind="passed"),
            ),
            seen=80,
        ),
    ),
)


class Seen(ToldCheck):
    def run(self, context: Any) -> Any:
        yield SEEN
        return self.finding


def shown(stage: Stage, look: Any, size: tuple[int, int], theme: str = ORDER[0]) -> None:
    stage.checks["logger-response"] = Seen("logger-response", found("logger-response"))

    async def story(driver: Driver) -> None:
        driver.app.theme = theme
        await driver.begin()
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.run_check()
        await driver.press("space")
        await driver.until(lambda: "■1203.4" in driver.text())
        await driver.dealt()
        look(driver)

    stage.drive(story, size=size)


@pytest.mark.parametrize("name", ORDER)
def test_every_mark_of_the_live_view_stands_out(stage: Stage, name: str) -> None:
    def look(driver: Driver) -> None:
        assert not faint(driver, LEAST[name])

    shown(stage, look, (160, 45), name)


def test_without_colour_the_shapes_remain(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    def look(driver: Driver) -> None:
        text = driver.text()
        assert "1,■1203.4,9" in text
        assert "▨ no sample: FF FE" in text
        assert "■ older than 121 s" in text
        assert "▲ ■ longest 900 ms" in text
        marked = [
            segment
            for strip in driver.app.screen._compositor.render_strips()
            for segment in strip
            if segment.text == "1203.4"
        ]
        assert marked
        assert all(segment.style.bold and segment.style.underline for segment in marked)

    shown(stage, look, (100, 30))
