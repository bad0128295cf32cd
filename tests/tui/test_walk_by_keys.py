"""A whole walk by key presses alone, at 80 by 24, to sealed records; what single keys may and may not do."""

from __future__ import annotations

import pytest
from screen_driving import PASSPHRASE, Driver, Stage
from small_flight import filled

from preflight.record.verify import verify
from preflight.tui.dialogs.sealed import Sealed
from preflight.tui.keys import KEYS
from preflight.tui.places import Place


async def to_fill_gate(driver: Driver, counts: dict[str, int]) -> None:
    """The power-up phase, counting the presses of each ordinary step."""

    async def counted(name: str, step) -> None:
        before = driver.presses
        await step
        counts[name] = driver.presses - before

    await driver.at("step", "battery")
    await counted("battery", driver.sign("omar"))
    await driver.at("step", "logger")

    async def check() -> None:
        await driver.run_check()
        await driver.sign("omar")

    await counted("logger", check())
    await driver.at("step", "line")
    await counted("line", check())
    await driver.at("complete", "power-up")
    await counted("power-up complete", driver.sign("omar"))


async def pass_gate(driver: Driver, gate: str) -> None:
    """Poll both stations and authorise."""
    await driver.at("poll", gate)
    await driver.press("enter")
    await driver.asked()
    assert "1 Ines Example may sign" in driver.said()  # the director's answer is asked first
    await driver.fill("go", "", "1")
    await driver.fill("go", "", "2")
    await driver.at("authorise", gate)
    await driver.press("enter")
    await driver.fill("1", PASSPHRASE)


async def to_release_gate(driver: Driver) -> None:
    await driver.at("step", "neck-lift")
    await driver.press("enter")
    await driver.fill("1,60", "1.61", "1,62", "2")
    await driver.until(lambda: driver.app.seen.view.step("neck-lift").waiting == "witness")
    await driver.sign("lena")
    await driver.at("step", "gust")
    await driver.sign("omar")
    await driver.at("step", "notice")
    await driver.press("enter")
    await driver.fill("A-12", "granted", "", "1")
    await driver.at("step", "spare")
    await driver.sign("noah")
    await driver.at("complete", "fill")
    await driver.sign("omar")


async def seal(driver: Driver) -> str:
    await driver.at("close")
    await driver.press("enter")
    await driver.asked()
    shown = driver.app.screen
    for answer in ("", "1", PASSPHRASE):
        await driver.type(answer)
        await driver.press("enter")
    await driver.until(lambda: driver.app.screen is not shown)
    await driver.until(lambda: isinstance(driver.app.screen, Sealed))
    code = driver.app.screen.seal.code
    await driver.dealt()
    text = driver.text()
    assert " ".join(code.replace("-", "")[n : n + 4] for n in range(0, 16, 4)) in text
    assert "█" in text
    await driver.press("enter")
    return code


TOLD = """[[phase.step]]
id = "told"
challenge = "Launch call to the authority"
defer = { authority = "the tower", ask = ["told at", "who answered"] }
"""


def test_a_whole_walk_by_keys_ends_in_two_sealed_records(stage: Stage) -> None:
    stage.checklist += TOLD
    counts: dict[str, int] = {}
    codes: list[str] = []

    async def story(driver: Driver) -> None:
        await driver.begin()
        await to_fill_gate(driver, counts)
        await pass_gate(driver, "fill")
        await to_release_gate(driver)
        await pass_gate(driver, "release")
        codes.append(await seal(driver))
        await driver.at("release")
        first = driver.app.seen.view.record.rec
        # A hold called after the record was closed goes into the one that follows, and takes the go away.
        # Over the release's dialogue it changes at once what that says.
        await driver.press("enter")
        await driver.asked()
        assert "entered as released with go" in driver.said()
        await driver.type("06:59")
        await driver.until(lambda: "the record was opened at 07:00:00Z" in driver.said())
        await driver.press(*["backspace"] * 5)
        await driver.until(lambda: "entered as released with go" in driver.said())
        await driver.press("f2")
        await driver.until(lambda: driver.app.screen.form.title == "Hold")
        await driver.fill("gust", "2")
        await driver.until(lambda: "entered as released WITHOUT GO: hold: gust" in driver.said())
        await driver.press("escape")
        await driver.until(lambda: not driver.asking)
        follows = driver.app.seen.view.record.rec
        assert follows != first
        assert driver.app.seen.notice.text.endswith(f"A record that follows was begun: {follows}")
        assert driver.app.seen.view.state.gates["release"].verdict == "hold"
        # Enter never comes to a release that would be without go: while held, nor once that is lifted.
        await driver.press("enter")
        await driver.until(lambda: "Not now: a hold stands: l lifts the hold" in driver.said())
        await driver.press("l")
        await driver.fill("gust over", "2")
        await driver.until(lambda: not driver.app.seen.view.state.holds)
        assert driver.app.seen.place == Place("release")
        assert "p poll a authorise z close f left without go" in driver.said()
        await driver.press("f")
        await driver.asked()
        assert "Left WITHOUT GO: the balloon has left all the same" in driver.said()
        await driver.press("escape")
        await driver.until(lambda: not driver.asking)
        await driver.press("enter")
        await driver.at("poll", "release")
        await pass_gate(driver, "release")
        await driver.at("release")
        await driver.press("enter")
        await driver.fill("", "", "1")
        assert driver.app.session.rerun_due(driver.app.seen.view) is None
        await driver.at("step", "call")
        assert driver.app.seen.view.record.rec != first
        await driver.sign("omar")
        await driver.at("step", "told")
        await driver.press("enter")
        await driver.fill("09:02Z", "the tower", "1")  # nothing is granted any more
        await driver.at("complete", "tracking")
        await driver.sign("omar")
        codes.append(await seal(driver))
        await driver.until(lambda: "The walk is over" in driver.text())

    stage.drive(story)
    assert counts == {"battery": 2, "logger": 3, "line": 3, "power-up complete": 2}
    folders = sorted(stage.logs.iterdir(), key=lambda path: path.stat().st_mtime_ns)
    assert len(folders) == 2
    states = {folder: verify(folder) for folder in folders}
    assert {found.state for found in states.values()} == {"sealed"}
    matching = [code for code in codes for folder in folders if verify(folder, code=code).state == "anchored"]
    assert sorted(matching) == sorted(codes)


def test_a_witness_who_reads_for_themselves_does_not_see_the_first_reading(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        walk = filled(driver.app.session.walk, PASSPHRASE)
        walk.measure("neck-lift", "omar", [1.73, 1.73, 1.73], (None, None))
        await driver.until(lambda: len(driver.app.seen.view.acts) == len(walk.ledger.acts))
        driver.app.conductor.go(Place("step", "neck-lift"))
        await driver.until(lambda: "1.73 kg" in driver.text())
        await driver.press("w")
        await driver.asked()
        # The large window leaves the step in view beside the dialogue.
        await driver.until(lambda: "reading  covered, while a second person reads it" in driver.text())
        assert "1.73" not in driver.text()
        await driver.fill("1,72", "independent", "3")
        await driver.until(lambda: "1.73 kg" in driver.text())
        step = driver.app.seen.view.step("neck-lift")
        assert (step.outcome, step.finding.witness.data.mode) == ("go", "independent")

    stage.drive(story, size=(160, 45))


def _all_keys() -> list[str]:
    letters = [chr(code) for code in range(ord("a"), ord("z") + 1)]
    named = [*(f"f{n}" for n in range(1, 13)), "ctrl+q", "ctrl+c", "ctrl+d", "delete", "tab", "home", "end"]
    return sorted({*letters, *(str(n) for n in range(10)), *(key.key for key in KEYS), *named})


def test_no_single_key_signs_waives_seals_or_quits(stage: Stage) -> None:
    tried: list[str] = []

    async def story(driver: Driver) -> None:
        await driver.begin()
        here = driver.app.seen.place
        for key in _all_keys():
            driver.app.change(place=here, selected=None)
            before = driver.entries
            await driver.key(key)
            assert driver.app.is_running, key
            assert driver.entries == before, key
            while len(driver.app.screen_stack) > 2:
                await driver.key("escape")
            tried.append(key)
        # Another key than Enter after the number signs nothing either.
        await driver.press("2")
        before = driver.entries
        await driver.key("2")
        await driver.key("space")
        await driver.key("escape")
        assert driver.entries == before

    app = stage.drive(story)
    assert len(tried) > 60
    assert app.fault is None


def test_choosing_a_locked_person_asks_for_the_passphrase_and_a_wrong_one_is_told(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.press("1")
        await driver.asked()
        await driver.type("not this")
        await driver.press("enter")
        told = "Wrong passphrase for Ines Example: try again; nothing was entered."
        await driver.until(lambda: told in driver.said())
        assert driver.asking
        await driver.type(PASSPHRASE)
        await driver.press("enter")
        await driver.until(lambda: not driver.asking)
        assert driver.app.seen.view.unlocked == ("ines",)

    stage.drive(story)


def test_enter_leaves_no_wrong_answer_and_what_is_typed_next_replaces_it(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        app = driver.app
        await driver.begin()
        await driver.press("x")
        await driver.asked()
        typed = app.screen
        # Nothing typed: Enter stays. Coming back to a text keeps it; a number is replaced.
        await driver.press("enter")
        await driver.until(
            lambda: "Not filled in: reason" in driver.said() or "Not filled in: why" in driver.said()
        )
        assert app.screen.focused.id == "f0"
        await driver.type("practice")
        await driver.press("enter")
        await driver.until(lambda: app.screen.focused.id == "f1")
        await driver.type("k")
        await driver.until(lambda: "“k” is no number" in driver.said())
        await driver.press("enter")
        await driver.until(lambda: "Look again: “k” is no number" in driver.said())
        await driver.type("4")
        await driver.press("enter")
        await driver.until(lambda: "Not allowed" in driver.said())
        assert app.screen.typed == {"reason": "practice", "who": "4"}
        await driver.press("up")
        await driver.type("s")
        await driver.press("enter")
        await driver.type("2")
        await driver.until(lambda: typed.typed == {"reason": "practices", "who": "2"})
        await driver.press("enter")
        await driver.until(lambda: not driver.asking)
        assert app.seen.view.acts[-1].data.reason == "practices"
        # A number that was refused is no other one by what is typed on behind it: it is cleared first.
        await driver.press("slash")
        await driver.until(lambda: "type to narrow" in driver.text())
        await driver.type("neck-lift")
        await driver.press("enter")
        await driver.at("step", "neck-lift")
        await driver.press("enter")
        await driver.asked()
        await driver.type("1,7,1")
        await driver.press("enter")
        await driver.until(lambda: "Backspace clears it" in driver.said())
        await driver.pilot.pause(0.4)
        await driver.type("2")
        await driver.press("enter")
        await driver.until(lambda: '"1,7,12" is not a number' in driver.said())
        await driver.press("backspace")
        await driver.type("1.7")
        await driver.press("enter")
        await driver.until(lambda: app.screen.focused.id == "f1")
        # Come back to, it is the same: it stays, says how it is cleared, and is cleared at once.
        assert "Backspace clears it" not in driver.said()
        await driver.press("up")
        await driver.until(lambda: "= 1.7 kg" in driver.said() and "Backspace clears it" in driver.said())
        await driver.press("backspace")
        await driver.until(lambda: app.screen.typed["value1"] == "")
        await driver.type("1.76")
        await driver.press("backspace")
        await driver.until(lambda: app.screen.typed["value1"] == "1.7")  # what is being typed is only mended
        await driver.key("escape")
        # Not to be left by chance: one question to quit, and Enter says what it waits for.
        await driver.press("q")
        await driver.until(lambda: "Quit?" in driver.said())
        await driver.press("ctrl+c", "ctrl+q", "enter")
        await driver.until(lambda: "y or n first" in driver.said())
        assert len(app.screen_stack) == 3

    stage.drive(story)


def test_who_may_not_sign_is_told_and_nothing_is_entered(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        before = driver.entries
        await driver.press("4", "enter")
        await driver.until(lambda: driver.app.seen.notice is not None)
        assert driver.app.seen.notice.text == (
            "Step battery is signed by payload; Noah Example does not have that role. "
            "Choose 2 Omar Example or 3 Lena Example."
        )
        await driver.dealt()
        assert "Not allowed" in driver.text()
        assert driver.entries == before

    stage.drive(story)


def test_letters_typed_into_an_input_do_nothing_outside_it_and_f2_holds_from_there(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.press("n")
        await driver.asked()
        await driver.type("hqukzdpa.j")
        await driver.until(lambda: driver.app.screen.query_one("#f0").value == "hqukzdpa.j")
        assert driver.app.seen.view.unlocked
        before = driver.entries
        await driver.press("f2")
        await driver.until(lambda: driver.app.screen.form.title == "Hold")
        await driver.fill("gust", "2")
        await driver.until(lambda: driver.entries > before)
        assert driver.app.screen.query_one("#f0").value == "hqukzdpa.j"
        await driver.press("escape")
        await driver.until(lambda: not driver.asking and "hold by Omar Example 07:00Z: gust" in driver.text())
        await driver.press("l")
        await driver.fill("gust over", "2")
        await driver.until(lambda: not driver.app.seen.view.state.holds)

    stage.drive(story)


def test_a_hold_while_nobody_is_unlocked_is_entered_by_the_instrument(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.press("k")
        await driver.until(lambda: not driver.app.seen.view.unlocked)
        await driver.press("f2")
        await driver.fill("", "3")
        await driver.until(lambda: bool(driver.app.seen.view.state.holds))
        hold = driver.app.seen.view.state.holds[0]
        assert (hold.entry.signer, hold.data.claimed) == ("laptop", "lena")
        await driver.unlock("lena")
        await driver.press("b")
        await driver.fill("3")
        await driver.until(lambda: driver.app.seen.view.acts[-1].entry.kind == "sign")

    stage.drive(story)


@pytest.mark.parametrize("size", [(80, 24), (120, 24), (160, 45), (60, 18)])
def test_the_walk_fits_without_scrolling(stage: Stage, size: tuple[int, int]) -> None:
    async def story(driver: Driver) -> None:
        await driver.begin()
        await driver.until(lambda: driver.app.seen.extra.figures is not None)
        await driver.dealt()
        text = driver.text()
        assert not driver.app.screen.show_vertical_scrollbar
        for part in ("Plover 1", "HOLD", "Battery lead", "Latched, 8.1 V", "planned", "02:00:00", "F2 hold"):
            assert part in text, part
        assert "on disk 07:00:00Z" in text

    stage.drive(story, size=size)
