"""What was done elsewhere, by keys: on the printed list, in a scrubbed attempt; and the second copy."""

from __future__ import annotations

import shutil
from datetime import timedelta
from pathlib import Path

import pytest
from record_making import lines_of
from screen_driving import PASSPHRASE, Driver, Stage, found
from small_flight import START, filled, go, margin, ready_to_fill

from preflight.record.keys import Keyring
from preflight.record.store import Recorder
from preflight.tui.keys import BY_NAME, KEYS
from preflight.tui.places import Place
from preflight.walk import opening
from preflight.walk.acts import Walk
from preflight.walk.proof import prove


def keyring(stage: Stage) -> Keyring:
    ring = Keyring(stage.keys, stage.roster)
    for person in stage.roster.people:
        ring.unlock(person.id, PASSPHRASE)
    return ring


def carriable(stage: Stage) -> None:
    for step in ("battery", "line"):
        stage.checklist = stage.checklist.replace(f'id = "{step}"\n', f'id = "{step}"\ncarry = true\n')


def scrubbed(stage: Stage, *, drill: bool = False, close: bool = True) -> Walk:
    """Yesterday's attempt: its bench steps were go, then it was given up and closed."""
    carriable(stage)
    walk = opening.begin(
        stage.logs, stage.sources, keyring=keyring(stage), person="ines", clock=stage.clock, drill=drill
    )
    ready_to_fill(walk)
    walk.scrub("ines", "wind above limits")
    if close:
        walk.close("ines", PASSPHRASE, reason="scrubbed")
    walk.recorder.close()
    stage.clock.forward(hours=22)
    return walk


def sound(folder: Path) -> None:
    proof = prove(folder)
    assert (proof.found.state, proof.found.first_bad) == ("unsealed", None), proof.found.why


def folder_of(driver: Driver) -> Path:
    return Path(driver.app.seen.view.record.folder)


async def after_the_scrub(driver: Driver) -> None:
    """Begin the new attempt that the arrival offers first."""
    await driver.unlock("ines", "omar", "lena")
    await driver.press("1")
    await driver.press("enter")
    await driver.until(lambda: driver.app.seen.view.record is not None, "for a record")
    await driver.dealt()


async def to_step(driver: Driver, step: str) -> None:
    """Find a step by its name and go there."""
    await driver.press("slash")
    await driver.until(lambda: len(driver.app.screen_stack) > 2)
    await driver.type(step.split("-", maxsplit=1)[0])
    await driver.press("enter")
    await driver.at("step", step)


async def answers(driver: Driver, *typed: str) -> None:
    """Answer one field after another, wherever that leads."""
    for answer in typed:
        await driver.type(answer)
        await driver.press("enter")


async def on_paper(driver: Driver) -> None:
    """Begin a walk and enter its first step as done on the printed list."""
    await driver.begin()
    await driver.press("f3")
    await driver.asked()


async def close_and_seal(driver: Driver) -> None:
    await driver.press("z")
    await driver.asked()
    await answers(driver, "no gas", "1", PASSPHRASE)


async def past_the_code(driver: Driver) -> None:
    await driver.until(lambda: "Sealed" in driver.text())
    await driver.press("enter")
    await driver.dealt()


class TestTakingOver:
    def test_the_arrival_offers_a_new_attempt_and_what_it_could_take_over(self, stage: Stage) -> None:
        first = scrubbed(stage)

        async def story(driver: Driver) -> None:
            text = driver.said()
            assert f"▶ Begin a new attempt after {first.rec}" in text
            assert "scrubbed 2031-03-09 07:00Z; steps that can be taken over: battery, line" in text

        stage.drive(story)

    def test_bench_steps_are_taken_over_by_key_and_the_rest_is_open(self, stage: Stage) -> None:
        first = scrubbed(stage)
        folders: list[Path] = []

        async def story(driver: Driver) -> None:
            await after_the_scrub(driver)
            # The key is among the first at a step that can be taken over, and gone once none can be.
            assert "F4 take over" in driver.text()
            assert driver.app.seen.view.takeable == ("battery", "line")
            driver.app.conductor.go(Place("step", "logger"))
            await driver.dealt()
            assert "F4" not in driver.text()
            driver.app.conductor.go(Place("step", "battery"))
            await driver.press("f4")
            await driver.asked()
            text = driver.text()
            assert f"From {first.rec}" in text
            assert "1  battery  2031-03-09 07:00Z" in text
            assert "2  line  3  2031-03-09 07:00Z" in text
            await driver.type("all")
            await driver.until(lambda: "takes over battery and line" in driver.said())
            assert "2 Omar Example or 3 Lena Example may sign" in driver.said()
            await driver.fill("", "2")
            await driver.until(lambda: driver.app.seen.view.step("line").outcome == "go")
            view = driver.app.seen.view
            assert [view.step(name).outcome for name in ("battery", "logger", "line")] == ["go", "open", "go"]
            assert [act.entry.kind for act in view.acts] == ["open", "carry", "carry"]
            assert {act.signer for act in view.acts[1:]} == {"omar"}
            assert not BY_NAME["take_over"].when(driver.app.seen)
            await driver.press("f4")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert driver.app.seen.notice.title == "Not now"
            folders.append(folder_of(driver))

        stage.drive(story)
        sound(folders[0])

    def test_one_of_them_is_picked_by_its_number(self, stage: Stage) -> None:
        scrubbed(stage)

        async def story(driver: Driver) -> None:
            await after_the_scrub(driver)
            await driver.press("f4")
            await driver.fill_refused("3", "2", told="There is no 3 in the list")
            await driver.dealt()
            await driver.press("home", "delete")
            await driver.fill("2", "")
            assert driver.app.seen.view.step("line").outcome == "go"
            assert driver.app.seen.view.step("battery").outcome == "open"

        stage.drive(story)

    def test_who_may_not_sign_takes_nothing_over(self, stage: Stage) -> None:
        scrubbed(stage)

        async def story(driver: Driver) -> None:
            await after_the_scrub(driver)
            before = driver.entries
            await driver.press("f4")
            await driver.fill_refused("all", "1", told="does not have that role")
            assert driver.entries == before

        stage.drive(story)

    def test_what_cannot_be_taken_over_yet_is_named_with_why(self, stage: Stage) -> None:
        stage.checklist = stage.checklist.replace('id = "gust"\n', 'id = "gust"\ncarry = true\n')
        stage.checklist = stage.checklist.replace('valid_for = "30 min"\n', "")
        ring = keyring(stage)
        carriable(stage)
        walk = opening.begin(stage.logs, stage.sources, keyring=ring, person="ines", clock=stage.clock)
        walk.confirm("battery", "omar", "8.1 V")
        walk.found("logger", go("logger-response"))
        walk.sign("logger", "omar")
        walk.found("line", margin(3.0))
        walk.sign("line", "omar")
        walk.complete("power-up", "omar")
        walk.poll("fill", "director", "ines", go=True)
        walk.poll("fill", "payload", "omar", go=True)
        walk.authorise("fill", "ines", PASSPHRASE)
        walk.confirm("gust", "omar", "4 m/s")
        walk.scrub("ines", "rain")
        walk.close("ines", PASSPHRASE, reason="scrubbed")
        walk.recorder.close()

        async def story(driver: Driver) -> None:
            await after_the_scrub(driver)
            assert driver.app.seen.view.takeable == ("battery", "line")  # gust lies behind a gate
            await driver.press("f4")
            await driver.fill("all", "2")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert not BY_NAME["take_over"].when(driver.app.seen)
            assert "gust: The fill gate lies before gust" in driver.app.seen.notice.text
            assert driver.app.seen.view.step("battery").outcome == "go"

        stage.drive(story)

    def test_a_drill_is_not_taken_over_into_a_flight(self, stage: Stage) -> None:
        scrubbed(stage, drill=True)

        async def story(driver: Driver) -> None:
            await driver.unlock("ines")
            await driver.press("1")
            await driver.press("enter")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert "is the record of a drill: a flight can't follow it" in driver.app.seen.notice.text
            assert len(list(stage.logs.iterdir())) == 1

        stage.drive(story)

    def test_without_an_earlier_attempt_there_is_nothing_to_take_over(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin("ines", "omar")
            await driver.press("f4")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert driver.app.seen.notice.title == "Not now"

        stage.drive(story)


class TestPaper:
    def test_a_step_done_on_paper_is_entered_with_its_time_and_second_person(self, stage: Stage) -> None:
        stage.clock.forward(minutes=40)
        folders: list[Path] = []

        async def story(driver: Driver) -> None:
            await on_paper(driver)
            assert "It counts once a second person has signed it" in driver.text()
            await driver.fill("07:10", "go", "", "2", "3")
            await driver.until(lambda: driver.app.seen.view.step("battery").outcome == "go")
            act = driver.app.seen.view.step("battery").finding.act
            assert (act.entry.kind, act.data.done_at) == ("paper", "2031-03-09T07:10:00.000Z")
            assert [act.entry.kind for act in driver.app.seen.view.acts] == ["open", "paper", "witness"]
            assert driver.app.seen.place.name == "logger"
            folders.append(folder_of(driver))

        stage.drive(story)
        sound(folders[0])

    def test_the_second_person_may_sign_afterwards(self, stage: Stage) -> None:
        stage.clock.forward(minutes=40)

        async def story(driver: Driver) -> None:
            await on_paper(driver)
            await driver.fill("07:10Z", "go", "8.2 V", "2", "")
            await driver.until(lambda: driver.app.seen.view.step("battery").waiting == "witness")
            await driver.press("2", "enter")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert "another person" in driver.app.seen.notice.text
            await driver.sign("noah")
            assert driver.app.seen.view.step("battery").outcome == "go"

        stage.drive(story)

    def test_a_no_go_on_paper_counts_and_the_performer_is_no_second_person(self, stage: Stage) -> None:
        stage.clock.forward(minutes=40)

        async def story(driver: Driver) -> None:
            await on_paper(driver)
            shown = driver.app.screen
            await answers(driver, "07:10", "no-go", "lead loose", "2", "2")
            await driver.until(lambda: "Look again: The second person must be another one" in driver.said())
            assert driver.app.screen is shown
            await driver.dealt()
            await driver.press("home", "delete")
            await driver.type("3")
            await driver.press("enter")
            await driver.until(lambda: not driver.asking)
            assert driver.app.seen.view.step("battery").outcome == "no-go"

        stage.drive(story)

    def test_what_was_measured_on_paper_is_judged(self, stage: Stage) -> None:
        stage.clock.forward(minutes=40)

        async def story(driver: Driver) -> None:
            await driver.begin()
            await to_step(driver, "neck-lift")
            await driver.press("f3")
            await driver.fill("07:20", "1,71", "1.70", "1,72", "spring scale", "2", "3")
            await driver.until(lambda: driver.app.seen.view.step("neck-lift").outcome == "go")
            assert driver.app.seen.view.flight.balloon.neck_lift == pytest.approx(1.71)
            await to_step(driver, "neck-lift")
            await driver.press("f3")
            await driver.fill("07:30", "2,0", "2.0", "2.0", "again", "2", "")
            await driver.until(lambda: driver.app.seen.view.step("neck-lift").outcome == "no-go")

        stage.drive(story)

    def test_a_time_that_lies_ahead_is_refused_and_what_was_typed_stays(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            before = driver.entries
            await driver.press("f3")
            await driver.asked()
            await answers(driver, "07:30", "go", "", "2", "3")
            await driver.until(lambda: "lies ahead" in driver.said())
            assert driver.entries == before
            assert driver.app.screen.query_one("#f0").value == "07:30"

        stage.drive(story)

    def test_an_authoritys_answer_is_entered_itself(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            await to_step(driver, "notice")
            await driver.press("f3")
            await driver.until(lambda: driver.app.seen.notice is not None)
            assert driver.app.seen.notice.title == "Not now"

        stage.drive(story)


class TestSecondCopy:
    def test_a_mirror_that_falls_behind_is_seen_at_once_and_caught_up_by_key(
        self, stage: Stage, tmp_path: Path
    ) -> None:
        stick = tmp_path / "stick"

        async def story(driver: Driver) -> None:
            await driver.begin()
            rec = driver.app.seen.view.record.rec
            assert "mirror behind" not in driver.text()
            assert lines_of(stick / rec) == lines_of(stage.logs / rec)
            # The stick is pulled: its folder is gone, and a file stands where it was mounted.
            recorder: Recorder = driver.app.session.walk.recorder
            recorder._mirror.close()
            shutil.rmtree(stick)
            stick.write_bytes(b"")
            await driver.sign("omar")
            recorder.mirror_to(stick)
            await driver.until(lambda: "▲ mirror behind" in driver.text())
            await driver.press("f5")
            await driver.asked()
            assert "is behind" in driver.said()
            await driver.fill_refused("", told="Not allowed: The mirror")
            stick.unlink()
            await driver.press("enter")
            await driver.until(lambda: not driver.asking)
            await driver.until(lambda: "▲ mirror behind" not in driver.text())
            await driver.until(lambda: "It is whole, but on the record's own device" in driver.said())
            assert lines_of(stick / rec) == lines_of(stage.logs / rec)

        stage.drive(story, session=stage.session(mirror=stick))

    def test_another_folder_takes_the_second_copy_over_and_following_records_too(
        self, stage: Stage, tmp_path: Path
    ) -> None:
        stage.checks["link-margin"].finding = found("link-margin")
        other = tmp_path / "other"

        async def story(driver: Driver) -> None:
            await driver.begin()
            await driver.press("f5")
            await driver.asked()
            assert "No second copy is kept" in driver.text()
            await driver.fill(str(other))
            await driver.sign("omar")
            rec = driver.app.seen.view.record.rec
            assert lines_of(other / rec) == lines_of(stage.logs / rec)
            await close_and_seal(driver)
            await driver.until(lambda: driver.app.seen.view.state.closed is not None)
            await past_the_code(driver)
            await driver.press("f")
            await driver.fill("", "tore loose", "1")
            await driver.until(lambda: driver.app.seen.view.record.rec != rec)
            rec = driver.app.seen.view.record.rec
            assert lines_of(other / rec) == lines_of(stage.logs / rec)

        stage.drive(story)


class TestAfterClosing:
    def test_an_act_that_is_refused_after_the_close_begins_no_record(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            await close_and_seal(driver)
            await past_the_code(driver)
            before = sorted(stage.logs.iterdir())
            driver.app.conductor.go(Place("step", "battery"))
            await driver.press("n")
            await driver.fill_refused("swollen", "4", told="does not have that role")
            assert sorted(stage.logs.iterdir()) == before
            assert driver.app.seen.view.state.closed is not None
            await driver.press("escape")
            await driver.until(lambda: not driver.asking)
            await driver.press("d")
            await driver.fill_refused("rain", "2", told="does not have it")
            assert sorted(stage.logs.iterdir()) == before
            await driver.press("escape")
            await driver.until(lambda: not driver.asking)
            await driver.press("d")
            await driver.fill("rain", "1")
            await driver.until(lambda: driver.app.seen.view.state.scrubbed is not None)
            assert len(list(stage.logs.iterdir())) == 2

        stage.drive(story)


class TestOtherActsByKey:
    def test_an_answer_with_conditions_keeps_them(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            walk = filled(driver.app.session.walk, PASSPHRASE)
            await driver.until(lambda: len(driver.app.seen.view.acts) == len(walk.ledger.acts))
            await to_step(driver, "notice")
            await driver.press("enter")
            await driver.fill("A-12", "granted", "call again at T-10 min", "1")
            await driver.until(lambda: driver.app.seen.view.step("notice").outcome == "go")
            data = driver.app.seen.view.step("notice").finding.act.data
            assert (data.reason, data.valid_until) == ("call again at T-10 min", None)
            await to_step(driver, "notice")
            assert "call again at T-10 min" in driver.text()

        stage.drive(story)

    def test_a_waiver_given_before_a_handover_is_withdrawn_by_its_number(self, stage: Stage) -> None:
        ring = keyring(stage)
        walk = opening.begin(stage.logs, stage.sources, keyring=ring, person="ines", clock=stage.clock)
        walk.confirm("battery", "omar", "8.1 V")
        walk.found("logger", go("logger-response"))
        walk.sign("logger", "omar")
        walk.found("line", margin(1.5))
        expires = START + timedelta(hours=4)
        walk.waive("line", "ines", PASSPHRASE, reason="short", expires=expires)
        walk.recorder.close()
        other = opening.follow(
            walk.recorder.folder, why="handover", keyring=ring, person="ines", clock=stage.clock
        )
        other.recorder.close()

        async def story(driver: Driver) -> None:
            await driver.unlock("ines")
            await driver.press("enter")
            await driver.until(lambda: driver.app.seen.view.record is not None)
            assert driver.app.seen.view.step("line").outcome == "waived"
            await driver.press("c")
            await driver.asked()
            assert "1.6  07:00Z  Ines Example  line: waived line 5" in driver.text()
            await driver.fill("1.6", "the cable is long", "1")
            await driver.until(lambda: driver.app.seen.view.step("line").outcome == "no-go")

        stage.drive(story)

    def test_a_replan_of_the_release_and_of_a_value_turns_what_used_it_stale(self, stage: Stage) -> None:
        async def story(driver: Driver) -> None:
            await driver.begin()
            await driver.sign("omar")
            await driver.at("step", "logger")
            await driver.run_check()
            await driver.sign("omar")
            await driver.at("step", "line")
            await driver.run_check()
            await driver.sign("omar")
            await driver.press("e")
            await driver.fill("link.baud", "19200", "another logger", "1")
            await driver.until(lambda: driver.app.seen.view.flight.link.baud == 19200)
            assert driver.app.seen.view.step("line").outcome in ("stale", "open")

        stage.drive(story)


def test_every_act_has_a_key_of_its_own_a_word_and_a_place_on_the_help_page() -> None:
    assert len({key.key for key in KEYS}) == len(KEYS)
    names = {key.name for key in KEYS}
    assert {"paper", "take_over", "mirror", "correct", "replan", "scrub", "power", "waive"} <= names
    assert all(len(key.help) <= 30 for key in KEYS)


def test_the_help_is_one_screen_at_80_by_24(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.press("question_mark")
        await driver.until(lambda: "Help: keys" in driver.text())
        await driver.dealt()
        text = driver.text()
        assert not driver.app.screen.query_one("#text").show_vertical_scrollbar
        for key in KEYS:
            assert key.help in text or key.name in ("back", "on"), key
        for mark in ("OPEN", "NOT APPLICABLE", "STALE", "HOLD"):
            assert mark in text, mark

    stage.drive(story)
