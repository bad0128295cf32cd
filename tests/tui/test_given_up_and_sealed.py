"""After a scrub and after a seal the screen says how it stands, and offers nothing that would be refused."""

from __future__ import annotations

from pathlib import Path

from screen_driving import PASSPHRASE, Driver, Stage, replayed

from preflight.record.kinds import KINDS
from preflight.tui.alarms import alarms
from preflight.tui.dialogs.sealed import Sealed
from preflight.tui.keys import KEYS, offered
from preflight.tui.places import Place, places
from preflight.walk.rules import AFTER_SCRUB

ENTERS = {
    "lift": "lift",
    "countersign": "sign",
    "again": "check",
    "seen": "confirm",
    "no_go": "confirm",
    "not_applicable": "confirm",
    "witness": "witness",
    "waive": "waive",
    "begin": "phase",
    "poll": "poll",
    "authorise": "authorise",
    "correct": "correct",
    "paper": "paper",
    "take_over": "carry",
    "power": "power",
    "replan": "replan",
    "scrub": "scrub",
    "hold": "hold",
    "release": "release",
}
"""What kind of entry each key's act makes; all other keys make none of their own."""


def offers(driver: Driver) -> set[str]:
    """The entries that keys offer to make, at any place of the walk."""
    scene = driver.app.seen
    found = set()
    for place in (*places(scene.view.book), Place("none")):
        at = scene.with_(place=place)
        found |= {ENTERS[key.name] for key in KEYS if key.name in ENTERS and key.when(at)}
        words = [word for _, word in offered(at)]
        assert not {"run", "sign", "confirm", "witness", "measure", "answer", "complete"} & set(words), place
    return found


async def seal(driver: Driver) -> str:
    """Fill in the form that closes and seals; the code. Why it is closed is asked where nothing says so."""
    await driver.asked()
    why = [] if driver.app.screen.form.by_key["reason"].settled else ["no gas"]
    for answer in (*why, "1", PASSPHRASE):
        await driver.type(answer)
        await driver.press("enter")
    await driver.until(lambda: isinstance(driver.app.screen, Sealed))
    code: str = driver.app.screen.seal.code
    ahead = driver.app.seen.view.state.scrubbed is None  # a scrub leaves no release to be ready by
    told = f"photograph it{' before release' if ahead else ''}."
    await driver.until(lambda: told in driver.said(), told)
    await driver.press("enter")
    await driver.until(lambda: not isinstance(driver.app.screen, Sealed))
    await driver.dealt()
    return code


def test_a_scrubbed_and_sealed_walk_says_so_and_offers_only_what_is_left(
    stage: Stage, tmp_path: Path
) -> None:
    assert set(ENTERS.values()) <= set(KINDS)
    codes: list[str] = []

    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.at("step", "logger")
        assert "Enter runs the check" in driver.text()
        before = driver.app.seen.view
        stage.clock.forward(minutes=5)
        await driver.press("d")
        await driver.fill("gusts", "1")
        await driver.at("close")
        said = driver.said()
        assert "SCRUBBED 07:05Z · 07:05 local by Ines Example: gusts" in said
        assert "The attempt was scrubbed: close and seal the record" in said
        assert "Ines Example 07:05:00Z “I give up the attempt for today” gusts" in said
        assert "No step, poll or gate is entered any more" in said
        assert "Make safe what is powered" in said
        assert "in 01:55:00" not in said  # the count is over
        assert offers(driver) <= AFTER_SCRUB
        # Nothing about a step is news any more.
        assert not [alarm for alarm in alarms(before, driver.app.seen.view) if alarm.step is not None]
        driver.app.conductor.go(Place("step", "logger"))
        await driver.dealt()
        said = driver.said()
        assert "runs the check" not in said
        assert "move lead" not in said
        assert "SCRUBBED: nothing is done here any more. Enter goes to close and seal" in said
        await driver.press("enter")
        await driver.at("close")
        driver.app.conductor.go(Place("step", "line"))  # it can be closed from anywhere
        await driver.press("z")
        codes.append(await seal(driver))
        await driver.at("none")
        said = driver.said()
        assert "■ SCRUBBED ● SEALED" in said
        assert "The walk is over" in said
        assert f"code {codes[0]}" in said
        assert f"record logs/{driver.app.seen.view.record.rec}" in said
        assert "no second copy is kept: F5" in said
        assert "q quits" in said
        assert not offers(driver)
        await driver.press("left")
        await driver.dealt()
        assert driver.app.seen.place == places(driver.app.seen.view.book)[-1]
        assert "The walk is over. Enter goes to how it ended" in driver.said()
        await driver.press("enter")
        await driver.at("none")
        await driver.press("f5")
        await driver.fill(str(tmp_path / "stick"))
        await driver.until(lambda: str(tmp_path / "stick") in driver.app.seen.view.record.mirror)
        assert not driver.app.seen.view.record.mirror_behind

    (tmp_path / "stick").mkdir()
    stage.drive(story)
    (record,) = stage.logs.iterdir()

    async def again(driver: Driver) -> None:
        await driver.until(lambda: "REPLAY" in driver.text())
        await driver.dealt()
        said = driver.said()
        assert "4 of 4 ● SEALED" in said
        assert "Ines Example 07:05:00Z “I close this record”" in said
        assert "changed record closed" in said
        for _ in range(4):
            for word in ("Close and seal", "Enter", "move lead", "F5", "waits for"):
                assert word not in driver.text(), word
            here = driver.app.seen
            await driver.press("left")
            await driver.until(lambda here=here: driver.app.seen is not here)
            await driver.dealt()
            if driver.app.seen.view.replay.spot.entry == 3:
                assert "changed attempt scrubbed" in driver.said()
            if driver.app.seen.view.replay.spot.entry == 1:
                break

    stage.drive(again, app=replayed(record))


def test_a_record_sealed_early_leads_to_the_release_or_a_scrub(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.sign("omar")
        await driver.press("z")
        code = await seal(driver)
        await driver.at("release")
        # What a closed record takes no more is not gone to; a poll begins the one in which it is done.
        await driver.until(lambda: "Enter goes to the poll (p) of director and payload" in driver.said())
        said = driver.said()
        assert "‖ HOLD ● SEALED at the fill gate: " in said
        assert f"code {code}" in said
        assert "Not flying after all: d scrubs" in said
        assert "d scrub" in said
        driver.app.conductor.go(Place("step", "logger"))
        await driver.dealt()
        closed = "The record is closed: nothing is added here. Enter goes to the release"
        await driver.until(lambda: closed in driver.said())
        assert not [
            key for key in KEYS if key.name in ("again", "witness", "waive") and key.when(driver.app.seen)
        ]
        await driver.press("enter")
        await driver.at("release")
        first = driver.app.seen.view.record.rec
        await driver.press("d")
        await driver.fill("rain", "1")
        await driver.at("close")
        assert driver.app.seen.view.record.rec != first
        assert "SCRUBBED" in driver.text()

    stage.drive(story)
