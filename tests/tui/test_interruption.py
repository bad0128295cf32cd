"""Interruptions and steps gone past: what a crew comes back to, and what an alert names."""

from __future__ import annotations

import gc

from record_making import lines_of
from screen_driving import Driver, Stage

from preflight.walk.proof import prove


async def to_step(driver: Driver, name: str) -> None:
    await driver.press("slash")
    await driver.until(lambda: len(driver.app.screen_stack) > 2)
    await driver.type(name)
    await driver.press("enter")
    await driver.at("step", name)


async def power_up_done(driver: Driver) -> None:
    await driver.sign("omar")
    for step in ("logger", "line"):
        await driver.at("step", step)
        await driver.run_check()
        await driver.sign("omar")
    await driver.at("complete", "power-up")


class TestComingBack:
    def test_the_next_step_is_shown_and_the_one_before_it_is_read_again(self, stage: Stage) -> None:
        async def first(driver: Driver) -> None:
            await driver.begin()
            await driver.sign("omar")

        stage.drive(first)
        stage.clock.forward(minutes=12)

        async def story(driver: Driver) -> None:
            await driver.press("enter")
            await driver.at("step", "logger")
            said = driver.said()
            assert "Back again: 00:12:00 away. Next: logger." in said
            assert "Read again the one before it, battery (go): Battery lead — Latched, 8.1 V" in said
            assert "before: ● GO battery Omar Example 07:00:00Z" in said
            assert driver.app.seen.view.acts[-1].entry.kind == "resume"
            assert driver.app.seen.view.acts[-1].data.next == "logger"
            assert gc.get_freeze_count() > 0  # what stays is not looked through while keys are pressed
            # It was read while the arrival stood, and that served.
            record = driver.app.session.walk.recorder.folder
            ahead = driver.app.session._ahead.of(record)
            assert ahead is not None
            assert driver.app.seen.view.acts[0] is ahead.ledger.acts[0]
            await driver.key("escape")
            assert "Back again" not in driver.said()
            assert "before: ● GO battery" in driver.said()
            scene = driver.app.scene
            driver.app.change(busy="", notice=None)
            assert driver.app.scene is scene  # nothing is other than before: nothing is drawn

        stage.drive(story)
        assert gc.get_freeze_count() == 0

    def test_a_step_that_has_expired_meanwhile_is_next_and_says_why(self, stage: Stage) -> None:
        stage.checklist = stage.checklist.replace(
            'response = "Latched, 8.1 V"', 'response = "Latched, 8.1 V"\nvalid_for = "30 min"'
        )

        async def first(driver: Driver) -> None:
            await driver.begin()
            await driver.sign("omar")
            await driver.at("step", "logger")
            await driver.run_check()
            await driver.sign("omar")

        stage.drive(first)
        stage.clock.forward(hours=1)

        async def story(driver: Driver) -> None:
            await driver.press("enter")
            await driver.at("step", "battery")
            said = driver.said()
            assert "Next: battery. Read again the one before it, logger (stale)" in said
            assert "valid for 30 min only, done 07:00 UTC" in said

        stage.drive(story)

    def test_before_anything_is_done_there_is_none_to_read_again(self, stage: Stage) -> None:
        async def first(driver: Driver) -> None:
            await driver.begin()

        stage.drive(first)

        async def story(driver: Driver) -> None:
            await driver.press("enter")
            await driver.at("step", "battery")
            assert "Next: battery." in driver.said()
            assert "Read again" not in driver.said()

        stage.drive(story)


class TestPassingOver:
    def test_going_past_open_steps_of_a_phase_raises_an_alert_that_names_them(self, stage: Stage) -> None:
        rung: list[str] = []

        async def story(driver: Driver) -> None:
            driver.app.bell = lambda: rung.append("bell")
            await driver.begin()
            await to_step(driver, "line")
            await driver.run_check()
            assert driver.app.seen.notice is None
            before = len(rung)
            await driver.sign("omar")
            assert len(rung) == before + 1
            notice = driver.app.seen.notice
            assert notice.alert
            assert "■ ALERT" in driver.text()
            assert (
                "Passed over: battery (open) and logger (open) before line: still to be done."
                in driver.said()
            )
            await driver.at("step", "battery")  # and the first of them is what is shown next
            await driver.sign("omar")
            assert driver.app.seen.notice is None

        stage.drive(story)

    def test_a_phase_begun_out_of_order_names_what_it_passes_before_and_after(self, stage: Stage) -> None:
        stage.checklist = stage.checklist.replace('gate = "release"', 'gate = "fill"')

        async def story(driver: Driver) -> None:
            await driver.begin()
            await driver.sign("omar")
            await to_step(driver, "gust")
            before = driver.entries
            await driver.press("2", "enter")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert "Phase Power-up was not called complete" in driver.app.seen.notice.text
            assert driver.entries == before
            await driver.press("g")
            await driver.asked()
            assert "Passed and still open: logger, line" in driver.said()
            await driver.fill("wind drops", "2")
            await driver.until(lambda: driver.app.seen.notice is not None, "for the alert")
            notice = driver.app.seen.notice
            assert notice.alert
            assert "logger (open) and line (open)" in notice.text
            assert driver.app.seen.view.acts[-1].data.passed == ("logger", "line")
            await driver.sign("omar")
            await driver.until(lambda: driver.app.seen.notice is not None, "for the alert")
            assert "neck-lift (open)" in driver.app.seen.notice.text
            assert "logger (open), line (open)" in driver.app.seen.notice.text

        stage.drive(story)

    def test_a_phase_passed_over_without_being_begun_stands_out(self, stage: Stage) -> None:
        stage.checklist = stage.checklist.replace('gate = "release"', 'gate = "fill"')

        async def story(driver: Driver) -> None:
            await driver.begin()
            await to_step(driver, "gust")
            await driver.press("g")
            await driver.fill("wind drops", "2")
            await driver.until(lambda: "▲Power-up" in driver.text())

        stage.drive(story)


class TestCompleting:
    def test_a_phase_is_complete_only_once_somebody_calls_it(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            await power_up_done(driver)
            state = driver.app.seen.view.state
            assert state.phases["power-up"].blocking == ()
            assert state.phases["power-up"].completed is None
            assert any("not called complete" in reason.text for reason in state.gates["fill"].reasons)
            before = driver.entries
            await driver.key("enter")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert "Choose who signs first" in driver.app.seen.notice.text
            assert driver.entries == before
            await driver.sign("omar")
            assert driver.app.seen.view.state.phases["power-up"].completed.signer == "omar"
            await driver.at("poll", "fill")

        stage.drive(story)

    def test_a_phase_with_open_steps_cannot_be_called_complete_and_names_them(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            await driver.sign("omar")
            for _ in range(3):
                await driver.key("right")
            await driver.at("complete", "power-up")
            assert "Not complete: logger, line" in driver.said()
            before = driver.entries
            await driver.press("2", "enter")
            await driver.at("step", "logger")
            assert driver.entries == before

        stage.drive(story)


class TestHandover:
    def test_another_laptop_takes_the_walk_over_in_a_record_that_follows(self, stage: Stage) -> None:
        async def first(driver: Driver) -> None:
            assert "another laptop" not in driver.text()
            await driver.begin()
            await driver.sign("omar")

        stage.drive(first)
        (before,) = stage.logs.iterdir()
        lines = lines_of(before)
        stage.clock.boot = "the other laptop"
        stage.clock.forward(minutes=9)

        async def story(driver: Driver) -> None:
            assert f"▶ Go on with {before.name}" in driver.text()
            assert f"Take over from another laptop: {before.name}" in driver.text()
            await driver.unlock("ines", "omar")
            await driver.press("1", "down", "enter")
            await driver.at("step", "logger")
            assert driver.app.seen.view.record.rec != before.name
            assert "Back again" in driver.text()
            assert "before: ● GO battery" in driver.said()
            await driver.run_check()
            await driver.sign("omar")

        stage.drive(story)
        assert lines_of(before) == lines
        (after,) = set(stage.logs.iterdir()) - {before}
        found = prove(after).found
        assert (found.state, found.first_bad) == ("unsealed", None)
        assert f"follows {before.name} (handover)" in found.warnings

    def test_of_more_records_than_fit_the_one_chosen_is_in_view(self, stage: Stage) -> None:
        async def one(driver: Driver) -> None:
            await driver.begin()

        for _ in range(4):
            stage.drive(one)
            stage.clock.forward(minutes=1)
        stage.clock.boot = "the other laptop"

        async def story(driver: Driver) -> None:
            for _ in range(9):
                assert "▶" in driver.text()
                assert "local rules and the competent person decide" in driver.text()
                await driver.key("down")
            assert "▶ Begin a new record" in driver.text()
            assert len(driver.app.screen.found) == 8

        stage.drive(story)

    def test_after_a_restart_of_the_same_laptop_the_record_itself_goes_on(self, stage: Stage) -> None:
        async def first(driver: Driver) -> None:
            await driver.begin()

        stage.drive(first)
        stage.clock.boot = "started again"
        stage.clock.forward(minutes=2)

        async def story(driver: Driver) -> None:
            await driver.press("enter")
            await driver.until(lambda: driver.app.seen.view.record is not None)
            assert driver.app.seen.view.acts[-1].entry.kind == "resume"

        stage.drive(story)
        assert len(list(stage.logs.iterdir())) == 1
