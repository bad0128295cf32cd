"""At 80 by 24 what decides is on the screen that one signs: the tightest reading, what to do now, remarks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from screen_driving import Driver, Stage, ToldCheck

from preflight.live import Line, Stream
from preflight.readings import Finding, Progress, Reading

REMEDY = "Now switch the payload off, put its card into this laptop, and run this check once more"
REMARK = "temperature is 8.8 in all of 20 samples: see that it moves"
RESPONSE = "Replies ready, the longest gap told, and it logs again by itself after the power cut"
CAUTION = 'caution = "Pull the lead by its plug: no bare end touches another"\n'

OPEN = Finding(
    check="logger-response",
    outcome="open",
    remarks=(
        "Not checked: the card: 26 samples of 0.1 min are recorded, the power cut among them, as far as the "
        f"line was heard while the payload was switched on. {REMEDY}",
    ),
)
GO = Finding(
    check="logger-response",
    outcome="go",
    readings=(
        Reading(name="log.pattern", value="none"),
        Reading(name="log.captured", value=26),
        Reading(name="log.replies_ready", value="yes"),
        Reading(name="log.lost_at_power_cut", value=0.2, unit="s", at_most=5.0),
        Reading(name="logger.reply_time", value=1.6, unit="s", at_most=2.0),
        *(Reading(name=f"log.plain_{n}", value=n) for n in range(6)),
    ),
    remarks=(REMARK,),
)


@dataclass
class Heard(ToldCheck):
    """Shows what it hears while it works."""

    def run(self, context: Any) -> Iterator[Any]:
        lines = tuple(Line(f"raw line {n}") for n in range(40))
        yield Progress("listening", 1.0, live=(Stream(name="tap", lines=lines, seen=40),))
        return self.finding


def test_what_decides_and_what_to_do_now_are_never_cut(stage: Stage) -> None:
    stage.checklist = stage.checklist.replace('id = "logger"\n', f'id = "logger"\n{CAUTION}')
    stage.checklist = stage.checklist.replace('response = "Replies ready"', f'response = "{RESPONSE}"')
    lead = "Logger lead on, its box closed as it flies; pull the power when told to, then put it back"
    stage.checks["logger-response"] = check = Heard("logger-response", OPEN, leads=lead, put_back=lead)

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.settled()
        runout = driver.app.screen.query_one("#runout")
        assert runout.size.height > 1
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.run_check()
        assert REMEDY in driver.said()
        # The run-out has given way, and what governs is still told.
        await driver.until(lambda: runout.size.height == 1, "for the run-out to give way")
        (line,) = [line for line in driver.text().splitlines() if "◀" in line]
        assert line in driver.text().splitlines()[-5]

        check.finding, check.put_back = GO, "Logger lead off"
        await driver.run_check()
        text = driver.text()
        assert "found  go, waits for payload's signature" in text
        assert "logger found go, waits for payload's signature" in text
        # The tightest limit, the other one, what the response speaks of; then remarks; the rest gives way.
        told = ("reply_time", "lost_at_power_cut", "replies_ready", REMARK[:40])
        order = [text.index(word) for word in told]
        assert order == sorted(order)
        assert REMARK in driver.said()
        assert RESPONSE in driver.said()
        assert "log.pattern" not in text
        assert "raw line" not in text
        await driver.pilot.resize_terminal(160, 45)
        await driver.until(lambda: "raw line 39" in driver.text(), "for the lines where there is room")
        assert driver.text().index("log.plain_5") < driver.text().index("raw line 39")
        wanted = 1 + len(driver.app.seen.extra.figures.run_out)  # type: ignore[union-attr]
        await driver.until(lambda: runout.size.height == wanted, "for every resource")

    stage.drive(story)
