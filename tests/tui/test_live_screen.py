"""The live view on the walk's screen: while a check works, just after it, and on the whole screen."""

from __future__ import annotations

import itertools
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
from screen_driving import Driver, Stage, ToldCheck, found
from serial_ends import PAYLOAD_SITE, make_flight
from textual.geometry import Region

from preflight.checks.base import Context
from preflight.checks.sample_record import check as sample_record
from preflight.live import Bad, Line, Stream, Trace
from preflight.practice.faults import SAMPLE_FIELDS
from preflight.practice.simulate import SimulatedPayload
from preflight.readings import Finding, Progress, Reading
from preflight.tui.dialogs.tell import Page
from preflight.tui.pane import Pane
from preflight.tui.places import Place
from preflight.tui.runner import EVERY, Done, Report, Runner
from preflight.tui.screens.live import LiveScreen
from preflight.tui.screens.walk import WalkScreen

WHY = "pressure: 1203.4 hPa is above 1100 hPa"


def lines(count: int) -> tuple[Line, ...]:
    good = [Line(f"{n},992.1,9.0") for n in range(count - 1)]
    return (
        *good,
        Line(f"{count - 1},1203.4,9.0", (Bad(len(str(count - 1)) + 1, len(str(count - 1)) + 7, WHY),)),
    )


def picture(count: int) -> Progress:
    """What a tap shows after so many lines."""
    return Progress(
        f"{count} of 100 samples",
        count / 100,
        live=(
            Stream(name="tap", lines=lines(count), seen=count),
            Trace(name="rate", unit="Hz", points=(2.0, 1.0, 2.0), declared=2.0, told="2 Hz, 2 Hz declared"),
        ),
    )


@dataclass
class LiveCheck(ToldCheck):
    """One more line every moment, until it is stopped or told to end."""

    ends: threading.Event = field(default_factory=threading.Event)
    pace: float = 0.01
    counts: Any = None

    def run(self, context: Any) -> Any:
        self.runs += 1
        count = 2
        self.started.set()
        pace = threading.Event()
        while not self.ends.is_set() and not context.stopped():
            count = min(count + 1, 90)
            yield picture(count)
            pace.wait(self.pace)
        self.left = True
        yield picture(95)
        if context.stopped():
            return Finding(check=self.name, outcome="open", remarks=("Stopped: nothing was checked",))
        return self.finding


def at_work(stage: Stage) -> LiveCheck:
    check = LiveCheck("logger-response", found("logger-response"))
    stage.checks["logger-response"] = check
    return check


async def to_the_check(driver: Driver, check: LiveCheck) -> None:
    await driver.begin()
    await driver.sign("omar")
    await driver.at("step", "logger")
    await driver.press("enter")
    await driver.until(lambda: check.started.is_set() and driver.app.seen.live is not None, "for a report")
    await driver.dealt()


def test_the_picture_stands_below_the_challenge_and_stays_until_the_step_is_left(stage: Stage) -> None:
    check = at_work(stage)

    async def story(driver: Driver) -> None:
        await to_the_check(driver, check)
        text = driver.text()
        assert text.index("Logger lead on") < text.index("2 Hz, 2 Hz declared")
        assert "■1203.4" in text
        assert WHY in text
        assert "2 Hz, 2 Hz declared" in text
        assert "s stops it" in text
        assert "Enter run" not in text  # not a second time beside it
        assert "signs" not in text  # what can be read later gives way
        check.ends.set()
        await driver.until(
            lambda: driver.app.seen.view.step("logger").waiting == "signature", "for a finding"
        )
        await driver.dealt()
        text = driver.text()
        assert "link.margin" in text
        assert "■1203.4" in text
        assert driver.app.seen.live == picture(95)  # the very last one, though no report brought it
        await driver.key("right")
        await driver.key("left")
        assert "■1203.4" not in driver.text()
        assert "link.margin" in driver.text()

    for size in ((80, 24), (160, 45)):
        check.ends.clear()
        check.started.clear()
        app = stage.drive(story, size=size)
        assert app.fault is None


def test_looking_at_another_step_meanwhile_loses_nothing(stage: Stage) -> None:
    check = at_work(stage)

    async def story(driver: Driver) -> None:
        await to_the_check(driver, check)
        await driver.key("right")
        assert "■1203.4" not in driver.text()
        await driver.key("left")
        await driver.until(lambda: "■1203.4" in driver.text())
        await driver.key("right")
        check.ends.set()
        await driver.until(lambda: driver.app.seen.view.step("logger").finding is not None)
        await driver.key("left")
        assert driver.app.seen.live is None

    stage.drive(story)


def test_space_opens_the_picture_whole_with_its_lines_to_go_back_in(stage: Stage) -> None:
    check = at_work(stage)

    async def story(driver: Driver) -> None:
        await to_the_check(driver, check)
        await driver.press("space")
        await driver.until(lambda: isinstance(driver.app.screen, LiveScreen), "for the whole picture")
        await driver.until(lambda: "89,■1203.4" in driver.text(), "for the latest line")
        assert "the latest 90 lines of 90, 1 marked" in driver.text()
        await driver.key("pageup")
        await driver.key("up")
        await driver.until(lambda: "paused while you read" in driver.text())
        assert "89,■1203.4" not in driver.text()
        held = driver.text().splitlines()[5:20]
        before = driver.app.seen.running.progress
        await driver.until(lambda: driver.app.seen.running.progress is not before, "for another report")
        await driver.dealt()
        assert driver.text().splitlines()[5:20] == held
        await driver.key("home")
        await driver.until(lambda: "0,992.1" in driver.text())
        await driver.key("end")
        assert "paused while you read" not in driver.text()
        await driver.until(lambda: "89,■1203.4" in driver.text())
        await driver.press("s")
        await driver.until(lambda: driver.app.seen.view.step("logger").finding is not None, "for the stop")
        await driver.until(lambda: "as it stood when the check ended" in driver.text())
        assert "○ OPEN" in driver.text()
        assert check.left
        await driver.press("space")
        await driver.until(lambda: isinstance(driver.app.screen, Page), "for the step in words")
        await driver.until(lambda: "Stopped: nothing was checked" in driver.text())
        await driver.press("escape")
        await driver.until(lambda: isinstance(driver.app.screen, WalkScreen))

    for size in ((80, 24), (160, 45)):
        check.started.clear()
        check.left = False
        stage.drive(story, size=size)


def test_a_check_that_comes_too_early_says_so_before_and_its_dropped_picture_says_so(stage: Stage) -> None:
    stage.checks["link-margin"] = LiveCheck("link-margin", found("link-margin"))
    confirmed = 'challenge = "Gust over two minutes"\nresponse = "Below 6 m/s"'
    checked = 'challenge = "Samples"\nresponse = "Read"\ncheck = "link-margin"'
    stage.checklist = stage.checklist.replace('gate = "release"', 'gate = "fill"').replace(confirmed, checked)
    check = stage.checks["link-margin"]
    assert isinstance(check, LiveCheck)
    check.ends.set()

    async def story(driver: Driver) -> None:
        await driver.begin()
        driver.app.conductor.go(Place("step", "gust"))
        early = "Enter runs the check; only a no-go counts, as Power-up is not called complete; "
        await driver.until(lambda: f"{early}g begins this one all the same" in driver.said())
        before = driver.entries
        await driver.press("enter")
        named = "Complete it, or begin Fill naming what is passed. g begins it."
        await driver.until(lambda: named in driver.said())
        await driver.until(lambda: "What was found is dropped." in driver.said())
        assert driver.entries == before
        await driver.press("space")
        await driver.until(lambda: isinstance(driver.app.screen, LiveScreen))
        await driver.until(lambda: "NOT ENTERED: what it found is dropped" in driver.said())
        assert "● GO" not in driver.text()
        await driver.press("escape")
        await driver.until(lambda: isinstance(driver.app.screen, WalkScreen))
        # A no-go found early begins nothing: g still does.
        driver.app.session.walk.refuse("spare", "omar", "none left")
        await driver.until(lambda: driver.app.seen.view.state.phases["fill"].begun)
        await driver.press("g")
        await driver.fill("wind drops", "2")
        driver.app.conductor.go(Place("step", "gust"))
        await driver.until(lambda: "▶ Enter runs the check" in driver.said())
        assert "only a no-go counts" not in driver.said()
        await driver.run_check()
        assert driver.app.seen.kept.outcome == "go"

    stage.drive(story)


def test_hold_works_from_the_whole_picture(stage: Stage) -> None:
    check = at_work(stage)

    async def story(driver: Driver) -> None:
        await to_the_check(driver, check)
        await driver.press("space")
        await driver.until(lambda: isinstance(driver.app.screen, LiveScreen))
        await driver.until(lambda: "s stop  F2 hold" in driver.text())
        assert "Space step in full" in driver.text()
        await driver.press("f2")
        await driver.asked()
        await driver.fill("gust above the limit", "2")
        await driver.until(lambda: bool(driver.app.seen.view.state.holds))
        assert isinstance(driver.app.screen, LiveScreen)
        await driver.until(lambda: "‖ HOLD  Omar Example 07:00Z" in driver.text())

    stage.drive(story)


def run(check: Any, context: Any, on_report: Any) -> Done:
    ended: list[Done] = []
    runner = Runner("step", check, context, on_report=on_report, on_done=ended.append)
    runner.start()
    assert runner.join(20)
    return ended[0]


@dataclass
class Flood(ToldCheck):
    """As many reports as it can make."""

    many: int = 50_000

    def run(self, context: Any) -> Any:
        for n in range(self.many):
            yield Progress(f"{n}", n / self.many)
        return self.finding


def test_reports_are_dropped_and_never_queued() -> None:
    context = Context(flight=make_flight(), folder=Path())
    told: list[Report] = []
    began = time.monotonic()
    done = run(Flood("flood", found("flood")), context, told.append)
    took = time.monotonic() - began
    # Nobody fetched the first one, so no other was sent; the end brings the last.
    assert len(told) == 1
    assert done.progress == Progress("49999", 49999 / 50_000)
    assert done.finding.outcome == "go"
    assert took < 20


def test_at_most_ten_reports_a_second_are_sent_to_who_fetches_them() -> None:
    check = ToldCheck("waits", found("waits"), waits=True)
    at: list[float] = []
    enough = threading.Event()
    holder: list[Runner] = []

    def on_report(report: Report) -> None:
        at.append(time.monotonic())
        assert holder[0].fetch() is not None
        if len(at) >= 6:
            enough.set()

    runner = Runner(
        "step",
        check,
        Context(flight=make_flight(), folder=Path()),
        on_report=on_report,
        on_done=lambda _: None,
    )
    holder.append(runner)
    runner.start()
    assert enough.wait(20)
    runner.stop()
    assert runner.join(20)
    assert min(after - before for before, after in itertools.pairwise(at)) >= EVERY * 0.99


def test_a_plugins_readings_become_a_trend(stage: Stage) -> None:
    @dataclass
    class Meter(ToldCheck):
        ends: threading.Event = field(default_factory=threading.Event)

        def run(self, context: Any) -> Any:
            volts = 8.4
            pace = threading.Event()
            while not self.ends.is_set() and not context.stopped():
                volts -= 0.001
                yield Progress("Load on", 0.5, Reading(name="meter.loaded_voltage", value=volts, unit="V"))
                pace.wait(0.005)
            return self.finding

    meter = stage.checks["logger-response"] = Meter("logger-response", found("logger-response"))

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.at("step", "logger")
        await driver.press("enter")
        await driver.until(lambda: "▲ lowest 8." in driver.text(), "for the trend")
        assert "loaded vo" in driver.text()
        meter.ends.set()
        await driver.until(lambda: driver.app.seen.view.step("logger").finding is not None)

    stage.drive(story)


def test_the_simulated_payloads_samples_are_seen_with_the_planted_fault(stage: Stage, tmp_path: Path) -> None:
    with SimulatedPayload(tmp_path / "payload", rate=40.0, faults=["out-of-range=pressure"]) as payload:
        flight = make_flight(
            site=PAYLOAD_SITE,
            link={"baud": 38400},
            port=[{"use": "tap", "at": payload.tap}],
            sample={"rate": 40.0, "format": "delimited", "length": 72.0, "field": list(SAMPLE_FIELDS)},
        )

        class OnThePayload(ToldCheck):
            def run(self, context: Any) -> Any:
                self.started.set()
                mine = Context(flight=flight, folder=tmp_path, stopped=context.stopped)
                finding = yield from sample_record.run(mine)
                return msgspec.structs.replace(finding, check=self.name)

        stage.checks["logger-response"] = OnThePayload("logger-response", found("logger-response"))

        async def story(driver: Driver) -> None:
            await driver.begin()
            await driver.sign("omar")
            await driver.at("step", "logger")
            await driver.press("enter")
            await driver.until(lambda: "■1203.4" in driver.text(), "for a marked field")
            assert WHY in driver.text()
            assert "40 Hz declared" in driver.text()
            await driver.until(
                lambda: driver.app.seen.view.step("logger").outcome == "no-go", "for the finding"
            )
            await driver.dealt()
            # What was found has the room now; the lines that came are a key away.
            assert WHY in driver.said()
            await driver.press("space")
            await driver.until(lambda: "■1203.4" in driver.text(), "for the lines that were kept")

        stage.drive(story)


def test_only_lines_that_changed_are_drawn_again(stage: Stage) -> None:
    check = at_work(stage)

    async def story(driver: Driver) -> None:
        await to_the_check(driver, check)
        await driver.until(lambda: "89,■1203.4" in driver.text(), "for the last line")
        centre = driver.app.screen.query_one("#centre", Pane)
        asked: list[tuple[Region, ...]] = []
        whole = centre.refresh
        centre.refresh = lambda *regions, **more: asked.append(regions) or whole(*regions, **more)
        before = driver.app.seen.running.progress
        await driver.until(lambda: driver.app.seen.running.progress is not before, "for another report")

        def busy() -> bool:
            driver.app.change(busy="writing to the disk")  # the end of the second's look takes it away again
            return "writing to the disk" in driver.text()

        await driver.until(busy)
        assert asked
        # The line that says what is being done, and the one with the seconds.
        assert all(1 <= len(regions) <= 3 for regions in asked)
        assert "89,■1203.4" in driver.text()

    for size in ((80, 24), (160, 45)):
        check.started.clear()
        stage.drive(story, size=size)
