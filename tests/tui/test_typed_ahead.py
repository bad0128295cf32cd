"""What is typed after a key that opens a dialogue is for the dialogue, in order, and for nothing below."""

from __future__ import annotations

import re
import sys
import threading
from collections.abc import Callable
from typing import Any

import pytest
from record_making import entries_of
from screen_driving import NUMBERS, PASSPHRASE, Driver, Stage
from terminals import Tmux, lay_out, walk_words
from textual import events
from textual.keys import _character_to_key
from tools import need_tool

from preflight.errors import RecordError
from preflight.record.keys import Keyring
from preflight.tui.dialogs.sealed import Sealed
from preflight.tui.unheard import QUIET


def at_once(driver: Driver, *keys: str) -> None:
    """Keys and texts posted back to back: nothing else has a turn between them. "|" is Enter."""
    for key in keys:
        named = key in ("f2", "escape", "enter", "slash", "down")
        for char in (key,) if named else key:
            name = "enter" if char == "|" else char if named else _character_to_key(char)
            driver._send(events.Key(name, char if name != "enter" and not named else None))


def kinds(stage: Stage) -> list[str]:
    return [entry.kind for folder in sorted(stage.logs.iterdir()) for entry in entries_of(folder)]


def test_what_is_typed_at_once_arrives_in_the_dialogue_whole(stage: Stage) -> None:
    """From the arrival to a gate, every dialogue's keys posted with its opener."""

    async def story(driver: Driver) -> None:
        app = driver.app
        for person in ("ines", "omar", "lena"):
            at_once(driver, NUMBERS[person], f"{PASSPHRASE}|")
        await driver.until(lambda: app.seen.view.unlocked == ("ines", "omar", "lena"))
        # Opens the record, with the Enter pressed twice; then everything that a no-go asks for.
        at_once(driver, "1||")
        await driver.until(lambda: app.seen.view.record is not None)
        at_once(driver, "nqzkd swollen|2|")
        await driver.until(lambda: app.seen.view.step("battery").outcome == "no-go")
        assert app.seen.view.acts[-1].data.reason == "qzkd swollen"
        # A hold over a dialogue: what is typed goes to the one on top, then to the one below.
        at_once(driver, "n", "no cell", "f2", "gust|2|", "s|3|")
        await driver.until(lambda: len(app.seen.view.acts) == 4)
        assert app.seen.view.acts[-1].data.reason == "no cells"
        acts = app.seen.view.acts
        assert [act.entry.kind for act in acts] == ["open", "confirm", "hold", "confirm"]
        at_once(driver, "lgust over|2|", "slash", "gust|")
        await driver.until(lambda: app.seen.place.name == "gust")
        assert not app.seen.view.state.holds
        at_once(driver, "escape", "efle", "escape", "eflight.release|+90 min|late|1|")
        await driver.until(lambda: app.seen.view.acts[-1].entry.kind == "replan" and not driver.asking)
        assert (len(app.screen_stack), len(app.seen.view.unlocked)) == (2, 3)
        # The palette is a dialogue as well: its Enter opens another, and what follows is for that one.
        app.action_command_palette()
        await driver.until(lambda: len(app.screen_stack) > 2)
        await driver.type("cycled")
        await driver.until(lambda: "The power was cycled" in driver.text())
        await driver.pilot.pause(0.1)
        at_once(driver, "down", "|", "lead off|2|")
        await driver.until(lambda: app.seen.view.acts[-1].entry.kind == "power")
        assert app.seen.view.acts[-1].data.detail == "lead off"

    assert stage.drive(story).fault is None


def test_what_is_typed_for_a_dialogue_that_does_not_open_is_for_nobody(stage: Stage) -> None:
    async def story(driver: Driver) -> None:
        app = driver.app
        await driver.begin()
        # Nobody can authorise yet: neither the number nor the passphrase may act on the walk. A hold may.
        at_once(driver, "a", "1|kqz|2|", "f2")
        await driver.until(lambda: driver.asking)
        assert app.screen.form.title == "Hold"
        await driver.key("escape")
        at_once(driver, "a", "1|kqz|2|")
        await driver.until(lambda: app.seen.notice is not None)
        assert app.seen.notice.text == (
            "The verdict is hold: battery is not done yet. j goes to what is left to do. "
            "8 keys typed meanwhile were not used."
        )
        await driver.pilot.pause(0.1)
        assert (len(app.screen_stack), kinds(stage), len(app.seen.view.unlocked)) == (2, ["open"], 4)
        assert app.seen.selected is None
        await driver.pilot.pause(0.4)
        # Refused before the next key has come, so that nothing is kept yet: all the same.
        at_once(driver, "w", "practice|")
        await driver.until(lambda: "9 keys typed meanwhile were not used" in driver.said())
        assert (len(app.screen_stack), app.seen.notice.title) == (2, "Not now")
        # What a hand types on with after the refusal is drawn, each key less than QUIET after the one before,
        # was typed for that dialogue too: at the walk an x, a 2 and an Enter would act. A hold always does.
        await driver.pilot.pause(0.4)
        at_once(driver, "w")
        await driver.until(lambda: "Not now" in driver.said() and app.seen.notice.title == "Not now")
        for n, key in enumerate("x2|"):
            await driver.until(lambda n=n: f"{n} key" in app.seen.notice.text or not n)
            at_once(driver, key)
        await driver.until(lambda: "3 keys typed meanwhile were not used" in driver.said())
        assert (len(app.screen_stack), app.seen.selected, kinds(stage)) == (2, None, ["open"])
        at_once(driver, "f2")
        await driver.until(lambda: driver.asking)
        at_once(driver, "gust")
        await driver.until(lambda: app.screen.typed["reason"] == "gust")
        await driver.key("escape")
        # After a pause keys act again.
        at_once(driver, "w")
        await driver.until(lambda: app.seen.notice.title == "Not now")
        await driver.pilot.pause(QUIET + 0.1)
        # The last Enter pressed twice signs once; the seal code is not put away by it.
        at_once(driver, "2||")
        await driver.until(lambda: len(kinds(stage)) == 2)
        await driver.pilot.pause(0.1)
        assert kinds(stage) == ["open", "confirm"]
        at_once(driver, "z", "no gas|1|", PASSPHRASE, "||")
        await driver.until(lambda: isinstance(app.screen, Sealed))
        await driver.pilot.pause(0.1)
        assert isinstance(app.screen, Sealed)

    stage.drive(story)


class Held:
    """Opens a key once it is let: as a slow laptop does."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.let, self.begun = threading.Event(), threading.Event()
        self.open: Callable[..., Any] = Keyring.open

        def late(keyring: Keyring, person: str, passphrase: str) -> Any:
            self.begun.set()
            if not self.let.wait(20):
                raise RecordError("never let")
            return self.open(keyring, person, passphrase)

        monkeypatch.setattr(Keyring, "open", late)


def test_waiting_for_a_key_is_left_at_once_and_its_result_thrown_away(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def story(driver: Driver) -> None:
        app = driver.app
        held = Held(monkeypatch)
        at_once(driver, "1", f"{PASSPHRASE}|")
        await driver.until(lambda: "Esc back to the dialogue" in driver.said())
        await driver.until(lambda: re.search("working for [12] s", driver.said()), "for how long it has been")
        await driver.key("escape")
        await driver.until(lambda: "Left: nothing was done" in driver.said())
        assert driver.asking
        assert app.screen.typed == {"who": "1", "passphrase": ""}
        held.let.set()
        await driver.pilot.pause(0.2)
        assert app.seen.view.unlocked == ()
        await driver.fill(PASSPHRASE)
        await driver.until(lambda: app.seen.view.unlocked == ("ines",))
        await driver.begin("omar")
        # As at the arrival, so where a signature hangs on it: nothing is entered, and F2 goes before.
        held.let.clear()
        held.begun.clear()
        at_once(driver, "z", f"no gas|1|{PASSPHRASE}|")
        await driver.until(held.begun.is_set)
        await driver.press("f2")
        await driver.fill("gust", "2")
        await driver.until(lambda: bool(app.seen.view.state.holds))
        await driver.until(lambda: "Esc back to the dialogue" in driver.said())
        await driver.key("escape")
        await driver.until(lambda: "Left: nothing was done" in driver.said())
        held.let.set()
        await driver.pilot.pause(0.2)
        assert kinds(stage) == ["open", "hold"]
        assert app.seen.view.state.closed is None
        # One that comes to its end under another dialogue closes with that.
        await driver.key("escape")
        held.let.clear()
        at_once(driver, "u", f"3|{PASSPHRASE}|", "f2")
        await driver.until(lambda: driver.asking and app.screen.form.title == "Hold")
        held.let.set()
        await driver.until(lambda: "lena" in app.seen.view.unlocked)
        await driver.key("escape")
        await driver.until(lambda: len(app.screen_stack) == 2, "for both to close")
        # A disk that hangs keeps no dialogue from opening.
        written = threading.Event()
        app.session._writer.submit(written.wait, 20)
        at_once(driver, "n", "late")
        await driver.until(lambda: driver.asking, "for a dialogue while the disk hangs")
        await driver.until(lambda: app.screen.typed["reason"] == "late")
        written.set()

    stage.drive(story)


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_in_a_real_terminal_many_characters_in_one_go_reach_their_dialogue(stage: Stage) -> None:
    need_tool("tmux")
    terminal = Tmux(stage.folder, walk_words(), lay_out(stage, stage.folder))
    try:
        terminal.until(lambda text: "Opening" in text or "Begin a new record" in text, "the first screen")
        terminal.type(f"2{PASSPHRASE}\r1{PASSPHRASE}\r2\r")
        terminal.until(lambda text: "before:" in text and "Battery lead" in text, "the walk")
        terminal.type("nkqzd is in the reason\r2\r")
        terminal.until(lambda text: "NO-GO" in text and "kqzd is in the reason" in text, "the no-go")
        assert kinds(stage) == ["open", "confirm"]
    finally:
        terminal.close()
